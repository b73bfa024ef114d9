"""The few neighbourhood operations that unmixing is built from.

Every one is a separable blur, a small stencil, a shift or a pyramid, so that each becomes one short
kernel. Planes are (h, w) float32, stacks (n, h, w); borders are repeated unless said otherwise.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]


def planes(stack: Array, operation: Any) -> Array:
    """Apply an operation on one plane to each plane of (n, h, w)."""
    return np.stack([operation(plane) for plane in stack])


def gaussian(stack: Array, sigma_px: float) -> Array:
    """Gaussian blur of (h, w) or (n, h, w); the kernel reaches ceil(3 sigma) pixels."""
    if stack.ndim == 3:
        return planes(stack, lambda plane: gaussian(plane, sigma_px))
    side = 2 * int(np.ceil(3 * sigma_px)) + 1
    return np.asarray(
        cv2.GaussianBlur(stack, (side, side), sigma_px, borderType=cv2.BORDER_REPLICATE)
    ).reshape(stack.shape)


def box(stack: Array, radius_px: int) -> Array:
    """Mean over a square of 2 r + 1 pixels a side, of (h, w) or (n, h, w)."""
    if stack.ndim == 3:
        return planes(stack, lambda plane: box(plane, radius_px))
    side = 2 * radius_px + 1
    return np.asarray(cv2.blur(stack, (side, side), borderType=cv2.BORDER_REPLICATE)).reshape(
        stack.shape
    )


def least(plane: Array, radius_px: int) -> Array:
    """Smallest value in a square of 2 r + 1 pixels a side; outside the frame nothing counts."""
    side = np.ones((2 * radius_px + 1, 2 * radius_px + 1), np.uint8)
    return np.asarray(cv2.erode(plane, side)).reshape(plane.shape)


def greatest(plane: Array, radius_px: int) -> Array:
    """Largest value in a square of 2 r + 1 pixels a side; outside the frame nothing counts."""
    side = np.ones((2 * radius_px + 1, 2 * radius_px + 1), np.uint8)
    return np.asarray(cv2.dilate(plane, side)).reshape(plane.shape)


def opened(plane: Array, radius_px: int) -> Array:
    """Smallest, then largest value in a square: takes out bright things thinner than it."""
    return greatest(least(plane, radius_px), radius_px)


def shifted(stack: Array, dy: int, dx: int, outside: float | None = None) -> Array:
    """Return stack[..., y + dy, x + dx]; outside the frame `outside`, or the border repeated."""
    h, w = stack.shape[-2:]
    rows, columns = np.arange(h) + dy, np.arange(w) + dx
    moved = stack[..., np.clip(rows, 0, h - 1)[:, None], np.clip(columns, 0, w - 1)]
    if outside is not None:
        moved[..., (rows < 0) | (rows >= h), :] = outside
        moved[..., :, (columns < 0) | (columns >= w)] = outside
    return np.asarray(moved)


def reduced(stack: Array, factor: int) -> Array:
    """Means over squares of `factor` pixels a side; the border is repeated to fill the last."""
    if factor == 1:
        return stack
    h, w = stack.shape[-2:]
    pad = [(0, 0)] * (stack.ndim - 2) + [(0, -h % factor), (0, -w % factor)]
    full = np.pad(stack, pad, mode="edge")
    rows, columns = full.shape[-2] // factor, full.shape[-1] // factor
    blocks = full.reshape(*stack.shape[:-2], rows, factor, columns, factor)
    return np.asarray(blocks.mean(axis=(-3, -1), dtype=np.float32))


def enlarged(stack: Array, factor: int, height: int, width: int) -> Array:
    """Bilinear between the centres of `reduced` squares, cut to (height, width)."""
    if factor == 1:
        return np.asarray(stack[..., :height, :width])
    if stack.ndim == 3:
        return planes(stack, lambda plane: enlarged(plane, factor, height, width))
    h, w = stack.shape
    grown = cv2.resize(stack, (w * factor, h * factor), interpolation=cv2.INTER_LINEAR)
    return np.asarray(grown).reshape(h * factor, w * factor)[:height, :width]


def pull(colour: Array, weight: Array, levels: int) -> list[tuple[Array, Array]]:
    """Weighted means of ever larger squares: [(colour, weight)], finest first.

    colour: (n, h, w). weight: (h, w), 0..1. A coarser weight is four times the mean of the finer
    ones, at most 1, so that one sure pixel is enough to be heard. Source: Gortler, Grzeszczuk,
    Szeliski & Cohen 1996, "The lumigraph", section 3.4.
    """
    pyramid = [(colour, weight)]
    for _ in range(levels):
        colour, weight = pyramid[-1]
        if min(weight.shape) < 2:
            break
        total = reduced(weight, 2)
        mean = reduced(colour * weight, 2) / np.maximum(total, 1e-8)
        pyramid.append((mean, np.minimum(4 * total, 1)))
    return pyramid


def push(pyramid: list[tuple[Array, Array]], finest: int = 0) -> Array:
    """Fill from coarse to fine: each level keeps its own mean as far as its weight reaches 1.

    finest: the first level that is heard; coarser ones give smoother, wider means. Returns (n, h,
    w) at the size of level 0.
    """
    top, weight = pyramid[-1]
    total = max(float(weight.sum()), 1e-8)
    whole = (top * weight).sum(axis=(-2, -1), keepdims=True) / total
    up = weight * top + (1 - weight) * whole
    for level in range(len(pyramid) - 2, -1, -1):
        colour, weight = pyramid[level]
        up = enlarged(up, 2, *weight.shape)
        if level >= finest:
            up = weight * colour + (1 - weight) * up
    return np.asarray(up, np.float32)


def soft_step(x: Array, low: Any, high: Any) -> Array:
    """clip((x - low) / (high - low), 0, 1)."""
    return np.asarray(np.clip((x - low) / (high - low), 0, 1))


def logistic(x: Array) -> Array:
    """1 / (1 + exp(-x)), safe for large |x|."""
    return np.asarray(1 / (1 + np.exp(-np.clip(x, -30, 30))))


def log_odds(p: Array) -> Array:
    """log(p / (1 - p)), p held to .002...998."""
    held = np.clip(p, 0.002, 0.998)
    return np.asarray(np.log(held / (1 - held)))
