"""Rendering: where the time goes, and the memory of few and many UHD frames."""

from __future__ import annotations

import os
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np

from kernels.engines import EngineName, choose_engine
from kernels.errors import VerdigrisError
from kernels.recipe_file import save_recipe
from server.bench.timed_key import key_recipe, picture
from server.keying.render import Renderer
from server.keying.render_job import RenderJob
from server.media import Shot, open_shot, write_exr

FEW, MANY = 6, 48
STAGE_FRAMES = 16
WIDTH, HEIGHT = 3840, 2160


def bench_render(few: int = FEW, many: int = MANY) -> dict[str, Any]:
    """Return peak memory and time of rendering `few` and `many` UHD frames on the cpu engine.

    All frames are links to one file, so that only rendering is measured. Peaks are the operating
    system's own count for the process. Needs about 100 MB of disk a frame for the time it runs.
    """
    if not hasattr(os, "posix_spawn"):
        raise VerdigrisError("this system does not tell how much memory a process took")
    with tempfile.TemporaryDirectory(prefix="verdigris-bench-") as name:
        folder = Path(name)
        first = folder / "in" / "plate.0001.exr"
        write_exr(first, {"": picture(HEIGHT, WIDTH)}, interop_id="lin_ap1_scene")
        for frame in range(2, many + 1):
            os.link(first, folder / "in" / f"plate.{frame:04d}.exr")
        recipe = save_recipe(key_recipe(), folder / "key.json")
        runs = {count: _render(folder, recipe, count) for count in (few, many)}
    growth = runs[many]["peak_mb"] / runs[few]["peak_mb"]
    return {
        "1080p frames, where the time goes": bench_stages(),
        "what": f"{WIDTH}x{HEIGHT}, 3 extractors, levels, despill, over; alpha and foreground",
        f"{few} frames": runs[few],
        f"{many} frames": runs[many],
        "peak of many over few": growth,
        "independent of the frame count": "yes" if growth < 1.1 else "no",
    }


def bench_stages(frames: int = STAGE_FRAMES, engine: EngineName = "cpu") -> dict[str, Any]:
    """Return how long 1080p frames take, each stage's share, and reading and writing alone.

    Half EXR with ZIP in and out; the stages' seconds are of all threads together.
    """
    choice = choose_engine(engine)
    with tempfile.TemporaryDirectory(prefix="verdigris-bench-") as name:
        folder = Path(name)
        first = folder / "in" / "plate.0001.exr"
        write_exr(first, {"": picture(1080, 1920)}, interop_id="lin_ap1_scene")
        for frame in range(2, frames + 1):
            os.link(first, folder / "in" / f"plate.{frame:04d}.exr")
        shot = open_shot(folder / "in" / f"plate.1-{frames}####.exr")
        job = RenderJob(shot=shot, recipe=key_recipe(), out=str(folder / "out" / "key.####.exr"))
        try:
            renderer = Renderer(job, choice.engine)
            done = renderer.run()
            copied = _copied(shot, folder / "copies", renderer.in_flight)
        finally:
            choice.engine.close()
    total = sum(done.seconds_in.values())
    return {
        "engine": choice.engine.description,
        "frames in flight": renderer.in_flight,
        "seconds a frame": done.seconds / frames,
        "times reading and writing alone": done.seconds / copied,
        "shares": {stage: round(taken / total, 3) for stage, taken in done.seconds_in.items()},
    }


def _copied(shot: Shot, out: Path, threads: int) -> float:
    """Return the seconds of reading a shot's frames and writing them as the render does."""
    out.mkdir()

    def copy(frame: int) -> None:
        pixels = shot.read(frame).pixels
        layers = {"": np.concatenate([pixels, pixels[:1]]), "alpha": pixels[0]}
        write_exr(out / f"copy.{frame:04d}.exr", layers, interop_id="lin_ap1_scene")

    start = time.monotonic()
    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(copy, shot.frames))
    return time.monotonic() - start


def _render(folder: Path, recipe: Path, count: int) -> dict[str, float]:
    out = folder / f"out{count}"
    arguments = [
        sys.executable, "-m", "server.cli", "render",
        str(folder / "in" / f"plate.1-{count}####.exr"), "--recipe", str(recipe),
        "--out", str(out / "key.####.exr"), "--engine", "cpu", "--compression", "none",
    ]  # fmt: skip
    start = time.monotonic()
    with open(os.devnull, "w", encoding="utf-8") as quiet:
        child = os.posix_spawn(
            sys.executable,
            arguments,
            os.environ,
            file_actions=[
                (os.POSIX_SPAWN_DUP2, quiet.fileno(), 1),
                (os.POSIX_SPAWN_DUP2, quiet.fileno(), 2),
            ],
        )
        _, status, usage = os.wait4(child, 0)
    if os.waitstatus_to_exitcode(status) != 0:
        raise RuntimeError(f"the render of {count} frames failed")
    seconds = time.monotonic() - start
    return {"peak_mb": usage.ru_maxrss / 1024, "seconds_per_frame": seconds / count}
