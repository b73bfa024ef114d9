"""Shapes drawn over the picture as masks: exact area coverage, soft borders, motion by keys.

Coordinates are full-resolution pixels; the centre of pixel (0, 0) is (0.5, 0.5), so a rectangle
from (0, 0) to (10, 5) covers ten by five whole pixels.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kernels.plan import num
from kernels.recipe import Shape, ShapePose

Array = NDArray[Any]

FLATNESS_PX = 0.01
"""An ellipse's polygon stays this close to it."""
SNAP = 1e-7
"""Coverage this close to 0 or 1 is taken for it: rounding of sums along a row."""
LIMIT_PX = 1e7
"""Points are held to ± this."""


def rasterise(
    shapes: Sequence[Shape],
    frame: int,
    width: int,
    height: int,
    *,
    scale: float = 1.0,
    pixel_aspect: float = 1.0,
) -> NDArray[np.float32]:
    """Union (maximum) of the shapes that are on, as a (height, width) float32 mask in 0..1.

    frame: which pose; between two poses points move in straight lines, before the first and after
    the last they rest. feather_px: whole width of the soft border, centred on the outline, in
    vertical pixels (horizontally divided by pixel_aspect): nearly the integral of a Gaussian of a
    sixth of it; beyond it the mask is 0 and 1, within 0.005 where the border is under 8 px.
    An inverted shape counts where it is not. scale: size of the mask's pixels' grid against the
    full-resolution one (0.5 for a half-size frame). No shapes give 0 everywhere. A hard mask is the
    covered share of each pixel's area (winding number, so overlaps of one outline count once).
    """
    mask = np.zeros((height, width))
    for shape in shapes:
        if shape.on:
            cover = _cover(shape, frame, width, height, scale, pixel_aspect)
            np.maximum(mask, 1 - cover if shape.inverted else cover, out=mask)
    return mask.astype(np.float32)


def _cover(
    shape: Shape, frame: int, width: int, height: int, scale: float, pixel_aspect: float
) -> Array:
    """The shape's own coverage of the whole frame, worked out only where the shape is."""
    points = outline(shape, frame) * scale
    soft_y = num(shape.feather_px) * scale
    soft_x = soft_y / pixel_aspect
    pad_x, pad_y = math.ceil(soft_x / 2) + 4, math.ceil(soft_y / 2) + 4
    left, top = np.floor(points.min(axis=0)).astype(int).tolist()
    right, bottom = np.ceil(points.max(axis=0)).astype(int).tolist()
    x0, x1 = max(left - pad_x, -pad_x), min(right + pad_x, width + pad_x)
    y0, y1 = max(top - pad_y, -pad_y), min(bottom + pad_y, height + pad_y)
    cover = np.zeros((height, width))
    if x0 >= x1 or y0 >= y1:
        return cover
    part = coverage(points - (x0, y0), x1 - x0, y1 - y0)
    part = _soften(_soften(part, soft_x, 1), soft_y, 0)
    fx0, fx1, fy0, fy1 = max(x0, 0), min(x1, width), max(y0, 0), min(y1, height)
    if fx0 < fx1 and fy0 < fy1:
        part = part[fy0 - y0 : fy1 - y0, fx0 - x0 : fx1 - x0]
        part = np.where(part < SNAP, 0, np.where(part > 1 - SNAP, 1, part))
        cover[fy0:fy1, fx0:fx1] = part
    return cover


# ---------------------------------------------------------------- outlines


def points_at(poses: Sequence[ShapePose], frame: int) -> Array:
    """Points of a shape at a frame, (n, 2) float64.

    Two poses with different numbers of points are not mixed: the earlier one holds.
    """
    ordered = sorted(poses, key=lambda pose: pose.frame)
    before = [pose for pose in ordered if pose.frame <= frame] or ordered[:1]
    after = [pose for pose in ordered if pose.frame > frame] or ordered[-1:]
    first, second = before[-1], after[0]
    points = np.clip(np.asarray(first.points, dtype=np.float64), -LIMIT_PX, LIMIT_PX)
    span = second.frame - first.frame
    if span <= 0 or frame <= first.frame or len(first.points) != len(second.points):
        return points
    later = np.clip(np.asarray(second.points, dtype=np.float64), -LIMIT_PX, LIMIT_PX)
    share = (frame - first.frame) / span
    return np.asarray((1 - share) * points + share * later)


def outline(shape: Shape, frame: int) -> Array:
    """The shape's closed outline at a frame as a polygon, (n, 2) float64, full-resolution pixels.

    curve: uniform Catmull–Rom through the points, that is, between P1 and P2 the cubic Bézier with
    inner points P1 + (P2 − P0)/6 and P2 − (P3 − P1)/6. ellipse: inscribed polygon within 0.01 px.
    Source: Catmull & Rom 1974, "A class of local interpolating splines".
    """
    points = points_at(shape.poses, frame)
    if shape.kind == "polygon":
        return points
    if shape.kind == "curve":
        return _curve(points)
    (x0, y0), (x1, y1) = points.min(axis=0), points.max(axis=0)
    if shape.kind == "rectangle":
        return np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)])
    rx, ry = (x1 - x0) / 2, (y1 - y0) / 2
    steps = int(np.clip(math.pi * math.sqrt(max(rx, ry) / (2 * FLATNESS_PX)), 32, 4096))
    angle = np.arange(steps) * (2 * math.pi / steps)
    return np.stack([x0 + rx + rx * np.cos(angle), y0 + ry + ry * np.sin(angle)], axis=1)


def _curve(points: Array) -> Array:
    p0, p1 = np.roll(points, 1, axis=0), points
    p2, p3 = np.roll(points, -1, axis=0), np.roll(points, -2, axis=0)
    c1, c2 = p1 + (p2 - p0) / 6, p2 - (p3 - p1) / 6
    pieces = []
    for a, b, c, d in zip(p1, c1, c2, p2, strict=True):
        length = np.linalg.norm(b - a) + np.linalg.norm(c - b) + np.linalg.norm(d - c)
        steps = int(np.clip(2 * math.sqrt(length), 4, 200))
        t = (np.arange(steps) / steps)[:, None]
        s = 1 - t
        pieces.append(s**3 * a + 3 * s**2 * t * b + 3 * s * t**2 * c + t**3 * d)
    return np.concatenate(pieces)


# ---------------------------------------------------------------- coverage


def coverage(points: Array, width: int, height: int) -> Array:
    """Share of each pixel inside a closed polygon, (height, width) float64 in 0..1, exact.

    points: (n, 2), pixel (0, 0) spans 0..1. Every edge is cut at the pixel grid; each piece adds
    its signed height, split by where it lies in its pixel, and sums along the row give the area to
    the right of all edges (Green's theorem a pixel). What lies left or right of the frame counts
    as its nearest side. Where an outline crosses itself or turns twice the share of the pixels
    under it is approximate.
    """
    x0, y0, x1, y1 = _cut_at_grid(points, width, height)
    column = np.clip(np.floor((x0 + x1) / 2), 0, width).astype(np.intp)
    row = np.clip(np.floor((y0 + y1) / 2), 0, height - 1).astype(np.intp)
    rise = y1 - y0
    inside = np.clip((x0 + x1) / 2 - column, 0, 1)
    flat = np.zeros(height * (width + 2))
    at = row * (width + 2) + column
    np.add.at(flat, at, rise * (1 - inside))
    np.add.at(flat, at + 1, rise * inside)
    winding = np.cumsum(flat.reshape(height, width + 2), axis=1)[:, :width]
    return np.asarray(np.minimum(np.abs(winding), 1))


def _cut_at_grid(points: Array, width: int, height: int) -> tuple[Array, Array, Array, Array]:
    """Edges inside the frame's rows, cut at its sides and at all pixel borders inside it."""
    ends = np.roll(points, -1, axis=0)
    edges = np.stack([points[:, 0], points[:, 1], ends[:, 0], ends[:, 1]])
    for axis, size in ((1, height), (0, width)):
        edges = _cut(edges, axis, np.array([0.0, size]))
        middle = (edges[axis] + edges[axis + 2]) / 2
        if axis == 1:
            edges = edges[:, (middle > 0) & (middle < size)]
    edges = _cut(edges, 1, np.arange(1.0, height))
    edges = _cut(edges, 0, np.arange(1.0, width))
    return edges[0], edges[1], edges[2], edges[3]


def _cut(edges: Array, axis: int, lines: Array) -> Array:
    """Cut edges (4, n) at sorted coordinates `lines` of an axis: 0 is x, 1 is y."""
    a, b = edges[axis], edges[axis + 2]
    first = np.searchsorted(lines, np.minimum(a, b), side="right")
    last = np.searchsorted(lines, np.maximum(a, b), side="left")
    cuts = np.maximum(last - first, 0)
    pieces = cuts + 1
    owner = np.repeat(np.arange(a.size), pieces)
    number = np.arange(owner.size) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    rising = (b >= a)[owner]

    def at(step: Array) -> Array:
        """Both coordinates of the step-th cut of each piece's edge; 0 and cuts + 1 are its ends."""
        is_end = (step == 0) | (step == pieces[owner])
        index = np.where(rising, first[owner] + step - 1, last[owner] - step)
        line = lines[np.clip(index, 0, lines.size - 1)] if lines.size else np.zeros(owner.size)
        span = np.where(is_end, 1, (b - a)[owner])
        t = np.where(is_end, step != 0, (line - a[owner]) / np.where(span == 0, 1, span))
        other = 1 - axis
        point = np.empty((2, owner.size))
        point[other] = (1 - t) * edges[other][owner] + t * edges[other + 2][owner]
        point[axis] = np.where(is_end, np.where(step == 0, a[owner], b[owner]), line)
        return point

    return np.concatenate([at(number), at(number + 1)])


def _soften(plane: Array, width_px: float, axis: int) -> Array:
    """Three box means along an axis, of the variance of three boxes width_px/3 wide together.

    A box takes 2·m + 1 pixels whole and their two neighbours by the fraction f, chosen so that its
    variance is (width_px/3)²/12 exactly, also where that is less than a pixel. The border repeats.
    """
    variance = (width_px / 3) ** 2 / 12
    if variance <= 0:
        return plane
    m = int((math.sqrt(1 + 12 * variance) - 1) / 2)  # m(m + 1)/3 <= variance
    own = m * (m + 1) * (2 * m + 1) / 3
    f = (variance * (2 * m + 1) - own) / (2 * ((m + 1) ** 2 - variance))
    for _ in range(3):
        plane = _box(plane, m, f, axis)
    return plane


def _box(plane: Array, m: int, f: float, axis: int) -> Array:
    pad = [(0, 0), (0, 0)]
    pad[axis] = (m + 1, m + 1)
    wide = np.moveaxis(np.pad(plane, pad, mode="edge"), axis, 0)
    sums = np.concatenate([np.zeros((1, *wide.shape[1:])), np.cumsum(wide, axis=0)])
    n = plane.shape[axis]
    inner = sums[2 * m + 2 : 2 * m + 2 + n] - sums[1 : 1 + n]
    outer = sums[2 * m + 3 :] - sums[:n]
    return np.moveaxis(((1 - f) * inner + f * outer) / (2 * m + 1 + 2 * f), 0, axis)
