"""The websocket protocol, with a budget for what never becomes a message.

Pings, pongs and pieces of messages are answered or kept below the application, which therefore
cannot count them: a page that sends pings and reads nothing would fill the memory with pongs, and
endless empty pieces would hold the event loop.
"""

from __future__ import annotations

from typing import Any

from uvicorn.protocols.websockets.websockets_sansio_impl import WebSocketsSansIOProtocol

from server.security import RateLimit

FRAMES_PER_S, FRAMES_BURST = 20.0, 200.0
"""Our own rule, no outside source: browsers answer one ping in twenty seconds."""
AT_ONCE = 4096
"""bytes that are looked through before it is asked whether the connection may go on"""
MAX_WAITING = 2000
"""messages that wait to be read; more come only from one that sends them in one piece"""


class CarefulProtocol(WebSocketsSansIOProtocol):
    """uvicorn's protocol; a connection that spends its budget is cut."""

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self._budget = RateLimit(FRAMES_PER_S, FRAMES_BURST)

    def data_received(self, data: bytes) -> None:
        """Look through what came, a little at a time, while the connection may go on."""
        for start in range(0, len(data), AT_ONCE):
            if self.transport.is_closing():
                return
            super().data_received(data[start : start + AT_ONCE])
            if self.queue.qsize() > MAX_WAITING:
                self.transport.abort()

    def _spend(self) -> bool:
        if self._budget.allows(""):
            return True
        self.transport.abort()
        return False

    def handle_ping(self) -> None:
        """Answer a ping."""
        if self._spend():
            super().handle_ping()

    def handle_pong(self, event: Any) -> None:
        """Take an answer to a ping."""
        if self._spend():
            super().handle_pong(event)

    def handle_cont(self, event: Any) -> None:
        """Keep a further piece of a message."""
        if self._spend():
            super().handle_cont(event)
