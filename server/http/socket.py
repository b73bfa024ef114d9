"""One page's connection: hello first, then a reader and a writer until either ends."""

from __future__ import annotations

import asyncio
import contextlib
import logging

from starlette.websockets import WebSocket, WebSocketDisconnect, WebSocketState

from server.security import DeviceRecord, RateLimit, clean_name
from server.service.clients import Client
from server.service.handlers import receive
from server.service.service import Service
from server.wire.messages import Hello
from server.wire.protocol import PROTOCOL, Closed, ProtocolError, parse_message
from server.wire.replies import Problem, StateAgain, Welcome, You

log = logging.getLogger("verdigris.socket")
HELLO_TIMEOUT_S = 10.0
MAX_CLIENTS, MAX_OPERATORS, MAX_OF_DEVICE, MAX_OWNERS = 64, 16, 24, 2000
MESSAGES_PER_S, MESSAGES_BURST = 400.0, 1200.0
BAD_PER_S, BAD_BURST = 5.0, 60.0
GOODBYE_S = 0.5
"""how long a page may take to read last words; then its connection is cut"""


class _EndedError(Exception):
    """The connection is to be closed with this code and reason."""

    def __init__(self, code: int, reason: str) -> None:
        super().__init__(reason)
        self.code, self.reason = code, reason


async def serve_socket(ws: WebSocket, service: Service, device: DeviceRecord | None) -> None:
    """Serve one connection whose host and origin have been checked."""
    await ws.accept()
    client: Client | None = None
    try:
        if device is None:
            raise _EndedError(Closed.SIGNED_OUT, "open a link first")
        client = await _admit(ws, service, device)
        await _both(ws, service, client)
    except _EndedError as end:
        await _close(ws, end.code, end.reason)
    except (WebSocketDisconnect, OSError):
        pass
    finally:
        if client is not None:
            _leave(service, client)


async def _admit(ws: WebSocket, service: Service, device: DeviceRecord) -> Client:
    """Read `hello` and answer `welcome`."""
    try:
        async with asyncio.timeout(HELLO_TIMEOUT_S):
            message = parse_message(await _text(ws))
    except (ProtocolError, TimeoutError) as error:
        reason = str(error) or "no hello came"
        raise await _refused(
            ws, "protocol", f"say hello first: {reason}", Closed.PROTOCOL
        ) from None
    if not isinstance(message, Hello):
        raise await _refused(ws, "protocol", "say hello first", Closed.PROTOCOL)
    if message.protocol != PROTOCOL:
        raise await _refused(
            ws,
            "protocol",
            f"this page speaks version {message.protocol} of the protocol, the "
            f"service {PROTOCOL}: reload the page",
            Closed.PROTOCOL,
        )
    if service.owners.setdefault(message.client, device.device) != device.device:
        raise await _refused(
            ws, "role", "this client id belongs to another device", Closed.ELSEWHERE
        )
    if not service.visits.allows(device.device):
        raise await _refused(ws, "rate", "too many visits: wait a moment", Closed.TOO_MUCH)
    if not service.gate.is_valid(device):
        raise _EndedError(Closed.SIGNED_OUT, "open a link first")
    if message.client not in service.clients:
        await _check_room(ws, service, device)
    old = service.clients.get(message.client)
    if old is not None:
        old.close(Closed.ELSEWHERE, "opened again elsewhere")
        _leave(service, old)
    client = Client(message.client, device, clean_name(message.name or device.name))
    service.clients[client.client] = client
    service.scheduler.add(client.client, client.role)
    service.timing.clients.labels(client.role).inc()
    you = You(client=client.client, device=device.device, name=client.name, role=client.role)
    try:
        client.send(Welcome(protocol=PROTOCOL, you=you, state=service.state(client.role)))
        service.tell_people()
    except BaseException:
        _leave(service, client)
        raise
    log.info("%s '%s' came in", client.role, client.name)
    return client


async def _check_room(ws: WebSocket, service: Service, device: DeviceRecord) -> None:
    """Refuse a page when too many are connected; some room is kept for operators."""
    own = sum(c.device.device == device.device for c in service.clients.values())
    room = MAX_CLIENTS + (MAX_OPERATORS if device.role == "operator" else 0)
    if own >= MAX_OF_DEVICE or len(service.clients) >= room:
        raise await _refused(ws, "rate", "too many pages are connected already", Closed.TOO_MUCH)
    for old in [c for c in service.owners if c not in service.clients][:-MAX_OWNERS]:
        del service.owners[old]


async def _refused(ws: WebSocket, code: str, message: str, close: int) -> _EndedError:
    problem = Problem.model_validate({"code": code, "message": message, "fatal": True})
    with contextlib.suppress(RuntimeError, WebSocketDisconnect, OSError):
        await ws.send_text(problem.model_dump_json())
    return _EndedError(close, message[:120])


def _leave(service: Service, client: Client) -> None:
    """Forget a client; does nothing when it has been replaced already."""
    client.end()
    if service.clients.get(client.client) is not client:
        return
    del service.clients[client.client]
    service.scheduler.remove(client.client)
    service.timing.clients.labels(client.role).dec()
    service.tell_people()
    service.pump_soon()
    log.info("%s '%s' left", client.role, client.name)


async def _both(ws: WebSocket, service: Service, client: Client) -> None:
    """Read and write until one of them ends; the other is ended too."""
    tasks = [
        asyncio.ensure_future(_read(ws, service, client)),
        asyncio.ensure_future(_write(ws, service, client)),
        asyncio.ensure_future(_put_out(client)),
    ]
    try:
        done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        for task in done:
            task.result()
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        if client.put_out.is_set():
            await _last_words(ws, client)


async def _put_out(client: Client) -> None:
    """End with the moment in which a client is put out."""
    await client.put_out.wait()
    raise _EndedError(*(client.closing or (Closed.SIGNED_OUT, "revoked")))


async def _last_words(ws: WebSocket, client: Client) -> None:
    """Send what is queued as text; a page that does not read its socket is cut instead."""
    with contextlib.suppress(TimeoutError, WebSocketDisconnect, OSError):
        async with asyncio.timeout(GOODBYE_S):
            while (text := client.texts.pop()) is not None:
                await _send(ws, text)


def _check_device(service: Service, client: Client) -> None:
    """Raise where the device may not stay: asked for each message and each picture."""
    if not client.put_out.is_set() and not service.gate.is_valid(client.device):
        client.end_now(Closed.SIGNED_OUT, "expired", "this device's time is over: open a new link")
    if client.put_out.is_set():
        raise _EndedError(*(client.closing or (Closed.SIGNED_OUT, "revoked")))


async def _text(ws: WebSocket) -> str:
    event = await ws.receive()
    if event["type"] == "websocket.disconnect":
        raise WebSocketDisconnect(event.get("code") or 1005)
    text = event.get("text")
    if text is None:
        raise ProtocolError("binary messages are not read")
    return str(text)


async def _read(ws: WebSocket, service: Service, client: Client) -> None:
    rate = RateLimit(MESSAGES_PER_S, MESSAGES_BURST)
    bad = RateLimit(BAD_PER_S, BAD_BURST)
    while True:
        try:
            text = await _text(ws)
            client.heard_at = service.now()
            _check_device(service, client)
            if not rate.allows(""):
                raise await _refused(ws, "rate", "too many messages", Closed.TOO_MUCH)
            message = parse_message(text)
            if isinstance(message, Hello):
                raise ProtocolError("hello was said already")
        except ProtocolError as error:
            client.send(Problem(code="protocol", message=str(error)))
            if not bad.allows(""):
                raise await _refused(
                    ws, "rate", "too many wrong messages", Closed.TOO_MUCH
                ) from None
            continue
        try:
            receive(service, client, message)
        except Exception:
            log.exception("message '%s' failed", message.type)
            service.timing.failures.labels("message").inc()
            client.send(
                Problem(
                    code="server",
                    about=str(getattr(message, "id", None) or message.type),
                    message="this could not be done; the service's log tells more",
                )
            )


async def _write(ws: WebSocket, service: Service, client: Client) -> None:
    while True:
        await client.wake.wait()
        client.wake.clear()
        while client.texts or client.pictures or client.texts.overflowed:
            _check_device(service, client)
            if client.texts.overflowed:
                client.texts.clear()
                client.send(StateAgain(state=service.state(client.role)))
            text = client.texts.pop()
            if text is not None:
                await _send(ws, text)
            if client.pictures:
                ready = client.pictures.popleft()
                await _send(ws, b"".join(ready.parts))
                service.scheduler.flushed(client.client, ready.sequence, service.now())
        if client.closing is not None:
            raise _EndedError(*client.closing)


async def _send(ws: WebSocket, message: str | bytes) -> None:
    try:
        if isinstance(message, str):
            await ws.send_text(message)
        else:
            await ws.send_bytes(message)
    except RuntimeError as error:  # the connection was closed while this was on its way
        raise WebSocketDisconnect(1006) from error


async def _close(ws: WebSocket, code: int, reason: str) -> None:
    """Close a connection; one whose other side does not read is cut."""
    if ws.application_state is not WebSocketState.CONNECTED:
        return
    try:
        async with asyncio.timeout(GOODBYE_S):
            await ws.close(code, reason)
    except TimeoutError:
        ws.app.state.connections.abort(ws.scope.get("client"))
    except (RuntimeError, WebSocketDisconnect, OSError):
        pass
