"""Logs: one line a record, as text or as JSON. Tokens and query strings are never logged."""

from __future__ import annotations

import json
import logging
import sys
import time
from copy import copy


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


def set_up_logs(form: str, verbose: bool) -> None:
    """Send all logs to standard error; only warnings unless `verbose`."""
    handler = logging.StreamHandler(sys.stderr)
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
