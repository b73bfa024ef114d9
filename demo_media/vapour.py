"""The demo's half-transparent things: steam, water, a glass dome, and embers above white."""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from demo_media.noise import fractal_noise
from demo_media.raster import Layer, Strand, clip_box, polygon_coverage, strand_layer
from demo_media.shapes import Painter, bezier

Image = NDArray[np.float32]


@lru_cache(maxsize=4)
def _billows(height: int, width: int) -> tuple[Image, Image]:
    rng = np.random.default_rng(9)
    scale = height / 6
    fine = fractal_noise(rng, 2 * height, width, scale_px=scale, octaves=6, gain=0.58, stretch=1.5)
    broad = fractal_noise(rng, 2 * height, width, scale_px=1.6 * scale, octaves=4)
    return fine, broad


def steam(painter: Painter, source: tuple[float, float], time: float, scale: float) -> Layer:
    """Steam that leaves the chimney, widens, leans in the draught and thins out."""
    canvas = painter.canvas
    h, w = canvas.height, canvas.width
    fine, broad = _billows(h, w)
    offset = int(h * 0.10 * time) % h
    fine, broad = fine[offset : offset + h], broad[offset // 2 : offset // 2 + h]
    y = np.arange(h, dtype=np.float32)[:, None] + 0.5
    x = np.arange(w, dtype=np.float32)[None, :] + 0.5
    rise = np.clip((source[1] - y) / (0.62 * h), 0, 1)
    lean = np.float32(0.22 * h) * rise**1.6 + np.float32(0.02 * h) * np.sin(5 * rise - 2.6 * time)
    wide = np.float32(26 * scale) + np.float32(0.17 * h) * rise
    column = np.exp(-(((x - source[0] - lean + 0.45 * wide * broad) / wide) ** 2))
    wisps = np.clip(0.60 + 0.55 * fine, 0, None) ** 1.5
    fade = np.clip(rise / 0.03, 0, 1) * np.clip(1 - rise, 0, 1) ** 0.7
    depth = np.asarray(2.1 * column * wisps * fade * (1 - 0.55 * rise), np.float32)
    depth = np.asarray(cv2.GaussianBlur(depth, (0, 0), 1.5 * scale))
    alpha = np.asarray(1 - np.exp(-np.maximum(depth - 0.004, 0)), np.float32)
    tone = np.asarray((0.66, 0.63, 0.60), np.float32)[:, None, None]
    lit = tone * (0.78 + 0.14 * np.clip(broad - np.roll(broad, 14, axis=1), -2, 2))
    spill = 0.22 * np.asarray(painter.lights.screen, np.float32)[:, None, None]
    box = (0, 0, w, h)
    return Layer(box, np.asarray(lit * alpha, np.float32), spill * alpha, alpha)


def glass_dome(painter: Painter, base: tuple[float, float], scale: float) -> Layer | None:
    """A bell of glass: thin in the middle, dense at the rim, two hard highlights."""
    tall, wide = 350 * scale, 112 * scale
    heights = np.linspace(0, tall, 220)
    widths = wide * np.sqrt(np.clip(1 - np.clip((heights / tall - 0.6) / 0.4, 0, 1) ** 2, 0, 1))
    widths = np.maximum(widths, 1e-3)
    outline = np.concatenate(
        [np.stack([widths, -heights], 1), np.stack([-widths[::-1], -heights[::-1]], 1)]
    ) + np.asarray(base)
    low, high = outline.min(axis=0) - 2, outline.max(axis=0) + 2
    canvas = painter.canvas
    box = clip_box((low[0], low[1], high[0], high[1]), canvas.width, canvas.height)
    if box is None:
        return None
    cover = polygon_coverage([outline], box)
    x = np.arange(box[0], box[2], dtype=np.float32)[None, :] + 0.5 - np.float32(base[0])
    y = np.float32(base[1]) - (np.arange(box[1], box[3], dtype=np.float32)[:, None] + 0.5)
    radius = np.interp(y, heights, widths).astype(np.float32) + 1e-3
    top = np.clip((y - 0.6 * tall) / (0.4 * tall), 0, 1)
    u = np.clip(np.sqrt((x / wide) ** 2 + top**2), 0, 1)
    body = 0.07 + 0.45 * u**8 + 0.25 * np.exp(-((y / (8 * scale)) ** 2))
    bend = x / radius
    streak = np.exp(-(((bend + 0.66) / 0.075) ** 2)) * np.clip(y / tall - 0.08, 0, 1) ** 0.4
    window = 0.5 + 0.5 * np.tanh((0.02 - np.abs(y / tall - 0.5)) * 60)
    streak = streak * np.clip((0.8 * tall - y) / (0.1 * tall), 0, 1) * (1 - 0.8 * window)
    glint = np.exp(-(((bend - 0.72) / 0.03) ** 2)) * np.clip(1.2 - 2 * y / tall, 0, 0.6)
    cap = np.exp(-(((x + 0.38 * wide) / (18 * scale)) ** 2 + ((y - 0.9 * tall) / (7 * scale)) ** 2))
    shine = np.clip(0.72 * streak + glint + 0.8 * cap, 0, 0.92)
    alpha = np.asarray(cover * (1 - (1 - np.clip(body, 0, 0.9)) * (1 - shine)), np.float32)
    tint = np.asarray((0.19, 0.20, 0.21), np.float32)[:, None, None]
    clean = cover * (tint * body * (1 - shine) + 1.35 * shine)
    spill = 0.22 * np.asarray(painter.lights.screen, np.float32)[:, None, None]
    spill = spill * cover * u**8 * (1 - shine)
    return Layer(box, np.asarray(clean, np.float32), np.asarray(spill, np.float32), alpha)


def pour(
    painter: Painter,
    rose: tuple[float, float],
    target: tuple[float, float],
    time: float,
    scale: float,
    amount: float,
) -> Layer | None:
    """Jets of water from the rose to the pot: partly covering, with bright edges and drops."""
    rng = np.random.default_rng(round(time * 24) + 1000)
    screen = np.asarray(painter.lights.screen, np.float64)
    strands: list[Strand] = []
    for i in range(9):
        end = (target[0] + (i - 4) * 13 * scale, target[1])
        start = (rose[0] - 14 * scale + i * 3.5 * scale, rose[1] + (8 - i) * 2.5 * scale)
        bend = (start[0] + 0.55 * (end[0] - start[0]), start[1] + 8 * scale)
        path = bezier([start, bend, end], 40)
        first = 0
        while first < 39:
            size = int(rng.integers(2, 9))
            last = min(first + size, 39)
            piece = path[first : last + 1] + rng.normal(0, 0.7 * scale, 2)
            bright = rng.uniform(0.25, 1.5)
            clean = np.repeat(bright * np.array([[0.80, 0.84, 0.88]]), len(piece), 0)
            spill = np.repeat(0.35 * screen[None], len(piece), 0)
            width = np.full(len(piece), scale * amount * rng.uniform(1.0, 3.2))
            strands.append(Strand(piece, width, clean, spill))
            first = last + int(rng.integers(0, 3))
    layer = strand_layer(strands, painter.canvas.width, painter.canvas.height)
    if layer is None:
        return None
    share = np.float32(0.72)
    return Layer(layer.box, layer.clean * share, layer.spill * share, layer.alpha * share)


def embers(source: tuple[float, float], scale: float, time: float) -> list[Strand]:
    """Incandescent specks of 1.3 to 4 that ride on the steam, with the shutter's short trails."""
    strands = []
    for i in range(46):
        rng = np.random.default_rng([5, i])
        life, start = float(rng.uniform(0.9, 1.8)), float(rng.uniform(0, 2))
        age = ((time - start) % 2.0) / life
        if age > 1:
            continue
        heat = (1 - age) * float(rng.uniform(2.2, 4.2)) + 0.25
        spread, swirl = float(rng.normal(0, 60)), float(rng.uniform(0, 6))

        def place(a: float, spread: float = spread, swirl: float = swirl) -> tuple[float, float]:
            x = spread * a + 150 * a**1.6 + 16 * np.sin(swirl + 7 * a)
            return source[0] + scale * float(x), source[1] - scale * 470 * a**0.85

        path = bezier([place(max(age - 0.012, 0.0)), place(age), place(age + 0.012)], 6)
        clean = np.repeat(heat * np.array([[1.0, 0.50, 0.15]]), 6, 0)
        width = np.full(6, scale * float(rng.uniform(2.2, 5.0)) * (1 - 0.5 * age))
        strands.append(Strand(path, width, clean, np.zeros_like(clean)))
    return strands
