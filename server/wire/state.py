"""What there is to know about a running service: models of its state and their parts."""

from __future__ import annotations

from collections.abc import Hashable
from typing import Any, ClassVar, Literal

from pydantic import Field

from kernels.views import ViewName
from server.wire.messages import JobKind, JobState, Message, Role, Show


class Change(Message):
    """The value now at a path of the recipe."""

    path: str
    value: Any


class Playhead(Message):
    """dropped: frames left out since playing began. own: a reviewer's own playhead."""

    newest_of: ClassVar[str] = "playhead"
    type: Literal["playhead"] = "playhead"
    frame: int
    playing: bool = False
    direction: Literal[1, -1] = 1
    fps: float = 24.0
    loop: Literal["loop", "once", "back_and_forth"] = "loop"
    first: int
    last: int
    dropped: int = 0
    own: bool = False


class ShotInfo(Message):
    """bits and chroma: of the recording, null when unknown. missing: numbers of missing frames.

    colourspace_decided: how the colour space was decided, in words. remarks: what to know of how
    the files are read.
    """

    name: str
    kind: Literal["still", "sequence", "movie"]
    width: int
    height: int
    pixel_aspect: float
    fps: float
    first: int
    last: int
    missing: list[int] = Field(default_factory=list)
    colourspace: str = ""
    colourspace_decided: str = ""
    remarks: list[str] = Field(default_factory=list)
    bits: int | None = None
    chroma: str | None = None


class EngineInfo(Message):
    """Which engine runs, the processor or card, and why this one."""

    name: Literal["cpu", "cuda"]
    description: str
    reason: str


class Person(Message):
    """One connected page."""

    client: str
    name: str
    role: Role
    following: bool
    hidden: bool
    frame: int


class Device(Message):
    """One redeemed cookie. seen: seconds since 1970."""

    device: str
    name: str
    role: Role
    since: float
    seen: float
    connected: int


class Note(Message):
    """A remark pinned to a frame and a place. Whose it is: compare `device`."""

    note: str
    frame: int
    x: float
    y: float
    text: str
    by: str
    device: str
    role: Role
    at: float
    done: bool = False


class JobInfo(Message):
    """A piece of long work. files: names to fetch under /api/jobs/{job}/. result: of its kind."""

    only_for: ClassVar[Role | None] = "operator"
    type: Literal["job"] = "job"
    id: str | None = None
    job: str
    kind: JobKind
    state: JobState
    done: int = 0
    total: int = 0
    seconds_left: float | None = None
    message: str = ""
    files: list[str] = Field(default_factory=list)
    result: Any = None

    def key(self) -> Hashable:
        """Of one job only the newest counts."""
        return "job", self.job


class WatchedShot(Message):
    """A shot in the watched folder. shot: its name there. at: when it appeared.

    verdict: of its newest kept take, empty where there is none. problem: why it cannot be opened,
    in a sentence; empty while nothing is known against it.
    """

    shot: str
    name: str
    at: float
    frames: int = 0
    open: bool = False
    ready: bool = True
    verdict: str = ""
    problem: str = ""


class ColourInfo(Message):
    """What the colour configuration offers. displays: views by display."""

    working: str
    input: str
    config: str = ""
    displays: dict[str, list[str]] = Field(default_factory=dict)
    colourspaces: list[str] = Field(default_factory=list)


class ViewInfo(Message):
    """A kind of view: a row of `kernels.views.VIEW_TABLE`.

    signal: whether its values are a signal, else a measure in colours. marks, scale: what a
    measure's colour scale says from its low end to its high one, and its title.
    """

    name: ViewName
    title: str
    help: str
    signal: bool
    marks: list[str] = Field(default_factory=list)
    scale: str = ""


class State(Message):
    """Everything a page needs to begin."""

    revision: int
    recipe: dict[str, Any]
    undo: str | None
    redo: str | None
    shot: ShotInfo
    engine: EngineInfo
    playhead: Playhead
    people: list[Person] = Field(default_factory=list)
    devices: list[Device] = Field(default_factory=list)
    notes: list[Note] = Field(default_factory=list)
    cached: list[tuple[int, int]] = Field(default_factory=list)
    jobs: list[JobInfo] = Field(default_factory=list)
    watched: list[WatchedShot] = Field(default_factory=list)
    following: list[Show] = Field(default_factory=list)
    colour: ColourInfo
    roots: list[str] = Field(default_factory=list)
    views: list[ViewInfo] = Field(default_factory=list)
    """all views; `denoised` shows the plate where there is no such pass"""
