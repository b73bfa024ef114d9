"""Who works on a recipe file: one service at a time, told by a small file beside it.

The lock names its holder and is touched every few seconds. One whose holder has died, or that was
not touched for a while, is stale and is taken without asking.
"""

from __future__ import annotations

import json
import os
import secrets
import socket
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

TOUCH_S = 5.0
STALE_S = 20.0
"""Our own rule, no outside source: four touches missed, longer than a slow file server pauses."""


@dataclass(frozen=True)
class Holder:
    """Whose lock it is."""

    token: str
    host: str
    pid: int

    def text(self) -> str:
        """Return the lock file's text."""
        return json.dumps({"token": self.token, "host": self.host, "pid": self.pid})


class RecipeLock:
    """The lock of one recipe file. May be used from any thread, one call at a time."""

    def __init__(self, recipe: Path, clock: Callable[[], float] = time.time) -> None:
        self.path = recipe.with_name(f".{recipe.name}.lock")
        self.me = Holder(secrets.token_hex(8), socket.gethostname(), os.getpid())
        self._clock = clock

    def take(self, *, over: bool = False) -> Holder | None:
        """Take the lock and return None, or return who holds it. over: take it from a living one.

        Raises OSError where the folder cannot be written to.
        """
        for _ in range(3):
            try:
                handle = os.open(self.path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666)
            except FileExistsError:
                other = self.holder()
                if other is not None and not over and not self._stale(other):
                    return other
                self._replace()
            else:
                with os.fdopen(handle, "w", encoding="utf-8") as file:
                    file.write(self.me.text())
            if self.mine():
                return None
        return self.holder()

    def _replace(self) -> None:
        """Put our lock in the place of another's, whole at every moment."""
        temporary = self.path.with_name(f"{self.path.name}.{self.me.token}")
        temporary.write_text(self.me.text(), encoding="utf-8")
        os.replace(temporary, self.path)

    def holder(self) -> Holder | None:
        """Return who holds the lock; None where there is none or it cannot be read."""
        try:
            found = json.loads(self.path.read_text(encoding="utf-8"))
            return Holder(str(found["token"]), str(found["host"]), int(found["pid"]))
        except (OSError, ValueError, KeyError, TypeError):
            return None

    def mine(self) -> bool:
        """Tell whether we hold the lock."""
        return self.holder() == self.me

    def touch(self) -> None:
        """Show that we are alive."""
        with suppress(OSError):
            if self.mine():
                os.utime(self.path)

    def release(self) -> None:
        """Give the lock back if it is ours."""
        with suppress(OSError):
            if self.mine():
                self.path.unlink()

    def _stale(self, other: Holder) -> bool:
        if other.host == self.me.host and not _alive(other.pid):
            return True
        try:
            return self._clock() - self.path.stat().st_mtime > STALE_S
        except OSError:
            return True


def _alive(pid: int) -> bool:
    """Tell whether a process of this machine runs."""
    if os.name == "nt":
        return True  # asking would end it there; the time since the last touch decides
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True
