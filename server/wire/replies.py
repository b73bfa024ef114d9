"""What the server says: a class a message. Each owns who is told it and what it replaces."""

from __future__ import annotations

from collections.abc import Hashable
from typing import Any, ClassVar, Literal

from pydantic import Field

from server.wire.messages import Box, Message, Role, ScopeKind, Show
from server.wire.state import (
    Change,
    Device,
    EngineInfo,
    JobInfo,
    Note,
    Person,
    Playhead,
    State,
    WatchedShot,
)


class You(Message):
    """Who the page is to the service."""

    client: str
    device: str
    name: str
    role: Role


class Welcome(Message):
    """The answer to `hello`."""

    type: Literal["welcome"] = "welcome"
    protocol: int
    you: You
    state: State


class StateAgain(Message):
    """Everything again: after a recipe was loaded, or a shot opened."""

    type: Literal["state"] = "state"
    state: State


class Accepted(Message):
    """An edit was applied. undo, redo: labels of the steps that could be taken now."""

    type: Literal["accepted"] = "accepted"
    client_seq: int
    revision: int
    undo: str | None = None
    redo: str | None = None


class Refused(Message):
    """An edit was not applied. current: the values now at the paths it wrote to."""

    type: Literal["refused"] = "refused"
    client_seq: int
    revision: int
    reason: Literal["conflict", "invalid", "role", "nothing", "locked"]
    message: str
    current: list[Change] = Field(default_factory=list)


class Changed(Message):
    """The recipe has changed. gesture: the drag of which this is a part."""

    type: Literal["changed"] = "changed"
    revision: int
    by: str
    label: str
    gesture: str = ""
    changes: list[Change]
    undo: str | None = None
    redo: str | None = None

    def key(self) -> Hashable:
        """Of one drag a newer change of the same paths says all that an older one said."""
        paths = tuple(change.path for change in self.changes)
        return ("changed", self.gesture, paths) if self.gesture else None


class Following(Message):
    """What the followed operator looks at."""

    newest_of: ClassVar[str] = "following"
    type: Literal["following"] = "following"
    ports: list[Show]


class People(Message):
    """Who is there."""

    newest_of: ClassVar[str] = "people"
    type: Literal["people"] = "people"
    people: list[Person]


class Devices(Message):
    """Every redeemed cookie."""

    only_for: ClassVar[Role | None] = "operator"
    newest_of: ClassVar[str] = "devices"
    type: Literal["devices"] = "devices"
    devices: list[Device]


class NoteChanged(Message):
    """One note is new or has changed."""

    type: Literal["note"] = "note"
    note: Note

    def key(self) -> Hashable:
        """A newer state of the same note takes the older one's place."""
        return "note", self.note.note


class NoteGone(Message):
    """One note was taken away."""

    type: Literal["note_gone"] = "note_gone"
    note: str

    def key(self) -> Hashable:
        """What was still to be told of the note is no longer told."""
        return "note", self.note


class Cached(Message):
    """Frames in memory or on disk, as first and last of each run."""

    newest_of: ClassVar[str] = "cached"
    type: Literal["cached"] = "cached"
    ranges: list[tuple[int, int]]


class Status(Message):
    """timing: milliseconds, medians of late (render, encode, decode, total). store: bytes."""

    newest_of: ClassVar[str] = "status"
    type: Literal["status"] = "status"
    engine: EngineInfo
    timing: dict[str, float]
    store: dict[str, int]
    message: str = ""


class Sampled(Message):
    """Mean, smallest, largest over the box, [red, green, blue] (a matte: three equal numbers).

    linear: scene-linear working space. log: ACEScct. code: code values of the recording's own
    encoding at `code_bits`, null for views that are not of the plate. display: 0..255 as shown.
    """

    type: Literal["sampled"] = "sampled"
    id: str
    name: str
    extractor: str = ""
    frame: int
    revision: int
    box: Box
    pixels: int
    linear: tuple[float, float, float]
    low: tuple[float, float, float]
    high: tuple[float, float, float]
    log: tuple[float, float, float]
    code: tuple[float, float, float] | None = None
    code_bits: int | None = None
    display: tuple[int, int, int]
    hue_deg: float
    saturation: float
    luminance: float
    alpha: float | None = None


class ChannelSeparation(Message):
    """How far apart two regions are in one channel: difference of means over pooled sigma."""

    channel: str
    space: Literal["linear", "log"]
    a_mean: float
    a_sigma: float
    b_mean: float
    b_sigma: float
    separation: float


class Separated(Message):
    """channels: best first. suggestion: fields of a value_band that takes box_a, not box_b."""

    type: Literal["separated"] = "separated"
    id: str
    frame: int
    channels: list[ChannelSeparation]
    suggestion: dict[str, Any]


class Histogram(Message):
    """Counts over `bins` equal steps of low..high, scene-linear, by channel.

    channels: red green blue luminance largest smallest saturation (saturation over 0..1).
    """

    low: float
    high: float
    counts: dict[str, list[int]]


class Density(Message):
    """A picture of counts: base64 of rows of bytes, row 0 on top, 255 the most.

    waveform: planes red, green, blue; x is the column, y display code 255 (top) to 0. vectorscope:
    Cb to the right, Cr up, -0.5..0.5, of display code values, ITU-R BT.709 matrix. hues: HSV hue
    of scene-linear values as angle (0 red to the right, counter-clockwise), saturation as radius.
    """

    width: int
    height: int
    planes: list[str]


class Target(Message):
    """A colour bar's place on the vectorscope, from the BT.709 matrix."""

    name: str
    level: int
    cb: float
    cr: float


class Scope(Message):
    """Data for the subscribed scopes; answer with ack_scopes."""

    newest_of: ClassVar[str] = "scope"
    type: Literal["scope"] = "scope"
    sequence: int
    name: str
    extractor: str
    frame: int
    revision: int
    kinds: list[ScopeKind]
    histogram: Histogram | None = None
    waveform: Density | None = None
    vectorscope: Density | None = None
    targets: list[Target] = Field(default_factory=list)
    hues: Density | None = None
    hue_counts: list[int] = Field(default_factory=list)
    """pixels by degree of hue (360), weighted by saturation, 0..255"""


class SavedRecipe(Message):
    """A named recipe. at: seconds since 1970."""

    name: str
    at: float


class HistoryEntry(Message):
    """A step of the recipe's history. history: its number."""

    history: int
    at: float
    label: str


class Recipes(Message):
    """The saved recipes and the history, newest first."""

    type: Literal["recipes"] = "recipes"
    id: str
    saved: list[SavedRecipe]
    history: list[HistoryEntry]


class MediaEntry(Message):
    """name: to be put into the recipe (`root/…`). kind folder: ask again with it as `under`."""

    name: str
    label: str
    kind: Literal["folder", "still", "sequence", "movie"]
    first: int | None = None
    last: int | None = None


class Media(Message):
    """What lies in a folder of a media root."""

    type: Literal["media"] = "media"
    id: str
    root: str
    under: str
    entries: list[MediaEntry]


class Watched(Message):
    """The shots of the watched folder."""

    newest_of: ClassVar[str] = "watched"
    type: Literal["watched"] = "watched"
    shots: list[WatchedShot]


class Kept(Message):
    """The take log has changed: ask for /api/takes again."""

    newest_of: ClassVar[str] = "kept"
    type: Literal["kept"] = "kept"


class Link(Message):
    """qr: a data: address of an SVG picture."""

    type: Literal["link"] = "link"
    id: str
    role: Role
    url: str
    qr: str


class Done(Message):
    """A request with an id was carried out."""

    type: Literal["done"] = "done"
    id: str
    message: str = ""


class Pong(Message):
    """Somebody is there."""

    newest_of: ClassVar[str] = "pong"
    type: Literal["pong"] = "pong"
    t: float
    server_time: float


class Problem(Message):
    """about: the request's id or type. fatal: the connection will be closed."""

    type: Literal["error"] = "error"
    code: Literal[
        "protocol",
        "role",
        "invalid",
        "missing",
        "rate",
        "revoked",
        "media",
        "job",
        "server",
        "superseded",
    ]
    message: str
    about: str = ""
    fatal: bool = False

    def key(self) -> Hashable:
        """Pictures fail many times a second, and for one reason."""
        return "picture failed" if self.about == "show" else None


ServerMessage = (
    Welcome
    | StateAgain
    | Accepted
    | Refused
    | Changed
    | Playhead
    | Following
    | People
    | Devices
    | NoteChanged
    | NoteGone
    | Cached
    | Status
    | Sampled
    | Separated
    | Scope
    | Recipes
    | Media
    | JobInfo
    | Watched
    | Kept
    | Link
    | Done
    | Pong
    | Problem
)
