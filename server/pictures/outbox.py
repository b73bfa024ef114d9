"""What waits for one client: texts in order, newest wins under a key, and at most two pictures.

The outbox never grows with a slow client: a newer text replaces an older one of the same key, and
when news of the recipe pile up they are thrown away and the whole state is sent instead.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Hashable
from dataclasses import dataclass, field

from server.wire.protocol import WINDOW

ACK_TIMEOUT_S = 3.0
ACK_TIMEOUT_MAX_S = 30.0
MAX_TEXTS = 400


@dataclass
class Texts:
    """Messages for one client, oldest first."""

    limit: int = MAX_TEXTS
    overflowed: bool = False
    _waiting: OrderedDict[Hashable, str] = field(default_factory=OrderedDict)
    _count: int = 0

    def put(self, text: str, key: Hashable = None) -> None:
        """Queue a message; it takes the place of a waiting one with the same key, at the end."""
        self._count += 1
        key = ("", self._count) if key is None else key
        self._waiting.pop(key, None)
        self._waiting[key] = text
        if len(self._waiting) > self.limit:
            self._waiting.clear()
            self.overflowed = True

    def pop(self) -> str | None:
        """Return the oldest message, or None."""
        return self._waiting.popitem(last=False)[1] if self._waiting else None

    def clear(self) -> None:
        """Throw everything away."""
        self._waiting.clear()
        self.overflowed = False

    def __len__(self) -> int:
        return len(self._waiting)


@dataclass
class Window:
    """Pictures on the way to one client: sent but not acknowledged, or promised by a render.

    States of a place: free -> reserved (a render or encode for this client has begun) -> on the way
    (handed to the socket's writer; from `flushed` on the clock runs) -> free (acknowledged).
    """

    size: int = WINDOW
    reserved: int = 0
    next_sequence: int = 1
    timeout_s: float = ACK_TIMEOUT_S
    sent: OrderedDict[int, float | None] = field(default_factory=OrderedDict)
    """sequence -> when the socket had taken it, None while it is still being written"""

    @property
    def free(self) -> int:
        """How many more pictures may be begun."""
        return self.size - self.reserved - len(self.sent)

    def reserve(self) -> None:
        """Promise a place; raises RuntimeError when none is free."""
        if self.free <= 0:
            raise RuntimeError(f"expected a free place in the window, got {self.free}")
        self.reserved += 1

    def release(self) -> None:
        """Give a promised place back."""
        if self.reserved <= 0:
            raise RuntimeError("expected a reserved place, got none")
        self.reserved -= 1

    def hand_over(self) -> int:
        """Turn a reserved place into a picture on the way and return its sequence number."""
        self.release()
        sequence = self.next_sequence
        self.next_sequence += 1
        self.sent[sequence] = None
        return sequence

    def flushed(self, sequence: int, now: float) -> None:
        """The socket took the picture; the wait for its acknowledgement begins."""
        if sequence in self.sent:
            self.sent[sequence] = now

    def acknowledge(self, sequence: int) -> bool:
        """Take an acknowledgement; it answers for earlier pictures too. False if unknown."""
        if sequence not in self.sent:
            return False
        for older in [s for s in self.sent if s <= sequence]:
            del self.sent[older]
        self.timeout_s = ACK_TIMEOUT_S
        return True

    def expire(self, now: float) -> list[int]:
        """Give up acknowledgements that are overdue and return their sequence numbers.

        When all are given up the next time-out is twice as long, so a client that never answers
        costs little.
        """
        overdue = [
            s for s, at in self.sent.items() if at is not None and now - at >= self.timeout_s
        ]
        for sequence in overdue:
            del self.sent[sequence]
        if overdue and not self.sent:
            self.timeout_s = min(2 * self.timeout_s, ACK_TIMEOUT_MAX_S)
        return overdue

    def next_timeout(self) -> float:
        """When the next acknowledgement is overdue; infinity when none is awaited."""
        times = [at for at in self.sent.values() if at is not None]
        return min(times, default=float("inf")) + self.timeout_s

    def reset(self) -> None:
        """Forget what was sent; pictures still being made or written keep their places."""
        for sequence in [s for s, at in self.sent.items() if at is not None]:
            del self.sent[sequence]
        self.timeout_s = ACK_TIMEOUT_S
