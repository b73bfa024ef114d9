"""The numbers of this machine: medians, with the processor or card that gave them."""

from __future__ import annotations

import importlib
import platform
import statistics
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from kernels.cpu.engine import CpuEngine, processor_name
from kernels.engine import Inputs, View
from kernels.errors import VerdigrisError, not_installed
from kernels.inputs import gather
from kernels.plan import build_plan
from kernels.recipe import (
    CurvePoint,
    Denoise,
    HueBand,
    HueCurve,
    Levels,
    Noise,
    PlateDifference,
    Recipe,
    starting_recipe,
)

SECTIONS = ("cpu", "render", "service", "page", "cuda", "card")


@dataclass(frozen=True)
class Timing:
    """Times of one thing in milliseconds."""

    name: str
    p50_ms: float
    p99_ms: float
    runs: int
    target_ms: float | None = None

    @property
    def verdict(self) -> str:
        """`reached`, `missed`, or nothing where there is no target."""
        if self.target_ms is None:
            return ""
        return "reached" if self.p50_ms <= self.target_ms else "missed"


def measure(
    name: str, work: Callable[[], object], *, runs: int = 31, target_ms: float | None = None
) -> Timing:
    """Return the median and the 99th percentile of `work` after three warm-up runs."""
    for _ in range(3):
        work()
    times = []
    for _ in range(runs):
        start = time.perf_counter()
        work()
        times.append((time.perf_counter() - start) * 1000)
    return Timing(name, statistics.median(times), float(np.percentile(times, 99)), runs, target_ms)


def key_recipe() -> Recipe:
    """Return the key that is timed: three extractors, levels, a despill pass with curves."""
    recipe = starting_recipe()
    recipe.extractors.append(PlateDifference(name="difference", strength=0.5))
    recipe.extractors.append(HueBand(name="hue", role="edge", hue_deg=20, strength=0.5))
    recipe.refine.levels = Levels(clear_below=0.03, solid_above=0.97)
    curve = HueCurve(points=[CurvePoint(hue_deg=60, value=0.6), CurvePoint(hue_deg=130, value=1.0)])
    recipe.despill[0].spill_by_hue = curve
    return recipe


def picture(height: int, width: int, seed: int = 0) -> np.ndarray[Any, np.dtype[np.float32]]:
    """Return a noisy screen with a soft-edged subject, (3, height, width)."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    radius = np.hypot(x - width / 2, y - height / 2)
    alpha = np.clip((height / 3 - radius) / 12, 0, 1)
    subject = np.array([0.5, 0.3, 0.2], np.float32)[:, None, None]
    screen = np.array([0.05, 0.35, 0.07], np.float32)[:, None, None]
    grain = rng.normal(0, 0.008, (3, height, width)).astype(np.float32)
    return np.asarray(alpha * subject + (1 - alpha) * screen + grain, np.float32)


def prepared(engine: Any, recipe: Recipe, height: int, width: int) -> Inputs:
    """Return the timed frame held by an engine."""
    plate = picture(height, width)
    clean = np.broadcast_to(np.array([0.05, 0.35, 0.07], np.float32)[:, None, None], plate.shape)
    return gather(engine, recipe, 1, plate=plate, clean=clean)


def bench_cpu(threads: int | None = None) -> dict[str, Any]:
    """Time the cpu engine: full-size keys, previews moving and at rest."""
    engine = CpuEngine(threads)
    recipe = key_recipe()
    timings = []
    try:
        small = prepared(engine, recipe, 540, 960)
        plan = build_plan(recipe, 1, small.planes)
        timings.append(
            measure(
                "3 extractors, levels, despill, over; 960x540 to float planes",
                lambda: engine.planes(plan, small, ["alpha", "composite"]),
                target_ms=40,
            )
        )
        frame = prepared(engine, recipe, 1080, 1920)
        for name, draft, target in (("moving", 2, 40.0), ("at rest", 1, 400.0)):
            view = View("composite", 960, 540, draft=draft)
            timings.append(
                measure(
                    f"the same from a 1080p frame to a 960x540 picture, {name}",
                    lambda view=view: engine.render(plan, frame, view),  # type: ignore[misc]
                    target_ms=target,
                )
            )
        plates = [picture(1080, 1920, seed) for seed in (0, 1, 2)]
        noise = Noise(gain=(1e-4, 2e-4, 1e-4), offset=(1e-5, 1e-5, 1e-5))
        timings.append(
            measure(
                "denoising a 1080p frame, with a neighbour on each side",
                lambda: engine.denoise(plates, noise, Denoise()),
                runs=3,
            )
        )
    finally:
        engine.close()
    return {
        "processor": engine.description,
        "timings": [vars(t) | {"verdict": t.verdict} for t in timings],
    }


def run(sections: tuple[str, ...] = SECTIONS) -> dict[str, Any]:
    """Run the named sections; one that cannot run here says why."""
    found: dict[str, Any] = {
        "date": time.strftime("%Y-%m-%d"),
        "processor": processor_name(),
        "python": platform.python_version(),
    }
    for section in sections:
        found[section] = _section(section)
    return found


def _section(name: str) -> dict[str, Any]:
    if name == "cpu":
        return bench_cpu()
    module, function = {
        "render": ("server.bench.bench_render", "bench_render"),
        "service": ("server.bench.bench_service", "bench_service"),
        "page": ("server.bench.bench_page", "bench_page"),
        "cuda": ("kernels.cuda.bench", "bench"),
        "card": ("server.bench.bench_card", "bench_card"),
    }[name]
    try:
        work: Callable[[], dict[str, Any]] = getattr(importlib.import_module(module), function)
        return work()
    except ImportError as error:
        return {"not run": not_installed(error)}
    except VerdigrisError as error:
        return {"not run": str(error)}
    except (RuntimeError, OSError) as error:
        return {"not run": f"{type(error).__name__}: {error}".splitlines()[0]}
