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

from kernels.cpu.processor import processor_name
from kernels.errors import VerdigrisError, not_installed

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
    module, function = {
        "cpu": ("server.bench.bench_cpu", "bench_cpu"),
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
