"""Measuring the screen itself: evenness of block means, clipping, signal to noise, coverage."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from kernels.measure.noise import MeasuredNoise
from kernels.measure.screen_find import channel_index
from kernels.measure.subject import Regions
from kernels.recipe import Primary

Array = NDArray[Any]
Mask = NDArray[np.bool_]
BLOCKS_ACROSS = 60


def uncovered_border(areas: Regions) -> float:
    """Return the share of the frame's border, the bottom left out, that shows no screen."""
    seen = areas.visible_screen
    inset = min(2, seen.shape[0] - 1, seen.shape[1] - 1)
    border = np.concatenate([seen[inset], seen[:, inset], seen[:, -1 - inset]])
    return float(1 - border.mean())


def clipped_pixels(image: Array, encoded: Array | None, primary: Primary) -> Mask:
    """Return the pixels whose key channel sits at the recording's ceiling, (H, W) bool.

    With the encoded picture the ceiling is code 1 or, where recording stops below, a plateau: a
    largest value that many pixels share while another channel still varies there. Without it only
    a plateau of the picture counts.
    Common practice, no source.
    """
    k, _, _ = channel_index(primary)
    plane = (image if encoded is None else encoded)[k]
    top = float(plane.max())
    step = max(abs(top) * 1e-3, 1e-6) if encoded is None else 1.0 / 512.0
    at_top = plane >= top - step
    below = (plane >= top - 3 * step) & (plane < top - 2 * step)
    if encoded is not None and top >= 1.0 - 1.0 / 512.0:
        return np.asarray(plane >= 1.0 - 1.0 / 512.0)
    plateau = at_top.sum() > 50 and at_top.sum() > 8 * (below.sum() + 1)
    if not plateau or _constant(image, at_top, k):
        return np.zeros(plane.shape, bool)
    return np.asarray(at_top)


def _constant(image: Array, mask: Mask, k: int) -> bool:
    """Tell whether the channels other than k are constant over `mask`: painted, not recorded."""
    return all(float(np.ptp(plane[mask])) == 0 for n, plane in enumerate(image) if n != k)


def snr_db(noise: MeasuredNoise) -> tuple[float, float, float]:
    """Return 20 log10(mean / sigma) of each channel over the screen; 120 when no noise is seen."""
    out = [
        float(20 * np.log10(max(level, 1e-9) / sigma)) if sigma > level * 1e-6 else 120.0
        for level, sigma in zip(noise.level, noise.sigma, strict=True)
    ]
    return out[0], out[1], out[2]


def block_means(plane: Array, usable: Mask) -> tuple[Array, Array, int]:
    """Return means over blocks of width/60, their coverage 0..1 and the block's side in px."""
    height, width = plane.shape
    size = max(1, round(width / BLOCKS_ACROSS))
    rows, columns = max(1, height // size), max(1, width // size)
    crop = np.s_[: rows * size, : columns * size]
    weight = usable[crop].astype(np.float32).reshape(rows, size, columns, size)
    total = weight.sum(axis=(1, 3), dtype=np.float64)
    held = plane[crop].reshape(rows, size, columns, size) * weight
    mean = held.sum(axis=(1, 3), dtype=np.float64) / np.maximum(total, 1)
    return mean, total / size**2, size


def spread_stops(stops: Array, sigma: float) -> float:
    """Return P98 - P2 of block means in stops, the blocks' own noise taken off in quadrature.

    sigma: standard deviation of one block's mean in stops. For pure Gaussian noise P98 - P2 is
    4.107 sigma, so a flat noisy screen reads 0. Source: the normal distribution.
    """
    p2, p98 = np.percentile(stops, [2, 98])
    seen = float(p98 - p2)
    return float(np.sqrt(max(seen**2 - (4.107 * sigma) ** 2, 0.0)))
