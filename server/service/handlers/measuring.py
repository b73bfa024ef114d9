"""Messages that ask for values: samples, separation, scopes."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable
from typing import Any

from kernels.errors import VerdigrisError
from server.pictures.probe import sample, separate
from server.pictures.renderer import Urgency
from server.service.clients import Client
from server.service.handlers.dispatch import handle
from server.service.service import Service
from server.store.frame_types import NotReadyError
from server.wire import messages as m
from server.wire.replies import Problem

log = logging.getLogger("verdigris.measuring")


def _frame_of(service: Service, client: Client, frame: int | None) -> int:
    viewer = service.scheduler.viewers[client.client]
    clock = viewer.clock or service.scheduler.clock
    wanted = clock.frame_at(service.now()) if frame is None else frame
    return service.pictures.existing(wanted)


def _measure(
    service: Service,
    client: Client,
    kind: str,
    request: str,
    frame: int,
    work: Callable[[], Any],
) -> None:
    async def run() -> None:
        try:
            await service.pictures.until_ready(frame, client.role == "operator")
            future = service.thread.submit(Urgency.SAMPLE, work)
            client.send(await asyncio.wrap_future(future))
        except VerdigrisError as error:
            client.send(Problem(code="missing", message=str(error), about=request))
        except NotReadyError:
            client.send(
                Problem(code="missing", message="the frame has gone: ask again", about=request)
            )
        except Exception:
            log.exception("a measurement failed")
            text = "this could not be measured; the service's log tells more"
            client.send(Problem(code="server", message=text, about=request))

    client.latest(kind, run, request)


@handle.register
def _(message: m.Sample, service: Service, client: Client) -> None:
    frame = _frame_of(service, client, message.frame)
    opened, recipe, revision = service.opened, service.session.recipe, service.session.revision
    _measure(
        service,
        client,
        "sample",
        message.id,
        frame,
        lambda: sample(opened, recipe, revision, frame, message),
    )


@handle.register
def _(message: m.Separate, service: Service, client: Client) -> None:
    frame = _frame_of(service, client, message.frame)
    opened, recipe = service.opened, service.session.recipe
    _measure(
        service,
        client,
        "separate",
        message.id,
        frame,
        lambda: separate(opened, recipe, frame, message),
    )


@handle.register
def _(message: m.Scopes, service: Service, client: Client) -> None:
    client.scopes = message if message.kinds else None
    client.scope_sent = None


@handle.register
def _(message: m.AckScopes, service: Service, client: Client) -> None:
    if message.sequence == client.scope_waiting:
        client.scope_waiting = 0
