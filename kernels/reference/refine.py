"""Refinements of a matte: despeckle, guide, levels with soft edges kept, choke, soften.

Mattes are ``(h, w)`` in 0..1 and stay there; float64 in gives float64 out, everything else float32.
A setting of zero is the identity. Radii count lines; across they are divided by the pixel aspect
(`stages.radii_px`), and with square pixels both are the same. Each docstring names the operation's
halo: how far a pixel's result looks. Pixels outside the frame: `blur` repeats the frame's edge; all
else leaves them out, so a tile that ends where the frame ends gives what the frame gives.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from kernels.plan import gauss_radius, num
from kernels.recipe import Refine
from kernels.reference import colour
from kernels.reference.extract import mix, ramp
from kernels.reference.octagon import dilate as dilate
from kernels.reference.octagon import erode as erode
from kernels.reference.octagon import slide, square
from kernels.stages import radii_px

Array = NDArray[Any]

BOX_ACROSS_LIMIT_PX = 24
"""`despeckle`'s boxes are never wider, however narrow pixels are."""
GUIDE_ACROSS_LIMIT_PX = 120
"""`guide`'s boxes never reach further across, however narrow pixels are."""


# ---------------------------------------------------------------- despeckle


def box_across(lines: int, pixel_aspect: float) -> int:
    """Return how many pixels wide the box is that is `lines` high: whole pixels that fit, from 1.

    A millionth of a pixel is forgiven, so that rounding decides nothing.
    """
    across, _ = radii_px(1.0, pixel_aspect)
    return min(max(1, int(lines * across + 1e-6)), BOX_ACROSS_LIMIT_PX)


def _lower_specks(m: Array, size: int, pixel_aspect: float) -> Array:
    """`despeckle`'s T for whole sizes: min(m, min over boxes around it of the ring's maximum)."""
    h, w = m.shape
    reach = box_across(size, pixel_aspect) if size else 0
    padded = np.pad(m, ((size, size), (reach, reach)), constant_values=-np.inf)
    across, down = padded, padded  # maxima over runs of the box's width and height + 2 pixels
    run = 1
    down = slide(down, np.maximum, 2, 0)
    out = m
    for n in range(1, size + 1):
        wide = box_across(n, pixel_aspect)
        while run < wide + 2:
            across = np.maximum(across[:, :-1], padded[:, run:])
            run += 1
        down = np.maximum(down[:-1], padded[n + 1 :])
        ring = np.maximum(across[: -n - 1], across[n + 1 :])
        ring = np.maximum(ring, np.maximum(down[:, : -wide - 1], down[:, wide + 1 :]))
        ring = ring[size - n : size + h - 1, reach - wide : reach + w - 1]
        ring = np.where(np.isneginf(ring), np.inf, ring).astype(m.dtype)
        lowest = slide(slide(ring, np.minimum, n, 0), np.minimum, wide, 1)
        out = np.minimum(out, lowest)
    return np.asarray(out)


def _lower_specks_between(m: Array, size_px: float, pixel_aspect: float) -> Array:
    whole = int(size_px)
    out = _lower_specks(m, whole, pixel_aspect)
    share = size_px - whole
    return out if share == 0 else mix(out, _lower_specks(m, whole + 1, pixel_aspect), share)


def despeckle(m: Array, holes_px: float, specks_px: float, pixel_aspect: float = 1.0) -> Array:
    """Fill holes, then remove specks, that fit in a box of the given width with a clean ring.

    Specks of whole width W: T(m) = min(m, min over n = 1..W, over the n×n boxes that contain the
    pixel, of the maximum of m on the ring of pixels around the box). A speck is lowered to the
    highest value around it. Nothing wider or longer than W is touched: whatever hangs together
    (8 neighbours) at its own level and doesn't fit in the box crosses every ring, so edges and
    hair keep their bits. Ring pixels outside the frame don't count; a ring wholly outside doesn't
    either. Between whole widths the two results are mixed. Holes: 1 − m in place of m.
    Never rises with specks_px, never falls with holes_px. Only comparisons: exact on every engine.
    Where pixels are not square a box n lines high is `box_across` pixels wide, at most
    `BOX_ACROSS_LIMIT_PX`. Halo ceil(holes_px) + ceil(specks_px), across by those widths. Related to
    the attribute openings of Breen & Jones 1996, with bounded support instead of connected
    components.
    """
    if holes_px > 0:
        m = -_lower_specks_between(-m, holes_px, pixel_aspect)
    if specks_px > 0:
        m = _lower_specks_between(m, specks_px, pixel_aspect)
    return m


# ---------------------------------------------------------------- boxes and the guided filter


def box_mean(plane: Array, across_px: float, down_px: float | None = None) -> Array:
    """Mean over a box of 2·radius + 1 pixels a side, of those inside the frame. float64 out.

    down_px: as across_px if it is not given. A fractional radius takes the pixels at
    floor(radius) + 1 by its fraction. Any values. Halo ceil of the radii.
    """
    plane = plane.astype(np.float64)
    for axis, radius_px in ((1, across_px), (0, across_px if down_px is None else down_px)):
        total = _box_sum(plane, radius_px, axis)
        shape = [1, 1]
        shape[axis] = plane.shape[axis]
        plane = total / _box_sum(np.ones(shape), radius_px, axis)
    return plane


def _box_sum(plane: Array, radius_px: float, axis: int) -> Array:
    size = plane.shape[axis]
    whole = int(radius_px)
    share = radius_px - whole
    before = [(0, 0), (0, 0)]
    before[axis] = (1, 0)
    sums = np.pad(np.cumsum(plane, axis=axis), before)
    at = np.arange(size)

    def total(radius: int) -> Array:
        last = np.take(sums, np.minimum(at + radius + 1, size), axis=axis)
        return np.asarray(last - np.take(sums, np.maximum(at - radius, 0), axis=axis))

    inner = total(whole)
    return inner if share == 0 else inner * (1 - share) + total(whole + 1) * share


def guide_radius(radius_px: float) -> int:
    """Whole radius of the guided filter's boxes: the nearest, at least 1 unless it is 0."""
    return max(1, int(radius_px + 0.5)) if radius_px > 0 else 0


def guide_radii(radius_px: float, pixel_aspect: float = 1.0) -> tuple[int, int]:
    """Return `guide_radius` across and down; across at most `GUIDE_ACROSS_LIMIT_PX`."""
    across, down = (guide_radius(radius) for radius in radii_px(radius_px, pixel_aspect))
    return min(across, GUIDE_ACROSS_LIMIT_PX), down


def guide(
    m: Array, guide_plane: Array, radius_px: float, smoothness: float, pixel_aspect: float = 1.0
) -> Array:
    """Guided filter: in every window the matte as a straight line of the guide.

    a = cov(I, m)/(var(I) + smoothness), b = mean(m) − a·mean(I), result = clamp(mean(a)·I +
    mean(b), 0, 1); means over boxes of `guide_radii` that end at the frame. I: luminance
    of the ACEScct plate, (h, w).
    All sums in float64. Halo twice `guide_radii`.
    Source: He, Sun & Tang 2013, "Guided image filtering", eq. 5, 6 and 8.
    """
    r = guide_radii(radius_px, pixel_aspect)
    if radius_px <= 0:
        return m
    i, p = guide_plane.astype(np.float64), m.astype(np.float64)
    mean_i, mean_p = box_mean(i, *r), box_mean(p, *r)
    variance = np.maximum(box_mean(i * i, *r) - mean_i * mean_i, 0)
    a = (box_mean(i * p, *r) - mean_i * mean_p) / (variance + smoothness)
    b = mean_p - a * mean_i
    return np.clip(box_mean(a, *r) * i + box_mean(b, *r), 0, 1).astype(m.dtype)


# ---------------------------------------------------------------- levels, choke, soften


def levels(m: Array, clear_below: float, solid_above: float) -> Array:
    """clamp((m − clear)/(solid − clear), 0, 1); a step at `clear_below` if not under `solid_above`.

    Pointwise. Common practice, no source.
    """
    return ramp(m, clear_below, solid_above)


def protect_edges(
    before: Array, levelled: Array, px: float, amount: float = 1.0, pixel_aspect: float = 1.0
) -> Array:
    """Blend the matte before levels back in, along the levelled matte's soft boundary.

    L = levelled; edge = max(4·L·(1 − L), max − min of L over 3×3); near = `dilate` of edge by px/2,
    then `box_mean` of radius px/2; result = mix(L, before, amount·min(px, 1)·near). So clean core
    and clean screen farther than px from a soft edge stay as levelled, and amount, 0..1, blends
    from the levelled matte to the protected one. Halo 2·ceil(px/2) + 1. Across, px is divided by
    the pixel aspect (the 3×3 pixels in which an edge is seen are the sampling's, and stay).
    Common practice, no source.
    """
    if px <= 0 or amount <= 0:
        return levelled
    extent = -square(-levelled, 1) - square(levelled, 1)
    edge = np.maximum(4 * levelled * (1 - levelled), extent)
    grown = dilate(edge, px / 2, pixel_aspect)
    near = box_mean(grown, *radii_px(px / 2, pixel_aspect)) * (amount * min(px, 1.0))
    return mix(levelled, before, np.clip(near, 0, 1).astype(levelled.dtype))


def choke(m: Array, px: float, pixel_aspect: float = 1.0) -> Array:
    """Draw the edge in by px (`erode`), or let it out for negative px (`dilate`).

    Continuous in px, never rises with it; a fraction of a pixel moves a straight ramp by that
    fraction. Halo ceil(|px|).
    """
    if px == 0:
        return m
    return erode(m, px, pixel_aspect) if px > 0 else dilate(m, -px, pixel_aspect)


def gauss_weights(sigma_px: float) -> Array:
    """Weights exp(−d²/2σ²) at d = −r..r, r = `plan.gauss_radius`, sum 1, float64."""
    r = gauss_radius(sigma_px)
    if r == 0:
        return np.ones(1)
    w = np.exp(-0.5 * (np.arange(-r, r + 1) / sigma_px) ** 2)
    return np.asarray(w / w.sum())


def blur(plane: Array, sigma_px: float, pixel_aspect: float = 1.0) -> Array:
    """Sampled Gaussian of standard deviation sigma_px, cut at 3σ, the frame's edge repeated.

    (..., h, w), any values; rows first, then columns, sums in float64. sigma_px counts lines and is
    divided by the pixel aspect across; a radius under half a pixel is the identity on its axis, and
    sigma_px <= 0 on both. Halo `plan.gauss_radius` of each.
    """
    plane = colour.as_float(plane)
    for axis, sigma in zip((-1, -2), radii_px(sigma_px, pixel_aspect), strict=True):
        if gauss_radius(sigma):
            plane = np.asarray(
                ndimage.correlate1d(plane, gauss_weights(sigma), axis=axis, mode="nearest")
            )
    return plane


def soften(m: Array, px: float, pixel_aspect: float = 1.0) -> Array:
    """`blur` of the matte."""
    return blur(m, px, pixel_aspect)


def refine(
    m: Array, settings: Refine, luma: Array | None = None, pixel_aspect: float = 1.0
) -> Array:
    """The whole chain: despeckle, guide, levels with protect_edges, choke, soften.

    m: (h, w). luma: luminance of the ACEScct values of the pass the matte was made from, (h, w);
    only looked at where the guide's radius is above 0. Halo `plan.refine_halo(settings,
    pixel_aspect)`.
    """
    m = colour.as_float(m)
    speckle = settings.despeckle
    m = despeckle(m, num(speckle.holes_px), num(speckle.specks_px), pixel_aspect)
    radius = num(settings.guide.radius_px)
    if radius > 0:
        if luma is None:
            raise ValueError("the guide needs the plate's log luminance")
        m = guide(m, luma, radius, num(settings.guide.smoothness), pixel_aspect)
    levelled = levels(m, num(settings.levels.clear_below), num(settings.levels.solid_above))
    protect = settings.protect_edges
    m = protect_edges(m, levelled, num(protect.distance_px), num(protect.amount), pixel_aspect)
    m = choke(m, num(settings.choke_px), pixel_aspect)
    return soften(m, num(settings.soften_px), pixel_aspect)
