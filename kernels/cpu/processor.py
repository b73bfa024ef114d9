"""The processor: its name, and how many threads are sensible."""

from __future__ import annotations

import os
import platform
from pathlib import Path

CPU_LIMIT = Path("/sys/fs/cgroup/cpu.max")
"""Where a container's share of the processors stands: `quota period` in microseconds."""


def usable_cores() -> int:
    """Return how many cores this process may use: of its affinity and its container's limit."""
    try:
        cores = len(os.sched_getaffinity(0))
    except AttributeError:
        cores = os.cpu_count() or 1
    try:
        quota, period = CPU_LIMIT.read_text(encoding="ascii").split()
        cores = min(cores, max(1, round(int(quota) / int(period))))
    except (OSError, ValueError):
        pass
    return max(1, cores)


def sensible_threads() -> int:
    """Return the threads of an engine: all cores of two, else one fewer, for the event loop."""
    cores = usable_cores()
    return cores if cores <= 2 else cores - 1


def processor_name() -> str:
    """Return the processor's name as the system tells it."""
    try:
        with open("/proc/cpuinfo", encoding="utf-8") as file:
            for line in file:
                if line.startswith("model name"):
                    return line.split(":", 1)[1].strip()
    except OSError:
        pass
    return platform.processor() or platform.machine() or "processor"
