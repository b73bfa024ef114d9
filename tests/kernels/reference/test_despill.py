"""Spill removal, fills and saturation: worked by hand, and what must never happen."""

from __future__ import annotations

import colorsys
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from kernels.plan import AP1_WEIGHTS, Context, build_plan
from kernels.recipe import (
    ColourDifference,
    CurvePoint,
    DespillPass,
    HueCurve,
    Noise,
    Primary,
    Recipe,
    Screen,
)
from kernels.reference import despill as n
from kernels.reference import execute
from kernels.reference.colour import luminance

GREEN = Context("green", (0.05, 0.35, 0.07), Noise())
WEIGHTS = np.array(AP1_WEIGHTS)


def curve(*points: tuple[float, float]) -> HueCurve:
    return HueCurve(points=[CurvePoint(hue_deg=h, value=v) for h, v in sorted(points)])


def pixel(*rgb: float) -> Any:
    return np.array(rgb, dtype=np.float64).reshape(3, 1, 1)


def run(image: Any, step: DespillPass, ctx: Context = GREEN, **given: Any) -> Any:
    return n.despill_pass(image, step, ctx, tables=n.pass_tables(step), **given)


curves = st.lists(
    st.tuples(st.floats(0, 360, exclude_max=True), st.floats(0, 2)),
    max_size=6,
    unique_by=lambda p: p[0],
).map(lambda points: curve(*points))
passes = st.builds(
    DespillPass,
    limit=st.sampled_from(["average", "larger", "smaller", "weighted"]),
    weight=st.floats(0, 1),
    amount=st.floats(0, 1),
    fill=st.sampled_from(["none", "grey", "background"]),
    fill_amount=st.floats(0, 1),
    spill_by_hue=curves,
    saturation_by_hue=curves,
)
images = hnp.arrays(
    np.float32,
    hnp.array_shapes(min_dims=2, max_dims=2, max_side=7).map(lambda s: (3, *s)),
    elements=st.floats(-0.5, 4, width=32),
)
primaries = st.sampled_from(["red", "green", "blue"])


@pytest.mark.parametrize(
    ("limit", "left"),
    [("average", 0.3), ("larger", 0.4), ("smaller", 0.2), ("weighted", 0.35)],
)
@pytest.mark.parametrize("primary", ["red", "green", "blue"])
def test_the_primary_is_held_to_its_limit(limit: Any, left: float, primary: Primary) -> None:
    """Source: worked by hand: others 0.4 and 0.2, weight 0.75, so 0.3, 0.4, 0.2, 0.35."""
    ctx = Context(primary, (0.0, 0.0, 0.0), Noise())
    image = np.zeros((3, 1, 1))
    image[ctx.k], image[ctx.others[0]], image[ctx.others[1]] = 0.9, 0.4, 0.2
    step = DespillPass(limit=limit, weight=0.75, fill="none")
    got = run(image, step, ctx)
    assert got[ctx.k] == pytest.approx(left)
    assert np.array_equal(got[list(ctx.others)], image[list(ctx.others)])
    half = run(image, step.model_copy(update={"amount": 0.5}), ctx)
    assert half[ctx.k] == pytest.approx((0.9 + left) / 2)


def test_pixels_without_excess_and_negative_others() -> None:
    """Source: worked by hand: s = max(0, p_k - max(limit, 0))."""
    step = DespillPass(fill="none", limit="average")
    same = pixel(0.5, 0.2, 0.1)
    assert np.array_equal(run(same, step), same)
    assert run(pixel(-0.3, 0.4, -0.1), step).ravel() == pytest.approx([-0.3, 0.0, -0.1])
    assert np.array_equal(run(pixel(-0.3, -0.2, -0.5), step), pixel(-0.3, -0.2, -0.5))


def test_grey_fill_keeps_luminance() -> None:
    """Source: worked by hand: taking s from one channel takes s w_k of luminance."""
    image = np.random.default_rng(1).uniform(0, 2, (3, 40, 30))
    got = run(image, DespillPass(fill="grey"))
    assert np.abs(got - image).max() > 0.3
    np.testing.assert_allclose(
        np.tensordot(WEIGHTS, got, 1), np.tensordot(WEIGHTS, image, 1), atol=1e-12
    )
    # s = 0.6 - 0.2 = 0.4, grey 0.4 w_g
    by_hand = np.array([0.1, 0.2, 0.3]) + 0.5 * 0.4 * WEIGHTS[1]
    got = run(pixel(0.1, 0.6, 0.3), DespillPass(fill="grey", fill_amount=0.5))
    np.testing.assert_allclose(got.ravel(), by_hand, atol=1e-12)


def test_background_fill_puts_the_background_where_the_screen_was() -> None:
    """Source: worked by hand: (s / e(c)) background, share 1 on bare screen and held there."""
    step = DespillPass(fill="background", limit="average")
    c, background = pixel(0.05, 0.35, 0.07), pixel(0.4, 0.3, 0.2)
    excess = n.clean_excess(c, step, GREEN)
    assert excess.item() == pytest.approx(0.35 - 0.06)
    bare = run(c, step, excess_clean=excess, fill=background)
    np.testing.assert_allclose(bare.ravel(), [0.45, 0.36, 0.27], atol=1e-12)
    half = run(pixel(0.025, 0.175, 0.035), step, excess_clean=excess, fill=background)
    np.testing.assert_allclose(half.ravel(), [0.225, 0.18, 0.135], atol=1e-12)
    bright = run(3 * c, step, excess_clean=excess, fill=background)
    np.testing.assert_allclose(bright.ravel(), [0.55, 0.48, 0.41], atol=1e-12)
    assert n.clean_excess(pixel(0.4, 0.2, 0.4), step, GREEN).item() == n.EXCESS_FLOOR


def test_hue_table_meets_its_points_and_wraps() -> None:
    """Source: Fritsch & Carlson 1980: a monotone cubic stays between the values it combines."""
    assert np.array_equal(n.hue_table(HueCurve()), np.ones(360, np.float32))
    assert np.array_equal(n.hue_table(curve((77.0, 0.25))), np.full(360, 0.25, np.float32))
    table = n.hue_table(curve((10.0, 0.0), (120.0, 2.0), (300.0, 1.0)))
    assert table.dtype == np.float32
    assert table[[10, 120, 300]] == pytest.approx([0, 2, 1])
    assert np.all(np.diff(table[10:121]) >= 0)
    assert np.all(np.diff(table[120:301]) <= 0)
    around = np.concatenate([table[300:], table[:11]])
    assert np.all(np.diff(around) <= 0)
    assert abs(around[60] - around[59]) < 0.05


@given(curves, st.floats(0, 360, exclude_max=True, width=32))
def test_sampled_curve_stays_within_its_values(hue_curve: HueCurve, hue: float) -> None:
    """Source: Fritsch & Carlson 1980; linear interpolation by numpy.interp, periodic."""
    table = n.hue_table(hue_curve)
    got = n.sample_hue(table, np.array([hue], dtype=np.float64))
    oracle = np.interp(hue, np.arange(361), np.append(table, table[0]).astype(np.float64))
    assert got.item() == pytest.approx(oracle, abs=1e-6)
    values = [point.value for point in hue_curve.points] or [1.0]
    assert min(values) - 1e-6 <= got.item() <= max(values) + 1e-6


@pytest.mark.parametrize(
    "rgb", [(0.2, 0.7, 0.1), (0.1, 0.9, 0.5), (0.1, 0.2, 0.8), (0.4, 0.1, 0.5)]
)
def test_curve_acts_at_the_pixels_linear_hue(rgb: tuple[float, float, float]) -> None:
    """Source: Python's colorsys, hue of the linear values."""
    hue = 360 * colorsys.rgb_to_hsv(*rgb)[0]
    assert n.pixel_hue(pixel(*rgb)).item() == pytest.approx(hue, abs=1e-9)
    there = curve(((hue - 40) % 360, 0.0), (hue, 1.0), ((hue + 40) % 360, 0.0))
    table = n.hue_table(there)
    step = DespillPass(limit="smaller")
    ctx = Context("blue" if rgb[2] > rgb[1] else "green", (0, 0, 0), Noise())
    full = n.spill_amount(pixel(*rgb), step, ctx, None)
    np.testing.assert_allclose(n.spill_amount(pixel(*rgb), step, ctx, table), full, rtol=0.01)
    away = n.spill_amount(pixel(*rgb), step, ctx, np.roll(table, 180))
    assert away.item() == pytest.approx(0, abs=1e-12)


def test_a_curve_above_one_removes_no_more_than_all() -> None:
    """Common practice, no source."""
    step = DespillPass(fill="none", spill_by_hue=curve((0.0, 2.0)))
    assert run(pixel(0.1, 0.6, 0.3), step).ravel() == pytest.approx([0.1, 0.2, 0.3])


def test_saturation_about_luminance() -> None:
    """Source: worked by hand: Y + f (x - Y); f at most Y / (Y - smallest)."""
    image = np.random.default_rng(2).uniform(0, 1.5, (3, 20, 20))
    y = luminance(image, AP1_WEIGHTS)
    grey = n.saturate(image, np.zeros_like(y), AP1_WEIGHTS)
    np.testing.assert_allclose(grey, np.stack([y, y, y]), atol=1e-12)
    np.testing.assert_allclose(n.saturate(image, np.ones_like(y), AP1_WEIGHTS), image, atol=1e-12)
    more = n.saturate(image, np.full_like(y, 1.2), AP1_WEIGHTS)
    np.testing.assert_allclose(luminance(more, AP1_WEIGHTS), y, atol=1e-12)
    free = y + 1.2 * (image - y)
    inside = free.min(axis=0) >= 0
    assert 0.2 < inside.mean() < 1
    np.testing.assert_allclose(more[:, inside], free[:, inside], atol=1e-12)
    held = more[:, ~inside]
    np.testing.assert_allclose(held.min(axis=0), 0, atol=1e-12)


@settings(max_examples=200, deadline=None)
@given(images, passes, primaries, st.integers(0, 2**31))
def test_no_channel_crosses_zero_and_all_is_finite(
    image: Any, step: DespillPass, primary: Primary, seed: int
) -> None:
    """Source: the rule stated for the operation: no channel that was >= 0 becomes negative."""
    rng = np.random.default_rng(seed)
    ctx = Context(primary, (0.1, 0.1, 0.1), Noise())
    fill = rng.uniform(-1, 3, image.shape).astype(np.float32)
    clean = rng.uniform(-0.1, 0.6, image.shape).astype(np.float32)
    mask = rng.uniform(0, 1, image.shape[1:]).astype(np.float32)
    excess = n.clean_excess(clean, step, ctx)
    for m in (None, mask):
        got = run(image, step, ctx, excess_clean=excess, fill=fill, mask=m)
        assert got.dtype == np.float32
        assert got.shape == image.shape
        assert np.isfinite(got).all()
        assert (got[image >= 0] >= 0).all()


@settings(max_examples=60, deadline=None)
@given(images, passes)
def test_identity_settings_change_nothing(image: Any, step: DespillPass) -> None:
    """Source: a zero setting of every operation is the identity."""
    off = step.model_copy(update={"amount": 0.0, "saturation_by_hue": HueCurve()})
    assert np.array_equal(run(image, off), image)
    clear = np.zeros(image.shape[1:], np.float32)
    assert np.array_equal(run(image, step, mask=clear), image)
    recipe = Recipe(despill=[step.model_copy(update={"on": False})])
    assert n.despill(image, recipe, GREEN) is image
    neutral = step.model_copy(update={"saturation_by_hue": curve((0.0, 1.0)), "amount": 0.0})
    np.testing.assert_allclose(run(image, neutral), image, atol=2e-6)


@settings(max_examples=60, deadline=None)
@given(passes, passes, st.integers(1, 23), st.integers(1, 23), st.integers(0, 2**31))
def test_tiles_equal_the_whole_to_the_last_bit(
    first: DespillPass, second: DespillPass, width: int, height: int, seed: int
) -> None:
    """Source: pointwise work cannot depend on the tile."""
    rng = np.random.default_rng(seed)
    image, clean, fill = rng.uniform(-0.2, 2, (3, 3, height, width)).astype(np.float32)
    mask = rng.uniform(0, 1, (height, width)).astype(np.float32)
    recipe = Recipe(despill=[first, second])

    def over(rows: slice, columns: slice) -> Any:
        at = (slice(None), rows, columns)
        return n.despill(
            image[at],
            recipe,
            GREEN,
            clean=clean[at],
            fills={second.id: fill[at]},
            masks={first.id: mask[rows, columns]},
        )

    whole = over(slice(None), slice(None))
    y, x = height // 2, width // 3
    for rows in (slice(0, y + 1), slice(y, None)):
        for columns in (slice(0, x + 1), slice(x, None)):
            assert np.array_equal(over(rows, columns), whole[:, rows, columns])


def test_masks_limit_a_pass() -> None:
    """Source: worked by hand: mix(before, after, shapes * matte)."""
    image = pixel(0.1, 0.6, 0.3)
    step = DespillPass(fill="none")
    half = run(image, step, mask=np.full((1, 1), 0.5))
    assert half.ravel() == pytest.approx([0.1, 0.4, 0.3])
    shapes, matte = np.full((1, 1), 0.5), np.full((1, 1), 0.2)
    assert n.pass_mask(step, None, None) is None
    assert n.pass_mask(step, shapes, None) is shapes
    assert n.pass_mask(step, shapes, matte) == pytest.approx(0.1)
    inverted = DespillPass(mask_inverted=True)
    assert n.pass_mask(inverted, shapes, matte) == pytest.approx(0.4)


def test_float64_stays_and_agrees_with_float32() -> None:
    """Source: the same formulas in double precision."""
    image = np.random.default_rng(5).uniform(-0.2, 3, (3, 31, 17))
    step = DespillPass(
        spill_by_hue=curve((20.0, 0.3), (130.0, 1.0)),
        saturation_by_hue=curve((0.0, 1.4), (180.0, 0.6)),
    )
    double, single = run(image, step), run(image.astype(np.float32), step)
    assert (double.dtype, single.dtype) == (np.float64, np.float32)
    error = np.abs(double - single)
    assert np.quantile(error, 0.99) < 2e-6
    assert error.max() < 1e-4


def test_matte_and_despilled_colour_are_independent() -> None:
    """Common practice, no source: colour side and matte side never touch, masked passes apart."""
    rng = np.random.default_rng(7)
    plate = rng.uniform(0, 1, (3, 24, 32)).astype(np.float32)
    wanted = ("alpha", "despilled")

    def results(gain: float, amount: float) -> dict[str, Any]:
        recipe = Recipe(
            screen=Screen(),
            extractors=[ColourDifference(id="a", gain=gain)],
            despill=[DespillPass(id="n", amount=amount)],
        )
        plan = build_plan(recipe, 1, ("plate",))
        return execute.planes(plan, {"plate": plate}, wanted)

    base, other_key, other_colour = results(1.0, 1.0), results(1.7, 1.0), results(1.0, 0.3)
    assert np.array_equal(base["despilled"], other_key["despilled"])
    assert not np.array_equal(base["alpha"], other_key["alpha"])
    assert np.array_equal(base["alpha"], other_colour["alpha"])
    assert not np.array_equal(base["despilled"], other_colour["despilled"])
