"""Messages that ask for values: samples, separation, scopes."""

from __future__ import annotations

import logging
from collections.abc import Callable
from functools import partial
from typing import Any

from kernels.errors import VerdigrisError
from server.pictures.probe import OnEngine, sample, separate
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
    message: m.Sample | m.Separate,
    frame: int,
    work: Callable[[OnEngine], Any],
) -> None:
    async def run() -> None:
        try:
            await service.pictures.until_ready(frame, client.role == "operator")
            operator = client.role == "operator"
            urgency = Urgency.SAMPLE if operator else Urgency.LOOK
            on_engine = partial(service.thread.call, urgency)
            client.send(await service.measure(partial(work, on_engine), first=operator))
        except VerdigrisError as error:
            client.send(Problem(code="missing", message=str(error), about=message.id))
        except NotReadyError:
            client.send(
                Problem(code="missing", message="the frame has gone: ask again", about=message.id)
            )
        except Exception:
            log.exception("a measurement failed")
            text = "this could not be measured; the service's log tells more"
            client.send(Problem(code="server", message=text, about=message.id))

    client.carry_out(message, run)


@handle.register
def sample_box(message: m.Sample, service: Service, client: Client) -> None:
    frame = _frame_of(service, client, message.frame)
    opened, recipe, revision = service.opened, service.session.recipe, service.session.revision
    _measure(
        service,
        client,
        message,
        frame,
        lambda on_engine: sample(opened, recipe, revision, frame, message, on_engine),
    )


@handle.register
def separate_boxes(message: m.Separate, service: Service, client: Client) -> None:
    frame = _frame_of(service, client, message.frame)
    opened, recipe = service.opened, service.session.recipe
    _measure(
        service,
        client,
        message,
        frame,
        lambda on_engine: separate(opened, recipe, frame, message, on_engine),
    )


@handle.register
def subscribe_scopes(message: m.Scopes, service: Service, client: Client) -> None:
    client.scopes = message if message.kinds else None
    client.scope_sent = None


@handle.register
def acknowledge_scopes(message: m.AckScopes, service: Service, client: Client) -> None:
    if message.sequence == client.scope_waiting:
        client.scope_waiting = 0
