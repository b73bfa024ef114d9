"""The HTTP routes and the stream's endpoint."""

from __future__ import annotations

import asyncio
import hmac
import os
from functools import lru_cache
from typing import Annotated, Any

from fastapi import Depends, FastAPI, HTTPException, Query, Request, WebSocket
from fastapi.responses import FileResponse, JSONResponse, Response
from pydantic import BaseModel, ConfigDict, Field

from kernels.plan import ViewName
from kernels.recipe import EXTRACTORS, DespillPass, Shape, ShapePose
from kernels.recipe_file import recipe_schema, recipe_text
from server.http.cookies import cookie_name, drop_cookie, read_cookie, set_cookie
from server.http.files import PageFiles
from server.http.socket import serve_socket
from server.pictures.keys import PictureKey, Quality, Sight, wire_size
from server.pictures.maker import encoded
from server.pictures.renderer import Urgency
from server.security import (
    DeviceRecord,
)
from server.service.service import Service
from server.wire.messages import Role
from server.wire.protocol import Closed
from server.wire.state import State


class JoinRequest(BaseModel):
    """A link's token, and what the device wants to be called."""

    model_config = ConfigDict(extra="forbid", strict=True)

    token: str = Field(min_length=1, max_length=200)
    name: str = Field("", max_length=80)


class JoinAnswer(BaseModel):
    """The role that the link gave."""

    role: Role


class Trouble(BaseModel):
    """Why a request was not carried out, in one sentence."""

    error: str


class Healthy(BaseModel):
    """The service runs."""

    ok: bool


def device_of(connection: Any) -> DeviceRecord | None:
    """Return the device whose cookie a request or handshake carries."""
    app = connection.app
    cookie = read_cookie(connection.headers, cookie_name(app.state.port()))
    service: Service = app.state.service
    return service.gate.device(cookie)


def any_device(request: Request) -> DeviceRecord:
    """Dependency: a redeemed link."""
    device = device_of(request)
    if device is None:
        raise HTTPException(401, "open a link of this service first")
    return device


def an_operator(request: Request) -> DeviceRecord:
    """Dependency: an operator's redeemed link."""
    device = any_device(request)
    if device.role != "operator":
        raise HTTPException(403, "only an operator may do this")
    return device


def the_service(request: Request) -> Service:
    """Dependency: the service."""
    service: Service = request.app.state.service
    return service


AnyDevice = Annotated[DeviceRecord, Depends(any_device)]
AnOperator = Annotated[DeviceRecord, Depends(an_operator)]
TheService = Annotated[Service, Depends(the_service)]
REFUSALS: dict[int | str, dict[str, Any]] = {
    code: {"model": Trouble} for code in (400, 401, 403, 404, 413, 422, 429)
}


def add_routes(app: FastAPI, metrics: bool) -> None:
    """Add all routes to the application; `/metrics` only when asked for."""
    app.get("/healthz", response_model=Healthy, responses=REFUSALS)(healthz)
    app.post("/api/join", response_model=JoinAnswer, responses=REFUSALS)(join)
    app.post("/api/leave", status_code=204, responses=REFUSALS)(leave)
    app.get("/api/schema", responses=REFUSALS)(schema)
    app.get("/api/state", response_model=State, responses=REFUSALS)(state)
    app.get("/api/recipe", responses=REFUSALS)(recipe)
    app.get("/api/recipes/{name}", responses=REFUSALS)(saved_recipe)
    app.get(
        "/api/picture",
        responses={
            **REFUSALS,
            200: {"content": {"image/jpeg": {}, "image/png": {}, "image/webp": {}}},
        },
        response_class=Response,
    )(picture)
    app.get("/api/jobs/{job}/{file}", responses=REFUSALS)(job_file)
    if metrics:
        app.get("/metrics", include_in_schema=False)(show_metrics)
    app.get("/openapi.json", include_in_schema=False)(openapi)
    app.get("/join", include_in_schema=False)(join_page)
    app.get("/", include_in_schema=False)(page)
    app.add_api_websocket_route("/ws", socket)
    app.get("/{name:path}", include_in_schema=False)(page_file)


async def healthz() -> dict[str, bool]:
    """Tell that the service runs."""
    return {"ok": True}


async def join(body: JoinRequest, request: Request, service: TheService) -> Response:
    """Redeem a link: the answer carries the cookie."""
    peer = request.client.host if request.client else "?"
    if not service.joins.allows(peer):
        raise HTTPException(429, "too many tries: wait a moment")
    redeemed = service.gate.redeem(body.token, body.name)
    if redeemed is None:
        raise HTTPException(
            403, "this link was used already, has expired or was revoked: ask for a new one"
        )
    device, token = redeemed
    name = cookie_name(request.app.state.port())
    answer = JSONResponse({"role": device.role})
    set_cookie(answer, name, token, secure=request.url.scheme == "https")
    service.tell_people()
    return answer


async def leave(device: AnyDevice, request: Request, service: TheService) -> Response:
    """Give the cookie back."""
    service.gate.revoke_device(device.device)
    for client in service.clients.values():
        if client.device.device == device.device:
            client.close(Closed.SIGNED_OUT, "left")
    service.tell_people()
    name = cookie_name(request.app.state.port())
    answer = Response(status_code=204)
    drop_cookie(answer, name)
    return answer


@lru_cache(maxsize=1)
def _schema() -> dict[str, Any]:
    shape = Shape(poses=[ShapePose(frame=0, points=[(0.0, 0.0), (1.0, 1.0)])])
    return {
        "recipe": recipe_schema(),
        "extractors": {kind: model().model_dump(mode="json") for kind, model in EXTRACTORS.items()},
        "despill": DespillPass().model_dump(mode="json"),
        "shape": shape.model_dump(mode="json"),
    }


async def schema(_: AnyDevice) -> dict[str, Any]:
    """Return the recipe's schema and the defaults of list items (give them ids of your own)."""
    return _schema()


async def state(device: AnyDevice, service: TheService) -> State:
    """Return everything a page needs to begin."""
    return service.state(device.role)


async def recipe(_: AnyDevice, service: TheService) -> Response:
    """Return the present recipe as a file."""
    return _download(recipe_text(service.session.recipe), "recipe.json")


async def saved_recipe(name: str, _: AnOperator, service: TheService) -> Response:
    """Return a saved recipe as a file."""
    path = service.recipes.named(name)
    if not path.is_file():
        raise HTTPException(404, "there is no recipe of that name")
    return FileResponse(path, media_type="application/json", filename=path.name)


def _download(text: str, name: str) -> Response:
    headers = {"content-disposition": f'attachment; filename="{name}"'}
    return Response(text, media_type="application/json", headers=headers)


async def picture(
    device: AnyDevice,
    service: TheService,
    view: Annotated[ViewName, Query()] = "composite",
    frame: Annotated[int | None, Query(ge=-(2**31), le=2**31 - 1)] = None,
    width: Annotated[int, Query(ge=1, le=16384)] = 960,
    extractor: Annotated[str, Query(pattern=r"^[A-Za-z0-9_-]{0,32}$")] = "",
    lossless: Annotated[bool, Query()] = False,
) -> Response:
    """Return one picture, for programs and for browsers without the stream."""
    if not service.picture_rate.allows(device.device):
        raise HTTPException(429, "too many pictures asked for: wait a moment")
    now = service.now()
    wanted = service.scheduler.clock.frame_at(now) if frame is None else frame
    number = service.pictures.existing(wanted)
    await service.pictures.until_ready(number, operator=False)
    size = service.scheduler.size
    wide, high = wire_size(None, width, size)
    quality = Quality.LOSSLESS if lossless else Quality.REST
    key = PictureKey(
        service.scheduler.remakes,
        service.session.revision,
        number,
        Sight(view, extractor),
        wide,
        high,
        quality,
    )
    opened, current = service.opened, service.session.recipe
    maker = service.pictures.maker
    urgency = Urgency.SAMPLE if device.role == "operator" else Urgency.LOOK
    future = service.thread.submit(urgency, lambda: maker.make(opened, key, current))
    got = await asyncio.wrap_future(future)
    made = await asyncio.to_thread(encoded, got, quality)
    if not service.gate.is_valid(device):
        raise HTTPException(401, "this link was revoked")
    return Response(made.data, media_type=f"image/{made.encoding}")


async def job_file(job: str, file: str, _: AnOperator, service: TheService) -> Response:
    """Return a file that a job made."""
    path = service.jobs.file(job, file)
    if path is None or not path.is_file():
        raise HTTPException(404, "there is no such file")
    headers = {"content-disposition": f'attachment; filename="{path.name}"'}
    return FileResponse(path, headers=headers)


async def show_metrics(request: Request, service: TheService) -> Response:
    """Return the figures for Prometheus: with an operator's cookie, or the bearer token."""
    token = os.environ.get("VERDIGRIS_METRICS_TOKEN", "")
    given = request.headers.get("authorization", "")
    bearer = bool(token) and hmac.compare_digest(given.encode(), f"Bearer {token}".encode())
    if not bearer:
        an_operator(request)
    return Response(service.timing.text(), media_type="text/plain; version=0.0.4; charset=utf-8")


async def openapi(_: AnyDevice, request: Request) -> Response:
    """Return the description of this HTTP interface."""
    return JSONResponse(request.app.openapi())


async def join_page(request: Request) -> Response:
    """Return the page on which a link is redeemed."""
    return _file(request, "join/join.html")


async def page(request: Request) -> Response:
    """Return the page; without a cookie the sign-in page."""
    if device_of(request) is None:
        return _file(request, "join/join.html", 401)
    return _file(request, "index.html")


async def page_file(name: str, request: Request) -> Response:
    """Return one of the page's files."""
    return _file(request, name)


def _file(request: Request, name: str, status: int = 200) -> Response:
    files: PageFiles = request.app.state.files
    answer = files.answer(request, name, status)
    if answer is None:
        raise HTTPException(404, "there is nothing at this address")
    return answer


async def socket(ws: WebSocket) -> None:
    """The stream."""
    await serve_socket(ws, ws.app.state.service, device_of(ws))
