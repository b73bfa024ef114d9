"""Screens with one known property each, for the measurements' tests. Own invention throughout."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]
GREEN = (0.16, 0.36, 0.12)


def flat(width: int = 960, height: int = 540, colour: tuple[float, float, float] = GREEN) -> Image:
    """Return an even screen (3, height, width)."""
    return np.broadcast_to(np.asarray(colour, np.float32)[:, None, None], (3, height, width)).copy()


def noisy(image: Image, a: float, b: float, seed: int = 0) -> Image:
    """Return `image` with independent Gaussian noise of variance a x + b."""
    rng = np.random.default_rng(seed)
    sigma = np.sqrt(a * np.maximum(image, 0) + b)
    return (image + sigma * rng.standard_normal(image.shape)).astype(np.float32)


def ramped(stops: float, width: int = 960, height: int = 540) -> Image:
    """Return a screen whose level rises by `stops` from left to right, straight in stops."""
    x = (np.arange(width, dtype=np.float32) + 0.5) / width
    return (flat(width, height) * np.exp2(stops * (x - 0.5))).astype(np.float32)


def with_disc(
    screen: Image,
    sigma_px: float,
    colour: tuple[float, float, float] = (0.4, 0.25, 0.18),
    radius: float = 0.35,
) -> tuple[Image, NDArray[np.float32]]:
    """Return a screen with a soft-edged disc on it, and the disc's coverage, supersampled 4 x 4."""
    _, h, w = screen.shape
    y, x = np.mgrid[0 : 4 * h, 0 : 4 * w].astype(np.float32) / 4
    disc = (np.hypot(x - w / 2, y - h * 0.6) < radius * h).astype(np.float32)
    alpha = cv2.resize(
        cv2.GaussianBlur(disc, (0, 0), 4 * sigma_px), (w, h), interpolation=cv2.INTER_AREA
    )
    paint = np.asarray(colour, np.float32)[:, None, None]
    return np.asarray(alpha * paint + (1 - alpha) * screen, np.float32), alpha


def with_markers(screen: Image, places: list[tuple[int, int]], size: int = 16) -> Image:
    """Return a screen with darker crosses of `size` px at `places` (x, y)."""
    out = screen.copy()
    for x, y in places:
        for box in (
            np.s_[:, y - 2 : y + 2, x - size // 2 : x + size // 2],
            np.s_[:, y - size // 2 : y + size // 2, x - 2 : x + 2],
        ):
            out[box] = screen[box] * np.asarray([0.5, 0.35, 0.6], np.float32)[:, None, None]
    return out


def encoded(image: Any) -> Image:
    """Return a picture encoded by a plain power curve, 0..1."""
    return np.asarray(np.clip(image, 0, 1) ** (1 / 2.4), np.float32)
