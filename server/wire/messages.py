"""The models of all messages; `server.wire.protocol` tells what each is for."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter

from kernels.engine import Channel
from kernels.plan import ViewName

Role = Literal["operator", "reviewer"]
ScopeKind = Literal["histogram", "waveform", "vectorscope", "hues"]
JobKind = Literal["render", "survey", "suggest", "prepare"]
JobState = Literal["queued", "running", "done", "failed", "cancelled"]

Count = Annotated[int, Field(ge=0, le=2**53)]
Frame = Annotated[int, Field(ge=-(2**31), le=2**31 - 1)]
Pixel = Annotated[int, Field(ge=-(2**20), le=2**20)]
Finite = Annotated[float, Field(allow_inf_nan=False, ge=-1e9, le=1e9)]
Box = tuple[Pixel, Pixel, Pixel, Pixel]
ItemId = Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]{1,64}$")]
Path = Annotated[str, Field(max_length=300)]
Short = Annotated[str, Field(max_length=80)]
Text = Annotated[str, Field(min_length=1, max_length=2000)]


class Message(BaseModel):
    """Base of all messages: unknown fields are refused, types are strict."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


# ---------------------------------------------------------------- from the page


class Hello(Message):
    type: Literal["hello"]
    protocol: int
    client: ItemId
    name: Short = ""


class SetOp(Message):
    """Set the value at a path."""

    op: Literal["set"]
    path: Path
    value: Any


class InsertOp(Message):
    """Insert an item into a list of items with ids; at the end when `before` is null."""

    op: Literal["insert"]
    path: Path
    item: dict[str, Any]
    before: ItemId | None = None


class RemoveOp(Message):
    """Remove the item a path names."""

    op: Literal["remove"]
    path: Path


class MoveOp(Message):
    """Move the item a path names before another of the same list; to the end when null."""

    op: Literal["move"]
    path: Path
    before: ItemId | None = None


Op = Annotated[SetOp | InsertOp | RemoveOp | MoveOp, Field(discriminator="op")]


class Write(Message):
    type: Literal["write"]
    client_seq: Count
    seen: Count
    ops: Annotated[list[Op], Field(min_length=1, max_length=64)]
    label: Short = "change"
    moving: bool = False
    gesture: Short = ""


class Undo(Message):
    type: Literal["undo"]
    client_seq: Count


class Redo(Message):
    type: Literal["redo"]
    client_seq: Count


class StressRequest(Message):
    preset: Literal["off", "screen", "core"] = "off"
    gain: Annotated[float, Field(ge=0.01, le=1000, allow_inf_nan=False)] = 8.0
    gamma: Annotated[float, Field(ge=0.05, le=20, allow_inf_nan=False)] = 1.0


class Wipe(Message):
    """Where the wipe's edge is (0..1 of the picture) and which way it runs."""

    edge: Literal["vertical", "horizontal"] = "vertical"
    at: Annotated[float, Field(ge=0, le=1, allow_inf_nan=False)] = 0.5


class Show(Message):
    """What a port shows. region null: the whole frame. width: of the viewport, device pixels."""

    type: Literal["show"]
    port: Literal[0, 1] = 0
    view_id: Annotated[int, Field(ge=0, le=65535)] = 0
    name: ViewName = "composite"
    extractor: Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]{0,32}$")] = ""
    channel: Channel = "colour"
    stress: StressRequest = StressRequest()
    region: Box | None = None
    width: Annotated[int, Field(ge=1, le=16384)] = 960
    wipe: Wipe | None = None


class Unshow(Message):
    type: Literal["unshow"]
    port: Literal[0, 1]


class Ack(Message):
    type: Literal["ack"]
    sequence: Count
    latency_ms: Annotated[float, Field(ge=0, le=1e6, allow_inf_nan=False)] | None = None
    """control moved -> picture drawn, when this picture ended such a wait"""


class Hidden(Message):
    type: Literal["hidden"]
    hidden: bool


class Reset(Message):
    type: Literal["reset"]


class Follow(Message):
    type: Literal["follow"]
    on: bool


class Transport(Message):
    """Fields that are null change nothing. first/last: the in and out points, inclusive."""

    type: Literal["transport"]
    frame: Frame | None = None
    step: Annotated[int, Field(ge=-100000, le=100000)] | None = None
    playing: bool | None = None
    direction: Literal[1, -1] | None = None
    fps: Annotated[float, Field(gt=0.1, le=240, allow_inf_nan=False)] | None = None
    loop: Literal["loop", "once", "bounce"] | None = None
    first: Frame | None = None
    last: Frame | None = None


class Sample(Message):
    """Values of a picture at a point (a box of one pixel) or over a box; frame null: this one."""

    type: Literal["sample"]
    id: ItemId
    name: ViewName = "plate"
    extractor: Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]{0,32}$")] = ""
    frame: Frame | None = None
    box: Box


class Separate(Message):
    """Which channel of the plate tells box_a (to be taken) from box_b best?"""

    type: Literal["separate"]
    id: ItemId
    frame: Frame | None = None
    box_a: Box
    box_b: Box


class Scopes(Message):
    type: Literal["scopes"]
    kinds: Annotated[list[ScopeKind], Field(max_length=4)]
    name: ViewName = "plate"
    extractor: Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]{0,32}$")] = ""


class AckScopes(Message):
    type: Literal["ack_scopes"]
    sequence: Count


class NoteAdd(Message):
    type: Literal["note_add"]
    frame: Frame
    x: Finite
    y: Finite
    text: Text


class NoteEdit(Message):
    type: Literal["note_edit"]
    note: ItemId
    text: Text | None = None
    done: bool | None = None


class NoteRemove(Message):
    type: Literal["note_remove"]
    note: ItemId


class RecipesAsk(Message):
    type: Literal["recipes"]
    id: ItemId


class RecipeSaveAs(Message):
    type: Literal["recipe_save_as"]
    id: ItemId
    name: Annotated[str, Field(min_length=1, max_length=60)]


class RecipeLoad(Message):
    """Load a saved recipe by name, or one of the history by its number."""

    type: Literal["recipe_load"]
    id: ItemId
    name: Annotated[str, Field(max_length=60)] | None = None
    history: Count | None = None


class MediaAsk(Message):
    """List what lies in a folder of a media root; root empty: the roots themselves."""

    type: Literal["media"]
    id: ItemId
    root: Short = ""
    under: Annotated[str, Field(max_length=1000)] = ""


class JobStart(Message):
    type: Literal["job_start"]
    id: ItemId
    kind: JobKind
    options: dict[str, Any] = Field(default_factory=dict, max_length=32)


class JobCancel(Message):
    type: Literal["job_cancel"]
    job: ItemId


class ShotOpen(Message):
    """Open a shot of the watched folder; keep_recipe: with the present recipe if it has none."""

    type: Literal["shot_open"]
    id: ItemId
    shot: Annotated[str, Field(min_length=1, max_length=1000)]
    keep_recipe: bool = True


class TakeNote(Message):
    """Set the note on a kept take; an empty text takes it away.

    seen: the note that was there when the text was written; without it the last one stays.
    """

    type: Literal["take_note"]
    id: ItemId
    take: Annotated[int, Field(ge=1, le=2**53)]
    text: Annotated[str, Field(max_length=2000)]
    seen: Annotated[str, Field(max_length=2000)] | None = None


class LinkAsk(Message):
    """Make a link: an operator's works once, the reviewers' for many devices until revoked."""

    type: Literal["link"]
    id: ItemId
    role: Role = "reviewer"


class Revoke(Message):
    """Give either a device, or a role: then its link and all its devices (never one's own)."""

    type: Literal["revoke"]
    device: ItemId | None = None
    role: Role | None = None


class Ping(Message):
    type: Literal["ping"]
    t: Annotated[float, Field(allow_inf_nan=False)]


ClientMessage = (
    Hello
    | Write
    | Undo
    | Redo
    | Show
    | Unshow
    | Ack
    | Hidden
    | Reset
    | Follow
    | Transport
    | Sample
    | Separate
    | Scopes
    | AckScopes
    | NoteAdd
    | NoteEdit
    | NoteRemove
    | RecipesAsk
    | RecipeSaveAs
    | RecipeLoad
    | MediaAsk
    | JobStart
    | JobCancel
    | ShotOpen
    | TakeNote
    | LinkAsk
    | Revoke
    | Ping
)
client_adapter: TypeAdapter[ClientMessage] = TypeAdapter(
    Annotated[ClientMessage, Field(discriminator="type")]
)
OPERATOR_ONLY = (
    Write,
    Undo,
    Redo,
    RecipesAsk,
    RecipeSaveAs,
    RecipeLoad,
    MediaAsk,
    JobStart,
    JobCancel,
    ShotOpen,
    TakeNote,
    LinkAsk,
    Revoke,
)
