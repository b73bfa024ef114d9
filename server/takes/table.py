"""Kept takes as files that other programs read: CSV and JSON."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Sequence
from typing import Any

from server.takes.log import TREND, TakeEntry
from server.words import plain_cell


def csv_text(entries: Sequence[TakeEntry]) -> str:
    """Return takes as CSV with a header; numbers at six digits, empty where not to be had."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(
        [
            "take",
            "name",
            "surveyed_at",
            "verdict",
            "score",
            "primary",
            "chroma",
            *TREND,
            "reasons",
            "note",
            "spec",
        ]
    )
    for e in entries:
        numbers = ["" if e.values[name] is None else f"{e.values[name]:.6g}" for name in TREND]
        texts = [
            e.id,
            plain_cell(e.name),
            e.surveyed_at,
            e.verdict,
            f"{e.score:g}",
            e.primary or "",
            e.chroma,
            *numbers,
            plain_cell("; ".join(e.reasons)),
            plain_cell(e.note),
            plain_cell(e.spec),
        ]
        writer.writerow(texts)
    return out.getvalue()


def entries_json(entries: Sequence[TakeEntry]) -> str:
    """Return takes as JSON, thumbnails left out."""
    data: list[dict[str, Any]] = [e.model_dump(exclude={"thumbnail"}) for e in entries]
    return json.dumps(data, indent=2) + "\n"
