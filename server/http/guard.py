"""Around every request: host and origin, size, time, rate, headers, no tracebacks outside."""

from __future__ import annotations

import asyncio
import json
import logging
import time
from collections.abc import Callable
from typing import Any

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from server.http.connections import Connections
from server.security import (
    RateLimit,
    host_allowed,
    origin_allowed,
    security_headers,
)
from server.timing import Timing
from server.wire.protocol import Closed

log = logging.getLogger("verdigris.http")
MAX_BODY = 64 * 1024
BODY_S = 10.0
"""how long a request's body may take"""
SEND_S = 30.0
"""how long the other side may take to read one piece of an answer"""
REQUESTS_PER_S, REQUESTS_BURST = 60.0, 400.0
SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})


class _NotReadError(OSError):
    """The other side does not read its answer."""


class _Body:
    """A request's body: its bytes are counted, and it has BODY_S seconds.

    A request may state no length or a wrong one, and not every version of the framework counts.
    The framework may make an answer of its own of what is raised here: `fault` says what is true.
    """

    def __init__(self, receive: Receive) -> None:
        self._receive = receive
        self._count, self._whole = 0, False
        self._late = asyncio.get_running_loop().time() + BODY_S
        self.fault: tuple[int, str] | None = None

    async def receive(self) -> Message:
        """Return the next piece; raises OSError when it is one too many or comes too late."""
        if self._whole:  # what is waited for now is the end of the connection
            return await self._receive()
        try:
            async with asyncio.timeout_at(self._late):
                message = await self._receive()
        except TimeoutError:
            self.fault = 408, "the request took too long"
            raise OSError(self.fault[1]) from None
        self._count += len(message.get("body", b""))
        self._whole = not message.get("more_body", False)
        if self._count > MAX_BODY:
            self.fault = 413, "the request is too large"
            raise OSError(self.fault[1])
        return message


class Guard:
    """ASGI middleware; the outermost one."""

    def __init__(
        self,
        app: ASGIApp,
        *,
        hosts: Callable[[], frozenset[str]],
        timing: Timing,
        rate: RateLimit | None = None,
        connections: Connections | None = None,
    ) -> None:
        self.app, self.hosts, self.timing = app, hosts, timing
        self.rate = rate or RateLimit(REQUESTS_PER_S, REQUESTS_BURST)
        self.connections = Connections() if connections is None else connections

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Check a request or a handshake and pass it on, or answer it here."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        self.connections.begins(scope.get("client"))
        try:
            await self._checked(scope, receive, send)
        finally:
            self.connections.ends(scope.get("client"))

    async def _checked(self, scope: Scope, receive: Receive, send: Send) -> None:
        headers = Headers(scope=scope)
        refusal = self._refusal(scope, headers)
        if scope["type"] == "websocket":
            if refusal is None:
                await self.app(scope, receive, send)
            else:
                await self._turn_away(refusal, receive, send)
            return
        await self._http(scope, headers, refusal, receive, send)

    def _refusal(self, scope: Scope, headers: Headers) -> tuple[int, str, str] | None:
        """Return status, reason for the figures, and sentence if a request may not pass."""
        host = headers.get("host", "")
        if len(headers.getlist("host")) != 1 or not host_allowed(host, self.hosts()):
            return 400, "host", "this service is not known under that host name"
        websocket = scope["type"] == "websocket"
        changes = websocket or scope["method"] not in SAFE_METHODS
        origins = headers.getlist("origin")
        origin = origins[0] if len(origins) == 1 else None
        if changes and not origin_allowed(origin, scope["scheme"], host):
            return 403, "origin", "this must come from the service's own page"
        peer = (scope.get("client") or ("?", 0))[0]
        if not self.rate.allows(peer):
            return 429, "rate", "too many requests: wait a moment"
        return None

    async def _turn_away(self, refusal: tuple[int, str, str], receive: Receive, send: Send) -> None:
        """Refuse a handshake before it is accepted."""
        self.timing.refused.labels(refusal[1]).inc()
        log.warning("a handshake was refused: %s", refusal[1])
        await receive()
        await send({"type": "websocket.close", "code": Closed.FOREIGN, "reason": refusal[2]})

    async def _http(
        self,
        scope: Scope,
        headers: Headers,
        refusal: tuple[int, str, str] | None,
        receive: Receive,
        send: Send,
    ) -> None:
        start = time.perf_counter()
        secure = security_headers(headers.get("host", ""), scope["scheme"] == "https")
        status = 0
        body = _Body(receive)

        async def guarded_send(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                answer = MutableHeaders(scope=message)
                for name, value in secure.items():
                    answer[name] = value
                answer.setdefault("cache-control", "no-store")
            try:
                async with asyncio.timeout(SEND_S):
                    await send(message)
            except TimeoutError:
                self.connections.abort(scope.get("client"))
                raise _NotReadError from None

        async def checked_send(message: Message) -> None:
            if body.fault is None:
                await guarded_send(message)
            elif not status:
                await _answer(guarded_send, *body.fault)

        try:
            if refusal is not None:
                self.timing.refused.labels(refusal[1]).inc()
                await _answer(guarded_send, refusal[0], refusal[2])
            elif _length(headers) > MAX_BODY:
                await _answer(guarded_send, 413, "the request is too large")
            else:
                await self.app(scope, body.receive, checked_send)
        except _NotReadError:
            log.warning("an answer was not read in time")
        except Exception:
            log.exception("a request failed")
            self.timing.failures.labels("request").inc()
            if not status:
                await _answer(
                    guarded_send, 500, "this could not be done; the service's log tells more"
                )
        finally:
            log.info(
                "%s %s %d %.1f ms",
                scope["method"],
                scope["path"][:200].encode("ascii", "backslashreplace").decode(),
                status,
                1000 * (time.perf_counter() - start),
            )


def _length(headers: Headers) -> int:
    text = headers.get("content-length", "0")
    return int(text) if text.isascii() and text.isdigit() else MAX_BODY + 1


async def _answer(send: Any, status: int, message: str) -> None:
    body = json.dumps({"error": message}).encode()
    await send(
        {
            "type": "http.response.start",
            "status": status,
            "headers": [
                (b"content-type", b"application/json"),
                (b"content-length", str(len(body)).encode()),
            ],
        }
    )
    await send({"type": "http.response.body", "body": body})
