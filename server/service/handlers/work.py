"""Messages about media, jobs and takes."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

from kernels.errors import VerdigrisError
from server.pictures.renderer import SharedEngine
from server.service.clients import Client
from server.service.handlers.dispatch import handle
from server.service.jobs import JobContext, JobError
from server.service.media_list import list_media
from server.service.service import Service
from server.service.take_list import take_log
from server.service.watched import open_watched, read_watched
from server.takes.log import TakeLog
from server.wire import messages as m
from server.wire.replies import Done, Kept, Problem


@handle.register
def list_folder(message: m.MediaAsk, service: Service, client: Client) -> None:
    async def run() -> None:
        try:
            client.send(await asyncio.to_thread(list_media, service.roots, message))
        except (VerdigrisError, OSError) as error:
            text = str(error) if isinstance(error, VerdigrisError) else "it cannot be listed"
            client.send(Problem(code="media", message=text, about=message.id))

    client.carry_out(message, run)


@handle.register
def start_job(message: m.JobStart, service: Service, client: Client) -> None:
    opened, recipe, revision = service.opened, service.session.recipe, service.session.revision
    log = take_log(service)

    def context(out: Any, cancelled: Any, report: Any) -> JobContext:
        return JobContext(
            shot=opened.shot,
            recipe=recipe,
            revision=revision,
            options=message.options,
            roots=service.roots,
            engine=lambda: _job_engine(service),
            out=out,
            renders=service.folders.renders,
            plates=service.folders.plates,
            cancelled=cancelled,
            report=report,
            ocio=opened.ocio,
            take_log=log,
            read_watched=lambda name: read_watched(service, name),
        )

    info = service.jobs.start(message.kind, context, message.id)
    service.job_changed(info)


def _job_engine(service: Service) -> Any:
    """The engine for a job: the GPU is shared through its thread, the CPU gets one thread more."""
    if not service.engine.abilities.uses_cores:
        return SharedEngine(service.engine, service.thread)
    from kernels.cpu import cpu_engine

    return cpu_engine(threads=1)


@handle.register
def cancel_job(message: m.JobCancel, service: Service, client: Client) -> None:
    service.jobs.cancel(message.job)


@handle.register
def open_shot(message: m.ShotOpen, service: Service, client: Client) -> None:
    async def run() -> None:
        try:
            await open_watched(service, message.shot, message.keep_recipe)
            client.send(Done(id=message.id, message=f"opened {message.shot}"))
        except VerdigrisError as error:
            client.send(Problem(code="media", message=str(error), about=message.id))

    client.carry_out(message, run)


@handle.register
def set_take_note(message: m.TakeNote, service: Service, client: Client) -> None:
    log = take_log(service)

    async def run() -> None:
        try:
            async with service.note_order:
                await asyncio.to_thread(_set_note, log, message)
            client.send(Done(id=message.id, message="the note is kept"))
            service.broadcast(Kept())
        except VerdigrisError as error:
            client.send(Problem(code="missing", message=str(error), about=message.id))

    client.carry_out(message, run)


def _set_note(log: Path, message: m.TakeNote) -> None:
    if not log.is_file():
        raise JobError("no take is kept yet: survey a shot first")
    TakeLog(log).set_note(message.take, message.text, seen=message.seen)
