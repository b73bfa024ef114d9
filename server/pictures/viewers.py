"""Clients as the scheduler sees them: ports, windows, playheads."""

from __future__ import annotations

from dataclasses import dataclass, field

from server.pictures.keys import FrameSize, Picture, PictureKey, Sight, sight_of, wire_size
from server.pictures.outbox import Window
from server.pictures.playback import PlayClock
from server.wire.messages import Role, Show


@dataclass
class Port:
    """One picture area of a client. `sent`: what it was last given."""

    show: Show
    sent: PictureKey | None = None
    sent_sequence: int = 0
    sent_order: int = 0
    """when the wish for it was made: a picture wished for earlier is not sent after it"""
    pending: list[PictureKey] = field(default_factory=list)
    waiting_since: float | None = None
    served_at: float = float("-inf")
    aim: tuple[Show, int, FrameSize, Sight, int, int] | None = None
    """what was looked at last: show, width, frame size -> sight and size on the wire"""

    def aimed(self, show: Show, width: int, size: FrameSize) -> tuple[Sight, int, int]:
        """Return sight and size on the wire of a show; worked out once and kept."""
        aim = self.aim
        if aim is None or aim[0] is not show or aim[1] != width or aim[2] is not size:
            sight = sight_of(show, size)
            aim = self.aim = (show, width, size, sight, *wire_size(sight.region, width, size))
        return aim[3:]


@dataclass(frozen=True)
class Recipient:
    """A port that waits for a picture under way; order: counts all wishes."""

    client: str
    port: int
    view_id: int
    order: int


@dataclass
class Viewer:
    """A client as the scheduler sees it. clock: a reviewer's own playhead."""

    client: str
    role: Role
    window: Window = field(default_factory=Window)
    ports: dict[int, Port] = field(default_factory=dict)
    following: bool = False
    hidden: bool = False
    clock: PlayClock | None = None
    moved_at: float = float("-inf")


@dataclass(frozen=True)
class Delivery:
    """A picture to be written to a client's socket."""

    client: str
    port: int
    view_id: int
    sequence: int
    key: PictureKey
    picture: Picture
