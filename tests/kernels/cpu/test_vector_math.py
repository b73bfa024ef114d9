"""The vector mathematics of the compiled kernels against float64, on every level that runs here."""

from __future__ import annotations

import ctypes
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from kernels.cpu.library import Library

NAMES = ("log2", "exp2", "exp", "cbrt", "sinpi", "cospi", "pow", "atan2", "fast_log2", "half")
NAMES += ("sqrt", "clamp01")
F64 = NDArray[np.float64]


def run(compiled: Library, name: str, x: Any, y: Any = None) -> F64:
    """Return a function of float32 values as the library makes it, in float64."""
    given = np.ascontiguousarray(x, np.float32)
    second = given if y is None else np.ascontiguousarray(y, np.float32)
    out = np.full_like(given, -7.0)
    as_pointer = [ctypes.c_void_p(a.ctypes.data) for a in (given, second, out)]
    missing = compiled.code.verdigris_map(NAMES.index(name), *as_pointer, given.size)
    assert not missing
    return out.astype(np.float64)


def spread(low: float, high: float, count: int = 200_003) -> NDArray[np.float32]:
    """Return values evenly spread in their logarithm."""
    return np.geomspace(low, high, count).astype(np.float32)


TURNS = np.linspace(-40, 40, 200_003, dtype=np.float32)
CASES: list[tuple[str, NDArray[np.float32], Callable[[F64], F64], float, float]] = [
    # name, values, float64's, absolute error, relative error
    ("log2", spread(1e-38, 3e38), np.log2, 3e-7, 1e-7),
    ("fast_log2", spread(0.0078125, 65504), np.log2, 2e-7, 1e-7),
    ("exp2", np.linspace(-125, 127, 200_003, dtype=np.float32), np.exp2, 0.0, 2e-7),
    ("exp", np.linspace(-86, 88, 200_003, dtype=np.float32), np.exp, 0.0, 2e-7),
    ("cbrt", spread(1e-6, 1e6), np.cbrt, 0.0, 2e-7),
    (
        "sinpi",
        np.linspace(-40, 40, 200_003, dtype=np.float32),
        lambda x: np.sin(np.pi * x),
        3e-7,
        0,
    ),
    (
        "cospi",
        np.linspace(-40, 40, 200_003, dtype=np.float32),
        lambda x: np.cos(np.pi * x),
        3e-7,
        0,
    ),
    ("sqrt", spread(1e-30, 1e30), np.sqrt, 0.0, 6e-8),
]


@pytest.mark.parametrize("case", CASES, ids=[case[0] for case in CASES])
def test_errors_are_as_stated(compiled: Library, case: tuple[Any, ...]) -> None:
    """Source: NumPy in float64, of the same float32 values."""
    name, x, exact, absolute, relative = case
    expected = exact(x.astype(np.float64))
    error = np.abs(run(compiled, name, x) - expected)
    assert (error <= absolute + relative * np.abs(expected)).all(), error.max()


def test_powers(compiled: Library) -> None:
    """Source: NumPy in float64; the error grows with the exponent of the result."""
    rng = np.random.default_rng(1)
    x = np.exp(rng.uniform(-8, 8, 100_001)).astype(np.float32)
    y = rng.uniform(-4, 4, x.size).astype(np.float32)
    expected = x.astype(np.float64) ** y
    relative = np.abs(run(compiled, "pow", x, y) / expected - 1)
    allowed = 2e-7 * (1 + np.abs(y * np.log2(x.astype(np.float64))))
    assert (relative <= allowed).all()
    assert run(compiled, "pow", [0.0, 1.0, 4.0], [2.5, 3.0, 0.5]).tolist() == [0.0, 1.0, 2.0]


def test_angles(compiled: Library) -> None:
    """Source: NumPy in float64, in all quadrants and on the axes."""
    rng = np.random.default_rng(2)
    y, x = rng.normal(0, 10.0 ** rng.uniform(-6, 6, (2, 100_001)))
    y, x = y.astype(np.float32), x.astype(np.float32)
    y[:4], x[:4] = (0, 0, 1, -1), (1, -1, 0, 0)
    expected = np.arctan2(y.astype(np.float64), x)
    assert np.abs(run(compiled, "atan2", y, x) - expected).max() < 4e-7
    assert run(compiled, "atan2", [0.0], [0.0]) == 0


def test_what_is_not_finite_keeps_its_meaning(compiled: Library) -> None:
    """Source: IEEE 754-2019, section 9.2.1, and the C standard's annex F."""
    odd = [np.inf, -np.inf, np.nan, 0.0, -1.0]
    with np.errstate(all="ignore"):
        for name, exact in (("log2", np.log2), ("exp2", np.exp2), ("exp", np.exp)):
            np.testing.assert_allclose(run(compiled, name, odd), exact(odd), rtol=1e-6)
    assert run(compiled, "clamp01", odd).tolist() == [1.0, 0.0, 0.0, 0.0, 0.0]
    assert run(compiled, "exp", [-1000.0, 1000.0]).tolist() == [0.0, np.inf]


def test_halves_round_to_even(compiled: Library) -> None:
    """Source: NumPy's own conversion: every half, what lies between two, infinities, subnormals."""
    halves = np.arange(0x7C00, dtype=np.uint16).view(np.float16).astype(np.float32)
    between = np.nextafter((halves[1:] + halves[:-1]) / 2, np.float32(np.inf))
    x = np.concatenate(
        [halves, -halves, (halves[1:] + halves[:-1]) / 2, between, [np.inf, -np.inf]]
    )
    assert np.array_equal(run(compiled, "half", x), x.astype(np.float16).astype(np.float64))
    assert np.isnan(run(compiled, "half", [np.nan])).all()
