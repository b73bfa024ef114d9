"""Engines say what they can do; nobody goes by an engine's name."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np

from kernels.cpu.engine import CpuEngine
from kernels.cuda.runner import DeviceEngine
from kernels.engine import Engine
from tests.kernels.cuda.host import HostDevice

ROOT = Path(__file__).parents[2]
ASKS = re.compile(r"engine\.name (==|!=|in)\b|self\.name (==|!=|in) .*cuda|hasattr\(.*engine")


def test_nobody_asks_an_engines_name() -> None:
    """Our own rule, no outside source: abilities are in the protocol."""
    files = [p for room in ("kernels", "server") for p in sorted((ROOT / room).rglob("*.py"))]
    assert len(files) > 100
    asked = [
        f"{path.relative_to(ROOT)}: {line.strip()}"
        for path in files
        for line in path.read_text(encoding="utf-8").splitlines()
        if ASKS.search(line)
    ]
    assert asked == []


def test_what_is_staged_is_held_on_every_engine() -> None:
    """An image comes back the same, staged before or not; only own memory is told as free.

    Our own rule, no outside source.
    """
    image = np.random.default_rng(1).random((3, 5, 7), np.float32)
    engines: list[Engine] = [CpuEngine(threads=1), DeviceEngine(HostDevice(), storage="float32")]
    for engine in engines:
        staged = engine.stage(image, storage="float32")
        for given in (image, staged):
            assert np.array_equal(engine.fetch(engine.hold(given)), image)
        assert (engine.free_bytes() > 0) == engine.abilities.own_memory
        assert engine.device_pictures is None
        engine.close()
