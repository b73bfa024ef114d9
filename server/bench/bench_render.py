"""Memory and speed of rendering: few and many UHD frames, each in a process of its own."""

from __future__ import annotations

import os
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from kernels.errors import VerdigrisError
from kernels.recipe_file import save_recipe
from server.bench.timed_key import key_recipe, picture
from server.media import write_exr

FEW, MANY = 6, 48
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
        "what": f"{WIDTH}x{HEIGHT}, 3 extractors, levels, despill, over; alpha and foreground",
        f"{few} frames": runs[few],
        f"{many} frames": runs[many],
        "peak of many over few": growth,
        "independent of the frame count": "yes" if growth < 1.1 else "no",
    }


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
