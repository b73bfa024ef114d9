"""From outside: a page that was put out stays out, and half-open connections keep nobody out."""

from __future__ import annotations

import asyncio
import contextlib
import json
import socket
import time
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from websockets.exceptions import ConnectionClosed

from server.http.connections import Connections
from tests.server.conftest import Live, close_code, live_service


@pytest.fixture
def fresh(tmp_path: Path) -> Iterator[Live]:
    """A service of the test's own."""
    with live_service(tmp_path) as made:
        yield made


def test_a_revoked_operator_that_reads_nothing_is_out_at_once(fresh: Live) -> None:
    """Our own rule, no outside source: revoking acts on every message from that moment.

    The page stops reading its socket, so no last word ever reaches it; its writes, its jobs and the
    links it made must count for nothing all the same.
    """
    with fresh.page() as boss, fresh.page(show={"width": 960}) as thief:
        thief.send(type="link", id="l1", role="operator")
        url = thief.until("link")["url"]
        before = fresh.service.session.revision
        thief.acknowledge = False
        boss.send(type="revoke", device=thief.welcome["you"]["device"])
        while len(boss.until("people")["people"]) > 1:
            pass
        frame = json.dumps(
            {
                "type": "write", "client_seq": 1, "seen": 10**9,
                "ops": [{"op": "set", "path": "name", "value": "stolen"}],
            }
        )  # fmt: skip
        with contextlib.suppress(ConnectionClosed, OSError):
            for _ in range(20):
                thief.socket.send(frame)
        boss.send(type="ping", t=1)
        boss.until("pong")
        assert fresh.service.session.revision == before
        assert fresh.service.session.recipe.name != "stolen"
        assert fresh.service.gate.redeem(url.split("#")[1], "again") is None
        assert close_code(thief) in (4401, 1006)


def test_a_device_whose_time_is_over_is_not_obeyed(fresh: Live) -> None:
    """Our own rule, no outside source: expiry is asked for each message, not once a second."""
    with fresh.page() as op:
        op.send(type="ping", t=1)
        op.until("pong")
        gate = fresh.service.gate
        gate.clock = lambda: time.time() + 10**6
        op.set("name", "too late")
        assert close_code(op) == 4401
        assert fresh.service.session.recipe.name != "too late"


def _half_open(address: str, text: bytes) -> socket.socket:
    parts = urlsplit(address)
    sock = socket.create_connection((parts.hostname, parts.port), 5)
    sock.sendall(text)
    return sock


def test_half_open_connections_keep_nobody_out(
    fresh: Live, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Our own rule, no outside source: what an address cannot finish it may not hold.

    200 connections that never finish their request; a visitor still comes in, an edit is still
    saved, and the sweep ends those that stay silent.
    """
    held = [_half_open(fresh.address, b"GET / HTTP/1.1\r\nHost:") for _ in range(200)]
    connections: Connections = fresh.connections
    with fresh.page() as op:
        assert connections.refused >= 200 - connections.most_from_address
        assert len(connections) <= connections.most_from_address
        op.set("name", "kept")
        op.until("accepted")
    assert fresh.service.recipes.flush()
    assert "kept" in fresh.service.recipes.path.read_text()
    monkeypatch.setattr(connections, "silent_s", 0.0)

    async def sweep() -> int:
        return connections.sweep()

    assert asyncio.run_coroutine_threadsafe(sweep(), fresh.service.pictures.loop).result(10) > 0
    for sock in held:
        with contextlib.suppress(ConnectionResetError):
            assert sock.recv(1) == b"", "it was ended"
        sock.close()


def test_a_body_without_a_length_is_counted(fresh: Live) -> None:
    """Source: RFC 9112, section 7.1: a chunked body states no length beforehand."""
    host = urlsplit(fresh.address).netloc
    head = (
        f"POST /api/join HTTP/1.1\r\nHost: {host}\r\nOrigin: {fresh.address}\r\n"
        "Content-Type: application/json\r\nTransfer-Encoding: chunked\r\n\r\n"
    )
    sock = _half_open(fresh.address, head.encode())
    chunk = b"4000\r\n" + b" " * 0x4000 + b"\r\n"
    answer = b""
    try:
        for _ in range(8):
            sock.sendall(chunk)
        answer = sock.recv(4096)
    finally:
        sock.close()
    assert answer.startswith(b"HTTP/1.1 413")


def test_a_body_that_never_ends_is_given_up(fresh: Live, monkeypatch: pytest.MonkeyPatch) -> None:
    """Source: RFC 9110, section 15.5.9: 408 when a request does not come in time."""
    from server.http import guard

    monkeypatch.setattr(guard, "BODY_S", 0.05)
    host = urlsplit(fresh.address).netloc
    head = (
        f"POST /api/join HTTP/1.1\r\nHost: {host}\r\nOrigin: {fresh.address}\r\n"
        "Content-Type: application/json\r\nContent-Length: 100\r\n\r\n{"
    )
    sock = _half_open(fresh.address, head.encode())
    try:
        assert sock.recv(4096).startswith(b"HTTP/1.1 408")
    finally:
        sock.close()
