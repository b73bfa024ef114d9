"""A connected page: what waits for it, and what it has asked for."""

from __future__ import annotations

import asyncio
import logging
from collections import deque
from collections.abc import Callable, Coroutine, Hashable
from dataclasses import dataclass, field
from typing import Any

from pydantic import BaseModel

from server.pictures.outbox import Texts
from server.security import DeviceRecord
from server.wire.messages import Role, Scopes
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
    heard_at: float = 0.0
    """when the message that is being carried out came in, by the event loop's clock"""
    write_times: deque[tuple[int, float]] = field(default_factory=lambda: deque(maxlen=256))
    """(revision, when the message came) of writes whose picture has not gone out yet"""
    tasks: dict[str, asyncio.Task[None]] = field(default_factory=dict)

    @property
    def role(self) -> Role:
        """Operator or reviewer."""
        return self.device.role

    def send(self, message: BaseModel, key: Hashable = None) -> None:
        """Queue a message; a newer one of the same key takes an older one's place."""
        self.send_text(message.model_dump_json(), key)

    def send_text(self, text: str, key: Hashable = None) -> None:
        """Queue a message that is text already."""
        self.texts.put(text, key)
        self.wake.set()

    def send_along(self, message: BaseModel) -> None:
        """Queue a message that a picture under way takes along, or that goes after a moment.

        Writing it at once would take turns with the thread that makes the picture.
        """
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

    def latest(
        self, kind: str, work: Callable[[], Coroutine[Any, Any, None]], about: str = ""
    ) -> None:
        """Run work in the background; a newer one of the same kind ends an older one.

        about: the message that asked for it, which is answered whatever is raised.
        """
        old = self.tasks.pop(kind, None)
        if old is not None:
            old.cancel()
        task = asyncio.ensure_future(work())
        self.tasks[kind] = task
        task.add_done_callback(lambda done: self._ended(kind, done, about or kind))

    def _ended(self, kind: str, task: asyncio.Task[None], about: str) -> None:
        if self.tasks.get(kind) is task:
            del self.tasks[kind]
        if not task.cancelled() and task.exception() is not None:
            log.error("work '%s' of a client failed", kind, exc_info=task.exception())
            text = "this could not be done; the service's log tells more"
            self.send(Problem(code="server", message=text, about=about))

    def end(self) -> None:
        """The connection is gone."""
        for task in list(self.tasks.values()):
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
