"""What each message from a page leads to. Runs on the event loop's thread."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from functools import singledispatch
from typing import Any

import segno

from kernels.errors import VerdigrisError
from kernels.recipe_file import load_recipe
from server import messages as m
from server.clients import Client
from server.jobs.runner import JobContext, JobError
from server.media_list import list_media
from server.notes import NotesError
from server.playback import PlayClock
from server.probe import sample, separate
from server.renderer import SharedEngine, Urgency
from server.replies import Done, Following, Link, Pong, Problem, Recipes, Refused
from server.service import Service
from server.session import Outcome


def receive(service: Service, client: Client, message: m.ClientMessage) -> None:
    """Carry out one message of a page; whatever is wrong with it is told to the page."""
    about = str(getattr(message, "id", None) or message.type)
    if isinstance(message, m.OPERATOR_ONLY) and client.role != "operator":
        _refuse_role(client, message, about)
        return
    try:
        handle(message, service, client)
    except (VerdigrisError, NotesError) as error:
        client.send(Problem(code="invalid", message=str(error), about=about))


def _refuse_role(client: Client, message: m.ClientMessage, about: str) -> None:
    if isinstance(message, m.Write | m.Undo | m.Redo):
        client.send(
            Refused(
                client_seq=message.client_seq,
                revision=0,
                reason="role",
                message="reviewers look on; only an operator changes the recipe",
            )
        )
    else:
        client.send(Problem(code="role", message="only an operator may do this", about=about))


@singledispatch
def handle(message: Any, service: Service, client: Client) -> None:
    """Carry out a message, by its type."""
    client.send(
        Problem(code="protocol", message="this message is out of place", about=str(message.type))
    )


# ---------------------------------------------------------------- the recipe


@handle.register
def _(message: m.Write, service: Service, client: Client) -> None:
    _settle(
        service,
        client,
        service.session.write(client.client, message, client.name),
        message.label,
        message.gesture,
    )


@handle.register
def _(message: m.Undo, service: Service, client: Client) -> None:
    outcome = service.session.undo(client.client, message.client_seq, client.name)
    _settle(service, client, outcome, "undo", told="")


@handle.register
def _(message: m.Redo, service: Service, client: Client) -> None:
    outcome = service.session.redo(client.client, message.client_seq, client.name)
    _settle(service, client, outcome, "redo", told="")


def _settle(
    service: Service,
    client: Client,
    outcome: Outcome,
    label: str,
    gesture: str = "",
    told: str | None = None,
) -> None:
    """Answer a write; when it was accepted, tell the others and make pictures of it."""
    service.timing.writes.labels(outcome.answer.type).inc()
    if outcome.news is not None:
        now = service.now()
        service.scheduler.lead(client.client, now)
        service.recipe_changed(label, gesture)
        client.write_times.append((outcome.news.revision, now))
        service.pump()
        paths = tuple(change.path for change in outcome.news.changes)
        service.broadcast(
            outcome.news,
            ("changed", gesture, paths) if gesture else None,
            but=client.client if told is None else told,
        )
    client.send(outcome.answer)


@handle.register
def _(message: m.RecipesAsk, service: Service, client: Client) -> None:
    _tell_recipes(service, client, message.id)


@handle.register
def _(message: m.RecipeSaveAs, service: Service, client: Client) -> None:
    service.recipes.save_as(service.session.recipe, message.name)
    _tell_recipes(service, client, message.id)


def _tell_recipes(service: Service, client: Client, request: str) -> None:
    client.send(
        Recipes(id=request, saved=service.recipes.saved(), history=service.recipes.history())
    )


@handle.register
def _(message: m.RecipeLoad, service: Service, client: Client) -> None:
    """Load a recipe as one step of undo, whatever others are doing."""
    if message.history is not None:
        recipe, label = service.recipes.from_history(message.history), "back to an earlier step"
    elif message.name:
        recipe, label = load_recipe(service.recipes.named(message.name)), f"load {message.name}"
    else:
        raise VerdigrisError("say which recipe: a name, or a step of the history")
    write = m.Write(
        type="write",
        client_seq=0,
        seen=service.session.revision,
        label=label[:80],
        ops=[m.SetOp(op="set", path="", value=recipe.dump())],
    )
    outcome = service.session.write(
        f"{client.client}:load:{time.monotonic_ns()}", write, client.name
    )
    if outcome.news is None:
        raise VerdigrisError(getattr(outcome.answer, "message", "the recipe cannot be used"))
    service.recipe_changed(label)
    service.pump()
    service.tell_state()
    client.send(Done(id=message.id, message=label))


# ---------------------------------------------------------------- looking


@handle.register
def _(message: m.Show, service: Service, client: Client) -> None:
    service.scheduler.show(client.client, message, service.now())
    _tell_following(service, client)
    service.pump()


@handle.register
def _(message: m.Unshow, service: Service, client: Client) -> None:
    service.scheduler.unshow(client.client, message.port)
    _tell_following(service, client)


def _tell_following(service: Service, client: Client) -> None:
    """Tell the reviewers that follow this operator what is looked at."""
    if service.scheduler.leader != client.client:
        return
    news = Following(ports=service.scheduler.following_shows())
    for viewer in service.scheduler.viewers.values():
        if viewer.following:
            service.clients[viewer.client].send(news, "following")


@handle.register
def _(message: m.Ack, service: Service, client: Client) -> None:
    if message.latency_ms is not None:
        service.timing.add("control_to_picture", message.latency_ms / 1000)
    if service.scheduler.acknowledge(client.client, message.sequence):
        service.pump()


@handle.register
def _(message: m.Hidden, service: Service, client: Client) -> None:
    service.scheduler.hide(client.client, message.hidden)
    service.tell_people()
    service.pump()


@handle.register
def _(message: m.Reset, service: Service, client: Client) -> None:
    service.scheduler.reset(client.client)
    service.pump()


@handle.register
def _(message: m.Follow, service: Service, client: Client) -> None:
    service.scheduler.follow(client.client, message.on, service.now())
    client.send(Following(ports=service.scheduler.following_shows()), "following")
    service.tell_playhead(client.client)
    service.tell_people()
    service.pump()


@handle.register
def _(message: m.Transport, service: Service, client: Client) -> None:
    now = service.now()
    viewer = service.scheduler.viewers[client.client]
    if client.role == "operator":
        service.scheduler.lead(client.client, now)
        service.scheduler.clock.apply(message, now)
        service.tell_playhead()
    else:
        if viewer.clock is None:
            shared = service.scheduler.clock
            viewer.clock = PlayClock(shared.frames, fps=shared.fps)
            viewer.clock.apply(m.Transport(type="transport", frame=shared.frame_at(now)), now)
            service.scheduler.follow_own(client.client)
            service.tell_people()
        viewer.clock.apply(message, now)
        service.tell_playhead(client.client)
    service.pump()


# ---------------------------------------------------------------- measuring


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

    client.latest(kind, run)


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


# ---------------------------------------------------------------- people, notes, links


@handle.register
def _(message: m.NoteAdd, service: Service, client: Client) -> None:
    service.notes.add(message, client.client, client.name, client.role)
    service.tell_notes()


@handle.register
def _(message: m.NoteEdit, service: Service, client: Client) -> None:
    service.notes.edit(message, client.client, client.role)
    service.tell_notes()


@handle.register
def _(message: m.NoteRemove, service: Service, client: Client) -> None:
    service.notes.remove(message.note, client.client, client.role)
    service.tell_notes()


@handle.register
def _(message: m.LinkAsk, service: Service, client: Client) -> None:
    url = f"{service.address}/join#{service.gate.make_link(message.role)}"
    qr = segno.make(url, micro=False).svg_data_uri(scale=4, dark="#000", light="#fff")
    client.send(Link(id=message.id, role=message.role, url=url, qr=qr))


@handle.register
def _(message: m.Revoke, service: Service, client: Client) -> None:
    own = client.device.device
    gone: list[str] = []
    if message.device is not None and message.device != own:
        gone = service.gate.revoke_device(message.device)
    elif message.role is not None:
        gone = service.gate.revoke_role(message.role, own)
    for other in service.clients.values():
        if other.device.device in gone:
            other.send(
                Problem(code="revoked", message="this link was revoked by the operator", fatal=True)
            )
            other.close(4401, "revoked")
    service.tell_people()


@handle.register
def _(message: m.Ping, service: Service, client: Client) -> None:
    client.send(Pong(t=message.t, server_time=time.time()), "pong")


# ---------------------------------------------------------------- media, jobs, takes


@handle.register
def _(message: m.MediaAsk, service: Service, client: Client) -> None:
    async def run() -> None:
        try:
            client.send(await asyncio.to_thread(list_media, service.roots, message))
        except (VerdigrisError, OSError) as error:
            text = str(error) if isinstance(error, VerdigrisError) else "it cannot be listed"
            client.send(Problem(code="media", message=text, about=message.id))

    client.latest("media", run)


@handle.register
def _(message: m.JobStart, service: Service, client: Client) -> None:
    if service.jobs is None:
        raise JobError("this service runs no jobs")
    opened, recipe, revision = service.opened, service.session.recipe, service.session.revision

    def context(out: Any, cancelled: Any, report: Any) -> JobContext:
        return JobContext(
            shot=opened.shot,
            recipe=recipe,
            revision=revision,
            options=message.options,
            roots=service.roots,
            engine=lambda: _job_engine(service),
            out=out,
            renders=service.renders,
            plates=service.plates,
            cancelled=cancelled,
            report=report,
            ocio=opened.ocio,
        )

    info = service.jobs.start(message.kind, context, message.id)
    service.job_changed(info)


def _job_engine(service: Service) -> Any:
    """The engine for a job: the GPU is shared through its thread, the CPU gets one thread more."""
    if service.engine.name == "cuda":
        return SharedEngine(service.engine, service.thread)
    from kernels.cpu import CpuEngine

    return CpuEngine(threads=1)


@handle.register
def _(message: m.JobCancel, service: Service, client: Client) -> None:
    if service.jobs is None:
        raise JobError("this service runs no jobs")
    service.jobs.cancel(message.job)


@handle.register
def _(message: m.TakeOpen, service: Service, client: Client) -> None:
    async def run() -> None:
        try:
            await service.open_take(message.take, message.keep_recipe)
            client.send(Done(id=message.id, message=f"opened {message.take}"))
        except VerdigrisError as error:
            client.send(Problem(code="media", message=str(error), about=message.id))

    client.latest("take", run)
