"""Text for people and by people: counts with their nouns, and notes made harmless."""

from __future__ import annotations

import re
from unicodedata import category

MAX_NOTE = 2000
REORDERING = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
"""characters that make text read otherwise than it is written"""
BLANK = frozenset("\u034f\u115f\u1160\u17b4\u17b5\u180b\u180c\u180d\u2800\u3164\uffa0") | {
    chr(c) for c in (*range(0xFE00, 0xFE10), *range(0xE0100, 0xE01F0))
}
"""letters, marks and symbols that are blank"""
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
    begins = next((c for c in text if not _invisible(c)), "")
    hidden = bool(text) and _invisible(text[0])
    return "'" + text if (begins and begins in FORMULA) or hidden else text


def _invisible(character: str) -> bool:
    """Tell whether a character leaves no mark, so that what comes after it seems to come first.

    Source: Unicode's general categories of controls, formats, separators and unassigned code
    points, and the letters and marks that its property Default_Ignorable_Code_Point counts.
    """
    return category(character)[0] in "CZ" or character in BLANK


def safe_name(text: str) -> str:
    """Return a name fit for a folder, from any text."""
    return re.sub(r"[^A-Za-z0-9_-]+", "_", text).strip("_-")[:60] or "shot"
