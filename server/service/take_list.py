"""The kept takes as pages see them: a day's list, one take with its reasons and maps.

Nothing here names a path: reviewers see it too.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from pydantic import BaseModel, ConfigDict, Field

from server.survey.limits import TABLE, Threshold
from server.survey.maps import MapPicture
from server.survey.verdict import Verdict
from server.takes.log import (
    TREND,
    TakeEntry,
    TakeLog,
    folder_of,
    left_out,
    log_path,
    whole_spec,
)
from server.takes.report import facts, measure_rows, scaled, unit_of
from server.wire.messages import Role

if TYPE_CHECKING:
    from server.service.service import Service


READ_WAIT_S = 2.0
"""a page's request waits no longer for a log that somebody holds"""


class _Shown(BaseModel):
    model_config = ConfigDict(extra="forbid")


class TakeMeasure(_Shown):
    """A measure whose trend can be shown. work, relight: its limits, in `unit`."""

    name: str
    title: str
    unit: str
    rising: bool
    """larger values are worse"""
    work: float
    relight: float | None


class KeptTake(_Shown):
    """One kept take. at: local time, ISO 8601. open: it is the shot that is open.

    values: the measures of `DayOfTakes.measures`, in their unit. reason, remedy: the first ones,
    empty when every measure is within its limits.
    """

    id: int
    name: str
    at: str
    verdict: str
    score: float
    note: str
    open: bool
    reason: str
    remedy: str
    values: dict[str, float | None]


class DayOfTakes(_Shown):
    """A day's takes in the order of their surveys. days: with takes, newest first.

    here: number of the newest take of the shot that is open, of whatever day. left_out: what to
    tell of damaged takes that are not listed; empty when there are none.
    """

    day: str = ""
    here: int | None = None
    days: list[str] = Field(default_factory=list)
    takes: list[KeptTake] = Field(default_factory=list)
    measures: list[TakeMeasure] = Field(default_factory=list)
    left_out: str = ""


class MeasureLine(_Shown):
    """One measure against its limits, as text. state: good, work or poor."""

    title: str
    value: str
    limits: str
    state: str


class WholeTake(_Shown):
    """Everything a survey found about a take. thumbnail: base64 JPEG of `frame`."""

    take: KeptTake
    verdict: Verdict
    sampling: str
    frame: int | None
    thumbnail: str
    maps: list[MapPicture]
    lines: list[MeasureLine]
    facts: list[tuple[str, str]]


def take_log(service: Service) -> Path:
    """Return the log's file: beside the open shot, in the watched folder, or in ours."""
    watched = service.watch.folder if service.watch is not None else None
    return log_path(str(service.folders.data), folder_of(service.opened.shot), watched)


def opened_log(service: Service, role: Role) -> TakeLog | None:
    """Return the log as a role may read it, or None when nothing is kept yet.

    The log may hold other shows' takes: reviewers see what lies beside the open shot or in the
    watched folder.
    """
    path = take_log(service)
    if not path.is_file():
        return None
    watched = service.watch.folder if service.watch is not None else None
    folders = (folder_of(service.opened.shot), watched)
    shown = None if role == "operator" else [folder for folder in folders if folder is not None]
    return TakeLog(path, wait_s=READ_WAIT_S, only_under=shown)


def day_of_takes(takes: TakeLog | None, spec: str, day: str = "") -> DayOfTakes:
    """Return the takes of a day, by default the newest day with any. spec: the open SHOT."""
    if takes is None:
        return DayOfTakes(measures=_measures())
    days = takes.days()
    chosen = day or (days[0] if days else "")
    entries = takes.entries(chosen, pictured=0) if chosen else []
    return DayOfTakes(
        day=chosen,
        here=takes.newest_of(spec),
        days=days,
        takes=[_kept(entry, spec) for entry in entries],
        measures=_measures(),
        left_out=left_out(takes.damaged(chosen)) if chosen else "",
    )


def whole_take(log: TakeLog, spec: str, take: int) -> WholeTake:
    """Return one take whole. Raises TakesError when there is none."""
    result = log.result(take)
    rows = measure_rows(result) if result.measures.screen else []
    return WholeTake(
        take=_kept(log.entry(take), spec),
        verdict=result.verdict,
        sampling=result.sampling,
        frame=result.shown_frame,
        thumbnail=result.thumbnail,
        maps=result.maps,
        lines=[
            MeasureLine(title=r.title, value=r.value, limits=r.limits, state=r.state) for r in rows
        ],
        facts=facts(result),
    )


def _kept(entry: TakeEntry, spec: str) -> KeptTake:
    rows = {row.measure: row for row in _rows()}
    return KeptTake(
        id=entry.id,
        name=entry.label,
        at=entry.surveyed_at,
        verdict=entry.verdict,
        score=entry.score,
        note=entry.note,
        open=entry.spec == whole_spec(spec),
        reason=entry.reasons[0] if entry.reasons else "",
        remedy=entry.remedies[0] if entry.remedies else "",
        values={name: scaled(value, rows[name]) for name, value in entry.values.items()},
    )


def _rows() -> list[Threshold]:
    table = {row.measure: row for row in TABLE}
    return [table[name] for name in TREND]


def _measures() -> list[TakeMeasure]:
    return [
        TakeMeasure(
            name=row.measure,
            title=row.title,
            unit=unit_of(row),
            rising=row.rising,
            work=float(scaled(row.work, row) or 0.0),
            relight=scaled(row.relight, row),
        )
        for row in _rows()
    ]
