"""What is hard in the truth shots: smoke, glass, sparks and bulbs brighter than white."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from demo_media.noise import fractal_noise
from demo_media.raster import Layer, Strand, clip_box, polygon_coverage, strand_layer
from demo_media.shade import Material
from demo_media.shapes import Painter, bezier
from demo_media.subjects import MATERIALS, Figure

Image = NDArray[np.float32]


def breathe_smoke(
    painter: Painter,
    rng: np.random.Generator,
    source: tuple[float, float],
    *,
    density: float,
    drift: float,
    reach: float = 0.75,
) -> None:
    """Lit smoke rising from `source`: alpha = 1 − exp(−optical depth), screen light in it."""
    canvas = painter.canvas
    h, w = canvas.height, canvas.width
    y = np.arange(h, dtype=np.float32)[:, None] + 0.5
    x = np.arange(w, dtype=np.float32)[None, :] + 0.5
    rise = np.clip((source[1] - y) / (reach * h), 0, 1)
    bend = np.float32(rng.normal(0, 0.12)) * w * rise**1.5
    warp = fractal_noise(rng, h, w, scale_px=h / 4, octaves=5)
    wide = h * (0.025 + 0.16 * rise)
    column = np.exp(-(((x - source[0] - bend + 0.5 * wide * warp) / wide) ** 2))
    moved = np.float32(drift) * h / 40
    wisps = fractal_noise(rng, h + 256, w, scale_px=h / 7, octaves=6, gain=0.55, stretch=1.8)
    shift = int(moved) % 256
    wisps = np.clip(0.55 + 0.5 * wisps[shift : shift + h], 0, None) ** 1.5
    fade = np.clip(rise / 0.04, 0, 1) * (1 - rise) ** 0.8
    depth = np.float32(density) * column * wisps * fade
    depth = np.asarray(cv2.GaussianBlur(depth.astype(np.float32), (0, 0), h / 540))
    alpha = np.asarray(1 - np.exp(-np.maximum(depth - 0.004, 0)), np.float32)
    tone = np.asarray((0.50, 0.50, 0.53), np.float32)[:, None, None]
    lit = tone * (0.75 + 0.12 * np.clip(warp, -2, 2)) * (1 + 0.25 * rise)
    spill = np.asarray(painter.lights.screen, np.float32)[:, None, None] * 0.35
    spill = spill * np.float32(painter.lights.spill) * tone * 2
    canvas.over(Layer((0, 0, w, h), lit * alpha, spill * alpha, alpha))


def stand_glass(
    painter: Painter, rng: np.random.Generator, base: tuple[float, float], size: float
) -> None:
    """A clear jar: thin in the middle, dense at its walls and rims, with hard bright highlights."""
    profile = np.array([[0, 0.30], [0.04, 0.34], [0.5, 0.36], [0.72, 0.30], [0.8, 0.2], [1, 0.22]])
    heights = np.linspace(0, 1, 200) * size
    widths = np.interp(heights, profile[:, 0] * size, profile[:, 1] * size)
    outline = np.concatenate(
        [np.stack([widths, -heights], 1), np.stack([-widths[::-1], -heights[::-1]], 1)]
    ) + np.asarray(base)
    low, high = outline.min(axis=0), outline.max(axis=0)
    box = clip_box(
        (low[0] - 2, low[1] - 2, high[0] + 2, high[1] + 2),
        painter.canvas.width,
        painter.canvas.height,
    )
    if box is None:
        return
    cover = polygon_coverage([outline], box)
    x = np.arange(box[0], box[2], dtype=np.float32)[None, :] + 0.5 - np.float32(base[0])
    y = np.float32(base[1]) - (np.arange(box[1], box[3], dtype=np.float32)[:, None] + 0.5)
    radius = np.interp(y, heights, widths).astype(np.float32)
    u = np.clip(np.abs(x) / radius, 0, 1)
    wall = u**6 * 0.5 + 0.30 * np.exp(-(((1 - u) / 0.03) ** 2))
    floor = 0.45 * np.exp(-((y / (0.035 * size)) ** 2)) + 0.4 * np.exp(
        -(((y - size) / (0.02 * size)) ** 2)
    )
    body = np.clip(np.float32(rng.uniform(0.05, 0.10)) + wall + floor, 0, 0.92)
    streak = np.exp(-(((x / radius + 0.62) / 0.07) ** 2)) * np.clip(y / size - 0.1, 0, 1) ** 0.3
    streak = streak * np.clip((0.74 * size - y) / (0.02 * size), 0, 1)
    thin = np.exp(-(((x / radius - 0.7) / 0.025) ** 2)) * 0.5 * (y < 0.7 * size)
    shine = np.clip(0.75 * streak + thin, 0, 0.9)
    alpha = cover * (1 - (1 - body) * (1 - shine))
    tint = np.asarray((0.20, 0.21, 0.23), np.float32)[:, None, None]
    glow = np.float32(rng.uniform(0.9, 1.6)) * shine
    clean = cover * (tint * body * (1 - shine) + glow)
    spill = 0.25 * np.asarray(painter.lights.screen, np.float32)[:, None, None]
    layer = Layer(
        box,
        np.asarray(clean, np.float32),
        np.asarray(spill * cover * wall * (1 - shine), np.float32),
        np.asarray(alpha, np.float32),
    )
    painter.canvas.over(layer)


def throw_sparks(
    painter: Painter, rng: np.random.Generator, source: tuple[float, float], count: int
) -> None:
    """Incandescent streaks of 1.2 to 4 flying from `source`, and their opaque hot centre."""
    scale = painter.canvas.height / 540
    strands = []
    for _ in range(count):
        angle = rng.uniform(-np.pi, 0.3)
        start = rng.uniform(10, 150) * scale
        length = rng.uniform(6, 38) * scale
        direction = np.array([np.cos(angle), np.sin(angle)])
        t = np.linspace(0, 1, 8)[:, None]
        fall = np.array([0.0, 1.0]) * (start + length * t) ** 2 * 0.0016 / scale
        points = np.asarray(source) + direction * (start + length * t) + fall
        width = rng.uniform(0.8, 3.0) * scale * np.sin(np.pi * np.linspace(0.15, 0.95, 8))
        heat = rng.uniform(1.2, 4.0) * np.linspace(0.6, 1.0, 8)[:, None]
        clean = heat * np.array([1.0, 0.62, 0.26])
        strands.append(Strand(points, width, clean, np.zeros_like(clean)))
    layer = strand_layer(strands, painter.canvas.width, painter.canvas.height)
    if layer is not None:
        painter.canvas.over(layer)


def hang_bulbs(painter: Painter, rng: np.random.Generator, figure: Figure) -> None:
    """Hot bulbs of 1.5 to 4 on thin wires, opaque, brighter than the screen in every channel."""
    h = painter.canvas.height
    for _ in range(3):
        x = figure.head[0] + rng.uniform(-0.55, 0.55) * h
        y = rng.uniform(0.15, 0.45) * h
        wire = bezier([(x, -5.0), (x + 4, y * 0.5), (x, y)], 14)
        painter.limb(wire, np.full(14, h * 0.0018), MATERIALS["ink"])
        heat = float(rng.uniform(2.2, 3.6))
        hot = Material((heat, heat * 0.85, heat * 0.6), roughness=0.4, grain=0.0)
        painter.ellipsoid((x, y + h * 0.02), (h * 0.022, h * 0.03), hot)
