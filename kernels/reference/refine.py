"""Refinements of a matte: despeckle, guide, levels with soft edges kept, choke, soften.

Mattes are ``(h, w)`` in 0..1 and stay there; float64 in gives float64 out, everything else float32.
A setting of zero is the identity. Each docstring names the operation's halo: how far a pixel's
result looks. Pixels outside the frame: `blur` repeats the frame's edge; everything else leaves them
out, so a tile that ends where the frame ends gives what the frame gives.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from kernels.plan import gauss_radius, num
from kernels.recipe import Refine
from kernels.reference import colour
from kernels.reference.extract import mix, ramp

Array = NDArray[Any]
Pick = Callable[[Array, Array], Array]


# ---------------------------------------------------------------- sliding minima and maxima


def _slide(plane: Array, pick: Pick, length: int, axis: int) -> Array:
    """`pick` (np.minimum or np.maximum) over runs of `length`; the axis gets length − 1 shorter."""
    plane = np.moveaxis(plane, axis, 0)
    have = 1
    while have < length:
        step = min(have, length - have)
        plane = pick(plane[: plane.shape[0] - step], plane[step:])
        have += step
    return np.moveaxis(plane, 0, axis)


def _square(plane: Array, radius: int) -> Array:
    """Minimum over (2·radius + 1)² pixels, those outside the frame left out."""
    padded = np.pad(plane, radius, constant_values=np.inf)
    rows = _slide(padded, np.minimum, 2 * radius + 1, 0)
    return _slide(rows, np.minimum, 2 * radius + 1, 1)


def _cross(plane: Array) -> Array:
    """Minimum over a pixel and its four neighbours, those outside the frame left out."""
    p = np.pad(plane, 1, constant_values=np.inf)
    sides = np.minimum(np.minimum(p[:-2, 1:-1], p[2:, 1:-1]), np.minimum(p[1:-1, :-2], p[1:-1, 2:]))
    return np.asarray(np.minimum(plane, sides))


def erode(m: Array, radius_px: float) -> Array:
    """Minimum over an octagon; between whole radii r and r + 1 the two results mixed.

    Octagon of whole r: |dx| <= r, |dy| <= r, |dx| + |dy| <= r + floor(r/2): the square of radius
    floor(r/2) followed by ceil(r/2) crosses. Each octagon lies inside the next, so the result is
    continuous in radius_px and never rises with it. Any values. Halo ceil(radius_px).
    Source: grey-scale erosion, Serra 1982, by a decomposed footprint.
    """
    whole = int(radius_px)
    share = radius_px - whole
    out = _square(m, whole // 2)
    for _ in range(whole - whole // 2):
        out = _cross(out)
    if share == 0:
        return out
    return mix(out, _cross(out) if whole % 2 == 0 else _square(out, 1), share)


def dilate(m: Array, radius_px: float) -> Array:
    """Maximum over the octagon of `erode`, in the same way. Halo ceil(radius_px)."""
    return -erode(-m, radius_px)


# ---------------------------------------------------------------- despeckle


def _lower_specks(m: Array, size: int) -> Array:
    """`despeckle`'s T for whole sizes: min(m, min over boxes around it of the ring's maximum)."""
    h, w = m.shape
    padded = np.pad(m, size, constant_values=-np.inf)
    across, down = padded, padded  # maxima over runs of n + 2 pixels
    across = _slide(across, np.maximum, 2, 1)
    down = _slide(down, np.maximum, 2, 0)
    out = m
    for n in range(1, size + 1):
        across = np.maximum(across[:, :-1], padded[:, n + 1 :])
        down = np.maximum(down[:-1], padded[n + 1 :])
        ring = np.maximum(across[: -n - 1], across[n + 1 :])
        ring = np.maximum(ring, np.maximum(down[:, : -n - 1], down[:, n + 1 :]))
        ring = ring[size - n : size + h - 1, size - n : size + w - 1]
        ring = np.where(np.isneginf(ring), np.inf, ring).astype(m.dtype)
        lowest = _slide(_slide(ring, np.minimum, n, 0), np.minimum, n, 1)
        out = np.minimum(out, lowest)
    return np.asarray(out)


def _lower_specks_between(m: Array, size_px: float) -> Array:
    whole = int(size_px)
    out = _lower_specks(m, whole)
    share = size_px - whole
    return out if share == 0 else mix(out, _lower_specks(m, whole + 1), share)


def despeckle(m: Array, holes_px: float, specks_px: float) -> Array:
    """Fill holes, then remove specks, that fit in a box of the given width with a clean ring.

    Specks of whole width W: T(m) = min(m, min over n = 1..W, over the n×n boxes that contain the
    pixel, of the maximum of m on the ring of pixels around the box). A speck is lowered to the
    highest value around it. Nothing wider or longer than W is touched: whatever hangs together
    (8 neighbours) at its own level and doesn't fit in the box crosses every ring, so edges and
    hair keep their bits. Ring pixels outside the frame don't count; a ring wholly outside doesn't
    either. Between whole widths the two results are mixed. Holes: 1 − m in place of m.
    Never rises with specks_px, never falls with holes_px. Only comparisons: exact on every engine.
    Halo ceil(holes_px) + ceil(specks_px). Related to the attribute openings of Breen & Jones 1996,
    with bounded support instead of connected components.
    """
    if holes_px > 0:
        m = -_lower_specks_between(-m, holes_px)
    if specks_px > 0:
        m = _lower_specks_between(m, specks_px)
    return m


# ---------------------------------------------------------------- boxes and the guided filter


def box_mean(plane: Array, radius_px: float) -> Array:
    """Mean over a box of 2·radius + 1 pixels a side, of those inside the frame. float64 out.

    A fractional radius takes the pixels at floor(radius) + 1 by its fraction. Any values. Halo
    ceil(radius_px).
    """
    plane = plane.astype(np.float64)
    for axis in (1, 0):
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


def guide(m: Array, guide_plane: Array, radius_px: float, smoothness: float) -> Array:
    """Guided filter: in every window the matte as a straight line of the guide.

    a = cov(I, m)/(var(I) + smoothness), b = mean(m) − a·mean(I), result = clamp(mean(a)·I +
    mean(b), 0, 1); means over boxes of `guide_radius` that end at the frame. I: luminance
    of the ACEScct plate, (h, w).
    All sums in float64. Halo 2·guide_radius.
    Source: He, Sun & Tang 2013, "Guided image filtering", eq. 5, 6 and 8.
    """
    r = guide_radius(radius_px)
    if r == 0:
        return m
    i, p = guide_plane.astype(np.float64), m.astype(np.float64)
    mean_i, mean_p = box_mean(i, r), box_mean(p, r)
    variance = np.maximum(box_mean(i * i, r) - mean_i * mean_i, 0)
    a = (box_mean(i * p, r) - mean_i * mean_p) / (variance + smoothness)
    b = mean_p - a * mean_i
    return np.clip(box_mean(a, r) * i + box_mean(b, r), 0, 1).astype(m.dtype)


# ---------------------------------------------------------------- levels, choke, soften


def levels(m: Array, clear_below: float, solid_above: float) -> Array:
    """clamp((m − clear)/(solid − clear), 0, 1); a step at `clear_below` if not under `solid_above`.

    Pointwise. Common practice, no source.
    """
    return ramp(m, clear_below, solid_above)


def protect_edges(before: Array, levelled: Array, px: float, amount: float = 1.0) -> Array:
    """Blend the matte before levels back in, along the levelled matte's soft boundary.

    L = levelled; edge = max(4·L·(1 − L), max − min of L over 3×3); near = `dilate` of edge by px/2,
    then `box_mean` of radius px/2; result = mix(L, before, amount·min(px, 1)·near). So clean core
    and clean screen farther than px from a soft edge stay as levelled, and amount, 0..1, blends
    from the levelled matte to the protected one. Halo 2·ceil(px/2) + 1.
    Common practice, no source.
    """
    if px <= 0 or amount <= 0:
        return levelled
    extent = -_square(-levelled, 1) - _square(levelled, 1)
    edge = np.maximum(4 * levelled * (1 - levelled), extent)
    near = box_mean(dilate(edge, px / 2), px / 2) * (amount * min(px, 1.0))
    return mix(levelled, before, np.clip(near, 0, 1).astype(levelled.dtype))


def choke(m: Array, px: float) -> Array:
    """Draw the edge in by px (`erode`), or let it out for negative px (`dilate`).

    Continuous in px, never rises with it; a fraction of a pixel moves a straight ramp by that
    fraction. Halo ceil(|px|).
    """
    if px == 0:
        return m
    return erode(m, px) if px > 0 else dilate(m, -px)


def gauss_weights(sigma_px: float) -> Array:
    """Weights exp(−d²/2σ²) at d = −r..r, r = `plan.gauss_radius`, sum 1, float64."""
    r = gauss_radius(sigma_px)
    if r == 0:
        return np.ones(1)
    w = np.exp(-0.5 * (np.arange(-r, r + 1) / sigma_px) ** 2)
    return np.asarray(w / w.sum())


def blur(plane: Array, sigma_px: float) -> Array:
    """Sampled Gaussian of standard deviation sigma_px, cut at 3σ, the frame's edge repeated.

    (..., h, w), any values; rows first, then columns, sums in float64. sigma_px <= 0 is the
    identity. Halo `plan.gauss_radius(sigma_px)`.
    """
    plane = colour.as_float(plane)
    if gauss_radius(sigma_px) == 0:
        return plane
    weights = gauss_weights(sigma_px)
    along = ndimage.correlate1d(plane, weights, axis=-1, mode="nearest")
    return np.asarray(ndimage.correlate1d(along, weights, axis=-2, mode="nearest"))


def soften(m: Array, px: float) -> Array:
    """`blur` of the matte."""
    return blur(m, px)


def refine(m: Array, settings: Refine, luma: Array | None = None) -> Array:
    """The whole chain: despeckle, guide, levels with protect_edges, choke, soften.

    m: (h, w). luma: luminance of the ACEScct values of the pass the matte was made from, (h, w);
    only looked at where the guide's radius is above 0. Halo `plan.refine_halo(settings)`.
    """
    m = colour.as_float(m)
    m = despeckle(m, num(settings.despeckle.holes_px), num(settings.despeckle.specks_px))
    radius = num(settings.guide.radius_px)
    if radius > 0:
        if luma is None:
            raise ValueError("the guide needs the plate's log luminance")
        m = guide(m, luma, radius, num(settings.guide.smoothness))
    levelled = levels(m, num(settings.levels.clear_below), num(settings.levels.solid_above))
    protect = settings.protect_edges
    m = protect_edges(m, levelled, num(protect.distance_px), num(protect.amount))
    return soften(choke(m, num(settings.choke_px)), num(settings.soften_px))
