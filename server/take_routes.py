"""The HTTP routes of the take log: for everybody to read, its exports for operators."""

from __future__ import annotations

import base64
from typing import Annotated

from fastapi import FastAPI, HTTPException, Path, Query
from fastapi.responses import Response

from server.jobs.report import survey_report, takes_report
from server.jobs.takes import TakeEntry, TakeLog, csv_text
from server.routes import REFUSALS, AnOperator, AnyDevice, TheService
from server.service import Service
from server.take_list import DayOfTakes, WholeTake, day_of_takes, take_log, whole_take

Day = Annotated[str, Query(pattern=r"^(\d{4}-\d\d-\d\d)?$")]
Number = Annotated[int, Path(ge=1, le=2**53)]


def add_take_routes(app: FastAPI) -> None:
    """Add the routes. They are plain functions, so each runs on a thread of its own."""
    app.get("/api/takes", response_model=DayOfTakes, responses=REFUSALS)(takes)
    app.get("/api/takes.csv", responses=REFUSALS)(takes_csv)
    app.get("/api/takes.html", responses=REFUSALS)(takes_html)
    app.get("/api/takes/{take}", response_model=WholeTake, responses=REFUSALS)(one_take)
    app.get("/api/takes/{take}/thumbnail", responses=REFUSALS)(thumbnail)
    app.get("/api/takes/{take}/report.html", responses=REFUSALS)(take_report)


def takes(_: AnyDevice, service: TheService, day: Day = "") -> DayOfTakes:
    """Return a day's takes; by default those of the newest day with any."""
    return day_of_takes(take_log(service), str(service.opened.shot.spec), day)


def one_take(take: Number, _: AnyDevice, service: TheService) -> WholeTake:
    """Return everything a take's survey found."""
    return whole_take(_log_with(service, take), str(service.opened.shot.spec), take)


def thumbnail(take: Number, _: AnyDevice, service: TheService) -> Response:
    """Return a take's picture. The page adds the take's time to the address: it never changes."""
    entry = _log_with(service, take).entry(take)
    headers = {"cache-control": "private, max-age=86400"}
    return Response(base64.b64decode(entry.thumbnail), media_type="image/jpeg", headers=headers)


def take_report(take: Number, _: AnOperator, service: TheService) -> Response:
    """Return the report on one take as a file to download."""
    result = _log_with(service, take).result(take)
    return _file(survey_report([result]), "text/html", f"take_{take}.html")


def takes_csv(_: AnOperator, service: TheService, day: Day = "") -> Response:
    """Return a day's takes as CSV to download."""
    chosen, entries = _entries(service, day, pictures=False)
    return _file(csv_text(entries), "text/csv", f"takes_{chosen}.csv")


def takes_html(_: AnOperator, service: TheService, day: Day = "") -> Response:
    """Return the report on a day's takes as a file to download."""
    chosen, entries = _entries(service, day, pictures=True)
    return _file(takes_report(entries, f"Takes of {chosen}"), "text/html", f"takes_{chosen}.html")


def _entries(service: Service, day: str, *, pictures: bool) -> tuple[str, list[TakeEntry]]:
    path = take_log(service)
    log = TakeLog(path) if path.is_file() else None
    days = log.days() if log is not None else []
    chosen = day or (days[0] if days else "")
    if log is None or chosen not in days:
        raise HTTPException(404, "there are no takes of that day: survey a shot first")
    return chosen, log.entries(chosen, pictures=pictures)


def _log_with(service: Service, take: int) -> TakeLog:
    path = take_log(service)
    log = TakeLog(path) if path.is_file() else None
    if log is None or not log.has(take):
        raise HTTPException(404, "there is no such take in the log")
    return log


def _file(text: str, kind: str, name: str) -> Response:
    headers = {"content-disposition": f'attachment; filename="{name}"'}
    return Response(text, media_type=f"{kind}; charset=utf-8", headers=headers)
