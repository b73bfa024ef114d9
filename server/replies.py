"""What the server says: models of its messages; `server.protocol` tells what each is for."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field

from server.messages import Box, JobKind, JobState, Message, Role, ScopeKind, Show


class Change(Message):
    """The value now at a path of the recipe."""

    path: str
    value: Any


class Playhead(Message):
    """dropped: frames left out since playing began. own: a reviewer's own playhead."""

    type: Literal["playhead"] = "playhead"
    frame: int
    playing: bool = False
    direction: Literal[1, -1] = 1
    fps: float = 24.0
    loop: Literal["loop", "once", "bounce"] = "loop"
    first: int
    last: int
    dropped: int = 0
    own: bool = False


class ShotInfo(Message):
    """bits and chroma: of the recording, null when unknown. missing: numbers of missing frames."""

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
    """A remark pinned to a frame and a place. mine is not sent: compare `client`."""

    note: str
    frame: int
    x: float
    y: float
    text: str
    by: str
    client: str
    role: Role
    at: float
    done: bool = False


class JobInfo(Message):
    """A piece of long work. files: names to fetch under /api/jobs/{job}/. result: of its kind."""

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


class Take(Message):
    """A shot in the watched folder. at: when it appeared. verdict: of its survey, if there is."""

    take: str
    name: str
    at: float
    frames: int = 0
    open: bool = False
    ready: bool = True
    verdict: str = ""


class ColourInfo(Message):
    """What the colour configuration offers. displays: views by display."""

    working: str
    input: str
    config: str = ""
    displays: dict[str, list[str]] = Field(default_factory=dict)
    colourspaces: list[str] = Field(default_factory=list)


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
    takes: list[Take] = Field(default_factory=list)
    following: list[Show] = Field(default_factory=list)
    colour: ColourInfo
    roots: list[str] = Field(default_factory=list)
    views: list[str] = Field(default_factory=list)
    """views that can be shown now: `denoised` and `clean_plate` only where there is one"""


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


class Takes(Message):
    type: Literal["takes"] = "takes"
    takes: list[Take]


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
    | Takes
    | Link
    | Done
    | Pong
    | Problem
)
