"""Recordings with subsampled chroma: the matte at the chroma's size, its detail from the luma."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from kernels.reference.unmix.filters import greatest, planes, soft_step

Array = NDArray[Any]
STEP = {"4:4:4": (1, 1), "4:2:2": (1, 2), "4:2:0": (2, 2)}
"""Rows and columns of luma for one sample of chroma."""
REC709_FROM_WORKING = np.array(
    [[1.70505, -0.62179, -0.08326], [-0.13026, 1.14080, -0.01055], [-0.02400, -0.12897, 1.15297]],
    np.float32,
)
"""Source: ITU-R BT.709 primaries from ACEScg (S-2014-004) with the white point adapted."""
REC709_WEIGHTS = np.array([0.2126, 0.7152, 0.0722], np.float32)
EXPONENT = 2.4
LUMA_ERROR, CHROMA_ERROR, SHADING = 0.02, 0.05, 0.1
"""Errors of recorded luma and chroma, and by how much F's luma is trusted, relative."""
ROUNDS = 3


def halved(stack: Array, step: tuple[int, int]) -> Array:
    """Means over step[0] x step[1] pixels of (h, w) or (n, h, w); the border fills the last."""
    dy, dx = step
    h, w = stack.shape[-2:]
    pad = [(0, 0)] * (stack.ndim - 2) + [(0, -h % dy), (0, -w % dx)]
    full = np.pad(stack, pad, mode="edge")
    rows, columns = full.shape[-2] // dy, full.shape[-1] // dx
    blocks = full.reshape(*stack.shape[:-2], rows, dy, columns, dx)
    return np.asarray(blocks.mean(axis=(-3, -1), dtype=np.float32))


def doubled(stack: Array, step: tuple[int, int], height: int, width: int) -> Array:
    """Bilinear back to the size of the luma, cut to (height, width)."""
    if stack.ndim == 3:
        return planes(stack, lambda plane: doubled(plane, step, height, width))
    h, w = stack.shape
    size = (w * step[1], h * step[0])
    grown = cv2.resize(np.asarray(stack, np.float32), size, interpolation=cv2.INTER_LINEAR)
    return np.asarray(grown).reshape(size[1], size[0])[:height, :width]


def recorded(picture: Array) -> Array:
    """Luma and two colour differences (3, h, w) of a working-linear picture, near as recorded.

    Source: ITU-R BT.709-6, item 3; the curve is taken as a plain power of 2.4.
    """
    rgb = np.tensordot(REC709_FROM_WORKING, picture, 1)
    coded = np.maximum(rgb, 0) ** (1 / EXPONENT)
    luma = np.tensordot(REC709_WEIGHTS, coded, 1)
    return np.stack([luma, (coded[2] - luma) / 1.8556, (coded[0] - luma) / 1.5748])


def sharpened(
    alpha: Array,
    sigma_alpha: Array,
    foreground: Array,
    plate: Array,
    clean: Array,
    step: tuple[int, int],
    rounds: int = ROUNDS,
) -> Array:
    """Pass 11: alpha (h, w) that explains the full luma and, blurred as recorded, the chroma.

    The start fits every pixel's upsampled chroma, so it is as soft as that. Each round sends the
    luma's residual, and the chroma's residual through the recording's own blur B, back along the
    change d of the recorded colour with alpha:
    a += (d_y r_y / s_y + B(d_c . r_c) / s_c + (a_0 - a) / v) / (d_y^2 / s_y + |d_c|^2 / s_c + 1/v),
    v = sigma_a^2, less where something is bright beyond the recording's range. Source: Landweber
    1951, for the iteration.
    """
    h, w = plate.shape[1:]
    target, start = recorded(plate), alpha
    bright = soft_step(greatest(plate.max(axis=0), 2), 0.8, 1.2)
    inertia = 1 / ((sigma_alpha**2 + 0.02**2) * (1 - 0.99 * bright))

    def blurred(x: Array) -> Array:
        return doubled(halved(x, step), step, h, w)

    uneven = SHADING * recorded(foreground)[0] * np.sqrt(alpha)
    y_scale = 1 / (LUMA_ERROR**2 + uneven**2)
    c_scale = 1 / CHROMA_ERROR**2
    for _ in range(rounds):
        mixed = alpha * foreground + (1 - alpha) * clean
        here = recorded(mixed)
        d = (recorded(mixed + 0.05 * (foreground - clean)) - here) / 0.05
        r_y = target[0] - here[0]
        r_c = target[1:] - blurred(here[1:])
        change = d[0] * r_y * y_scale + blurred((d[1:] * r_c).sum(axis=0)) * c_scale
        change = change + (start - alpha) * inertia
        stiffness = d[0] ** 2 * y_scale + (d[1:] ** 2).sum(axis=0) * c_scale + inertia
        alpha = np.clip(alpha + change / stiffness, 0, 1)
    return np.asarray(alpha, np.float32)
