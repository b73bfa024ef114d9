"""The take log: every survey kept in one SQLite file, listed by day."""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, ValidationError

from kernels.errors import VerdigrisError
from kernels.measure.survey import Measures
from server.media import Shot, format_frames
from server.survey.limits import TABLE
from server.survey.survey import SurveyResult
from server.survey.verdict import values_of
from server.words import clean_note, on_one_line

FILE_NAME = "takes.sqlite"
MIGRATIONS = (
    """
    CREATE TABLE take (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        name TEXT NOT NULL,
        spec TEXT NOT NULL,
        surveyed_at TEXT NOT NULL,
        day TEXT NOT NULL,
        verdict TEXT NOT NULL,
        score REAL NOT NULL,
        note TEXT NOT NULL DEFAULT '',
        result TEXT NOT NULL
    );
    CREATE INDEX take_day ON take (day, id);
    """,
)
WAIT_S = 10.0
COLUMNS = (
    "id, name, spec, surveyed_at, verdict, score, note, "
    "json_extract(result, '$.measures') AS measures, "
    "json_extract(result, '$.verdict.reasons') AS reasons"
)
PICTURE = "json_extract(result, '$.thumbnail')"
WHOLE = "json_valid(result)"
"""SQLite gives up on all rows of a query when it is to look into one that is broken."""
PICTURED = 200
"""Takes of a list that come with pictures, the newest: some 14 kB each, 2.7 MB in all."""
TREND = tuple(row.measure for row in TABLE if row.measure not in ("level_high", "chroma_loss"))
"""The measures that are listed and whose trend is shown, by their names in the verdict's table."""


class TakesError(VerdigrisError):
    """The take log cannot be read or written."""


class TakeEntry(BaseModel):
    """One surveyed take. surveyed_at: local time, ISO 8601. values: the measures of TREND.

    label: the name, with folders where one name is several shots' that day. reasons, remedies: as
    many of each, most important first.
    """

    model_config = ConfigDict(extra="forbid")

    id: int
    name: str
    label: str
    spec: str
    surveyed_at: str
    verdict: str
    score: float
    note: str
    primary: str | None
    chroma: str
    values: dict[str, float | None]
    reasons: list[str]
    remedies: list[str]
    thumbnail: str


class TakeLog:
    """The log in one file. Safe to use from several threads and processes.

    wait_s: how long another writer is waited for. only_under: read as if the log held nothing but
    the takes whose files lie under these folders.
    """

    def __init__(
        self, path: Path, *, wait_s: float = WAIT_S, only_under: Sequence[Path] | None = None
    ) -> None:
        self.path, self.wait_s = path, wait_s
        self._seen, self._folders = "1", [""]
        if only_under is not None:
            self._folders = [os.path.join(os.path.abspath(folder), "") for folder in only_under]
            self._seen = " OR ".join("instr(spec, ?) = 1" for _ in self._folders) or "0"
        with self._connected(create=True) as db:
            _migrate(db, path)

    @contextmanager
    def _connected(self, create: bool = False) -> Iterator[sqlite3.Connection]:
        try:
            if create:
                self.path.parent.mkdir(parents=True, exist_ok=True)
            with closing(sqlite3.connect(self.path, timeout=self.wait_s)) as db, db:
                db.row_factory = sqlite3.Row
                db.text_factory = lambda data: data.decode("utf-8", "replace")
                yield db
        except (sqlite3.Error, OSError) as error:
            raise TakesError(
                f"the take log '{self.path}' cannot be used ({error}); check the folder and its "
                "free space, or move the file away to start a new one"
            ) from None

    def _rows(
        self, columns: str, where: str = "1", values: Sequence[Any] = (), order: str = "id"
    ) -> list[sqlite3.Row]:
        """Return the rows that may be seen; text stands in `columns`, `where`, `order` only."""
        folders = self._folders if "?" in self._seen else []
        query = f"SELECT {columns} FROM take WHERE ({self._seen}) AND ({where}) ORDER BY {order}"
        with self._connected() as db:
            return db.execute(query, [*folders, *values]).fetchall()

    def add(self, result: SurveyResult, *, at: datetime | None = None, note: str = "") -> int:
        """Keep a survey and return its number. at: when, with a zone; now by default."""
        moment = (at or datetime.now(UTC)).astimezone()
        row = (
            result.name,
            whole_spec(result.spec),
            moment.isoformat(timespec="seconds"),
            moment.date().isoformat(),
            result.verdict.name,
            result.verdict.score,
            clean_note(note),
            result.model_dump_json(),
        )
        with self._connected() as db:
            cursor = db.execute(
                "INSERT INTO take (name, spec, surveyed_at, day, verdict, score, note, result)"
                " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                row,
            )
            return int(cursor.lastrowid or 0)

    def days(self) -> list[str]:
        """Return the days with takes, newest first, as ISO dates."""
        rows = self._rows("DISTINCT day", order="day DESC")
        return [str(row["day"]) for row in rows]

    def entries(
        self, day: date | str | None = None, *, pictured: int = PICTURED
    ) -> list[TakeEntry]:
        """Return the takes of a day in the order of their surveys; all without a day.

        pictured: how many of the newest come with thumbnails. A take whose measures another version
        wrote has no values. Damaged ones are left out: `damaged` tells which.
        """
        where, values = _of_day(day)
        shots = self._rows("id, name, spec", where, values)
        first = int(shots[-pictured]["id"]) if 0 < pictured <= len(shots) else 0
        picture = f"CASE WHEN id >= {first} THEN {PICTURE} END" if pictured else "''"
        rows = self._rows(f"{COLUMNS}, {picture} AS thumbnail", f"{where} AND {WHOLE}", values)
        labels = _labels(shots)
        return [_entry(row, labels.get(row["id"], row["name"])) for row in rows]

    def damaged(self, day: date | str | None = None) -> list[int]:
        """Return the numbers of a day's takes whose surveys cannot be read; all without a day."""
        where, values = _of_day(day)
        return [int(row["id"]) for row in self._rows("id", f"{where} AND NOT {WHOLE}", values)]

    def entry(self, take: int) -> TakeEntry:
        """Return one take, named as in its day's list. Raises TakesError when there is none."""
        columns = f"{COLUMNS}, day, {PICTURE} AS thumbnail"
        rows = self._rows(columns, f"id = ? AND {WHOLE}", [take])
        if not rows:
            raise self._unreadable(take) if self.has(take) else _gone(take)
        labels = _labels(self._rows("id, name, spec", "day = ?", [rows[0]["day"]]))
        return _entry(rows[0], labels.get(take, rows[0]["name"]))

    def result(self, take: int) -> SurveyResult:
        """Return the whole survey of a take. Raises TakesError when there is none."""
        rows = self._rows("result", "id = ?", [take])
        if not rows:
            raise _gone(take)
        try:
            return SurveyResult.model_validate_json(rows[0]["result"])
        except ValidationError:
            raise self._unreadable(take) from None

    def _unreadable(self, take: int) -> TakesError:
        return TakesError(
            f"take {take} in '{self.path}' is damaged or was written by another version; survey it "
            "again"
        )

    def has(self, take: int) -> bool:
        """Tell whether there is a take of this number."""
        return bool(self._rows("id", "id = ?", [take]))

    def note(self, take: int) -> str:
        """Return the note on a take. Raises TakesError when there is no such take."""
        rows = self._rows("note", "id = ?", [take])
        if not rows:
            raise _gone(take)
        return str(rows[0]["note"])

    def set_note(self, take: int, note: str, *, seen: str | None = None) -> None:
        """Replace the note on a take. seen: the note this is the answer to, if that is known.

        Raises TakesError when there is no such take, or when its note is no longer the one seen.
        """
        given = "" if seen is None else " AND note IN (?, ?)"
        values = [clean_note(note), take, *([] if seen is None else [seen, clean_note(seen)])]
        with self._connected() as db:
            if db.execute(f"UPDATE take SET note = ? WHERE id = ?{given}", values).rowcount:
                return
            row = db.execute("SELECT note FROM take WHERE id = ?", [take]).fetchone()
            if row is None:
                raise _gone(take)
            if row["note"] != clean_note(note):  # else somebody wrote just the same
                raise TakesError(_overtaken(take, str(row["note"])))

    def newest_of(self, spec: str) -> int | None:
        """Return the number of the newest take of a SHOT, or None."""
        row = self._rows("max(id) AS id", "spec = ?", [whole_spec(spec)])[0]
        return None if row["id"] is None else int(row["id"])

    def verdicts(self) -> dict[str, str]:
        """Return the newest verdict on every shot, by its whole SHOT."""
        rows = self._rows("spec, verdict")
        return {str(row["spec"]): str(row["verdict"]) for row in rows}


def _gone(take: int) -> TakesError:
    return TakesError(f"the take log has no take {take}; 'verdigris takes' lists them")


def _overtaken(take: int, note: str) -> str:
    now = f"it is now '{on_one_line(note)}'" if note else "it was taken away"
    return (
        f"somebody else changed the note on take {take} meanwhile ({now}), so yours is not kept: "
        "copy it, open the take again and add it there"
    )


def left_out(takes: Sequence[int]) -> str:
    """Return what to tell of damaged takes; nothing when there are none."""
    if not takes:
        return ""
    if len(takes) == 1:
        return f"take {takes[0]} is damaged in the log and left out here: survey it again"
    return (
        f"{len(takes)} takes are damaged in the log and left out here ({format_frames(takes)}): "
        "survey them again"
    )


def _of_day(day: date | str | None) -> tuple[str, list[str]]:
    return ("1", []) if day is None else ("day = ?", [str(day)])


def _labels(rows: Sequence[sqlite3.Row]) -> dict[int, str]:
    """Return what to call the takes of a list, by their numbers."""
    labels = told_apart([(row["name"], row["spec"]) for row in rows])
    return {int(row["id"]): label for row, label in zip(rows, labels, strict=True)}


def whole_spec(spec: str) -> str:
    """Return a SHOT with its whole path, under which the log knows it."""
    return os.path.abspath(spec)


def told_apart(shots: Sequence[tuple[str, str]]) -> list[str]:
    """Return a label for every (name, SHOT): its folders too where a name is several shots'."""
    specs: dict[str, set[str]] = {}
    for name, spec in shots:
        specs.setdefault(name, set()).add(spec)
    labels = []
    for name, spec in shots:
        if len(specs[name]) == 1:
            labels.append(name)
            continue
        same = [Path(one).absolute() for one in specs[name]]
        folder = Path(os.path.commonpath([one.parent for one in same]))
        parent = Path(spec).absolute().parent
        alone = sum(one.parent == parent for one in same) == 1
        labels.append(str(parent.relative_to(folder) / (name if alone else Path(spec).name)))
    return labels


def _entry(row: sqlite3.Row, label: str) -> TakeEntry:
    try:
        measures = Measures.model_validate_json(row["measures"])
        values = values_of(measures)
        primary, chroma = measures.primary, str(measures.chroma)
    except ValidationError:
        values, primary, chroma = {}, None, "unknown"
    try:
        found = json.loads(row["reasons"] or "[]")
        reasons = [(str(reason["text"]), str(reason["remedy"])) for reason in found]
    except (KeyError, TypeError, ValueError):  # another version's
        reasons = []
    return TakeEntry(
        id=int(row["id"]),
        name=row["name"],
        label=label,
        spec=row["spec"],
        surveyed_at=row["surveyed_at"],
        verdict=row["verdict"],
        score=float(row["score"]),
        note=row["note"],
        primary=primary,
        chroma=chroma,
        values={name: values.get(name) for name in TREND},
        reasons=[text for text, _ in reasons],
        remedies=[remedy for _, remedy in reasons],
        thumbnail=row["thumbnail"] or "",
    )


def _migrate(db: sqlite3.Connection, path: Path) -> None:
    version = _version(db)
    if version > len(MIGRATIONS):
        raise TakesError(
            f"the take log '{path}' was written by a newer version; use that version or another "
            "file"
        )
    if version == len(MIGRATIONS):
        return
    db.execute("BEGIN IMMEDIATE")
    for migration in MIGRATIONS[_version(db) :]:  # another process may have been quicker
        for statement in migration.split(";"):
            db.execute(statement)
    db.execute(f"PRAGMA user_version = {len(MIGRATIONS)}")


def _version(db: sqlite3.Connection) -> int:
    return int(db.execute("PRAGMA user_version").fetchone()[0])


def folder_of(shot: Shot) -> Path:
    """Return the folder that a shot's files lie in."""
    return shot.source_path(shot.frames[0]).parent


def log_path(data_dir: str, *beside: Path | None) -> Path:
    """Return the log's file: beside the shots when one is there, else in the user's data folder."""
    for folder in beside:
        if folder is not None and (folder / FILE_NAME).is_file():
            return folder / FILE_NAME
    return Path(data_dir) / FILE_NAME
