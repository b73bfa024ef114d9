"""Planes packed for a file, compiled and in NumPy."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import pytest

from kernels.cpu import pixels

Pack = Callable[..., tuple[Any, int]]


@pytest.fixture(params=["compiled", "numpy"])
def pack(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[Pack]:
    """`pack_half` as this machine runs it, and as one without compiled kernels does."""
    pixels._compiled.cache_clear()
    if request.param == "numpy":
        monkeypatch.setenv("VERDIGRIS_CPU_LEVEL", "numpy")
    yield pixels.pack_half
    pixels._compiled.cache_clear()


@pytest.mark.parametrize("channels", [1, 3, 4, 7])
def test_values_are_rounded_clamped_and_counted(pack: Pack, channels: int) -> None:
    """Source: NumPy's own conversion to half; OpenEXR's halves end at 65504."""
    rng = np.random.default_rng(channels)
    planes = rng.normal(0, 10.0 ** rng.uniform(-7, 5, (channels, 9, 13))).astype(np.float32)
    planes[0, 0, :6] = [np.nan, np.inf, -np.inf, 65504, 65505, -1e30]
    packed, clamped = pack(list(planes))
    beyond = np.isfinite(planes) & (np.abs(planes) > 65504)
    assert clamped == np.count_nonzero(beyond) >= 2
    held = np.where(beyond, np.copysign(np.float32(65504), planes), planes)
    expected = np.moveaxis(held.astype(np.float16), 0, -1)
    assert packed.dtype == np.float16
    assert np.array_equal(packed, expected, equal_nan=True)


def test_planes_that_are_parts_of_others_are_packed(pack: Pack) -> None:
    """Common practice, no source: a view of an array is as good as a copy."""
    whole = np.arange(4 * 6 * 10, dtype=np.float32).reshape(4, 6, 10)
    packed, clamped = pack([plane[1:5, 2:9] for plane in whole])
    assert clamped == 0
    assert np.array_equal(packed, np.moveaxis(whole[:, 1:5, 2:9], 0, -1))
