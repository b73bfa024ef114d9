"""The service's part of `verdigris bench`: message in to JPEG out, and playback to 20 pages.

A real service on loopback with a small generated 1920x1080 shot, and pages in a process of their
own; times are the server's own, from the message's arrival to the picture's hand-over to the
socket.
"""

from __future__ import annotations

import asyncio
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

from kernels.recipe import ChromaDistance, ColourDifference, PlateDifference, Recipe
from kernels.recipe import DespillPass as Pass
from server import gc_pauses
from server.bench.bench_client import Pages
from server.bench.service_thread import serving
from server.config import Settings
from server.http.cookies import cookie_name
from server.media import write_exr
from server.service.maker import ServeOptions
from server.service.service import Service
from server.timing import percentile

WIDTH, HEIGHT, FRAMES = 1920, 1080, 8
CHANGES, RESTS, PLAY_S = 60, 6, 3.0
CARD_CHANGES = 600
"""on a card, where a change takes so little time that a 99th percentile can be had"""
PAGES, PAGE_WIDTHS = 20, (640, 960, 1280)


def bench_recipe() -> Recipe:
    """Return three extractors with levels, a despill pass, over a checkerboard."""
    recipe = Recipe(
        extractors=[
            ColourDifference(id="core", name="core", role="core"),
            ChromaDistance(id="edge", name="edge", role="edge"),
            PlateDifference(id="rest", name="rest", role="edge"),
        ],
        despill=[Pass(id="spill", name="spill")],
    )
    for extractor in recipe.extractors:
        extractor.refine.levels.clear_below, extractor.refine.levels.solid_above = 0.05, 0.95
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


def pages_of(service: Service, address: str) -> Pages:
    """Return a process for pages of the service, which lets them in as it does people."""
    port = int(address.rsplit(":", 1)[1])

    def cookie_for(role: Any, name: str) -> str:
        redeemed = service.gate.redeem(service.gate.make_link(role), name)
        assert redeemed is not None
        return f"{cookie_name(port)}={redeemed[1]}"

    return Pages(address, cookie_for)


def drag(service: Service, pages: Pages, target_ms: float | None = None) -> dict[str, Any]:
    """Change a value again and again, each as soon as the last was seen, and rest now and then.

    target_ms: of a moving picture; the engine's own for pointwise work when not given.
    """
    card = not service.engine.abilities.uses_cores
    changes = CARD_CHANGES if card else CHANGES
    found = pages.ask("drag", changes=changes, rests=RESTS)
    inside = service.timing.seconds_of("message_to_picture")[-changes:]
    return {
        "moving": _figures("message in, moving JPEG out", inside, target_ms or (2 if card else 40)),
        "moving_to_page": _figures("message sent, moving picture received", found["moving"]),
        "slowest": _slowest(found),
        "rest": _figures("full-resolution rest picture", found["rest"], None if card else 400),
        "moving_pictures_keyed_at_half_size": found["drafts"],
    }


def _slowest(found: dict[str, list[float]]) -> list[dict[str, float]]:
    """Return what the three slowest changes spent their time on, and which of all they were."""
    moving = found["moving"]
    order = sorted(range(len(moving)), key=moving.__getitem__, reverse=True)[:3]
    return [
        {
            "change": n,
            "to_page_ms": round(1000 * moving[n], 2),
            "render_ms": round(1000 * found["render"][n], 2),
            "encode_ms": round(1000 * found["encode"][n], 2),
        }
        for n in order
    ]


def play(service: Service, pages: Pages, count: int) -> dict[str, Any]:
    """Play to all `count` pages; count frames, renders and what was left out."""
    service.scheduler.clock.dropped = 0
    renders = service.timing.renders._value.get()
    found = pages.ask("play", seconds=PLAY_S)
    made = service.timing.renders._value.get() - renders
    rates = [pictures / PLAY_S for pictures in found["counts"]]
    return {
        "pages": count,
        "widths": len(PAGE_WIDTHS),
        "seconds": PLAY_S,
        "pictures_a_second_slowest_page": round(min(rates), 1),
        "pictures_a_second_fastest_page": round(max(rates), 1),
        "renders_for_each_picture_of_one_page": round(made / max(found["shown"], 1), 2),
        "frames_left_out": service.scheduler.clock.dropped,
    }


def more_pages(pages: Pages) -> int:
    """Open the reviewers' pages, of several widths; return how many pages there are now."""
    for n in range(PAGES - 1):
        pages.open("reviewer", f"page-{n}", PAGE_WIDTHS[n % len(PAGE_WIDTHS)])
    return PAGES


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


def _measure(service: Service, address: str) -> dict[str, Any]:
    with gc_pauses.seldom(), pages_of(service, address) as pages:
        pages.open("operator", "operator", 960)
        for frame in range(1001, 1001 + FRAMES):
            service_ready(service, frame)
        result = drag(service, pages)
        return result | {"playback": play(service, pages, more_pages(pages))}


def service_ready(service: Service, frame: int) -> None:
    """Wait until the service has decoded a frame."""
    asyncio.run_coroutine_threadsafe(
        service.pictures.until_ready(frame, True, 60.0), service.pictures.loop
    ).result()


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
        with serving(options, settings) as service:
            result = _measure(service, service.address)
        return {
            "engine": service.engine.name,
            "on": service.engine.description,
            "frame": f"{WIDTH}x{HEIGHT}",
            **result,
        }
