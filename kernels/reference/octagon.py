"""Minima and maxima over octagons: drawing a matte's edge in and letting it out.

Planes are ``(h, w)``, any values. Pixels outside the frame are left out. A radius counts lines;
across it is divided by the pixel aspect (`stages.radii_px`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kernels.reference.combine import mix
from kernels.stages import radii_px

Array = NDArray[Any]
Pick = Callable[[Array, Array], Array]


# ---------------------------------------------------------------- sliding minima and maxima


def slide(plane: Array, pick: Pick, length: int, axis: int) -> Array:
    """`pick` (np.minimum or np.maximum) over runs of `length`; the axis gets length − 1 shorter."""
    plane = np.moveaxis(plane, axis, 0)
    have = 1
    while have < length:
        step = min(have, length - have)
        plane = pick(plane[: plane.shape[0] - step], plane[step:])
        have += step
    return np.moveaxis(plane, 0, axis)


def _rectangle(plane: Array, across: int, down: int) -> Array:
    """Minimum over 2·across + 1 by 2·down + 1 pixels, those outside the frame left out."""
    padded = np.pad(plane, ((down, down), (across, across)), constant_values=np.inf)
    rows = slide(padded, np.minimum, 2 * down + 1, 0)
    return slide(rows, np.minimum, 2 * across + 1, 1)


def square(plane: Array, radius: int) -> Array:
    """Minimum over (2·radius + 1)² pixels, those outside the frame left out."""
    return _rectangle(plane, radius, radius)


def _cross(plane: Array) -> Array:
    """Minimum over a pixel and its four neighbours, those outside the frame left out."""
    p = np.pad(plane, 1, constant_values=np.inf)
    sides = np.minimum(np.minimum(p[:-2, 1:-1], p[2:, 1:-1]), np.minimum(p[1:-1, :-2], p[1:-1, 2:]))
    return np.asarray(np.minimum(plane, sides))


def _arms(plane: Array, across: int, down: int) -> Array:
    """Minimum over a cross with arms of so many pixels, those outside the frame left out."""
    return np.asarray(np.minimum(_rectangle(plane, across, 0), _rectangle(plane, 0, down)))


def octagon_arms(across: int, down: int) -> Iterator[tuple[int, int]]:
    """Yield the crosses (arms across and down) that cut the corners of an oblong octagon.

    As many as the shorter radius has, halved and rounded up; the longer one's pixels are dealt out
    to them as evenly as whole pixels can be.
    """
    wide, high = across - across // 2, down - down // 2
    count = min(wide, high) or min(1, max(wide, high))
    for n in range(count):
        yield (
            (n + 1) * wide // count - n * wide // count,
            (n + 1) * high // count - n * high // count,
        )


def oblong_parts(across_px: float, down_px: float) -> list[tuple[int, int, float]]:
    """Whole octagons (across, down) and the share by which each is mixed in, the first by 1.

    In the triangle of whole radii around (across_px, down_px): continuous in both, monotonic where
    the octagons are, and for equal fractions the two that a square one takes.
    """
    a, d = int(across_px), int(down_px)
    over_a, over_d = across_px - a, down_px - d
    low, high = min(over_a, over_d), max(over_a, over_d)
    parts = [(a, d, 1.0)]
    if high > low:
        parts.append((a + (over_a > over_d), d + (over_d > over_a), (high - low) / (1 - low)))
    if low > 0:
        parts.append((a + 1, d + 1, low))
    return parts


def _oblong(plane: Array, across: int, down: int) -> Array:
    """Minimum over the octagon of whole radii: a rectangle of their halves, then the crosses."""
    out = _rectangle(plane, across // 2, down // 2)
    for arms in octagon_arms(across, down):
        out = _arms(out, *arms)
    return out


def _erode_oblong(m: Array, across_px: float, down_px: float) -> Array:
    (across, down, _), *further = oblong_parts(across_px, down_px)
    out = _oblong(m, across, down)
    for across, down, share in further:
        out = mix(out, _oblong(m, across, down), share)
    return out


def erode(m: Array, radius_px: float, pixel_aspect: float = 1.0) -> Array:
    """Minimum over an octagon; between whole radii r and r + 1 the two results mixed.

    Octagon of whole r: |dx| <= r, |dy| <= r, |dx| + |dy| <= r + floor(r/2): the square of radius
    floor(r/2) followed by ceil(r/2) crosses. Each octagon lies inside the next, so the result is
    continuous in radius_px and never rises with it. Any values. Halo ceil(radius_px), across
    divided by the pixel aspect. Where pixels are not square the octagon is as oblong as they are
    (`octagon_arms`), between whole radii as `oblong_parts` says.
    Source: grey-scale erosion, Serra 1982, by a decomposed footprint.
    """
    across, down = radii_px(radius_px, pixel_aspect)
    if across != down:
        return _erode_oblong(m, across, down)
    whole = int(radius_px)
    share = radius_px - whole
    out = square(m, whole // 2)
    for _ in range(whole - whole // 2):
        out = _cross(out)
    if share == 0:
        return out
    return mix(out, _cross(out) if whole % 2 == 0 else square(out, 1), share)


def dilate(m: Array, radius_px: float, pixel_aspect: float = 1.0) -> Array:
    """Maximum over the octagon of `erode`, in the same way and with the same halo."""
    return -erode(-m, radius_px, pixel_aspect)
