"""What the theatre's shots are composited over: the house, out of focus, its lights as discs."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from demo_media.families.theatre.looms import pleats, slopes, waves

Image = NDArray[np.float32]


def auditorium(rng: np.random.Generator, width: int, height: int) -> Image:
    """Red curtains either side, galleries with warm lamps in soft discs, haze: (3, h, w)."""
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    u, v = x / height, y / height
    glow = np.exp(-(((u - 0.5 * width / height) / 0.9) ** 2 + ((v - 0.45) / 0.6) ** 2))
    tone = np.array([0.20, 0.11, 0.06], np.float32)
    picture = tone * (0.12 + glow[..., None]) * (1 + 0.2 * waves(rng, height, width, 40)[..., None])
    for level in (0.22, 0.45, 0.68):
        sag = level + 0.05 * ((u - 0.5 * width / height) ** 2)
        rail = np.exp(-(((v - sag) / 0.018) ** 2))
        picture = picture + rail[..., None] * np.array([0.22, 0.14, 0.06], np.float32)
    for _ in range(46):
        level = (0.19, 0.42, 0.65)[int(rng.integers(3))]
        cx = rng.uniform(0.05, width / height - 0.05)
        cy = level + 0.05 * (cx - 0.5 * width / height) ** 2 + rng.normal(0, 0.012)
        radius = rng.uniform(0.014, 0.034)
        disc = np.clip((radius - np.hypot(u - cx, v - cy)) * height / 2 + 0.5, 0, 1)
        colour = rng.uniform(0.3, 1.4) * np.array([1.0, 0.68, 0.34])
        picture = picture + disc[..., None] * colour.astype(np.float32)
    folds = pleats(rng, np.asarray(x + 4 * np.sin(4 * v), np.float32), 0.07 * height, 0.3)
    normal = slopes(folds * 2)
    lit = np.clip(0.55 * normal[0] + 0.8 * normal[2], 0.05, 1)[..., None]
    velvet = lit * np.array([0.34, 0.025, 0.03], np.float32)
    gap = 0.22 + 0.12 * v**2 + 0.05 * float(rng.normal())
    share = np.clip((np.maximum(gap - u, u - (width / height - gap))) * height / 3 + 0.5, 0, 1)
    picture = picture * (1 - share[..., None]) + velvet * share[..., None]
    soft = cv2.GaussianBlur(picture.astype(np.float32), (0, 0), height / 300)
    return np.ascontiguousarray(np.moveaxis(np.maximum(soft, 0.002), -1, 0), np.float32)
