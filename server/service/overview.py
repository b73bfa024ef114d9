"""What can be told about a running service: its state, who is there, what is wrong."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from kernels.plan import VIEWS
from server.pictures.resident import OpenedShot
from server.service.media_list import root_labels
from server.store.frame_types import FrameId
from server.wire.messages import Role
from server.wire.state import ColourInfo, Device, EngineInfo, Person, ShotInfo, State

if TYPE_CHECKING:
    from server.service.service import Service


def problems(service: Service) -> str:
    """Return what is wrong at present, as sentences."""
    current = service.pictures.existing(service.scheduler.clock.frame_at(service.now()))
    plate = service.store.messages.get(FrameId(service.opened.plate, current), "")
    found: Iterable[str] = (
        service.message,
        plate,
        *service.opened.troubles(service.session.recipe),
    )
    return "; ".join(dict.fromkeys(text for text in found if text))


def people(service: Service) -> list[Person]:
    """Return who is there."""
    now = service.now()
    found = []
    for viewer in service.scheduler.viewers.values():
        clock = viewer.clock or service.scheduler.clock
        found.append(
            service.clients[viewer.client].person(
                following=viewer.following,
                hidden=viewer.hidden,
                frame=clock.frame_at(now),
            )
        )
    return found


def devices(service: Service) -> list[Device]:
    """Return every redeemed cookie."""
    connected = [client.device.device for client in service.clients.values()]
    return [
        Device(
            device=d.device,
            name=d.name,
            role=d.role,
            since=d.since,
            seen=d.seen,
            connected=connected.count(d.device),
        )
        for d in service.gate.devices()
    ]


def engine_info(service: Service) -> EngineInfo:
    """Return which engine runs and why."""
    return EngineInfo(
        name=service.engine.name,
        description=service.engine.description,
        reason=service.choice.reason,
    )


def state(service: Service, role: Role) -> State:
    """Return everything a page needs to begin."""
    shot, now = service.opened.shot, service.now()
    operator = role == "operator"
    return State(
        revision=service.session.revision,
        recipe=service.session.document,
        undo=service.session.undo_label,
        redo=service.session.redo_label,
        shot=shot_info(service.opened),
        engine=engine_info(service),
        playhead=service.scheduler.clock.message(now),
        people=people(service),
        devices=devices(service) if operator else [],
        notes=service.notes.notes,
        cached=service.store.ranges(service.opened.plate),
        jobs=service.jobs.infos() if operator and service.jobs is not None else [],
        takes=service.takes,
        following=service.scheduler.following_shows(),
        colour=ColourInfo(
            working=shot.working_space,
            input=shot.colourspace,
            config=service.opened.colour.source,
            displays={
                d: list(service.opened.colour.views(d)) for d in service.opened.colour.displays()
            },
            colourspaces=list(service.opened.colour.names()) if operator else [],
        ),
        roots=root_labels(service.roots) if operator else [],
        views=list(VIEWS),
    )


def shot_info(opened: OpenedShot) -> ShotInfo:
    """Return what pages learn about a shot."""
    shot = opened.shot
    return ShotInfo(
        name=shot.name,
        kind=shot.kind,
        width=shot.width,
        height=shot.height,
        pixel_aspect=shot.pixel_aspect,
        fps=float(shot.fps),
        first=shot.frames[0],
        last=shot.frames[-1],
        missing=list(shot.missing_frames),
        colourspace=shot.colourspace,
        colourspace_decided=shot.colourspace_decided,
        remarks=list(shot.remarks),
        bits=shot.encoded_bits,
        chroma=shot.chroma,
    )
