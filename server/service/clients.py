"""A connected page: what waits for it, and what it has asked for."""

from __future__ import annotations

import asyncio
import logging
from collections import deque
from collections.abc import Callable, Coroutine, Hashable
from dataclasses import dataclass, field
from typing import Any

from server.pictures.outbox import Texts
from server.security import DeviceRecord, RateLimit
from server.wire.messages import Message, Role, Scopes
from server.wire.replies import Problem
from server.wire.state import Person

log = logging.getLogger("verdigris.clients")
ALONG_S = 0.003
"""how long an answer may wait for the picture that shows what it is about"""


@dataclass(frozen=True)
class Ready:
    """A picture to be written: header and payload, and what to call when the socket has it."""

    sequence: int
    parts: tuple[bytes, bytes]


@dataclass(eq=False)
class Client:
    """One page. Only the event loop's thread touches it."""

    client: str
    device: DeviceRecord
    name: str
    texts: Texts = field(default_factory=Texts)
    pictures: deque[Ready] = field(default_factory=deque)
    wake: asyncio.Event = field(default_factory=asyncio.Event)
    scopes: Scopes | None = None
    scope_sent: Hashable = None
    scope_waiting: int = 0
    closing: tuple[int, str] | None = None
    put_out: asyncio.Event = field(default_factory=asyncio.Event)
    """set when nothing of this page may be read or shown to it any more"""
    heard_at: float = 0.0
    """when the message that is being carried out came in, by the event loop's clock"""
    write_times: deque[tuple[int, float]] = field(default_factory=lambda: deque(maxlen=256))
    """(revision, when the message came) of writes whose picture has not gone out yet"""
    limits: dict[str, RateLimit] = field(default_factory=dict)
    limits_told: RateLimit = field(default_factory=lambda: RateLimit(1.0, 1.0))
    tasks: dict[Hashable, asyncio.Task[None]] = field(default_factory=dict)

    @property
    def role(self) -> Role:
        """Operator or reviewer."""
        return self.device.role

    def send(self, message: Message) -> None:
        """Queue a message; a newer one of the same key takes an older one's place."""
        self.send_text(message.model_dump_json(), message.key())

    def send_text(self, text: str, key: Hashable) -> None:
        """Queue a message that is text already; a page that was put out is told nothing more."""
        if self.put_out.is_set():
            return
        self.texts.put(text, key)
        self.wake.set()

    def send_along(self, message: Message) -> None:
        """Queue a message that a picture under way takes along, or that goes after a moment.

        Writing it at once would take turns with the thread that makes the picture.
        """
        if self.put_out.is_set():
            return
        self.texts.put(message.model_dump_json())
        asyncio.get_running_loop().call_later(ALONG_S, self.wake.set)

    def send_picture(self, ready: Ready) -> None:
        """Queue a picture; the window keeps their number small."""
        self.pictures.append(ready)
        self.wake.set()

    def close(self, code: int, reason: str) -> None:
        """Have the connection closed after what is queued."""
        self.closing = (code, reason)
        self.wake.set()

    def may_send(self, message: Message, about: str) -> bool:
        """Tell whether a message keeps within its kind's limit; what is left out is answered."""
        word, per_s, burst = message.limit
        limit = self.limits.setdefault(word, RateLimit(per_s, burst))
        if limit.allows(""):
            return True
        if about != getattr(message, "type", "") or self.limits_told.allows(word):
            told = f"too many {word} in a short time: this was left out, wait a moment"
            self.send(Problem(code="rate", about=about, message=told))
        return False

    def end_now(self, code: int, reason: str, message: str) -> None:
        """Put the page out: nothing of it is read, nothing that it waits for is done or sent."""
        if self.put_out.is_set():
            return
        self.end()
        self.send(Problem(code="revoked", message=message, fatal=True))
        self.closing = (code, reason)
        self.put_out.set()

    def carry_out(self, message: Message, work: Callable[[], Coroutine[Any, Any, None]]) -> None:
        """Run a message's work in the background; a newer message of the same key ends it.

        The message is answered whatever is raised, and also where it is ended.
        """
        kind = message.key() or object()
        old = self.tasks.pop(kind, None)
        if old is not None:
            old.cancel()
        task = asyncio.ensure_future(work())
        self.tasks[kind] = task
        about = str(getattr(message, "id", None) or getattr(message, "type", ""))
        task.add_done_callback(lambda done: self._ended(kind, done, about))

    def _ended(self, kind: Hashable, task: asyncio.Task[None], about: str) -> None:
        newest = self.tasks.get(kind) is task
        if newest:
            del self.tasks[kind]
        if task.cancelled():
            if not newest:
                text = "a newer request took this one's place"
                self.send(Problem(code="superseded", message=text, about=about))
        elif task.exception() is not None:
            log.error("work '%s' of a client failed", kind, exc_info=task.exception())
            text = "this could not be done; the service's log tells more"
            self.send(Problem(code="server", message=text, about=about))

    def end(self) -> None:
        """The connection is gone."""
        tasks, self.tasks = self.tasks, {}
        for task in tasks.values():
            task.cancel()
        self.pictures.clear()
        self.texts.clear()

    def person(self, *, following: bool, hidden: bool, frame: int) -> Person:
        """Return what others see of this page."""
        return Person(
            client=self.client,
            name=self.name,
            role=self.role,
            following=following,
            hidden=hidden,
            frame=frame,
        )
