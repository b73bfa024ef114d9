"""The new background: placed, exposed, defocused; and its grain.

Images are (3, h, w) scene-linear in the working space. Coordinates are full-resolution pixels, the
centre of pixel (0, 0) is (0.5, 0.5), y points down.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kernels.plan import num
from kernels.recipe import Background, Noise
from kernels.reference.refine import blur

Array = NDArray[Any]

CHECKER_LEVELS = (0.09, 0.27)
"""Linear light of its two greys: a stop under and about half a stop over 18 % grey."""
CHECKER_ROWS = 12
"""Squares of the checkerboard in the frame's height."""


def _source_coordinates(
    p: Background, width: int, height: int, source: tuple[int, int], scale: float
) -> tuple[Array, Array]:
    """Where each pixel centre of the frame lies in a source of (width, height), float64, (h, w).

    (x, y) = R(-turn) ((X, Y) - frame centre - move) / scale + source centre.
    """
    x = np.arange(width) + 0.5 - width / 2 - num(p.move_x_px)
    y = np.arange(height) + 0.5 - height / 2 - num(p.move_y_px)
    turn = math.radians(num(p.rotate_deg))
    cos, sin = math.cos(turn), math.sin(turn)
    u = (cos * x[None, :] + sin * y[:, None]) / scale + source[0] / 2
    v = (-sin * x[None, :] + cos * y[:, None]) / scale + source[1] / 2
    return u, v


def block_mean(picture: Array, factor: int) -> Array:
    """Means of factor x factor blocks, (3, h, w) to (3, ceil(h/f), ceil(w/f)).

    Blocks cut by the picture's end are means of what is there. Sums in float64.
    """
    if factor <= 1:
        return picture
    height, width = picture.shape[-2:]
    rows, columns = np.arange(0, height, factor), np.arange(0, width, factor)
    total = np.add.reduceat(picture.astype(np.float64), rows, axis=-2)
    total = np.add.reduceat(total, columns, axis=-1)
    count = np.minimum(rows + factor, height) - rows
    across = np.minimum(columns + factor, width) - columns
    return np.asarray(total / (count[:, None] * across[None, :])).astype(picture.dtype)


def sample_bilinear(picture: Array, x: Array, y: Array) -> Array:
    """Picture values at pixel coordinates (centres at .5), linear between centres, edges held.

    picture (3, h, w), x and y (...) give (3, ...). Weights are of the picture's dtype.
    """
    height, width = picture.shape[-2:]
    u, v = np.clip(x - 0.5, 0, width - 1), np.clip(y - 0.5, 0, height - 1)
    left = np.minimum(np.floor(u).astype(np.intp), max(width - 2, 0))
    top = np.minimum(np.floor(v).astype(np.intp), max(height - 2, 0))
    right, bottom = np.minimum(left + 1, width - 1), np.minimum(top + 1, height - 1)
    fx, fy = (u - left).astype(picture.dtype), (v - top).astype(picture.dtype)
    upper = picture[:, top, left] * (1 - fx) + picture[:, top, right] * fx
    lower = picture[:, bottom, left] * (1 - fx) + picture[:, bottom, right] * fx
    return np.asarray(upper * (1 - fy) + lower * fy)


def _picture(picture: Array, p: Background, width: int, height: int) -> Array:
    """The picture scaled to cover the frame (then by `scale`), centred, moved, turned.

    When it shrinks by f >= 2, means of whole blocks of floor(f) pixels are sampled, so that detail
    does not alias. Outside the picture its border is held.
    """
    rows, columns = picture.shape[-2:]
    scale = max(width / columns, height / rows) * num(p.scale)
    factor = max(int(1 / scale + 1e-6), 1)
    x, y = _source_coordinates(p, width, height, (columns, rows), scale)
    return sample_bilinear(block_mean(picture, factor), x / factor, y / factor)


def _ramp(p: Background, width: int, height: int) -> Array:
    """Linear light from 0 at the left to 1 at the right side of the frame, held outside."""
    x, _ = _source_coordinates(p, width, height, (width, height), num(p.scale))
    return np.asarray(np.clip(x / width, 0, 1))


def _wave(t: Array, softness: float) -> Array:
    """Square wave of period 2 with -1 first, its jumps straight lines of width `softness`."""
    distance = np.abs(np.mod(t + 0.5, 2) - 1) - 0.5
    return np.asarray(np.clip(distance / (softness / 2), -1, 1))


def _checker(p: Background, width: int, height: int) -> Array:
    """Squares of a twelfth of the frame's height; their sides are one pixel soft."""
    scale = num(p.scale)
    x, y = _source_coordinates(p, width, height, (width, height), scale)
    side = max(height / CHECKER_ROWS, 1.0)
    soft = min(1.0 / (side * scale), 1.0)
    low, high = CHECKER_LEVELS
    product = _wave(x / side, soft) * _wave(y / side, soft)
    return np.asarray((low + high) / 2 + (high - low) / 2 * product)


def place(
    picture: Array | None,
    p: Background,
    width: int,
    height: int,
    *,
    pixel_aspect: float = 1.0,
) -> Array:
    """The background filling the frame, (3, height, width), exposed and defocused, without grain.

    picture: (3, h, w), used by kind `picture` (its dtype is kept; black without one). Scale 1 makes
    it just cover the frame with its centre in the middle; positive moves go right and down, turns
    are clockwise. Colour, ramp (linear 0 to 1, left to right) and checker are float32. Values below
    0 and above 1 survive. Exposure multiplies by 2^stops. pixel_aspect: the defocus is that much
    narrower across; the placement itself counts pixels. Common practice, no source.
    """
    dtype = np.dtype(np.float32) if picture is None else picture.dtype
    if p.kind == "colour":
        flat = np.asarray(p.colour, dtype=dtype).reshape(3, 1, 1)
        out: Array = np.broadcast_to(flat, (3, height, width)).copy()
    elif p.kind == "picture":
        if picture is None:
            out = np.zeros((3, height, width), dtype)
        else:
            out = _picture(picture, p, width, height)
    else:
        grey = (_ramp if p.kind == "ramp" else _checker)(p, width, height).astype(dtype)
        out = np.repeat(grey[None], 3, axis=0)
    out = out * dtype.type(2.0 ** num(p.exposure_stops))
    sigma = num(p.defocus_px)
    return np.stack([blur(plane, sigma, pixel_aspect) for plane in out]) if sigma > 0 else out


# ---------------------------------------------------------------- grain


def _mix(h: Array) -> Array:
    """A bijection of 32-bit integers in which each input bit turns about half the output bits.

    Source: Appleby, MurmurHash3, the 32-bit finaliser (in the public domain).
    """
    h = (h ^ (h >> np.uint32(16))) * np.uint32(0x85EBCA6B)
    h = (h ^ (h >> np.uint32(13))) * np.uint32(0xC2B2AE35)
    return np.asarray(h ^ (h >> np.uint32(16)))


def grain(width: int, height: int, frame: int, x0: int = 0, y0: int = 0) -> Array:
    """Three planes of independent noise, mean 0, variance 1, (3, height, width) float32.

    A pixel's value depends on its place (x, y) in the frame, the channel and the frame number only:
    tiles and engines agree to the last bit. h = mix(mix(mix(mix(x) + y) + channel) + frame) in
    32-bit unsigned arithmetic, g = mix(h + 0x9E3779B9); the sum of the eight bytes of h and g,
    less 1020, times 1/sqrt(8 (256^2 - 1)/12) is near Gaussian (excess kurtosis -0.15, range
    +-4.9). Source: the central limit theorem for uniform numbers.
    """
    x = (np.arange(x0, x0 + width, dtype=np.int64) & 0xFFFFFFFF).astype(np.uint32)
    y = (np.arange(y0, y0 + height, dtype=np.int64) & 0xFFFFFFFF).astype(np.uint32)
    channel = np.arange(3, dtype=np.uint32)[:, None, None]
    h = _mix(_mix(x)[None, :] + y[:, None])
    h = _mix(_mix(h[None] + channel) + np.array([frame & 0xFFFFFFFF], dtype=np.uint32))
    g = _mix(h + np.uint32(0x9E3779B9))
    total = np.zeros(h.shape, dtype=np.int32)
    for word in (h, g):
        for shift in (0, 8, 16, 24):
            total += ((word >> np.uint32(shift)) & np.uint32(255)).astype(np.int32)
    return np.asarray((total - 1020).astype(np.float32) * np.float32(GRAIN_SCALE))


GRAIN_SCALE = 1.0 / math.sqrt(8 * (256**2 - 1) / 12)


def correlation_root(noise: Noise) -> Array:
    """Lower triangular L with unit rows and L L^T = the correlation of the channels, (3, 3).

    Correlations that no noise can have are drawn to ones that it can.
    """
    rg, rb, gb = (min(max(value, -1.0), 1.0) for value in noise.correlation)
    root = np.zeros((3, 3))
    root[0, 0] = 1.0
    root[1, 0], root[1, 1] = rg, math.sqrt(max(1 - rg * rg, 0.0))
    cross = (gb - rg * rb) / root[1, 1] if root[1, 1] > 1e-6 else 0.0
    root[2] = rb, cross, math.sqrt(max(1 - rb * rb - cross * cross, 0.0))
    root[2] /= math.sqrt(float(root[2] @ root[2]))
    return root


def noise_sigma(image: Array, noise: Noise) -> Array:
    """Standard deviation of the camera's noise at each value, sqrt(gain max(x, 0) + offset).

    (3, ...) to (3, ...); the variance is never below 0.
    """
    shape = (3,) + (1,) * (image.ndim - 1)
    gain = np.asarray(noise.gain, image.dtype).reshape(shape)
    offset = np.asarray(noise.offset, image.dtype).reshape(shape)
    return np.asarray(np.sqrt(np.maximum(gain * np.maximum(image, 0) + offset, 0)))


def regrain(
    background: Array, noise: Noise, amount: float, frame: int, x0: int = 0, y0: int = 0
) -> Array:
    """The background with noise like the plate's, (3, h, w): x + amount sigma(x) (L z).

    sigma: `noise_sigma` at the background's own level. z: `grain` of the frame at (x0, y0). L:
    `correlation_root`. Identity at amount 0 and for noise that was not measured. Pointwise.
    """
    if amount == 0 or not any((*noise.gain, *noise.offset)):
        return background
    height, width = background.shape[-2:]
    z = grain(width, height, frame, x0, y0).astype(background.dtype, copy=False)
    root = correlation_root(noise).astype(background.dtype)
    mixed = np.stack(
        [
            root[0, 0] * z[0],
            root[1, 0] * z[0] + root[1, 1] * z[1],
            root[2, 0] * z[0] + root[2, 1] * z[1] + root[2, 2] * z[2],
        ]
    )
    sigma = noise_sigma(background, noise) * background.dtype.type(amount)
    return np.asarray(background + sigma * mixed)
