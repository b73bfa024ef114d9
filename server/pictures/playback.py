"""The playhead: which frame is on at a given time. Time is given, never read."""

from __future__ import annotations

from dataclasses import dataclass, field

from server.wire.messages import Transport
from server.wire.state import Playhead


@dataclass
class PlayClock:
    """Real-time playback between an in and an out point.

    The frame follows from the time passed, so a slow machine leaves frames out instead of slowing
    down. `frames`: first and last frame of the shot.
    """

    frames: tuple[int, int]
    fps: float = 24.0
    playing: bool = False
    direction: int = 1
    loop: str = "loop"
    first: int = field(default=0)
    last: int = field(default=0)
    dropped: int = 0
    """frames passed over in the run that goes on or ended last; gone when one moves on by hand"""
    moved_at: float = float("-inf")
    """when somebody last moved it"""
    _anchor: int = field(default=0)
    _since: float = field(default=0.0)
    _shown: int | None = None

    def __post_init__(self) -> None:
        self.first, self.last = self.frames
        self._anchor = self.first

    def steps(self, now: float) -> int:
        """Return how many frames long playback has been running."""
        return int((now - self._since) * self.fps + 1e-6) if self.playing else 0

    def frame_at(self, now: float) -> int:
        """Return the frame that is on at `now`."""
        return self._walk(self.steps(now))

    def ahead(self, now: float, count: int) -> list[int]:
        """Return the next `count` frames in the order in which they will be on."""
        start = self.steps(now)
        frames = (
            [self._walk(start + n) for n in range(count)]
            if self.playing
            else [
                min(max(self._anchor + n * self.direction, self.frames[0]), self.frames[1])
                for n in range(count)
            ]
        )
        return list(dict.fromkeys(frames))

    def behind(self, now: float, count: int) -> list[int]:
        """Return up to `count` frames that were on, the present one first."""
        steps = self.steps(now)
        return [self._walk(n) for n in range(steps, max(-1, steps - count), -1)]

    def _walk(self, steps: int) -> int:
        span = self.last - self.first + 1
        offset = (self._anchor - self.first) if self.direction > 0 else (self.last - self._anchor)
        place = offset + steps
        if self.loop == "once":
            place = min(place, max(span - 1, offset))
        elif self.loop == "back_and_forth":
            place = _bounce(place, span)
        elif steps:
            place %= span
        return self.first + place if self.direction > 0 else self.last - place

    def ended(self, now: float) -> bool:
        """Tell whether playback that runs once has come to its end."""
        end = self.last if self.direction > 0 else self.first
        return self.playing and self.loop == "once" and self.frame_at(now) == end

    def next_change(self, now: float) -> float:
        """Return when the next frame comes on; infinity while paused."""
        if not self.playing:
            return float("inf")
        return self._since + (self.steps(now) + 1) / self.fps

    def count_shown(self, now: float) -> None:
        """Note that the present frame is being made; frames passed over count as dropped."""
        if self.playing:
            steps = self.steps(now)
            if self._shown is not None and steps > self._shown + 1:
                self.dropped += steps - self._shown - 1
            self._shown = steps

    def apply(self, message: Transport, now: float) -> None:
        """Carry out what the page asks; frames outside the shot are pulled to its ends."""
        frame = self.frame_at(now)
        begin = message.playing is True and not self.playing
        moved = message.frame is not None or message.step is not None
        if begin or (moved and not self.playing):
            self.dropped = 0
        self.moved_at = now
        low, high = self.frames
        if message.first is not None:
            self.first = min(max(message.first, low), high)
        if message.last is not None:
            self.last = min(max(message.last, low), high)
        if self.last < self.first:
            self.first, self.last = self.last, self.first
        if message.fps is not None:
            self.fps = message.fps
        if message.direction is not None:
            self.direction = message.direction
        if message.loop is not None:
            self.loop = message.loop
        if message.frame is not None:
            frame = message.frame
        if message.step is not None:
            frame += message.step
            self.playing = False
        if message.playing is not None:
            self.playing = message.playing
        self._restart(min(max(frame, low), high), now, begin)

    def stop_at_end(self, now: float) -> None:
        """Pause on the present frame."""
        frame = self.frame_at(now)
        self.playing = False
        self.moved_at = now
        self._restart(frame, now, False)

    def _restart(self, frame: int, now: float, begin: bool) -> None:
        if self.playing:
            frame = min(max(frame, self.first), self.last)
            end = self.last if self.direction > 0 else self.first
            if begin and frame == end and self.loop == "once":
                frame = self.first if self.direction > 0 else self.last
        self._anchor, self._since, self._shown = frame, now, None

    def message(self, now: float, *, own: bool = False) -> Playhead:
        """Return the state as it is sent to pages."""
        return Playhead.model_validate(
            {
                "frame": self.frame_at(now),
                "playing": self.playing,
                "direction": self.direction,
                "fps": self.fps,
                "loop": self.loop,
                "first": self.first,
                "last": self.last,
                "dropped": self.dropped,
                "own": own,
            }
        )


def _bounce(place: int, span: int) -> int:
    if span <= 1:
        return 0
    place %= 2 * (span - 1)
    return place if place < span else 2 * (span - 1) - place
