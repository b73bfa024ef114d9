"""The service's part of `verdigris bench`: message in to JPEG out, and playback to 20 pages.

A real service on loopback with a small generated 1920x1080 shot; times are the server's own, from
the message's arrival to the picture's hand-over to the socket.
"""

from __future__ import annotations

import asyncio
import json
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
from websockets.asyncio.client import ClientConnection, connect

from kernels.recipe import ChromaDistance, ColourDifference, PlateDifference, Recipe
from kernels.recipe import NeutralisePass as Pass
from server.background import running
from server.config import Settings
from server.media import write_exr
from server.protocol import PROTOCOL, Flag, PictureHeader, unpack_header
from server.security import cookie_name
from server.service import Service
from server.start import ServeOptions, make_service
from server.timing import percentile

WIDTH, HEIGHT, FRAMES = 1920, 1080, 8
CHANGES, RESTS, PLAY_S = 60, 6, 3.0
CARD_CHANGES = 600
"""on a card, where a change takes so little time that a 99th percentile can be had"""
PAGES, PAGE_WIDTHS = 20, (640, 960, 1280)


def bench_recipe() -> Recipe:
    """Return three extractors with levels, a neutralise pass, over a checkerboard."""
    recipe = Recipe(
        extractors=[
            ColourDifference(id="core", name="core", role="core"),
            ChromaDistance(id="edge", name="edge", role="edge"),
            PlateDifference(id="rest", name="rest", role="edge"),
        ],
        neutralise=[Pass(id="spill", name="spill")],
    )
    for extractor in recipe.extractors:
        extractor.refine.levels.black, extractor.refine.levels.white = 0.05, 0.95
    return recipe


def write_bench_shot(folder: Path) -> Path:
    """Write a shot of a bright disc before a green screen; returns its pattern."""
    y, x = np.mgrid[:HEIGHT, :WIDTH].astype(np.float32)
    rng = np.random.default_rng(11)
    noise = rng.normal(0, 0.004, (3, HEIGHT, WIDTH)).astype(np.float32)
    screen = np.array([0.05, 0.35, 0.07], np.float32)[:, None, None] * (0.8 + 0.4 * x / WIDTH)
    subject = np.array([0.5, 0.3, 0.2], np.float32)[:, None, None]
    for n in range(FRAMES):
        distance = np.hypot(x - 700 - 40 * n, y - 540)
        alpha = np.clip((300 - distance) / 6, 0, 1)
        image = alpha * subject + (1 - alpha) * screen + noise
        path = folder / f"bench.{1001 + n}.exr"
        plane = np.ones((1, HEIGHT, WIDTH), np.float32)
        write_exr(path, {"": np.concatenate([image, plane])}, interop_id="lin_ap1_scene")
    return folder / "bench.####.exr"


class Page:
    """One page: counts pictures, acknowledges at once."""

    def __init__(self, socket: ClientConnection) -> None:
        self.socket = socket
        self.headers: list[PictureHeader] = []
        self.changes = 0

    async def send(self, **message: Any) -> None:
        await self.socket.send(json.dumps(message))

    async def change(self, gain: float) -> None:
        """Send one change of a drag, under a number of its own."""
        self.changes += 1
        await self.send(
            type="write",
            client_seq=self.changes,
            seen=10**9,
            gesture="bench",
            moving=True,
            ops=[{"op": "set", "path": "extractors/core/gain", "value": gain}],
        )

    async def text(self, kind: str) -> dict[str, Any]:
        while True:
            got = await self.receive()
            if isinstance(got, dict) and got["type"] == kind:
                return got

    async def receive(self) -> dict[str, Any] | PictureHeader:
        async with asyncio.timeout(60):  # wait_for of Python 3.11 can swallow a cancellation
            message = await self.socket.recv()
        if isinstance(message, str):
            text: dict[str, Any] = json.loads(message)
            return text
        header, _ = unpack_header(message)
        self.headers.append(header)
        await self.send(type="ack", sequence=header.sequence)
        return header

    async def picture(self, revision: int, *, rest: bool) -> PictureHeader:
        """Wait for a picture of at least a revision; at rest when asked."""
        while True:
            got = await self.receive()
            if (
                isinstance(got, PictureHeader)
                and got.revision >= revision
                and not (rest and got.flags & Flag.MOVING)
            ):
                return got


async def come_in(service: Service, address: str, role: Any, name: str, width: int) -> Page:
    redeemed = service.gate.redeem(service.gate.make_link(role), name)
    assert redeemed is not None
    port = int(address.rsplit(":", 1)[1])
    cookie = f"{cookie_name(port)}={redeemed[1]}"
    socket = await connect(
        f"{address.replace('http', 'ws', 1)}/ws",
        origin=address,  # type: ignore[arg-type]
        additional_headers={"cookie": cookie},
        compression=None,
        close_timeout=1,
        max_size=None,
    )
    page = Page(socket)
    await page.send(type="hello", protocol=PROTOCOL, client=name)
    await page.text("welcome")
    await page.send(type="show", name="composite", width=width)
    return page


async def drag(service: Service, page: Page, target_ms: float | None = None) -> dict[str, Any]:
    """Change a value again and again: first each as soon as the last was seen, then at rest.

    target_ms: of a moving picture; the engine's own for pointwise work when not given.
    """
    moving: list[float] = []
    rests: list[float] = []
    headers: list[PictureHeader] = []
    card = service.engine.name == "cuda"
    changes = CARD_CHANGES if card else CHANGES
    for n in range(changes):
        revision, start = service.session.revision + 1, time.perf_counter()
        await page.change(1 + n / 1000)
        headers.append(await page.picture(revision, rest=False))
        moving.append(time.perf_counter() - start)
        if n % (changes // RESTS) == 0:
            header = headers[-1]
            if header.flags & Flag.MOVING:
                header = await page.picture(revision, rest=True)
            rests.append((header.render_us + header.encode_us) / 1e6)
    inside = service.timing.seconds_of("message_to_picture")[-changes:]
    return {
        "moving": _figures("message in, moving JPEG out", inside, target_ms or (2 if card else 40)),
        "moving_to_page": _figures("message sent, moving picture received", moving),
        "slowest": _slowest(moving, headers),
        "rest": _figures("full-resolution rest picture", rests, None if card else 400),
        "moving_pictures_keyed_at_half_size": sum(bool(h.flags & Flag.DRAFT) for h in headers),
    }


def _slowest(moving: list[float], headers: list[PictureHeader]) -> list[dict[str, float]]:
    """Return what the three slowest changes spent their time on, and which of all they were."""
    order = sorted(range(len(moving)), key=moving.__getitem__, reverse=True)[:3]
    return [
        {
            "change": n,
            "to_page_ms": round(1000 * moving[n], 2),
            "render_ms": headers[n].render_us / 1000,
            "encode_ms": headers[n].encode_us / 1000,
        }
        for n in order
    ]


async def listen(page: Page) -> None:
    """Receive and acknowledge until cancelled."""
    while True:
        await page.receive()


async def play(service: Service, pages: list[Page]) -> dict[str, Any]:
    """Play to all pages; count frames, renders and what was left out."""
    tasks = [asyncio.create_task(listen(page)) for page in pages]
    await pages[0].send(type="transport", playing=True, fps=24)
    await asyncio.sleep(1.0)
    for page in pages:
        page.headers.clear()
    service.scheduler.clock.dropped = 0
    renders = service.timing.renders._value.get()
    await asyncio.sleep(PLAY_S)
    made = service.timing.renders._value.get() - renders
    counts = [len(page.headers) / PLAY_S for page in pages]
    shown = len({(h.frame, h.sequence) for h in pages[0].headers})
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)
    await pages[0].send(type="transport", playing=False)
    return {
        "pages": len(pages),
        "widths": len(PAGE_WIDTHS),
        "seconds": PLAY_S,
        "pictures_a_second_slowest_page": round(min(counts), 1),
        "pictures_a_second_fastest_page": round(max(counts), 1),
        "renders_for_each_picture_of_one_page": round(made / max(shown, 1), 2),
        "frames_left_out": service.scheduler.clock.dropped,
    }


def _figures(name: str, seconds: list[float], target_ms: float | None = None) -> dict[str, Any]:
    p50 = 1000 * percentile(seconds, 50)
    verdict = "" if target_ms is None else "reached" if p50 <= target_ms else "missed"
    return {
        "name": name,
        "p50_ms": round(p50, 2),
        "p99_ms": round(1000 * percentile(seconds, 99), 2),
        "runs": len(seconds),
        "target_ms": target_ms,
        "verdict": verdict,
    }


async def _measure(service: Service, address: str) -> dict[str, Any]:
    pages = [await come_in(service, address, "operator", "operator", 960)]
    await pages[0].picture(0, rest=True)
    for frame in range(1001, 1001 + FRAMES):
        await service_ready(service, frame)
    result = await drag(service, pages[0])
    for n in range(PAGES - 1):
        width = PAGE_WIDTHS[n % len(PAGE_WIDTHS)]
        pages.append(await come_in(service, address, "reviewer", f"page-{n}", width))
    try:
        result["playback"] = await play(service, pages)
    finally:
        await asyncio.gather(*(page.socket.close() for page in pages))
    return result


async def service_ready(service: Service, frame: int) -> None:
    """Wait until the service has decoded a frame (it runs on another thread's loop)."""
    future = asyncio.run_coroutine_threadsafe(
        service.pictures.until_ready(frame, True, 60.0), service.pictures.loop
    )
    await asyncio.wrap_future(future)


def bench_service(engine: Any = "auto", threads: int = 0) -> dict[str, Any]:
    """Measure the service on this machine; milliseconds, medians and 99th percentiles."""
    with tempfile.TemporaryDirectory(prefix="verdigris-bench-") as name:
        folder = Path(name)
        media = folder / "media"
        media.mkdir()
        settings = Settings.model_validate(
            {
                "engine": engine,
                "threads": threads,
                "port": 0,
                "data_dir": str(folder / "data"),
                "cache_dir": str(folder / "cache"),
                "disk_cache_mb": 0,
            }
        )
        options = ServeOptions(str(write_bench_shot(media)), first_recipe=bench_recipe)
        service, _ = make_service(options, settings)
        with running(service, options, settings) as address:
            result = asyncio.run(_measure(service, address))
        return {
            "engine": service.engine.name,
            "on": service.engine.description,
            "frame": f"{WIDTH}x{HEIGHT}",
            **result,
        }
