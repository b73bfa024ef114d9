"""A small shot and a live service on loopback."""

from __future__ import annotations

import itertools
import json
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest
from websockets.exceptions import ConnectionClosed
from websockets.sync.client import ClientConnection, connect

from server.bench.service_thread import serving
from server.config import Settings
from server.http.connections import Connections
from server.media import write_exr
from server.service.maker import ServeOptions
from server.service.service import Service
from server.start import listen
from server.wire.protocol import PROTOCOL, PictureHeader, unpack_header

FRAMES = range(1001, 1007)
WIDTH, HEIGHT = 96, 54
EVERY_FRAME_TOLD = (
    "import functools, sys; from server import cli, progress; "
    "progress._lines = functools.partial(progress._lines, every_s=0); cli.main(sys.argv[1:])"
)
"""the program, with a line of progress for every frame"""


def write_shot(folder: Path, name: str = "take", frames: range = FRAMES) -> Path:
    """Write a small green-screen shot: a bright box that moves; returns its pattern."""
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(5)
    for frame in frames:
        image = np.ones((4, HEIGHT, WIDTH), np.float32)
        image[:3] = np.array([0.05, 0.35, 0.07], np.float32)[:, None, None]
        x = 20 + 4 * (frame - frames[0])
        image[:3, 12:42, x : x + 24] = np.array([0.5, 0.3, 0.2], np.float32)[:, None, None]
        image[:3] += rng.normal(0, 0.003, (3, HEIGHT, WIDTH)).astype(np.float32)
        write_exr(folder / f"{name}.{frame}.exr", {"": image}, interop_id="lin_ap1_scene")
    return folder / f"{name}.####.exr"


@dataclass
class Page:
    """A connected client that keeps what it is told."""

    socket: ClientConnection
    welcome: dict[str, Any]
    pictures: list[tuple[PictureHeader, bytes]] = field(default_factory=list)
    texts: list[dict[str, Any]] = field(default_factory=list)
    acknowledge: bool = True
    seq: int = 0

    @property
    def state(self) -> dict[str, Any]:
        """The state as it was at the welcome."""
        state: dict[str, Any] = self.welcome["state"]
        return state

    def send(self, **message: Any) -> None:
        """Send a message."""
        self.socket.send(json.dumps(message))

    def write(self, *ops: dict[str, Any], **options: Any) -> int:
        """Send a write that has seen everything; returns its client_seq."""
        self.seq += 1
        self.send(
            **{"type": "write", "client_seq": self.seq, "seen": 10**9, "ops": list(ops), **options}
        )
        return self.seq

    def set(self, path: str, value: Any, **options: Any) -> int:
        """Send a write that sets one value."""
        return self.write({"op": "set", "path": path, "value": value}, **options)

    def receive(self, timeout: float) -> dict[str, Any] | tuple[PictureHeader, bytes]:
        """Take the next message; pictures are acknowledged."""
        message = self.socket.recv(timeout)
        if isinstance(message, bytes):
            header, data = unpack_header(message)
            self.pictures.append((header, data))
            if self.acknowledge:
                self.send(type="ack", sequence=header.sequence)
            return header, data
        text: dict[str, Any] = json.loads(message)
        self.texts.append(text)
        return text

    def until(self, kind: str, timeout: float = 10.0, **fields: Any) -> dict[str, Any]:
        """Read on until a text message of a type (and with these fields) comes."""
        end = time.monotonic() + timeout
        while True:
            got = self.receive(max(0.01, end - time.monotonic()))
            if (
                isinstance(got, dict)
                and got["type"] == kind
                and all(got.get(k) == v for k, v in fields.items())
            ):
                return got

    def picture(
        self, timeout: float = 10.0, *, rest: bool = True, revision: int = 0
    ) -> tuple[PictureHeader, bytes]:
        """Read on until a (settled) picture of at least a revision comes."""
        end = time.monotonic() + timeout
        while True:
            got = self.receive(max(0.01, end - time.monotonic()))
            if (
                isinstance(got, tuple)
                and got[0].revision >= revision
                and not (rest and got[0].flags & 1)
            ):
                return got


def close_code(page: Page, timeout: float = 10.0) -> int:
    """Read until the service closes the connection and return the code it gives."""
    try:
        while True:
            page.receive(timeout)
    except ConnectionClosed as closed:
        return closed.rcvd.code if closed.rcvd is not None else 1006


@dataclass
class Live:
    """A live service and ways to come in."""

    service: Service
    address: str
    folder: Path
    connections: Connections = field(default_factory=Connections)
    _names: Iterator[int] = field(default_factory=itertools.count)

    def cookie(self, role: str = "operator") -> str:
        """Redeem a new link and return the Cookie header."""
        token = self.service.gate.make_link(role)  # type: ignore[arg-type]
        self.service_joins_reset()
        answer = httpx.post(
            f"{self.address}/api/join",
            json={"token": token, "name": role},
            headers={"origin": self.address},
            verify=False,
        )
        assert answer.status_code == 200, answer.text
        return str(answer.headers["set-cookie"].split(";")[0])

    def service_joins_reset(self) -> None:
        """Tests come in more often than the limit for people allows."""
        self.service.joins._levels.clear()

    def get(self, path: str, cookie: str = "", **headers: str) -> httpx.Response:
        """Send a GET request."""
        return httpx.get(f"{self.address}{path}", headers={"cookie": cookie, **headers})

    def socket(self, cookie: str, **options: Any) -> ClientConnection:
        """Open the stream without saying hello."""
        headers = {"cookie": cookie} if cookie else {}
        return connect(
            f"{self.address.replace('http', 'ws', 1)}/ws",
            compression=None,
            close_timeout=1,
            origin=options.pop("origin", self.address),
            max_size=None,
            additional_headers=headers,
            **options,
        )

    @contextmanager
    def page(
        self,
        role: str = "operator",
        *,
        client: str = "",
        cookie: str = "",
        show: dict[str, Any] | None = None,
    ) -> Iterator[Page]:
        """Come in as a page; `show` is sent when given."""
        cookie = cookie or self.cookie(role)
        name = client or f"{role}-{next(self._names)}"
        with self.socket(cookie) as socket:
            socket.send(json.dumps({"type": "hello", "protocol": PROTOCOL, "client": name}))
            page = Page(socket, json.loads(socket.recv(10)))
            assert page.welcome["type"] == "welcome", page.welcome
            if show is not None:
                page.send(type="show", **show)
            yield page


def settings_for(folder: Path, **change: Any) -> Settings:
    """Return settings that keep everything in a folder."""
    return Settings.model_validate(
        {
            "engine": "cpu",
            "threads": 1,
            "port": 0,
            "decode_workers": 1,
            "data_dir": str(folder / "data"),
            "cache_dir": str(folder / "cache"),
            "host_memory_mb": 64,
            "disk_cache_mb": 0,
            **change,
        }
    )


@contextmanager
def live_service(folder: Path, **change: Any) -> Iterator[Live]:
    """Start a service on a small shot in a folder."""
    shot = folder / "media" / "take.####.exr"
    if not (folder / "media").exists():
        write_shot(folder / "media")
    options = ServeOptions(
        **{
            "shot": str(shot),
            "recipe": folder / "work" / "key.json",
            "renders": folder / "renders",
            **change,
        }
    )
    settings = settings_for(folder)
    listener = listen("127.0.0.1", 0, secure=options.cert is not None)
    with serving(options, settings, listener=listener) as service:
        yield Live(service, service.address, folder, listener.socket.connections)


@pytest.fixture(scope="session")
def live(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Live]:
    """One service for all tests that leave it as it was."""
    with live_service(tmp_path_factory.mktemp("live"), metrics=True) as made:
        yield made


@pytest.fixture
def fresh(tmp_path: Path) -> Iterator[Live]:
    """A service of the test's own."""
    with live_service(tmp_path) as made:
        yield made
