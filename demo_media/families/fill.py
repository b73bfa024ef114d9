"""Straight colour out of premultiplied, carried on to where nothing is."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]


def straight_colour(premultiplied: Image, alpha: Image) -> Image:
    """Divide by alpha; where that is 0, averages of what is near, by a pyramid. (3, h, w)."""
    there = alpha > 0
    colour = np.where(there, premultiplied / np.where(there, alpha, 1), 0).astype(np.float32)
    weight = np.asarray(np.minimum(alpha * 20, 1), np.float32)
    filled = _from_afar(colour, weight)
    return np.asarray(np.where(there, colour, filled), np.float32)


def _resized(image: Image, size: tuple[int, int], how: int) -> Image:
    planes = np.moveaxis(image, 0, -1)
    return np.ascontiguousarray(np.moveaxis(cv2.resize(planes, size, interpolation=how), -1, 0))


def _from_afar(colour: Image, weight: Image) -> Image:
    """Weighted averages of ever larger areas, laid under the finer ones."""
    levels = [(colour, weight)]
    while min(levels[-1][1].shape) > 2:
        c, w = levels[-1]
        size = ((w.shape[1] + 1) // 2, (w.shape[0] + 1) // 2)
        small_w = np.asarray(cv2.resize(w, size, interpolation=cv2.INTER_AREA), np.float32)
        small = _resized(c * w, size, cv2.INTER_AREA) / np.maximum(small_w, 1e-6)
        levels.append((np.asarray(small, np.float32), np.minimum(small_w * 4, 1)))
    c, w = levels[-1]
    total = max(float(w.sum()), 1e-6)
    mean = (c * w).sum(axis=(1, 2)) / total
    under = np.asarray(np.broadcast_to(mean[:, None, None], c.shape), np.float32)
    for c, w in reversed(levels):
        grown = _resized(np.ascontiguousarray(under), w.shape[::-1], cv2.INTER_LINEAR)
        under = np.asarray(w * c + (1 - w) * grown, np.float32)
    return under
