"""What a page says, a class a message: each owns who may send it, its answer, what it replaces.

What the server says stands in `server.wire.replies` and `server.wire.state`.
"""

from __future__ import annotations

from collections.abc import Hashable
from typing import Annotated, Any, ClassVar, Literal, NamedTuple

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


class Limit(NamedTuple):
    """How many messages one client may send: `per_s` a second, at most `burst` at once.

    Messages of the same word share one limit. Our own rule, no outside source: far more than hands
    send, far less than what would slow others down.
    """

    word: str
    per_s: float
    burst: float


class Message(BaseModel):
    """Base of all messages: unknown fields are refused, types are strict."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)

    only_for: ClassVar[Role | None] = None
    """of a page's message: the role that may send it; of the server's: the role that is told"""
    reply: ClassVar[str] = ""
    """type of the message that answers this one; whatever is wrong is answered by an `error`"""
    newest_of: ClassVar[str] = ""
    """word under which a newer message takes an older one's place, waiting or being carried out"""

    limit: ClassVar[Limit] = Limit("messages", 400.0, 1200.0)
    """how many one client may send"""

    def key(self) -> Hashable:
        """Return the key under which a newer message replaces this one; None: every one counts."""
        return self.newest_of or None


# ---------------------------------------------------------------- from the page


class Hello(Message):
    """The first message. client: a random id that the page keeps while it lives."""

    reply: ClassVar[str] = "welcome"
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


class Edit(Message):
    """Base of what changes the recipe; a page may have several on the way, told apart by number."""

    only_for: ClassVar[Role | None] = "operator"
    reply: ClassVar[str] = "accepted"
    client_seq: Count


class Write(Edit):
    """Change the recipe, all of the changes or none; others are told what has changed.

    seen: the revision the page knew. moving: a control is dragged. Writes with one gesture are one
    step of undo.
    """

    type: Literal["write"]
    seen: Count
    ops: Annotated[list[Op], Field(min_length=1, max_length=64)]
    label: Short = "change"
    moving: bool = False
    gesture: Short = ""


class Undo(Edit):
    """Take the last step back."""

    type: Literal["undo"]


class Redo(Edit):
    """Do the step again that was taken back last."""

    type: Literal["redo"]


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
    """Show nothing at this port any more."""

    type: Literal["unshow"]
    port: Literal[0, 1]


class Ack(Message):
    """A picture was drawn."""

    type: Literal["ack"]
    sequence: Count
    latency_ms: Annotated[float, Field(ge=0, le=1e6, allow_inf_nan=False)] | None = None
    """control moved -> picture drawn, when this picture ended such a wait"""


class Hidden(Message):
    """Whether the page is hidden: then nothing is sent."""

    limit: ClassVar[Limit] = Limit("presence", 10, 60)
    type: Literal["hidden"]
    hidden: bool


class Reset(Message):
    """Forget what is on the way and send afresh."""

    limit: ClassVar[Limit] = Limit("presence", 10, 60)
    type: Literal["reset"]


class Follow(Message):
    """A reviewer follows the operator, or no longer."""

    reply: ClassVar[str] = "following"
    limit: ClassVar[Limit] = Limit("presence", 10, 60)
    type: Literal["follow"]
    on: bool


class Transport(Message):
    """Fields that are null change nothing. first/last: the in and out points, inclusive."""

    reply: ClassVar[str] = "playhead"
    type: Literal["transport"]
    frame: Frame | None = None
    step: Annotated[int, Field(ge=-100000, le=100000)] | None = None
    playing: bool | None = None
    direction: Literal[1, -1] | None = None
    fps: Annotated[float, Field(gt=0.1, le=240, allow_inf_nan=False)] | None = None
    loop: Literal["loop", "once", "back_and_forth"] | None = None
    first: Frame | None = None
    last: Frame | None = None


class Sample(Message):
    """Values of a picture at a point (a box of one pixel) or over a box; frame null: this one."""

    reply: ClassVar[str] = "sampled"
    newest_of: ClassVar[str] = "sample"
    limit: ClassVar[Limit] = Limit("measuring", 20, 40)
    type: Literal["sample"]
    id: ItemId
    name: ViewName = "plate"
    extractor: Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]{0,32}$")] = ""
    frame: Frame | None = None
    box: Box


class Separate(Message):
    """Which channel of the plate tells box_a (to be taken) from box_b best?"""

    reply: ClassVar[str] = "separated"
    newest_of: ClassVar[str] = "separate"
    limit: ClassVar[Limit] = Limit("measuring", 20, 40)
    type: Literal["separate"]
    id: ItemId
    frame: Frame | None = None
    box_a: Box
    box_b: Box


class Scopes(Message):
    """Have scopes sent whenever they change; empty kinds: no longer."""

    reply: ClassVar[str] = "scope"
    limit: ClassVar[Limit] = Limit("scopes", 5, 20)
    type: Literal["scopes"]
    kinds: Annotated[list[ScopeKind], Field(max_length=4)]
    name: ViewName = "plate"
    extractor: Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]{0,32}$")] = ""


class AckScopes(Message):
    """Scope data was drawn."""

    type: Literal["ack_scopes"]
    sequence: Count


class NoteAdd(Message):
    """Pin a note to a place of a frame."""

    reply: ClassVar[str] = "note"
    limit: ClassVar[Limit] = Limit("notes", 2, 20)
    type: Literal["note_add"]
    frame: Frame
    x: Finite
    y: Finite
    text: Text


class NoteEdit(Message):
    """Change a note: one's own, operators any."""

    reply: ClassVar[str] = "note"
    limit: ClassVar[Limit] = Limit("notes", 2, 20)
    type: Literal["note_edit"]
    note: ItemId
    text: Text | None = None
    done: bool | None = None


class NoteRemove(Message):
    """Take a note away: one's own, operators any."""

    reply: ClassVar[str] = "note_gone"
    limit: ClassVar[Limit] = Limit("notes", 2, 20)
    type: Literal["note_remove"]
    note: ItemId


class RecipesAsk(Message):
    """List the saved recipes and the history."""

    only_for: ClassVar[Role | None] = "operator"
    reply: ClassVar[str] = "recipes"
    newest_of: ClassVar[str] = "recipes"
    limit: ClassVar[Limit] = Limit("recipes", 5, 30)
    type: Literal["recipes"]
    id: ItemId


class RecipeSaveAs(Message):
    """Save a copy of the recipe under a name."""

    only_for: ClassVar[Role | None] = "operator"
    reply: ClassVar[str] = "recipes"
    limit: ClassVar[Limit] = Limit("recipes", 5, 30)
    type: Literal["recipe_save_as"]
    id: ItemId
    name: Annotated[str, Field(min_length=1, max_length=60)]


class RecipeLoad(Message):
    """Load a saved recipe by name, or one of the history by its number."""

    only_for: ClassVar[Role | None] = "operator"
    reply: ClassVar[str] = "done"
    newest_of: ClassVar[str] = "recipe_load"
    limit: ClassVar[Limit] = Limit("recipes", 5, 30)
    type: Literal["recipe_load"]
    id: ItemId
    name: Annotated[str, Field(max_length=60)] | None = None
    history: Count | None = None


class MediaAsk(Message):
    """List what lies in a folder of a media root; root empty: the roots themselves."""

    only_for: ClassVar[Role | None] = "operator"
    reply: ClassVar[str] = "media"
    newest_of: ClassVar[str] = "media"
    limit: ClassVar[Limit] = Limit("media", 5, 30)
    type: Literal["media"]
    id: ItemId
    root: Short = ""
    under: Annotated[str, Field(max_length=1000)] = ""


class JobStart(Message):
    """Begin long work. options: of its kind."""

    only_for: ClassVar[Role | None] = "operator"
    reply: ClassVar[str] = "job"
    limit: ClassVar[Limit] = Limit("jobs", 5, 30)
    type: Literal["job_start"]
    id: ItemId
    kind: JobKind
    options: dict[str, Any] = Field(default_factory=dict, max_length=32)


class JobCancel(Message):
    """End long work; what is finished is kept."""

    only_for: ClassVar[Role | None] = "operator"
    reply: ClassVar[str] = "job"
    type: Literal["job_cancel"]
    job: ItemId


class ShotOpen(Message):
    """Open a shot of the watched folder; keep_recipe: with the present recipe if it has none."""

    only_for: ClassVar[Role | None] = "operator"
    reply: ClassVar[str] = "done"
    newest_of: ClassVar[str] = "shot"
    type: Literal["shot_open"]
    id: ItemId
    shot: Annotated[str, Field(min_length=1, max_length=1000)]
    keep_recipe: bool = True


class TakeNote(Message):
    """Set the note on a kept take; an empty text takes it away.

    seen: the note that was there when the text was written; without it the last one stays.
    """

    only_for: ClassVar[Role | None] = "operator"
    reply: ClassVar[str] = "done"
    newest_of: ClassVar[str] = "take_note"
    type: Literal["take_note"]
    id: ItemId
    take: Annotated[int, Field(ge=1, le=2**53)]
    text: Annotated[str, Field(max_length=2000)]
    seen: Annotated[str, Field(max_length=2000)] | None = None

    def key(self) -> Hashable:
        """Notes on several takes may be on the way."""
        return self.newest_of, self.id


class LinkAsk(Message):
    """Make a link: an operator's works once, the reviewers' for many devices until revoked."""

    only_for: ClassVar[Role | None] = "operator"
    reply: ClassVar[str] = "link"
    limit: ClassVar[Limit] = Limit("links", 5, 30)
    type: Literal["link"]
    id: ItemId
    role: Role = "reviewer"


class Revoke(Message):
    """Give either a device, or a role: then its link and all its devices (never one's own)."""

    only_for: ClassVar[Role | None] = "operator"
    reply: ClassVar[str] = "devices"
    type: Literal["revoke"]
    device: ItemId | None = None
    role: Role | None = None


class Ping(Message):
    """Is anybody there? t comes back."""

    reply: ClassVar[str] = "pong"
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
