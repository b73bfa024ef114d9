"""Wigs and feathers: tapered ribbons along arcs whose curvature is given, with frizz."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from demo_media.families.theatre.limelight import Limelight

Image = NDArray[np.float32]
Array = NDArray[np.float64]

_SUB = 8

WIGS: dict[str, tuple[tuple[float, float, float], tuple[float, float, float]]] = {
    "raven": ((0.022, 0.018, 0.018), (0.050, 0.040, 0.036)),
    "copper": ((0.20, 0.060, 0.018), (0.42, 0.17, 0.06)),
    "straw": ((0.30, 0.20, 0.085), (0.66, 0.50, 0.27)),
    "powder": ((0.50, 0.48, 0.46), (0.70, 0.69, 0.67)),
    "chestnut": ((0.075, 0.036, 0.018), (0.17, 0.09, 0.045)),
}
"""Linear colours at root and tip."""


@dataclass(frozen=True)
class Ribbons:
    """Centre lines x, y (n, m) in pixels, widths (n, m), colour and spill (n, m, 3)."""

    x: Array
    y: Array
    width: Array
    own: Array
    spill: Array


def arcs(
    x: Array, y: Array, heading: Array, length: Array, bend: Array, tighten: Array, points: int
) -> tuple[Array, Array, Array]:
    """Spirals of linearly growing curvature from (x, y): angle(s) = heading + bend·s + tighten·s².

    All (n,), s from 0 to 1, angles in radians. Returns x, y, angle of (n, points).
    """
    s = np.linspace(0, 1, points)[None, :]
    angle = heading[:, None] + bend[:, None] * s + tighten[:, None] * s * s
    step = length[:, None] / (points - 1)
    middle = 0.5 * (angle[:, 1:] + angle[:, :-1])
    zero = np.zeros((len(x), 1))
    px = x[:, None] + np.concatenate([zero, np.cumsum(step * np.cos(middle), axis=1)], 1)
    py = y[:, None] + np.concatenate([zero, np.cumsum(step * np.sin(middle), axis=1)], 1)
    return px, py, angle


def ribbon_layer(ribbons: Ribbons, width: int, height: int) -> tuple[Image, Image]:
    """Paint ribbons in order on 8 × 8 samples a pixel: own with alpha (h, w, 4), spill (h, w, 3).

    Each ribbon is a strip of quadrilaterals whose number is written to every sample it covers;
    the colours are then averaged over the samples.
    """
    own = np.zeros((height, width, 4), np.float32)
    spill = np.zeros((height, width, 3), np.float32)
    pad = float(ribbons.width.max()) + 2
    x0, x1 = (int(v) for v in (max(ribbons.x.min() - pad, 0), min(ribbons.x.max() + pad, width)))
    y0, y1 = (int(v) for v in (max(ribbons.y.min() - pad, 0), min(ribbons.y.max() + pad, height)))
    if x1 <= x0 or y1 <= y0:
        return own, spill
    sheet = np.zeros(((y1 - y0) * _SUB, (x1 - x0) * _SUB), np.int32)
    dx, dy = np.gradient(ribbons.x, axis=1), np.gradient(ribbons.y, axis=1)
    size = np.maximum(np.hypot(dx, dy), 1e-9)
    half = np.maximum(ribbons.width, 1.1 / _SUB) / 2
    ax, ay = -dy / size * half, dx / size * half
    left = np.stack([ribbons.x + ax - x0, ribbons.y + ay - y0], -1)
    right = np.stack([ribbons.x - ax - x0, ribbons.y - ay - y0], -1)
    quads = np.stack([left[:, :-1], left[:, 1:], right[:, 1:], right[:, :-1]], 2)
    fixed = np.round((quads * _SUB - 0.5) * 16).astype(np.int32)
    n, m = fixed.shape[:2]
    for i in range(n):
        for j in range(m):
            cv2.fillConvexPoly(sheet, fixed[i, j], i * m + j + 1, cv2.LINE_8, 4)
    used = np.flatnonzero(sheet.ravel())
    who = sheet.ravel()[used] - 1
    row, column = np.divmod(used, sheet.shape[1])
    place = (row // _SUB) * (x1 - x0) + column // _SUB
    count = (y1 - y0) * (x1 - x0)
    shape = (y1 - y0, x1 - x0)
    own[y0:y1, x0:x1, 3] = (np.bincount(place, minlength=count) / _SUB**2).reshape(shape)
    for target, colour in ((own, ribbons.own), (spill, ribbons.spill)):
        piece = 0.5 * (colour[:, :-1] + colour[:, 1:]).reshape(-1, 3)
        for c in range(3):
            total = np.bincount(place, piece[who, c], minlength=count) / _SUB**2
            target[y0:y1, x0:x1, c] = total.reshape(shape)
    return own, spill


def tinted(
    rng: np.random.Generator, light: Limelight, dye: str, angle: Array, band: float, edge: Array
) -> tuple[Array, Array]:
    """Colours (n, m, 3) along fibres at `angle` (n, m): a band of gloss at share `band`, streaks
    from fibre to fibre, darker roots; and the drape's light that shines through them (`edge`)."""
    n, m = angle.shape
    s = np.linspace(0, 1, m)[None, :, None]
    root, tip = (np.asarray(c)[None, None, :] for c in WIGS[dye])
    streak = np.exp(rng.normal(0, 0.28, (n, 1, 1))) * (1 + rng.normal(0, 0.05, (n, 1, 3)))
    base = (root * (1 - s) + tip * s) * streak * (0.55 + 0.45 * np.clip(s / 0.25, 0, 1))
    where = band + rng.normal(0, 0.05, (n, 1, 1))
    gloss = np.exp(-(((s - where) / 0.09) ** 2)) + 0.5 * np.exp(-(((s - where - 0.35) / 0.07) ** 2))
    own = base * np.asarray(light.haze) * 2.5
    for beam in light.beams:
        source = np.asarray(beam.source)
        source = source / np.sqrt((source**2).sum())
        across = np.abs(np.sin(angle - np.arctan2(source[1], source[0])))[..., None]
        colour = np.asarray(beam.colour)
        own = own + colour * (base * (0.35 + 0.65 * across) + gloss * (0.6 * base + 0.03) * across)
    drape = np.asarray(light.drape) * light.through
    spill = drape * (0.03 + 0.9 * base) * edge[..., None] + drape * 0.35 * light.tint * base
    return own, spill


def wig(
    rng: np.random.Generator,
    light: Limelight,
    face: tuple[float, float],
    size: tuple[float, float],
    *,
    dye: str,
    style: str,
    count: int,
    fine: float,
    swing: float,
    rim: float = 0.0,
) -> Ribbons:
    """Hair around a face at `face` with half axes `size` (pixels): `frizz`, `fall` or `crest`."""
    spot = rng.uniform(-1.95, 1.95, count) if style != "crest" else rng.normal(0, 0.55, count)
    depth = rng.uniform(0.72, 1.0, count)
    x = face[0] + 1.04 * size[0] * depth * np.sin(spot)
    y = face[1] - 1.04 * size[1] * depth * np.cos(spot)
    out = spot - np.pi / 2
    points = 22
    length, bend, tighten, crimp, turns = _styled(rng, style, spot, size[1])
    bend = bend + swing
    px, py, angle = arcs(x, y, out, length, bend, tighten, points)
    s = np.linspace(0, 1, points)[None, :]
    wave = crimp * size[1] * rng.uniform(0.3, 1, (count, 1)) * np.clip(3 * s, 0, 1)
    phase = 2 * np.pi * turns * rng.uniform(0.6, 1.4, (count, 1)) * s
    phase = phase + rng.uniform(0, 6, (count, 1))
    px = px - np.sin(angle) * wave * np.sin(phase)
    py = py + np.cos(angle) * wave * np.sin(phase)
    width = fine * rng.uniform(0.4, 1.3, (count, 1)) * (1 - 0.85 * s**2)
    far = np.hypot((px - face[0]) / size[0], (py - face[1]) / size[1])
    own, spill = tinted(rng, light, dye, angle, 0.35, np.clip(far - 0.9, 0, 1))
    if rim:
        own = own + _backlight(rng, px, py, far, face, rim)[..., None] * np.array([1, 0.9, 0.72])
    order = np.argsort(-length if style == "fall" else depth)
    return Ribbons(px[order], py[order], width[order], own[order], spill[order])


def _styled(
    rng: np.random.Generator, style: str, spot: Array, size: float
) -> tuple[Array, Array, Array, float, float]:
    """Length, bend and its growth of every hair rooted at angle `spot`; crimp's depth and turns."""
    count = len(spot)
    side = np.sign(np.sin(spot) + 1e-6)
    if style == "fall":
        length = size * rng.uniform(1.8, 3.6, count)
        bend = side * (np.pi - np.abs(spot)) * rng.uniform(1.4, 2.0, count)
        tighten = side * (np.pi - np.abs(spot)) * rng.uniform(0.8, 1.05, count) - bend
        crimp, turns = 0.02, 2.0
    elif style == "frizz":
        length = size * rng.uniform(0.5, 1.35, count) * (1 + 0.5 * (rng.random(count) < 0.08))
        bend = rng.normal(0, 0.5, count) + 0.4 * side
        tighten = rng.normal(0, 1.3, count)
        crimp, turns = 0.075, 5.0
    else:
        length = size * rng.uniform(0.9, 2.0, count)
        bend = 0.9 * side * np.abs(spot) + rng.normal(0, 0.25, count)
        tighten = rng.normal(0, 0.6, count)
        crimp, turns = 0.015, 1.5
    return length, bend, tighten, crimp, turns


def _backlight(
    rng: np.random.Generator, x: Array, y: Array, far: Array, face: tuple[float, float], rim: float
) -> Array:
    """Light from behind on the outermost sixth of the hair in every direction, (n, m)."""
    turn = np.arctan2(x - face[0], face[1] - y)
    sector = np.clip(((turn + np.pi) / (2 * np.pi) * 36).astype(int), 0, 35)
    edge = np.array(
        [np.percentile(far[sector == k], 93) if (sector == k).any() else 9.0 for k in range(36)]
    )
    edge = 0.25 * np.roll(edge, 1) + 0.5 * edge + 0.25 * np.roll(edge, -1)
    near = np.exp(-np.clip(edge[sector] - far, 0, None) / 0.11)
    above = np.clip(1.5 - np.abs(turn), 0, 1)
    return np.asarray(rim * near * above * np.exp(rng.normal(0, 0.3, (len(x), 1))))


def feathers(
    rng: np.random.Generator,
    light: Limelight,
    base: tuple[float, float],
    length: float,
    *,
    dye: str,
    swing: float,
    fine: float,
) -> Ribbons:
    """Two or three ostrich feathers from `base`: a bent rib each, with curled barbs either side."""
    parts: list[Ribbons] = []
    for k in range(int(rng.integers(2, 4))):
        heading = np.array([-np.pi / 2 + rng.uniform(-0.7, 0.7)])
        bend = np.array([rng.choice((-1, 1)) * rng.uniform(0.8, 1.6) + swing * (1 + 0.3 * k)])
        start = (np.array([base[0]]), np.array([base[1]]))
        rib = arcs(*start, heading, np.array([length]), bend, np.array([0.5]), 60)
        at = np.repeat(np.arange(5, 60), 8)
        n = len(at)
        side = np.tile([-1.0, 1.0], n // 2)
        s = at / 59
        reach = length * 0.26 * np.sin(np.pi * np.clip(0.1 + 0.85 * s, 0, 1)) ** 0.7
        x = rib[0][0, at] + rng.normal(0, 0.004 * length, n)
        y = rib[1][0, at] + rng.normal(0, 0.004 * length, n)
        turn = rib[2][0, at] + side * rng.uniform(0.7, 1.1, n)
        px, py, angle = arcs(
            x,
            y,
            turn,
            reach * rng.uniform(0.6, 1.2, n),
            side * rng.normal(0.5, 0.5, n) + swing,
            side * rng.normal(0.6, 0.9, n),
            12,
        )
        edge = np.linspace(0.2, 1, 12)[None, :] + np.zeros((n, 1))
        own, spill = tinted(rng, light, dye, angle, 0.6, edge)
        t = np.linspace(0, 1, 12)[None, :]
        width = fine * rng.uniform(0.4, 0.9, (n, 1)) * (1 - 0.7 * t)
        parts.append(Ribbons(px, py, width, own, spill))
    names = ("x", "y", "width", "own", "spill")
    return Ribbons(*(np.concatenate([getattr(p, name) for p in parts]) for name in names))
