"""Patterns of the theatre: sums of random waves, cells around random points, pleats."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]


def waves(
    rng: np.random.Generator,
    height: int,
    width: int,
    length: float,
    *,
    count: int = 14,
    heading: float = 0.0,
    spread: float = np.pi,
) -> Image:
    """Sum of `count` plane waves of about `length` pixels, (h, w), mean 0, deviation 1.

    They run within `spread` radians of `heading`; π is every way. Their phases bend each other, so
    that no stripes stand out.
    """
    step = max(1, int(length / 8))
    y, x = np.mgrid[0 : height + step : step, 0 : width + step : step].astype(np.float32)
    total = np.zeros(x.shape, np.float32)
    bend = np.zeros(x.shape, np.float32)
    for k in range(count):
        angle = heading + rng.uniform(-spread, spread)
        size = 2 * np.pi / (length * np.exp(rng.normal(0, 0.35)))
        phase = np.float32(size) * (x * np.float32(np.cos(angle)) + y * np.float32(np.sin(angle)))
        wave = np.cos(phase + np.float32(rng.uniform(0, 6.3)) + np.float32(0.9) * bend)
        total += wave
        bend = wave if k % 2 else bend + np.float32(0.4) * wave
    if step > 1:
        grid = (
            np.arange(width, dtype=np.float32)[None, :] / step + np.zeros((height, 1), np.float32),
            np.arange(height, dtype=np.float32)[:, None] / step + np.zeros((1, width), np.float32),
        )
        total = np.asarray(cv2.remap(total, grid[0], grid[1], cv2.INTER_CUBIC), np.float32)
    total = total[:height, :width]
    return np.asarray((total - total.mean()) / max(float(total.std()), 1e-6), np.float32)


def cells(rng: np.random.Generator, height: int, width: int, spacing: float) -> Image:
    """Distance to the nearest of many random points over `spacing`, (h, w): 0 at a point."""
    image = np.full((height, width), 255, np.uint8)
    count = max(4, int(height * width / spacing**2))
    image[rng.integers(0, height, count), rng.integers(0, width, count)] = 0
    far = cv2.distanceTransform(image, cv2.DIST_L2, 5)
    return np.asarray(far / np.float32(spacing), np.float32)


def pleats(rng: np.random.Generator, along: Image, pitch: float, sharp: float) -> Image:
    """Height of hanging pleats over `along` (any shape, pixels), in pixels: rounded ridges.

    Their widths vary by a third about `pitch`; `sharp` 0 is a soft wave, 1 a knife edge.
    """
    low, high = float(along.min()), float(along.max())
    count = int((high - low) / pitch * 1.6) + 4
    marks = low - pitch + np.cumsum(pitch * rng.uniform(0.65, 1.35, count))
    deep = rng.uniform(0.5, 1.0, count)
    at = np.interp(along, marks, np.arange(count, dtype=np.float64))
    which = np.clip(np.floor(at).astype(np.int64), 0, count - 1)
    part = at - np.floor(at)
    skew = part ** (1 + 1.2 * sharp)
    ridge = np.sin(np.pi * skew) ** (1.2 - 0.4 * sharp)
    return np.asarray(ridge * deep[which] * pitch * 0.28, np.float32)


def slopes(height_map: Image, gain: float = 1.0) -> Image:
    """Unit normals (3, h, w) of a height in pixels; x right, y down, z to the viewer."""
    gx = cv2.Sobel(height_map, cv2.CV_32F, 1, 0, ksize=3, scale=gain / 8)
    gy = cv2.Sobel(height_map, cv2.CV_32F, 0, 1, ksize=3, scale=gain / 8)
    size = np.sqrt(gx * gx + gy * gy + 1)
    return np.asarray(np.stack([-gx / size, -gy / size, 1 / size]), np.float32)
