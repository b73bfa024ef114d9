"""The HTTP routes of the take log: for everybody to read, its exports for operators."""

from __future__ import annotations

import base64
import logging
from typing import Annotated, Any, cast

from fastapi import FastAPI, HTTPException, Path, Query, Request
from fastapi.responses import JSONResponse, Response

from server.http.routes import REFUSALS, AnOperator, AnyDevice, TheService, Trouble, device_of
from server.security import DeviceRecord
from server.service.service import Service
from server.service.take_list import DayOfTakes, WholeTake, day_of_takes, opened_log, whole_take
from server.takes.log import TakeLog, TakesError, left_out
from server.takes.report import survey_report, takes_report
from server.takes.table import csv_text

log = logging.getLogger("verdigris.takes")
ANSWERS: dict[int | str, dict[str, Any]] = {**REFUSALS, 503: {"model": Trouble}}
Day = Annotated[str, Query(pattern=r"^(\d{4}-\d\d-\d\d)?$")]
Number = Annotated[int, Path(ge=1, le=2**53)]


def add_take_routes(app: FastAPI) -> None:
    """Add the routes. They are plain functions, so each runs on a thread of its own."""
    app.add_exception_handler(TakesError, cast(Any, _not_usable))
    app.get("/api/takes", response_model=DayOfTakes, responses=ANSWERS)(takes)
    app.get("/api/takes.csv", responses=ANSWERS)(takes_csv)
    app.get("/api/takes.html", responses=ANSWERS)(takes_html)
    app.get("/api/takes/{take}", response_model=WholeTake, responses=ANSWERS)(one_take)
    app.get("/api/takes/{take}/thumbnail", responses=ANSWERS)(thumbnail)
    app.get("/api/takes/{take}/report.html", responses=ANSWERS)(take_report)


async def _not_usable(request: Request, error: TakesError) -> Response:
    """Tell operators what is wrong with the log; others learn no paths."""
    log.warning("%s", error)
    device = device_of(request)
    operator = device is not None and device.role == "operator"
    text = str(error) if operator else "the take log cannot be read now: ask the operator"
    return JSONResponse({"error": text}, 503)


def takes(device: AnyDevice, service: TheService, day: Day = "") -> DayOfTakes:
    """Return a day's takes; by default those of the newest day with any."""
    return day_of_takes(opened_log(service, device.role), str(service.opened.shot.spec), day)


def one_take(take: Number, device: AnyDevice, service: TheService) -> WholeTake:
    """Return everything a take's survey found."""
    return whole_take(_log_with(service, device, take), str(service.opened.shot.spec), take)


def thumbnail(take: Number, device: AnyDevice, service: TheService) -> Response:
    """Return a take's picture. The page adds the take's time to the address: it never changes."""
    entry = _log_with(service, device, take).entry(take)
    headers = {"cache-control": "private, max-age=86400"}
    return Response(base64.b64decode(entry.thumbnail), media_type="image/jpeg", headers=headers)


def take_report(take: Number, device: AnOperator, service: TheService) -> Response:
    """Return the report on one take as a file to download."""
    result = _log_with(service, device, take).result(take)
    return _file(survey_report([result]), "text/html", f"take_{take}.html")


def takes_csv(_: AnOperator, service: TheService, day: Day = "") -> Response:
    """Return a day's takes as CSV to download."""
    kept, chosen = _log_of(service, day)
    return _file(csv_text(kept.entries(chosen, pictured=0)), "text/csv", f"takes_{chosen}.csv")


def takes_html(_: AnOperator, service: TheService, day: Day = "") -> Response:
    """Return the report on a day's takes as a file to download."""
    kept, chosen = _log_of(service, day)
    missing = left_out(kept.damaged(chosen))
    page = takes_report(kept.entries(chosen), f"Takes of {chosen}", missing=missing)
    return _file(page, "text/html", f"takes_{chosen}.html")


def _log_of(service: Service, day: str) -> tuple[TakeLog, str]:
    """Return the log and the day of it that is meant, which has takes."""
    kept = opened_log(service, "operator")
    days = kept.days() if kept is not None else []
    chosen = day or (days[0] if days else "")
    if kept is None or chosen not in days:
        raise HTTPException(404, "there are no takes of that day: survey a shot first")
    return kept, chosen


def _log_with(service: Service, device: DeviceRecord, take: int) -> TakeLog:
    kept = opened_log(service, device.role)
    if kept is None or not kept.has(take):
        raise HTTPException(404, "there is no such take in the log")
    return kept


def _file(text: str, kind: str, name: str) -> Response:
    headers = {"content-disposition": f'attachment; filename="{name}"'}
    return Response(text, media_type=f"{kind}; charset=utf-8", headers=headers)
