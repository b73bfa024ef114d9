"""What can be told about the parts of a running service: who is there, what is open, what is wrong.

Each function takes the parts that it tells of; `Service.state` puts them together.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from kernels.engines import EngineChoice
from kernels.recipe import Recipe
from kernels.views import VIEW_TABLE
from server.pictures.resident import ResidentShot
from server.pictures.scheduler import Scheduler
from server.security import Gate
from server.service.clients import Client
from server.store.frame_types import FrameId
from server.store.frames import FrameStore
from server.wire.messages import Role
from server.wire.state import ColourInfo, Device, EngineInfo, Person, ShotInfo, ViewInfo


def problems(
    opened: ResidentShot, recipe: Recipe, store: FrameStore, frame: int, also: str = ""
) -> str:
    """Return what is wrong with the open shot at a frame, as sentences. also: told first."""
    plate = store.messages.get(FrameId(opened.plate, frame), "")
    found: Iterable[str] = (also, plate, *opened.troubles(recipe))
    return "; ".join(dict.fromkeys(text for text in found if text))


def people(clients: Mapping[str, Client], scheduler: Scheduler, now: float) -> list[Person]:
    """Return who is there."""
    found = []
    for viewer in scheduler.viewers.values():
        clock = viewer.clock or scheduler.clock
        found.append(
            clients[viewer.client].person(
                following=viewer.following,
                hidden=viewer.hidden,
                frame=clock.frame_at(now),
            )
        )
    return found


def devices(gate: Gate, clients: Mapping[str, Client]) -> list[Device]:
    """Return every redeemed cookie."""
    connected = [client.device.device for client in clients.values()]
    return [
        Device(
            device=d.device,
            name=d.name,
            role=d.role,
            since=d.since,
            seen=d.seen,
            connected=connected.count(d.device),
        )
        for d in gate.devices()
    ]


def engine_info(choice: EngineChoice) -> EngineInfo:
    """Return which engine runs and why."""
    return EngineInfo(
        name=choice.engine.name, description=choice.engine.description, reason=choice.reason
    )


def shot_info(opened: ResidentShot) -> ShotInfo:
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


def colour_info(opened: ResidentShot, role: Role) -> ColourInfo:
    """Return what the shot's colour configuration offers; operators choose colour spaces, too."""
    shot, colour = opened.shot, opened.colour
    return ColourInfo(
        working=shot.working_space,
        input=shot.colourspace,
        config=colour.source,
        displays={d: list(colour.views(d)) for d in colour.displays()},
        colourspaces=list(colour.names()) if role == "operator" else [],
    )


def view_infos() -> list[ViewInfo]:
    """Return what pages learn about the views."""
    return [
        ViewInfo(
            name=name,
            title=row.title,
            help=row.help,
            signal=row.signal,
            marks=list(row.marks),
            scale=row.scale,
        )
        for name, row in VIEW_TABLE.items()
    ]
