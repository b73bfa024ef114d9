"""Who holds a connection: how many in all and from one address, who is silent, who must go.

The listening socket counts what it accepts, so that a TLS handshake, a request and a websocket are
one and the same connection from beginning to end. Where there is no place for a new one, the oldest
that has not said anything whole makes room; so whoever really asks for something comes in.
"""

from __future__ import annotations

import asyncio
import logging
import socket
import struct
import time
from collections import Counter
from collections.abc import Callable
from typing import Any

log = logging.getLogger("verdigris.connections")
MAX_FROM_ADDRESS, MAX_CONNECTIONS = 128, 512
"""Our own rule, no outside source: twenty pages from one address, with their files, need under
a hundred."""
DESCRIPTORS_KEPT = 192
"""file descriptors that connections never take: for saving, decoding and logs"""
SILENT_S = 10.0
"""how long a connection may take for its first whole request, or stay between two"""
SWEEP_S = 1.0
Peer = tuple[str, int]


class _Counted(socket.socket):
    """An accepted connection that gives its place back when it is closed."""

    released: Callable[[], None] | None = None

    def close(self) -> None:
        """Close the connection and give its place back, once."""
        released, self.released = self.released, None
        if released is not None:
            released()
        super().close()


class _Held:
    """One open connection."""

    def __init__(self, sock: _Counted, address: str, now: float) -> None:
        self.sock, self.address = sock, address
        self.busy = 0
        self.idle_since = now


class Connections:
    """All open connections of one service. Used on the event loop's thread alone."""

    def __init__(
        self,
        *,
        most: int | None = None,
        most_from_address: int = MAX_FROM_ADDRESS,
        silent_s: float = SILENT_S,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.most = _room() if most is None else most
        self.most_from_address, self.silent_s = most_from_address, silent_s
        self._clock = clock
        self._held: dict[Peer, _Held] = {}
        self._from: Counter[str] = Counter()
        self.refused = 0
        """connections that were refused, or ended to make room"""

    def __len__(self) -> int:
        return len(self._held)

    def take(self, sock: _Counted, address: tuple[Any, ...]) -> bool:
        """Take in a new connection; False where all places are held by others that are at work."""
        peer = _peer(address)
        full = len(self._held) >= self.most
        if (full or self._from[peer[0]] >= self.most_from_address) and not self._make_room(
            None if full else peer[0]
        ):
            self.refused += 1
            log.warning("a connection from %s was refused: too many are open", peer[0])
            return False
        held = self._held[peer] = _Held(sock, peer[0], self._clock())
        self._from[peer[0]] += 1
        sock.released = lambda: self._give_back(peer, held)
        return True

    def _make_room(self, address: str | None) -> bool:
        """End the oldest silent connection (of one address); False where none is silent."""
        for peer, held in self._held.items():
            if not held.busy and address in (None, held.address):
                self.refused += 1
                self._give_back(peer, held)
                _end(held.sock)
                return True
        return False

    def _give_back(self, peer: Peer, held: _Held) -> None:
        if self._held.get(peer) is held:
            del self._held[peer]
            self._from[held.address] -= 1
            if not self._from[held.address]:
                del self._from[held.address]

    def begins(self, client: Any) -> None:
        """Note that a whole request or handshake was read: its connection is not silent."""
        held = self._held.get(_peer(client)) if client else None
        if held is not None:
            held.busy += 1

    def ends(self, client: Any) -> None:
        """Note that a request is answered, or a websocket ended."""
        held = self._held.get(_peer(client)) if client else None
        if held is not None:
            held.busy -= 1
            held.idle_since = self._clock()

    def abort(self, client: Any) -> None:
        """End a connection at once, whatever is still to be written to it."""
        held = self._held.get(_peer(client)) if client else None
        if held is not None:
            _end(held.sock)

    def sweep(self) -> int:
        """End connections that have been silent for too long; return how many."""
        late = self._clock() - self.silent_s
        silent = [h for h in self._held.values() if not h.busy and h.idle_since < late]
        for held in silent:
            _end(held.sock)
        if silent:
            log.info("%d silent connections were ended", len(silent))
        return len(silent)

    async def run(self) -> None:
        """Sweep once a second until cancelled."""
        while True:
            await asyncio.sleep(SWEEP_S)
            self.sweep()


class CountingListener(socket.socket):
    """A listening socket whose connections are counted by `connections`."""

    connections: Connections

    def accept(self) -> tuple[socket.socket, Any]:
        """Return the next connection that there is a place for.

        Raises BlockingIOError when none is waiting, as a socket that does not block does.
        """
        while True:
            plain, address = super().accept()
            taken = _Counted(plain.family, plain.type, plain.proto, fileno=plain.detach())
            if self.connections.take(taken, address):
                return taken, address
            taken.close()


def _peer(address: Any) -> Peer:
    """Return host and port: of IPv6 without scope, so that one host is one key."""
    return str(address[0]).split("%")[0], int(address[1])


def _room() -> int:
    """Return how many connections there is room for beside the descriptors kept back."""
    try:
        import resource
    except ImportError:
        return MAX_CONNECTIONS
    soft, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    if soft == resource.RLIM_INFINITY:
        return MAX_CONNECTIONS
    return max(16, min(MAX_CONNECTIONS, soft - DESCRIPTORS_KEPT))


def _end(sock: socket.socket) -> None:
    """Throw away what waits to be sent and let both sides know that it is over."""
    try:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        sock.shutdown(socket.SHUT_RDWR)
    except OSError:
        pass  # it has ended already
