"""The page's part of `verdigris bench`: from moving a control to the picture drawn.

A real browser on loopback drags a slider by mouse; the page itself measures from the change it
sends to the first picture of that revision on its canvas.
"""

from __future__ import annotations

import os
import shutil
import tempfile
import time
from pathlib import Path
from typing import Any

from kernels.errors import VerdigrisError
from server.bench.bench_service import HEIGHT, WIDTH, bench_recipe, write_bench_shot
from server.bench.service_thread import serving
from server.config import Settings
from server.service.maker import ServeOptions
from server.timing import percentile

CHROMIUM = "/usr/bin/chromium"
ARGUMENTS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
STEPS, EVERY_S = 100, 0.04
TARGET_MS = 80.0
LISTEN = """async () => {
    const { on } = await import("/js/store.js");
    window.waits = [];
    on("latency", (ms) => waits.push(ms));
}"""
AT_REST = "() => document.getElementById('picture').dataset.quality === 'rest'"


def bench_page(engine: Any = "auto", threads: int = 0) -> dict[str, Any]:
    """Measure control to picture in a headless browser; milliseconds.

    Raises ImportError without Playwright and VerdigrisError without a browser.
    """
    from playwright.sync_api import sync_playwright

    wanted = os.environ.get("VERDIGRIS_CHROMIUM", CHROMIUM)
    chromium = shutil.which(wanted)
    if chromium is None:
        raise VerdigrisError(
            f"there is no browser at {wanted}: install Chromium, or set VERDIGRIS_CHROMIUM to one"
        )
    with tempfile.TemporaryDirectory(prefix="verdigris-bench-") as name:
        folder = Path(name)
        media = folder / "media"
        media.mkdir()
        settings = Settings.model_validate(
            {
                "engine": engine,
                "threads": threads,
                "port": 0,
                "disk_cache_mb": 0,
                "data_dir": str(folder / "data"),
                "cache_dir": str(folder / "cache"),
            }
        )
        options = ServeOptions(str(write_bench_shot(media)), first_recipe=bench_recipe)
        with serving(options, settings) as service, sync_playwright() as playwright:
            browser = playwright.chromium.launch(
                executable_path=chromium, headless=True, args=list(ARGUMENTS)
            )
            page = browser.new_page(viewport={"width": 1440, "height": 900})
            page.goto(f"{service.address}/join#{service.gate.make_link('operator')}")
            page.click("button[type=submit]")
            page.wait_for_function(AT_REST, timeout=60_000)
            result = _drag(page)
            browser.close()
        return {
            "engine": service.engine.name,
            "on": service.engine.description,
            "frame": f"{WIDTH}x{HEIGHT}",
            "viewport": "1440x900",
            **result,
        }


def _drag(page: Any) -> dict[str, Any]:
    """Drag the first slider to and fro; returns what the page measured meanwhile."""
    slider = page.locator("#panel .slider[aria-label$='gain']").first
    box = slider.bounding_box()
    y = box["y"] + box["height"] / 2
    page.evaluate(LISTEN)
    before = int(page.get_attribute("#picture", "data-pictures"))
    page.mouse.move(box["x"] + box["width"] / 2, y)
    page.mouse.down()
    began = time.perf_counter()
    for step in range(STEPS):
        share = 0.2 + 0.6 * abs(step % 50 - 25) / 25
        page.mouse.move(box["x"] + box["width"] * share, y)
        left = began + (step + 1) * EVERY_S - time.perf_counter()
        page.wait_for_timeout(max(0.0, left * 1000))
    seconds = time.perf_counter() - began
    page.mouse.up()
    moving = sorted(page.evaluate("() => waits.splice(0)"))
    drawn = int(page.get_attribute("#picture", "data-pictures")) - before
    released = time.perf_counter()
    page.wait_for_function(AT_REST, timeout=60_000, polling=10)
    rest_ms = (time.perf_counter() - released) * 1000
    if not moving:
        raise RuntimeError("the page drew no picture while the control moved")
    p50 = percentile(moving, 50)
    timing = page.evaluate('async () => (await import("/js/store.js")).state.timing')
    return {
        "control to picture": {
            "name": "control moved to picture drawn",
            "p50_ms": p50,
            "p99_ms": percentile(moving, 99),
            "count": len(moving),
            "target_ms": TARGET_MS,
            "verdict": "reached" if p50 <= TARGET_MS else "missed",
        },
        "of which the server's, message in to picture out ms": timing.get("message_to_picture"),
        "pictures per second while dragging": drawn / seconds,
        "released to full-quality picture ms": rest_ms,
    }
