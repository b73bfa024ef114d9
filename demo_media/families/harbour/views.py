"""What the harbour's shots are composited over: a quay at dusk with a brick shed and water."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from demo_media.families.harbour.weather import field, photograph

Image = NDArray[np.float32]


def quay(rng: np.random.Generator, width: int, height: int) -> Image:
    """A quay (3, h, w): brick from a free photograph, sky, water with glitter, gravel below."""
    y = np.linspace(0, 1, height, dtype=np.float32)[:, None]
    x = np.linspace(0, 1, width, dtype=np.float32)[None, :]
    clouds = field(rng, height, width, 0.3 * height, 2.4)
    low, high = np.array([0.75, 0.46, 0.28]), np.array([0.13, 0.20, 0.36])
    t = np.clip(y / 0.5, 0, 1) ** 1.5
    sky = high[:, None, None] * (1 - t) + low[:, None, None] * t
    sky = sky * (1 + 0.16 * clouds)
    ripple = field(rng, height, width, 0.02 * height, 1.5)
    size = (width, height)
    wide = cv2.resize(ripple[:, : width // 4], size, interpolation=cv2.INTER_LINEAR)
    ripple = np.asarray(wide, np.float32)
    water = np.array([0.10, 0.13, 0.15])[:, None, None] * (1 + 0.5 * ripple)
    water = water + np.clip(ripple - 1.3, 0, 2) * low[:, None, None]
    picture = np.where(y > 0.52, water, sky)
    edge = float(rng.uniform(0.25, 0.5))
    roof = 0.18 + 0.10 * np.abs(x - edge / 2)
    shed = (x < edge) & (y > roof) & (y < 0.72)
    brick = photograph("brick", 2 * height, 2 * width, rng)[::2, ::2]
    wall = np.array([0.20, 0.095, 0.06])[:, None, None] * (1 + 0.35 * brick)
    picture = np.where(shed, wall * (1.1 - 0.6 * x / edge), picture)
    stones = photograph("gravel", 2 * height, 2 * width, rng)[::2, ::2]
    ground = np.array([0.15, 0.13, 0.11])[:, None, None] * (1 + 0.5 * stones)
    picture = np.where(y > 0.74 + 0.06 * x, ground, picture)
    soft = [cv2.GaussianBlur(p.astype(np.float32), (0, 0), height / 240) for p in picture]
    return np.asarray(np.maximum(np.stack(soft), 0.002), np.float32)
