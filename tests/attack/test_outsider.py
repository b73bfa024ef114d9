"""From outside: what the stream and the routes bear from a page that means no good."""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
import struct
import threading
import time
from base64 import b64encode
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from websockets.exceptions import ConnectionClosed

from server.bench.service_thread import serving
from server.http import guard
from server.http.connections import Connections
from server.http.guard import Guard
from server.pictures.renderer import Urgency
from server.security import RateLimit
from server.service.clients import Client
from server.service.maker import ServeOptions
from server.timing import Timing
from server.wire.messages import RecipesAsk
from server.wire.protocol import PROTOCOL
from tests.server.conftest import Live, live_service, settings_for, write_shot
from tests.server.service.test_watch import listed

# ---------------------------------------------------------------- every message gets an answer


@pytest.fixture
def fresh(tmp_path: Path) -> Iterator[Live]:
    """A service of the test's own."""
    with live_service(tmp_path) as made:
        yield made


@contextlib.contextmanager
def held_engine(live: Live) -> Iterator[None]:
    """While this lasts the engine does nothing."""
    go = threading.Event()
    live.service.thread.submit(Urgency.PICTURE, go.wait)
    try:
        yield
    finally:
        go.set()


def test_an_overtaken_message_is_answered(fresh: Live) -> None:
    """Our own rule, no outside source: every message gets an answer, a replaced one too."""
    with fresh.page(show={"width": 96}) as op:
        op.picture()
        with held_engine(fresh):
            for name in ("a", "b"):
                op.send(type="sample", id=name, box=[0, 0, 4, 4])
            told = op.until("error", about="a")
            assert told["code"] == "superseded"
        assert op.until("sampled")["id"] == "b"


def test_saving_a_recipe_is_not_given_up_for_a_list(fresh: Live) -> None:
    """Our own rule, no outside source: what changes something is carried out, whatever follows."""
    with fresh.page() as op:
        op.send(type="recipe_save_as", id="s", name="kept")
        op.send(type="recipes", id="l")
        answers = {op.until("recipes")["id"], op.until("recipes")["id"]}
        assert answers == {"s", "l"}
        assert fresh.service.recipes.named("kept").is_file()


# ---------------------------------------------------------------- who is out, is out


def test_a_page_that_was_put_out_hears_nothing_more(fresh: Live) -> None:
    """Our own rule, no outside source: the last word is that it is out."""
    with fresh.page() as boss, fresh.page() as thief:
        boss.send(type="revoke", device=thief.welcome["you"]["device"])
        boss.set("name", "secret")
        boss.until("accepted")
        with contextlib.suppress(ConnectionClosed):
            while True:
                thief.receive(10)
        kinds = [text["type"] for text in thief.texts]
        assert kinds[kinds.index("error") + 1 :] == []


def test_what_a_page_has_begun_ends_with_it(fresh: Live) -> None:
    """Our own rule, no outside source: work that has begun counts for nothing after that."""

    async def begin_and_put_out() -> bool:
        record, _ = fresh.service.gate.redeem(fresh.service.gate.make_link("operator"), "x") or (
            None,
            "",
        )
        assert record is not None
        client = Client("c", record, "x")
        never = asyncio.Event()

        async def work() -> None:
            await never.wait()

        client.carry_out(RecipesAsk(type="recipes", id="a"), work)
        (task,) = client.tasks.values()
        client.end_now(4401, "revoked", "out")
        await asyncio.wait([task], timeout=5)
        return task.cancelled() and len(client.texts) == 1

    assert asyncio.run(begin_and_put_out())


def test_a_picture_under_way_is_not_shown_to_a_revoked_device(fresh: Live) -> None:
    """Our own rule, no outside source: revocation is asked for every picture."""
    cookie = fresh.cookie("reviewer")
    with ThreadPoolExecutor(1) as pool, fresh.page(show={"width": 96}) as op:
        op.picture()
        with held_engine(fresh):
            waiting = pool.submit(fresh.get, "/api/picture", cookie)
            while (
                fresh.service.picture_rate._levels.get(fresh.service.gate.devices()[0].device)
                is None
            ):
                op.send(type="ping", t=1)
                op.until("pong")
            op.send(type="revoke", role="reviewer")
            op.send(type="ping", t=2)
            op.until("pong", t=2)
        assert waiting.result(20).status_code == 401


# ---------------------------------------------------------------- floods below and beside messages


def _opened(live: Live) -> socket.socket:
    """Open the stream by hand, so that any frame can be sent."""
    parts = urlsplit(live.address)
    sock = socket.create_connection((parts.hostname, parts.port), 10)
    key = b64encode(os.urandom(16)).decode()
    sock.sendall(
        f"GET /ws HTTP/1.1\r\nHost: {parts.netloc}\r\nOrigin: {live.address}\r\n"
        f"Cookie: {live.cookie('reviewer')}\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
        f"Sec-WebSocket-Key: {key}\r\nSec-WebSocket-Version: 13\r\n\r\n".encode()
    )
    assert b" 101 " in sock.recv(4096)
    return sock


def _frame(first: int, payload: bytes) -> bytes:
    """Return a masked frame; its mask is zero."""
    return struct.pack("!BB4x", first, 0x80 | len(payload)) + payload


HELLO = f'{{"type":"hello","protocol":{PROTOCOL},"client":"flood"}}'.encode()


@pytest.mark.parametrize(
    ("begin", "piece"),
    [
        (b"", _frame(0x89, b"x" * 100)),
        (b"", _frame(0x8A, b"x" * 100)),
        (_frame(0x01, b"{"), _frame(0x00, b"")),
        (b"", _frame(0x81, b"{}")),
    ],
    ids=["pings", "pongs", "empty pieces", "messages in one piece"],
)
def test_a_flood_that_reads_nothing_is_cut(fresh: Live, begin: bytes, piece: bytes) -> None:
    """Source: RFC 6455, sections 5.4 and 5.5: pieces may be empty, and every ping wants a pong.

    Neither is a message, so no limit of messages counts them.
    """
    with fresh.page() as op, contextlib.closing(_opened(fresh)) as sock:
        sock.sendall(_frame(0x81, HELLO) + begin)
        with contextlib.suppress(ConnectionError):  # it is cut, or closed: else a TimeoutError
            for _ in range(100):
                sock.sendall(piece * 500)
            while sock.recv(1 << 16):
                pass
        op.send(type="ping", t=1)
        op.until("pong")


def test_news_of_who_is_there_are_told_a_few_times_a_second(
    fresh: Live, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Our own rule, no outside source: one page that flickers does not keep all others busy."""
    told: list[int] = []
    people = fresh.service.people

    def counted() -> Any:
        told.append(1)
        return people()

    with fresh.page("reviewer") as page:
        monkeypatch.setattr(fresh.service, "people", counted)
        for n in range(60):
            page.send(type="hidden", hidden=n % 2 == 0)
        page.send(type="ping", t=1)
        page.until("pong")
        assert len(told) < 30
        while page.until("people")["people"][0]["hidden"]:
            pass


def test_a_device_that_comes_again_and_again_waits(fresh: Live) -> None:
    """Our own rule, no outside source: each visit is told everything there is."""
    fresh.service.visits = RateLimit(0.0, 3)
    cookie = fresh.cookie("reviewer")
    for _ in range(3):
        with fresh.page(cookie=cookie):
            pass
    with pytest.raises(AssertionError, match="too many visits"), fresh.page(cookie=cookie):
        pass
    with fresh.page():
        pass  # others come in


def test_an_answer_that_nobody_reads_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """Our own rule, no outside source: it would hold its memory and its connection for ever."""
    monkeypatch.setattr(guard, "SEND_S", 0.02)
    ended: list[Any] = []
    connections = Connections()
    monkeypatch.setattr(connections, "abort", ended.append)
    peer = ("127.0.0.1", 9)

    async def app(scope: Any, receive: Any, send: Any) -> None:
        await send({"type": "http.response.start", "status": 200, "headers": []})

    async def receive() -> dict[str, Any]:
        return {"type": "http.request"}

    async def send(_: Any) -> None:
        await asyncio.Event().wait()

    scope = {
        "type": "http", "method": "GET", "path": "/", "scheme": "http", "client": peer,
        "headers": [(b"host", b"localhost")],
    }  # fmt: skip
    guarded = Guard(
        app, hosts=lambda: frozenset(["localhost"]), timing=Timing(), connections=connections
    )
    asyncio.run(guarded(scope, receive, send))
    assert ended == [peer]


# ---------------------------------------------------------------- one recipe, opened again


@pytest.fixture
def watching(tmp_path: Path) -> Iterator[Live]:
    """A service that watches a folder of two takes."""
    folder = tmp_path / "takes"
    shot = write_shot(folder / "one", "first")
    write_shot(folder / "two", "second", range(1, 3))
    options = ServeOptions(shot=str(shot), roots=(folder,), watched=folder)
    now = time.time() + 100
    with serving(options, settings_for(tmp_path), clock=lambda: now) as service:
        yield Live(service, service.address, tmp_path)


def test_a_shot_whose_recipe_was_damaged_can_be_worked_on_once_it_is_mended(
    watching: Live,
) -> None:
    """Our own rule, no outside source: a failed opening leaves no lock behind."""
    with watching.page() as op:
        shots = listed(op, lambda shots: len(shots) == 2)
        second = next(s["shot"] for s in shots if "second" in s["shot"])
        spec = watching.service.watch.spec(second)  # type: ignore[union-attr]
        path = watching.service.maker.recipe_path(watching.service.maker.shot(spec))
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("no recipe")
        op.send(type="shot_open", id="bad", shot=second)
        op.until("error", timeout=60, about="bad")
        path.unlink()
        op.send(type="shot_open", id="good", shot=second)
        op.until("done", timeout=60, id="good")
        op.set("name", "mended")
        assert op.until("accepted")
        assert watching.service.recipes.read_only == ""


def test_opening_the_open_shot_again_loses_nothing(watching: Live) -> None:
    """Our own rule, no outside source: its recipe goes on, saved or not."""
    with watching.page() as op:
        shots = listed(op, lambda shots: len(shots) == 2)
        first = next(s["shot"] for s in shots if "first" in s["shot"])
        op.set("name", "kept")
        op.send(type="shot_open", id="again", shot=first)
        op.until("done", timeout=60, id="again")
        assert watching.service.session.recipe.name == "kept"
        op.set("name", "and on")
        op.until("accepted")
        recipes = watching.service.recipes
        assert recipes.flush()
        assert '"and on"' in recipes.path.read_text()
        assert not list(recipes.path.parent.glob("*.unsaved.json"))
