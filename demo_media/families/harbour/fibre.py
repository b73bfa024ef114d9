"""Curls of hair and frayed rope: particles that drift in a curl-noise flow and leave fibres."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from demo_media.families.harbour.lamps import Rig
from demo_media.families.harbour.layers import GRID, Pane
from demo_media.families.harbour.weather import Breeze, look_up

Image = NDArray[np.float32]
Array = NDArray[np.float32]

DYES = {
    "dark": ((0.060, 0.036, 0.024), (0.105, 0.062, 0.036)),
    "auburn": ((0.16, 0.055, 0.025), (0.30, 0.12, 0.05)),
    "blond": ((0.34, 0.22, 0.10), (0.62, 0.46, 0.25)),
    "grey": ((0.30, 0.29, 0.28), (0.52, 0.51, 0.50)),
    "hemp": ((0.30, 0.21, 0.12), (0.55, 0.43, 0.27)),
}
"""Linear colour of each dye at the root and at the tip."""

_WARM = np.array([1.0, 0.93, 0.80], np.float32)


@dataclass(frozen=True)
class Fibres:
    """Polylines x, y (n, steps) in pixels, width (n, steps) in pixels, own and spill colours
    (3, n, steps). Later ones lie on top."""

    x: Array
    y: Array
    width: Array
    own: Array
    spill: Array


def drift(
    start: tuple[Array, Array],
    heading: tuple[Array, Array],
    flow: tuple[Image, Image],
    *,
    steps: int,
    stride: Array,
    turn: float,
    fall: float,
) -> tuple[Array, Array]:
    """Advect particles: each keeps part of its heading, takes the flow's, and falls more and more.

    `start`, `heading` are (n,) each, `stride` (n,) pixels a step. Returns x, y of (n, steps).
    """
    x, y = start[0].copy(), start[1].copy()
    hx, hy = heading[0].copy(), heading[1].copy()
    path_x, path_y = [x.copy()], [y.copy()]
    for step in range(1, steps):
        u = look_up(flow[0], x[None], y[None])[0]
        v = look_up(flow[1], x[None], y[None])[0]
        hx = hx + np.float32(turn) * u
        hy = hy + np.float32(turn) * v + np.float32(fall * min(1.0, 2.5 * step / steps))
        size = np.maximum(np.sqrt(hx * hx + hy * hy), 1e-6)
        hx, hy = hx / size, hy / size
        x, y = x + stride * hx, y + stride * hy
        path_x.append(x.copy())
        path_y.append(y.copy())
    return np.stack(path_x, 1), np.stack(path_y, 1)


def painted(fibres: Fibres, width: int, height: int, label: int = 0) -> Pane:
    """Draw fibres on a grid of GRID² samples a pixel, the last on top, and average.

    Every fibre is resampled densely along and across; each sub-sample keeps the number of the last
    mark laid on it, and a pixel's colour is the mean over its sub-samples.
    """
    blank = np.zeros((3, height, width), np.float32)
    reach = float(fibres.width.max()) + 1
    x0 = int(max(np.floor(fibres.x.min() - reach), 0))
    y0 = int(max(np.floor(fibres.y.min() - reach), 0))
    x1 = int(min(np.ceil(fibres.x.max() + reach), width))
    y1 = int(min(np.ceil(fibres.y.max() + reach), height))
    if x1 <= x0 or y1 <= y0:
        return Pane(blank, blank.copy(), blank[0].copy())
    wide, tall = (x1 - x0) * GRID, (y1 - y0) * GRID
    sheet = np.full(wide * tall, -1, np.int32)
    for group in np.array_split(np.arange(len(fibres.x)), max(1, len(fibres.x) // 250)):
        _mark(sheet, fibres, group, (x0, y0, wide, tall))
    hit = np.flatnonzero(sheet >= 0)
    pixel = (hit // wide // GRID) * (x1 - x0) + (hit % wide) // GRID
    who = sheet[hit]
    count = (x1 - x0) * (y1 - y0)
    shape = (y1 - y0, x1 - x0)

    def mean(values: Array | None) -> Image:
        weight = None if values is None else values.ravel()[who]
        total = np.bincount(pixel, weight, minlength=count) / GRID**2
        return np.asarray(total.reshape(shape), np.float32)

    pane = Pane(blank, blank.copy(), blank[0].copy(), None, label, 0.15)
    pane.alpha[y0:y1, x0:x1] = mean(None)
    for c in range(3):
        pane.own[c, y0:y1, x0:x1] = mean(fibres.own[c])
        pane.spill[c, y0:y1, x0:x1] = mean(fibres.spill[c])
    return pane


def _mark(
    sheet: NDArray[np.int32], fibres: Fibres, group: NDArray[np.int64], box: tuple[int, ...]
) -> None:
    """Lay the marks of a group of fibres on the sub-sample sheet, in order."""
    x0, y0, wide, tall = box
    x = (fibres.x[group] - x0) * GRID
    y = (fibres.y[group] - y0) * GRID
    size = fibres.width[group] * GRID
    steps = x.shape[1]
    pieces = np.hypot(np.diff(x, axis=1), np.diff(y, axis=1))
    dense = int(np.clip(np.ceil(1.25 * float(pieces.max())), 1, 400))
    at = np.linspace(0, steps - 1, (steps - 1) * dense + 1, dtype=np.float32)
    low = np.minimum(at.astype(np.int64), steps - 2)
    part = at - low

    def fine(values: Array) -> Array:
        return np.asarray(values[:, low] * (1 - part) + values[:, low + 1] * part, np.float32)

    fx, fy, fw = fine(x), fine(y), fine(size)
    dx, dy = np.gradient(fx, axis=1), np.gradient(fy, axis=1)
    norm = np.maximum(np.hypot(dx, dy), 1e-6)
    nx, ny = -dy / norm, dx / norm
    ident = group[:, None] * steps + np.round(at).astype(np.int64)[None, :]
    thick = np.maximum(fw, 1)
    across = int(np.ceil(1.3 * float(thick.max()))) + 1
    for share in np.linspace(-0.5, 0.5, across, dtype=np.float32):
        px = np.floor(fx + share * thick * nx).astype(np.int64)
        py = np.floor(fy + share * thick * ny).astype(np.int64)
        ok = (px >= 0) & (px < wide) & (py >= 0) & (py < tall)
        sheet[(py * wide + px)[ok]] = ident[ok]


def glossed(
    rng: np.random.Generator,
    path: tuple[Array, Array],
    dye: str,
    rig: Rig,
    width: Array,
    *,
    rim: float = 0.0,
    centre: tuple[float, float] = (0.0, 0.0),
    radius: float = 1.0,
) -> Fibres:
    """Colour fibres from root to tip and light them by their tangents (Kajiya and Kay 1989).

    With `rim` a lamp behind the head shines through where few fibres lie over each other, away
    from `centre` by `radius` pixels or more.
    """
    x, y = path
    n, steps = x.shape
    t = np.linspace(0, 1, steps, dtype=np.float32)[None, :]
    tx, ty = np.gradient(x, axis=1), np.gradient(y, axis=1)
    size = np.maximum(np.hypot(tx, ty), 1e-6)
    tx, ty = tx / size, ty / size
    root, tip = (np.asarray(c, np.float32)[:, None, None] for c in DYES[dye])
    tint = np.exp(rng.normal(0, 0.22, (1, n, 1)) + rng.normal(0, 0.06, (3, n, 1)))
    base = (root + (tip - root) * t**0.8) * tint.astype(np.float32)
    lean = rng.normal(0, 0.12, (n, 1)).astype(np.float32)
    own = base * np.asarray(rig.ambient, np.float32)[:, None, None] * 2
    for lamp in rig.lamps[:2]:
        along = tx * np.float32(lamp.towards[0]) + ty * np.float32(lamp.towards[1]) + lean
        sine = np.sqrt(np.clip(1 - along**2, 0, 1))
        colour = np.asarray(lamp.colour, np.float32)[:, None, None]
        own = own + colour * (base * sine * 0.9 + 0.05 * sine**40 + base * 0.8 * sine**14)
    far = np.hypot(x - np.float32(centre[0]), y - np.float32(centre[1])) / np.float32(radius)
    if rim > 0:
        upper = np.clip((np.float32(centre[1] + 0.9 * radius) - y) / np.float32(radius), 0, 1)
        edge = np.clip((far - 1.0) / 0.3, 0, 1) * upper * _thinness(x, y, radius)
        burst = rim * edge * np.exp(rng.normal(0, 0.35, (n, 1)))
        own = own + _WARM[:, None, None] * burst * (0.25 + base**0.5)
    wall = np.asarray(rig.wall, np.float32)[:, None, None] * np.float32(rig.bounce)
    spill = wall * (0.05 + base * 0.55) * np.clip(far - 0.3, 0.2, 1.2)
    return Fibres(x, y, width, np.asarray(own, np.float32), np.asarray(spill, np.float32))


def _thinness(x: Array, y: Array, radius: float) -> Array:
    """1 where a fibre is alone, towards 0 where many lie over each other: like x and y."""
    cell = max(radius / 12, 1.0)
    column = ((x - x.min()) / cell).astype(np.int64)
    row = ((y - y.min()) / cell).astype(np.int64)
    wide = int(column.max()) + 1
    count = np.bincount((row * wide + column).ravel(), minlength=wide * (int(row.max()) + 1))
    many = cv2.GaussianBlur(count.reshape(-1, wide).astype(np.float32), (0, 0), 1.3)
    typical = max(float(np.percentile(many[many > 0.2], 60)), 1e-3)
    return np.asarray(np.exp(-((many[row, column] / typical) ** 1.2)), np.float32)


def _scalp(
    rng: np.random.Generator, locks: int, each: int
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_]]:
    """Roots of locks * each hairs: angle from the crown, share of the radius, which are loose."""
    spot = rng.uniform(-2.35, 2.35, locks)
    count = locks * each
    spot = np.repeat(spot, each) + rng.normal(0, 0.10, count)
    loose = rng.random(count) < 0.22
    spot[loose] = rng.uniform(-2.4, 2.4, int(loose.sum()))
    depth = np.where(loose, rng.uniform(0.7, 1.0, count), rng.uniform(0.55, 0.98, count))
    return spot, depth, loose


def grow_locks(
    rng: np.random.Generator,
    breeze: Breeze,
    phase: float,
    rig: Rig,
    head: tuple[float, float],
    radius: float,
    *,
    dye: str,
    locks: int,
    each: int,
    length: float,
    fine: float,
    rim: float = 0.0,
) -> Fibres:
    """Curly locks around a head: roots in clumps on the scalp, loose hairs between them.

    `head`, `radius`, `length` in pixels; `fine` scales the width of a hair. The same generator
    state gives the same head of hair; `phase` moves the flow it hangs in.
    """
    spot, depth, loose = _scalp(rng, locks, each)
    count = locks * each
    sine, cosine = np.sin(spot).astype(np.float32), -np.cos(spot).astype(np.float32)
    x = (head[0] + radius * depth * sine).astype(np.float32)
    y = (head[1] + 1.1 * radius * depth * cosine).astype(np.float32)
    steps = 40
    long = length * rng.uniform(0.45, 1.0, count) * np.where(loose, 1.15, 1.0)
    stride = (long / steps).astype(np.float32)
    curl = breeze.at(phase)
    x, y = drift((x, y), (sine, cosine), curl, steps=steps, stride=stride, turn=0.16, fall=0.055)
    t = np.linspace(0, 1, steps, dtype=np.float32)[None, :]
    coil = (radius * rng.uniform(0.02, 0.075, (count, 1)) * t).astype(np.float32)
    turns = rng.uniform(1.0, 4.0, (count, 1)).astype(np.float32) * 2 * np.pi * t
    offset = rng.uniform(0, 6.3, (count, 1)).astype(np.float32)
    x = x + coil * np.cos(turns + offset)
    y = y + 0.7 * coil * np.sin(turns + offset)
    width = (fine * rng.uniform(0.45, 1.25, (count, 1)) * (1 - 0.8 * t**1.5)).astype(np.float32)
    order = np.argsort(-depth + np.where(loose, -1, 0))[::-1]
    path = (x[order].astype(np.float32), y[order].astype(np.float32))
    return glossed(rng, path, dye, rig, width[order], rim=rim, centre=head, radius=radius)


def fray_rope(
    rng: np.random.Generator, breeze: Breeze, phase: float, rig: Rig, line: Array, size: float
) -> Fibres:
    """A three-strand rope along `line` (n, 2) in pixels, hairy all along, its end frayed."""
    steps, count = 60, 90
    along = np.linspace(0, 1, steps, dtype=np.float32)
    where = np.linspace(0, 1, len(line))
    cx = np.interp(along, where, line[:, 0]).astype(np.float32)
    cy = np.interp(along, where, line[:, 1]).astype(np.float32)
    dx, dy = np.gradient(cx), np.gradient(cy)
    norm = np.maximum(np.hypot(dx, dy), 1e-6)
    lay = np.floor(np.linspace(0, 2.99, count)).astype(np.float32)[:, None] * 2.094
    turn = 2 * np.pi * along[None, :] * float(norm.sum()) / (5 * size) + lay
    loose = np.clip((along - 0.86) / 0.14, 0, 1)[None, :]
    own = rng.normal(0, 0.16, (count, 1)) * size + 2.2 * size * loose * rng.normal(0, 1, (count, 1))
    out = 0.5 * size * np.cos(turn) * (1 - loose) + own
    x = cx + (-dy / norm) * out
    y = cy + (dx / norm) * out + size * loose * rng.uniform(-1.5, 1.5, (count, 1))
    flow = breeze.at(phase)
    hairs = rng.integers(4, steps, 160)
    sx, sy = cx[hairs], cy[hairs]
    heading = rng.normal(0, 1, (2, 160)).astype(np.float32)
    stride = rng.uniform(0.03, 0.09, 160).astype(np.float32) * size
    hx, hy = drift(
        (sx, sy), (heading[0], heading[1]), flow, steps=steps, stride=stride, turn=0.2, fall=0.02
    )
    px = np.concatenate([hx, x.astype(np.float32)])
    py = np.concatenate([hy, y.astype(np.float32)])
    width = np.concatenate(
        [np.full((160, steps), 0.06 * size), np.full((count, steps), 0.16 * size)]
    ).astype(np.float32)
    made = glossed(rng, (px, py), "hemp", rig, width)
    shade = np.concatenate([np.ones((160, steps)), 0.55 + 0.45 * np.sin(turn)]).astype(np.float32)
    return Fibres(made.x, made.y, made.width, made.own * shade, made.spill * shade)
