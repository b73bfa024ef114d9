"""What comes behind in the finished picture: the workshop's wall at dusk, out of focus."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from demo_media.noise import fractal_noise

Image = NDArray[np.float32]


def wall(width: int, height: int, rng: np.random.Generator) -> Image:
    """Boards, shelves with jars and tools, a window, and two lamps up to 3. (3, h, w) linear."""
    bright = rng.uniform(0.5, 1.4)
    picture = np.empty((3, height, width), np.float32)
    base = np.asarray(rng.uniform((0.05, 0.035, 0.025), (0.20, 0.16, 0.13)), np.float32)
    grain = fractal_noise(rng, height, width, scale_px=height / 5, octaves=5, stretch=3)
    base = 0.4 * base + 0.6 * base.mean() * np.array([1.25, 0.97, 0.74], np.float32)
    picture[:] = base[:, None, None] * np.exp(0.25 * grain)
    x = np.arange(width, dtype=np.float32)
    plank = width / rng.uniform(9, 14)
    picture *= 1 - 0.5 * np.exp(-(((x % plank) / (0.012 * width)) ** 2))
    _window(picture, rng)
    for shelf in range(3):
        y = int(height * (0.22 + 0.26 * shelf + rng.uniform(-0.03, 0.03)))
        _shelf(picture, y, rng)
    sigma = height * rng.uniform(0.006, 0.014)
    soft = np.asarray([cv2.GaussianBlur(p, (0, 0), sigma) for p in picture], np.float32)
    for _ in range(2):
        _lamp(soft, rng)
    return np.asarray(soft * bright, np.float32)


def _window(picture: Image, rng: np.random.Generator) -> None:
    _, h, w = picture.shape
    x0, wide = int(w * rng.uniform(0.05, 0.7)), int(w * rng.uniform(0.14, 0.24))
    y0, tall = int(h * 0.08), int(h * rng.uniform(0.4, 0.6))
    sky = np.asarray(rng.uniform((0.4, 0.5, 0.7), (0.9, 0.95, 1.3)), np.float32)
    pane = picture[:, y0 : y0 + tall, x0 : x0 + wide]
    fade = np.linspace(1.1, 0.6, tall, dtype=np.float32)[None, :, None]
    pane[:] = sky[:, None, None] * fade
    bar = max(h // 70, 1)
    for k in range(1, 3):
        pane[:, :, k * wide // 3 : k * wide // 3 + bar] = 0.05
    pane[:, tall // 2 : tall // 2 + bar] = 0.05


def _shelf(picture: Image, y: int, rng: np.random.Generator) -> None:
    _, h, w = picture.shape
    x = rng.uniform(0, 0.05) * w
    while x < w:
        wide, tall = w * rng.uniform(0.015, 0.06), h * rng.uniform(0.05, 0.16)
        if rng.random() < 0.7:
            hue = rng.uniform((0.02, 0.02, 0.02), (0.45, 0.32, 0.28)).astype(np.float32)
            hue = 0.45 * hue + 0.55 * hue.mean()
            left, right = int(x), min(int(x + wide), w)
            round_ = np.linspace(-1, 1, max(right - left, 1), dtype=np.float32)
            lit = 1.15 - 0.7 * round_**2
            picture[:, max(y - int(tall), 0) : y, left:right] = hue[:, None, None] * lit[None, None]
        x += wide * rng.uniform(1.0, 1.8)
    thick = max(h // 60, 1)
    picture[:, y : y + thick] = np.asarray((0.16, 0.10, 0.06), np.float32)[:, None, None]
    picture[:, y + thick : y + 3 * thick] *= 0.45


def _lamp(picture: Image, rng: np.random.Generator) -> None:
    _, h, w = picture.shape
    cx, cy, r = rng.uniform(0, w), rng.uniform(0.1, 0.6) * h, h * rng.uniform(0.02, 0.05)
    yy, xx = np.mgrid[0:h, 0:w].astype(np.float32)
    far = np.sqrt((xx - cx) ** 2 + (yy - cy) ** 2)
    disc = np.clip((r - far) / (0.12 * r) + 0.5, 0, 1) + 0.25 * np.exp(-far / (4 * r))
    hue = np.asarray(rng.uniform((1.4, 0.9, 0.4), (3.0, 2.0, 1.0)), np.float32)
    picture += disc * hue[:, None, None]
