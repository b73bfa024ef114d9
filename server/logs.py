"""Logs: one line a record, as text or as JSON. Tokens and query strings are never logged."""

from __future__ import annotations

import json
import logging
import sys
import time
from collections.abc import Callable
from copy import copy
from typing import TextIO


class JsonLines(logging.Formatter):
    """One JSON object a line: time, level, logger, message, and where it failed."""

    def format(self, record: logging.LogRecord) -> str:
        """Return the record as one line."""
        line = {
            "time": time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(record.created))
            + f".{int(record.msecs):03d}Z",
            "level": record.levelname.lower(),
            "logger": record.name,
            "message": record.getMessage(),
        }
        if record.exc_info:
            line["failure"] = self.formatException(record.exc_info)
        return json.dumps(line)


class TextLines(logging.Formatter):
    """One line for people; control characters are made harmless."""

    def __init__(self) -> None:
        super().__init__("%(asctime)s %(levelname)s %(name)s: %(message)s", "%H:%M:%S")

    def format(self, record: logging.LogRecord) -> str:
        """Return the record as one line (a failure's lines follow)."""
        harmless = copy(record)  # other handlers get the record as it was
        harmless.msg, harmless.args = _harmless(record.getMessage()), None
        return super().format(harmless)


def _harmless(text: str) -> str:
    return "".join(c if c.isprintable() or c == "\n" else "?" for c in text)


class OnceASecond(logging.StreamHandler[TextIO]):
    """Writes one warning of a kind a second; the next one tells how many were left out.

    Of one kind are records of one logger, level and unformatted text. A flood then costs lines by
    the second and not by the connection.
    """

    KINDS = 1000

    def __init__(self, stream: TextIO, clock: Callable[[], float] = time.monotonic) -> None:
        super().__init__(stream)
        self._clock = clock
        self._last: dict[tuple[str, int, str], tuple[float, int]] = {}

    def emit(self, record: logging.LogRecord) -> None:
        """Write a record, or count it."""
        if record.levelno < logging.WARNING:
            super().emit(record)
            return
        kind = (record.name, record.levelno, str(record.msg)[:200])
        now = self._clock()
        at, left_out = self._last.get(kind, (float("-inf"), 0))
        if now - at < 1.0:
            self._last[kind] = at, left_out + 1
            return
        if len(self._last) >= self.KINDS:
            self._last.clear()
        self._last[kind] = now, 0
        if left_out:
            record = copy(record)  # other handlers get the record as it was
            record.msg = f"{record.getMessage()} (and {left_out} more like it)"
            record.args = None
        super().emit(record)


def set_up_logs(form: str, verbose: bool) -> None:
    """Send all logs to standard error; only warnings unless `verbose`."""
    handler = OnceASecond(sys.stderr)
    handler.setFormatter(JsonLines() if form == "json" else TextLines())
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(logging.WARNING)
    logging.getLogger("verdigris").setLevel(logging.INFO if verbose else logging.WARNING)


class _PlainText(logging.Filter):
    """Says in a sentence, without a traceback, what a page can bring about at will."""

    def filter(self, record: logging.LogRecord) -> bool:
        if str(record.msg).startswith("Invalid UTF-8"):
            record.msg, record.args = "a page sent bytes that are no text and is cut off", None
            record.exc_info = record.exc_text = None
        return True


_PLAIN_TEXT = _PlainText()


def tell_plainly() -> None:
    """Have the web server's own log speak as ours does; may be called twice."""
    logging.getLogger("uvicorn.error").addFilter(_PLAIN_TEXT)
