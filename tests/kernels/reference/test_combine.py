"""Joining mattes: each combine by hand, the average's weights, and what shapes leave alone."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kernels import recipe as rc
from kernels.reference.combine import combine, combine_all

SETTINGS = settings(max_examples=30, deadline=None)
COMBINES = ["max", "min", "union", "multiply", "subtract", "difference", "average"]
combines = st.sampled_from(COMBINES)
seeds = st.integers(0, 2**31 - 1)
strengths = st.floats(0, 1)


def extractor(how: Any = None, strength: float = 1.0, **more: Any) -> rc.ExtractorBase:
    return rc.ValueBand(combine=how, strength=strength, **more)


def mattes(seed: int, count: int = 2, size: tuple[int, int] = (7, 5)) -> list[Any]:
    rng = np.random.default_rng(seed)
    made = rng.random((count, *size)).astype(np.float32)
    return list(np.where(rng.random(made.shape) < 0.3, np.round(made), made))


@pytest.mark.parametrize(
    ("how", "expected"),
    [
        ("max", 0.75),
        ("min", 0.5),
        ("union", 0.875),
        ("multiply", 0.375),
        ("subtract", 0.25),
        ("difference", 0.25),
        ("average", 0.625),
    ],
)
def test_each_join_by_hand(how: Any, expected: float) -> None:
    """0.75 then 0.5. Source: the combines' definitions, worked by hand (screen: 1 - 0.25*0.5)."""
    a, b = np.full((1, 1), 0.75, np.float32), np.full((1, 1), 0.5, np.float32)
    first, second = extractor(), extractor(how)
    assert combine_all([(a, first), (b, second)]).item() == expected
    half = combine_all([(a, first), (b, extractor(how, 0.5))]).item()
    if how == "average":
        assert half == pytest.approx((0.75 + 0.5 * 0.5) / 1.5)
    else:
        assert half == pytest.approx((0.75 + expected) / 2)


def test_subtract_stops_at_zero_and_difference_does_not() -> None:
    """0.25 then 0.75. Source: max(0, a - b) and |a - b|, worked by hand."""
    a, b = np.full((1, 1), 0.25), np.full((1, 1), 0.75)
    assert combine(a, b, extractor("subtract")).item() == 0
    assert combine(a, b, extractor("difference")).item() == 0.5


def test_the_role_decides_the_default_join() -> None:
    """Core combines by max, edge by screen. Common practice, no source."""
    a, b = mattes(1)
    first = extractor()
    core = combine_all([(a, first), (b, extractor(role="core"))])
    edge = combine_all([(a, first), (b, extractor(role="edge"))])
    assert np.array_equal(core, np.maximum(a, b))
    assert np.allclose(edge, 1 - (1 - a) * (1 - b), atol=1e-7)


def test_the_first_extractor_in_force_starts() -> None:
    """Its combine doesn't matter, its strength does; those that are off are left out.

    Common practice, no source.
    """
    a, b = mattes(2)
    off = extractor("multiply", on=False)
    got = combine_all([(a, off), (b, extractor("subtract", 0.5))])
    assert np.array_equal(got, np.float32(0.5) * b)
    assert np.array_equal(combine_all([(a, off)], (2, 3)), np.ones((2, 3)))
    assert combine_all([], (2, 3), np.float64).dtype == np.float64


@SETTINGS
@given(seeds, combines, strengths)
def test_joins_stay_in_range_and_strength_0_changes_nothing(
    seed: int, how: Any, strength: float
) -> None:
    """Common practice, no source."""
    a, b = mattes(seed)
    got = combine(a, b, extractor(how, strength))
    assert got.dtype == np.float32
    assert got.min() >= 0
    assert got.max() <= 1 + 1e-6
    assert np.array_equal(combine(a, b, extractor(how, 0.0)), a)
    assert combine(a.astype(np.float64), b.astype(np.float64), extractor(how)).dtype == np.float64


@SETTINGS
@given(seeds, strengths, strengths, strengths, st.permutations([0, 1, 2]))
def test_an_average_run_is_one_weighted_mean_in_any_order(
    seed: int, s1: float, s2: float, s3: float, order: list[int]
) -> None:
    """Source: the weighted mean, what stood before the run weighing 1; NumPy's average."""
    base, *rest = mattes(seed, 4)
    weights = [s1, s2, s3]
    run = [(rest[n], extractor("average", weights[n])) for n in order]
    got = combine_all([(base, extractor()), *run])
    expected = np.average([base, *rest], axis=0, weights=[1, *weights])
    assert np.allclose(got, expected, atol=1e-6)


def test_another_join_ends_an_average_run() -> None:
    """average, max, average: the second mean starts again with weight 1. Worked by hand.

    Common practice, no source.
    """
    a, b, c, d = (np.full((1, 1), v) for v in (0.0, 1.0, 0.8, 0.0))
    mean, top = extractor("average"), extractor("max")
    got = combine_all([(a, extractor()), (b, mean), (c, top), (d, mean)]).item()
    assert got == pytest.approx(0.4)
    inert = combine_all([(a, extractor()), (b, mean), (b, mean)]).item()
    assert inert == pytest.approx(2 / 3)


@SETTINGS
@given(seeds, combines, strengths)
def test_outside_its_shapes_an_extractor_changes_nothing(
    seed: int, how: Any, strength: float
) -> None:
    """Whatever the combine: its matte is 0 outside, but min or multiply do not clear the rest.

    Inside it acts as it does without shapes. Common practice, no source.
    """
    a, b = mattes(seed)
    mask = np.zeros_like(a)
    mask[2:5, 1:4] = 1
    e = extractor(how, strength)
    got = combine_all([(a, extractor()), (b * mask, e, mask)])
    assert np.allclose(got[mask == 0], a[mask == 0], atol=1e-6)
    free = combine_all([(a, extractor()), (b, e)])
    assert np.allclose(got[mask == 1], free[mask == 1], atol=1e-6)


@SETTINGS
@given(seeds, st.lists(st.tuples(combines, strengths), min_size=1, max_size=5))
def test_tiles_join_like_the_frame(seed: int, run: list[tuple[Any, float]]) -> None:
    """To the last bit. Source: combines are pointwise."""
    made = mattes(seed, len(run))
    parts = [(m, extractor(how, s)) for m, (how, s) in zip(made, run, strict=True)]
    whole = combine_all(parts)
    tile = combine_all([(m[3:, 2:4], e) for m, e in parts])
    assert np.array_equal(tile, whole[3:, 2:4])
