"""What the server says: models of its messages; `server.wire.protocol` tells what each is for."""

from __future__ import annotations

from typing import Any, Literal

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
    client: str
    device: str
    name: str
    role: Role


class Welcome(Message):
    type: Literal["welcome"] = "welcome"
    protocol: int
    you: You
    state: State


class StateAgain(Message):
    type: Literal["state"] = "state"
    state: State


class Accepted(Message):
    type: Literal["accepted"] = "accepted"
    client_seq: int
    revision: int
    undo: str | None = None
    redo: str | None = None


class Refused(Message):
    type: Literal["refused"] = "refused"
    client_seq: int
    revision: int
    reason: Literal["conflict", "invalid", "role", "nothing"]
    message: str
    current: list[Change] = Field(default_factory=list)


class Changed(Message):
    type: Literal["changed"] = "changed"
    revision: int
    by: str
    label: str
    changes: list[Change]
    undo: str | None = None
    redo: str | None = None


class Following(Message):
    type: Literal["following"] = "following"
    ports: list[Show]


class People(Message):
    type: Literal["people"] = "people"
    people: list[Person]


class Devices(Message):
    type: Literal["devices"] = "devices"
    devices: list[Device]


class Notes(Message):
    type: Literal["notes"] = "notes"
    notes: list[Note]


class Cached(Message):
    type: Literal["cached"] = "cached"
    ranges: list[tuple[int, int]]


class Status(Message):
    """timing: milliseconds, medians of late (render, encode, decode, total). store: bytes."""

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
    name: str
    at: float


class HistoryEntry(Message):
    history: int
    at: float
    label: str


class Recipes(Message):
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
    type: Literal["media"] = "media"
    id: str
    root: str
    under: str
    entries: list[MediaEntry]


class Watched(Message):
    """The shots of the watched folder."""

    type: Literal["watched"] = "watched"
    shots: list[WatchedShot]


class Kept(Message):
    """The take log has changed: ask for /api/takes again."""

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
    type: Literal["pong"] = "pong"
    t: float
    server_time: float


class Problem(Message):
    """about: the request's id or type. fatal: the connection will be closed."""

    type: Literal["error"] = "error"
    code: Literal[
        "protocol", "role", "invalid", "missing", "rate", "revoked", "media", "job", "server"
    ]
    message: str
    about: str = ""
    fatal: bool = False


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
    | Notes
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
