"""The HTTP application: guard, lifespan, errors in one form."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable
from typing import Any, cast

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from starlette.exceptions import HTTPException as StarletteHTTPException

from kernels.errors import VerdigrisError
from server.http.connections import Connections
from server.http.files import PageFiles
from server.http.guard import Guard
from server.http.routes import add_routes
from server.http.take_routes import add_take_routes
from server.service.feeds import run_feeds
from server.service.service import Service
from server.service.watched import watch


def create_app(
    service: Service,
    *,
    hosts: Callable[[], frozenset[str]],
    port: Callable[[], int],
    metrics: bool = False,
    connections: Connections | None = None,
) -> FastAPI:
    """Make the application around a service.

    hosts: names it may be addressed by. port: where it listens (the cookie's name has it).
    connections: those of the listening socket.
    """

    held = Connections() if connections is None else connections

    @contextlib.asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        service.run()
        works = (run_feeds(service), watch(service), held.run())
        tasks = [asyncio.ensure_future(work) for work in works]
        try:
            yield
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
            await asyncio.to_thread(service.stop)

    app = FastAPI(
        title="Verdigris",
        version="1",
        lifespan=lifespan,
        docs_url=None,
        redoc_url=None,
        openapi_url=None,
        description="The HTTP part; pictures and changes go over /ws.",
    )
    app.add_middleware(cast(Any, Guard), hosts=hosts, timing=service.timing, connections=held)
    app.add_exception_handler(StarletteHTTPException, cast(Any, _http_error))
    app.add_exception_handler(RequestValidationError, cast(Any, _invalid))
    app.add_exception_handler(VerdigrisError, cast(Any, _told))
    app.state.service, app.state.port, app.state.connections = service, port, held
    app.state.files = PageFiles()
    add_take_routes(app)
    add_routes(app, metrics)
    return app


async def _http_error(_: Request, error: StarletteHTTPException) -> Response:
    return JSONResponse({"error": str(error.detail)}, error.status_code, error.headers)


async def _invalid(_: Request, error: RequestValidationError) -> Response:
    first = error.errors()[0]
    where = ".".join(str(part) for part in first["loc"])[:120]
    return JSONResponse({"error": f"{where}: {first['msg'][:200]}"}, 422)


async def _told(_: Request, error: VerdigrisError) -> Response:
    return JSONResponse({"error": str(error)}, 400)
