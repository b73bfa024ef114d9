"""Generated pictures to put behind a subject: out-of-focus lights over a graded sky."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from demo_media.noise import fractal_noise

Image = NDArray[np.float32]


def evening_lights(width: int, height: int, rng: np.random.Generator) -> Image:
    """A graded evening sky, hills and soft discs of light up to about 2. (3, h, w) linear."""
    y = ((np.arange(height, dtype=np.float32) + 0.5) / height)[None, :, None]
    warm = rng.uniform(0.7, 1.2)
    top = np.asarray(rng.uniform((0.04, 0.05, 0.12), (0.12, 0.16, 0.35)), np.float32)
    low = np.asarray((0.85 * warm, 0.48, 0.22 / warm), np.float32)
    mix = np.clip(y / rng.uniform(0.55, 0.8), 0, 1) ** 1.4
    graded = top[:, None, None] * (1 - mix) + low[:, None, None] * mix
    picture = np.array(np.broadcast_to(graded, (3, height, width)), np.float32)
    clouds = fractal_noise(rng, height, width, scale_px=width / 5, octaves=5, stretch=0.35)
    picture *= 1 + 0.10 * clouds
    for depth in range(3):
        _hill(picture, depth, rng)
    _discs(picture, rng)
    return picture


def _hill(picture: Image, depth: int, rng: np.random.Generator) -> None:
    _, height, width = picture.shape
    line = fractal_noise(rng, 4, width, scale_px=width / (3 + 2 * depth), octaves=4)[1]
    horizon = height * (0.66 + 0.1 * depth) + line * height * 0.03
    y = np.arange(height, dtype=np.float32)[:, None] + 0.5
    cover = np.clip((y - horizon[None]) / (6 - depth) + 0.5, 0, 1)
    tone = np.asarray((0.16, 0.10, 0.11), np.float32) * np.float32(0.55**depth)
    picture += cover * (tone[:, None, None] - picture)


def _discs(picture: Image, rng: np.random.Generator) -> None:
    _, height, width = picture.shape
    for _ in range(26):
        radius = rng.uniform(0.008, 0.03) * width
        x, y = rng.uniform(0, width), rng.uniform(0.45, 0.95) * height
        hue = rng.uniform((0.9, 0.35, 0.08), (1.6, 0.9, 0.5)).astype(np.float32)
        disc = np.zeros((height, width), np.float32)
        centre = (round(x * 16), round(y * 16))
        cv2.circle(disc, centre, round(radius * 16), 1.0, -1, cv2.LINE_AA, 4)
        disc = np.asarray(cv2.GaussianBlur(disc, (0, 0), max(radius * 0.08, 0.7)))
        picture += np.float32(rng.uniform(0.15, 0.8)) * disc * hue[:, None, None]
