"""Taking the screen's light out of the picture: spill removal, fill, saturation by hue.

Works on the colour side only and never reads a matte, unless a pass is masked by one. Images are
(3, ...) scene-linear in the working space, k is the screen's primary, i and j the other two.
All functions are pointwise, keep float64 when given float64, and clip nothing silently.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from kernels.plan import Context, num
from kernels.recipe import DespillPass, HueCurve, Recipe
from kernels.reference import extract
from kernels.reference.colour import hue_degrees, luminance

Array = NDArray[Any]
Tables = tuple[Array | None, Array | None]
"""Tables over hue of a pass: factor on the removal, factor on saturation; None is 1 everywhere."""

EXCESS_FLOOR = 1e-6
"""Smallest excess of the screen that a fill is divided by."""
CHROMA_FLOOR = 1e-9
"""A pixel whose channels differ by no more than this has hue 0."""


def hue_table(curve: HueCurve) -> Array:
    """Values of a hue curve at 0, 1 … 359 degrees, (360,) float32.

    Periodic monotone cubic (PCHIP) through the points, which are repeated one turn to each side;
    no points give 1, one point its value. Never negative and never outside the values of the two
    points on either side. Of points less than 0.001 degrees apart the first counts.
    Source: Fritsch & Butland 1984 (the slopes SciPy uses).
    """
    points: list[tuple[float, float]] = []
    for point in curve.points:
        hue = point.hue_deg
        if not points or (hue - points[-1][0] > 1e-3 and points[0][0] + 360 - hue > 1e-3):
            points.append((hue, round(point.value, 6)))
    return _hue_table(tuple(points))


@lru_cache(maxsize=256)
def _hue_table(points: tuple[tuple[float, float], ...]) -> Array:
    if len(points) < 2:
        table = np.full(360, points[0][1] if points else 1.0, dtype=np.float32)
    else:
        hues = np.array([hue + turn for turn in (-360, 0, 360) for hue, _ in points])
        values = np.array([value for _ in range(3) for _, value in points])
        smooth = PchipInterpolator(hues, values)(np.arange(360.0))
        table = np.maximum(smooth, 0).astype(np.float32)
    table.setflags(write=False)
    return table


def sample_hue(table: Array, hue_deg: Array) -> Array:
    """Value of a hue table at `hue_deg`, linear between whole degrees, wrapping at 360.

    Shape of `hue_deg`, its dtype; any finite hue.
    """
    hue = hue_deg - 360 * np.floor(hue_deg / 360)
    left = np.floor(hue)
    index = left.astype(np.int32)
    values = np.append(table, table[:2]).astype(hue_deg.dtype, copy=False)
    low, high = values[index], values[index + 1]
    return np.asarray(low + (high - low) * (hue - left))


def pixel_hue(image: Array) -> Array:
    """Hue in degrees of the linear values, (3, ...) to (...); 0 where max - min <= 1e-9.

    Values below 0 and above 1 count as they are. Source: Smith 1978.
    """
    spread = image.max(axis=0) - image.min(axis=0)
    return np.where(spread <= CHROMA_FLOOR, image.dtype.type(0), hue_degrees(image))


def pass_tables(step: DespillPass) -> Tables:
    """The two tables of a pass; None for a curve without points."""
    spill, saturate = step.spill_by_hue, step.saturation_by_hue
    return (
        hue_table(spill) if spill.points else None,
        hue_table(saturate) if saturate.points else None,
    )


def limit_of(image: Array, p: DespillPass, ctx: Context) -> Array:
    """What the primary may not exceed: max(limit(x_i, x_j), 0), (3, ...) to (...).

    average (x_i + x_j)/2, larger, smaller, or weighted w x_i + (1 - w) x_j.
    """
    i, j = ctx.others
    first, second = image[i], image[j]
    if p.limit == "larger":
        limit = np.maximum(first, second)
    elif p.limit == "smaller":
        limit = np.minimum(first, second)
    else:
        w = image.dtype.type(0.5 if p.limit == "average" else num(p.weight))
        limit = second + (first - second) * w
    return np.asarray(np.maximum(limit, 0))


def excess_over_limit(image: Array, p: DespillPass, ctx: Context) -> Array:
    """max(0, x_k - max(limit(x_i, x_j), 0)), (3, ...) to (...). Never negative."""
    return np.asarray(np.maximum(image[ctx.k] - limit_of(image, p, ctx), 0))


def clean_excess(clean: Array, p: DespillPass, ctx: Context) -> Array:
    """e(c) = c_k - max(limit(c_i, c_j), 0), at least 1e-6, (3, ...) to (...)."""
    excess = clean[ctx.k] - limit_of(clean, p, ctx)
    return np.asarray(np.maximum(excess, clean.dtype.type(EXCESS_FLOOR)))


def spill_amount(image: Array, p: DespillPass, ctx: Context, table: Array | None) -> Array:
    """s = max(0, p_k - max(limit, 0)) * amount * min(spill_by_hue(h), 1), (3, ...) to (...).

    h: hue of the linear pixel before the pass. 0 <= s <= max(p_k, 0): taking s from the primary
    never makes it negative.
    """
    s = excess_over_limit(image, p, ctx)
    factor: Any = image.dtype.type(num(p.amount))
    if table is not None:
        factor = np.minimum(sample_hue(table, pixel_hue(image)), 1) * factor
    return np.asarray(s * factor)


def saturate(image: Array, factor: Array, weights: tuple[float, float, float]) -> Array:
    """x' = Y + f (x - Y) about luminance Y, (3, ...) and (...) to (3, ...).

    f is limited per pixel so that no channel that was >= 0 becomes negative: with Y >= 0 it is at
    most Y / (Y - smallest channel that is >= 0), with Y < 0 at least -Y / (that channel - Y).
    Hue about Y and, up to rounding, luminance are kept.
    """
    y = luminance(image, weights)
    infinite = image.dtype.type(np.inf)
    smallest = np.where(image >= 0, image, infinite).min(axis=0)
    below = (y >= 0) & (smallest < y)
    highest = np.where(below, y / np.where(below, y - smallest, 1), infinite)
    f = np.minimum(factor, highest)
    above = (y < 0) & np.isfinite(smallest)
    if above.any():
        f = np.maximum(f, np.where(above, -y / np.where(above, smallest - y, 1), 0))
    return _no_crossing(image, y + f * (image - y))


def _no_crossing(before: Array, after: Array) -> Array:
    """`after`, but 0 where a channel that was >= 0 went below by rounding or by a negative fill."""
    return np.where(before >= 0, np.maximum(after, 0), after)


def despill_pass(
    image: Array,
    p: DespillPass,
    ctx: Context,
    *,
    tables: Tables = (None, None),
    excess_clean: Array | None = None,
    fill: Array | None = None,
    mask: Array | None = None,
) -> Array:
    """One pass, (3, h, w) to (3, h, w).

    1. s = `spill_amount`; x_k -= s.
    2. fill `grey` adds fill_amount * s * w_k to every channel (luminance is then kept when
       fill_amount is 1); fill `background` adds fill_amount * min(s / e(c), 1) * fill, where `fill`
       is the blurred background (nothing without one) and `excess_clean` is e(c) (`clean_excess`).
    3. saturation about luminance by the hue of what 1 and 2 gave (`saturate`).
    4. mix(image, result, mask); None is everywhere.

    No channel that was >= 0 becomes negative. Identity: amount 0 and an even saturation curve of 1,
    or a mask of 0. Source of the limit: US patent 3,595,987, Vlahos 1971.
    """
    spill_table, saturation_table = tables
    s = spill_amount(image, p, ctx, spill_table)
    out = image.copy()
    out[ctx.k] -= s
    amount = image.dtype.type(num(p.fill_amount))
    if p.fill == "grey":
        out += (s * amount) * image.dtype.type(ctx.weights[ctx.k])
    elif p.fill == "background" and fill is not None and excess_clean is not None:
        share = np.minimum(s / excess_clean, 1) * amount
        out = _no_crossing(out, out + share * fill)
    if saturation_table is not None:
        out = saturate(out, sample_hue(saturation_table, pixel_hue(out)), ctx.weights)
    if mask is None:
        return out
    return np.asarray(image + (out - image) * mask)


def pass_mask(step: DespillPass, shapes: Array | None, matte: Array | None) -> Array | None:
    """Where a pass works: shapes * matte (1 - matte when inverted), each 1 everywhere if None."""
    if matte is not None and step.mask_inverted:
        matte = 1 - matte
    if shapes is None or matte is None:
        return matte if shapes is None else shapes
    return np.asarray(shapes * matte)


def flat_screen(ctx: Context, like: Array) -> Array:
    """The flat screen colour as (3, 1, 1) of the dtype of `like`."""
    return extract.flat_screen(ctx, like.dtype)


def despill(
    image: Array,
    recipe: Recipe,
    ctx: Context,
    *,
    clean: Array | None = None,
    fills: Mapping[str, Array] | None = None,
    masks: Mapping[str, Array | None] | None = None,
) -> Array:
    """All enabled passes in order, (3, h, w) to (3, h, w).

    clean: clean plate, (3, h, w); None is the flat screen. fills: blurred backgrounds, by pass id.
    masks: the areas of `pass_mask`, by pass id. To despill the clean plate itself give it as
    `image` too. Without enabled passes the picture comes back as it is.
    """
    fills, masks = fills or {}, masks or {}
    screen = flat_screen(ctx, image) if clean is None else clean
    for step in recipe.despill:
        if not step.on:
            continue
        fill = fills.get(step.id)
        image = despill_pass(
            image,
            step,
            ctx,
            tables=pass_tables(step),
            excess_clean=None if fill is None else clean_excess(screen, step, ctx),
            fill=fill,
            mask=masks.get(step.id),
        )
    return image
