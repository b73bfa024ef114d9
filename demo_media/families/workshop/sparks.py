"""Light far above white: sparks off a grinding wheel, a bare filament, glints on brass."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from demo_media.families.coverage import Fibres, filled, painted_fibres
from demo_media.families.layers import Layer
from demo_media.families.workshop.relief import Spot

Image = NDArray[np.float32]


def sparks(
    scale: float, source: Spot, toward: float, frame: int, seed: tuple[int, ...], count: int
) -> Layer:
    """Glowing trails that start white-hot and cool to red; opaque, 2 to 14 in red."""
    rng = np.random.default_rng([*seed, frame])
    steps = 9
    speed = rng.gamma(3, 22, count)[:, None]
    angle = rng.normal(-0.35, 0.45, count)[:, None]
    start = rng.uniform(0, 1.2, count)[:, None]
    t = start + np.linspace(0, 1, steps)[None, :] * rng.uniform(0.15, 0.5, count)[:, None]
    x = source[0] + toward * speed * t * np.cos(angle)
    y = source[1] + speed * t * np.sin(angle) + 26 * t**2
    points = np.stack([x, y], -1) * scale
    heat = np.exp(-1.3 * t)[..., None] * rng.uniform(4, 16, (count, 1, 1))
    colour = heat * np.array([1.0, 0.42, 0.09]) + heat**1.6 * np.array([0.0, 0.05, 0.03])
    width = np.broadcast_to(rng.uniform(0.35, 0.95, (count, 1)) * scale, t.shape)
    low = np.floor(points.min(axis=(0, 1))).astype(int) - 4
    high = np.ceil(points.max(axis=(0, 1))).astype(int) + 4
    fibres = Fibres(points - low, width, colour, 0 * colour)
    made = painted_fibres(fibres, (int(high[1] - low[1]), int(high[0] - low[0])))
    return Layer((int(low[0]), int(low[1]), int(high[0]), int(high[1])), *made)


def bulb(
    scale: float, shape: tuple[int, int], at: Spot, radius: float, power: float
) -> list[Layer]:
    """A hanging lamp: cord, socket, clear glass with a filament of `power`, and its glow in air."""
    h, w = shape
    x = ((np.arange(w, dtype=np.float32) + 0.5) / np.float32(scale) - at[0])[None, :]
    y = ((np.arange(h, dtype=np.float32) + 0.5) / np.float32(scale) - at[1])[:, None]
    far = np.sqrt(x * x + (y * 0.86) ** 2)
    t = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    glass = np.stack([np.cos(t), np.sin(t) * 1.16], 1) * radius + at
    cover = filled([glass * scale], shape)
    q = np.clip(far / radius, 0, 0.999)
    warm = np.asarray((1.0, 0.62, 0.26), np.float32)[:, None, None]
    turns = np.linspace(-1, 1, 40)
    wire = np.stack([turns * radius * 0.5, 0.16 * radius * np.sin(turns * 22)], 1) + at
    heat = np.full((1, 40, 3), power) * np.array([1.0, 0.72, 0.40])
    coil = Fibres(wire[None] * scale, np.full((1, 40), 1.1 * scale), heat, 0 * heat)
    hot, _, line = painted_fibres(coil, shape)
    halo = power * 0.11 * np.exp(-((far / (0.75 * radius)) ** 2)) + 0.006 * power * np.exp(
        -far / (1.6 * radius)
    )
    skin = np.asarray(cover * np.clip(0.10 + 0.55 * q**6, 0, 1), np.float32)
    box = (0, 0, w, h)
    shell = Layer(
        box, 0.5 * warm * skin, 0 * warm * skin, skin, np.asarray(halo * warm, np.float32)
    )
    filament = Layer(box, hot, 0 * hot, line)
    cord = [(at[0] - 0.8, -10), (at[0] + 0.8, -10), (at[0] + 0.8, at[1]), (at[0] - 0.8, at[1])]
    cap = np.array([(-0.42, -1.0), (0.42, -1.0), (0.36, -1.9), (-0.36, -1.9)]) * radius + at
    solid = filled([np.array(cord, float) * scale, cap * scale], shape)
    solid = solid * (y < -0.95 * radius)
    tone = np.asarray((0.05, 0.04, 0.035), np.float32)[:, None, None]
    socket = Layer(box, tone * solid, 0 * tone * solid, np.asarray(solid, np.float32))
    return [socket, filament, shell]


def glints(scale: float, spots: list[Spot], power: float, shape: tuple[int, int]) -> Layer:
    """Small suns on polished brass: opaque cores with a halo of light over the mix."""
    h, w = shape
    rings, halo = [], np.zeros(shape, np.float32)
    t = np.linspace(0, 2 * np.pi, 20, endpoint=False)
    for x, y in spots:
        rings.append((np.stack([np.cos(t), np.sin(t)], 1) * 1.3 + (x, y)) * scale)
    core = filled(rings, shape)
    halo = np.asarray(cv2.GaussianBlur(core, (0, 0), 2.2 * scale), np.float32)
    white = np.asarray((1.0, 0.93, 0.78), np.float32)[:, None, None] * np.float32(power)
    return Layer((0, 0, w, h), white * core, 0 * white * core, core, 0.25 * halo * white)
