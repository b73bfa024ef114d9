"""Text for people and by people: counts with their nouns, and notes made harmless."""

from __future__ import annotations

import re
from unicodedata import category

MAX_NOTE = 2000
REORDERING = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
"""characters that make text read otherwise than it is written"""
FORMULA = "=+-@\uff1d\uff0b\uff0d\uff20"
"""what spreadsheets take for the begin of a formula, in wide characters too"""


def counted(count: int, one: str, many: str = "") -> str:
    """Return a number and its noun, `1 frame` or `12 frames`. many: where it is not `one` and s."""
    return f"{count} {one if count == 1 else many or one + 's'}"


def clean_note(text: str) -> str:
    """Return a note fit to be kept: at most MAX_NOTE characters, lines and tabs, nothing hidden."""
    fit = (c for c in text if c in "\n\t" or not (category(c) == "Cc" or c in REORDERING))
    return "".join(fit)[:MAX_NOTE]


def on_one_line(text: str) -> str:
    """Return text as a terminal may show it: on one line, control characters as question marks."""
    return "".join(c if c.isprintable() else "?" for c in " ".join(text.split()))


def plain_cell(text: str) -> str:
    """Return text that a spreadsheet takes for text, not for a formula."""
    begins = text.lstrip()[:1]
    return "'" + text if (begins and begins in FORMULA) or text[:1].isspace() else text


def safe_name(text: str) -> str:
    """Return a name fit for a folder, from any text."""
    return re.sub(r"[^A-Za-z0-9_-]+", "_", text).strip("_-")[:60] or "shot"
