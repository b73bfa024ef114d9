"""Denoising: averages over space and neighbouring frames of what looks alike beyond the noise.

How alike two places are is judged on a *guide*, the picture with its noise made the same
everywhere: each channel is stabilised (its noise has a standard deviation of 1 at every level),
then the channels are decorrelated. The averages are taken of the linear picture itself, so nothing
has to be transformed back, values below 0 and above 1 stay what they are, and no curve biases them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kernels.plan import AP1_WEIGHTS, num
from kernels.recipe import Denoise, Noise

Array = NDArray[Any]

REACH_PX = 5
"""A place is compared with those up to this far away in its own frame: an 11 x 11 window."""
NEIGHBOUR_REACH_PX = 3
"""The same in neighbouring frames, which should also hold what moved meanwhile."""
PATCH_PX = 1
"""Radius of the patches that are compared: 3 x 3."""
DECAY = 1.0
"""How fast weights fall with the patches' distance beyond what noise alone makes of it."""
RIDGE = 0.02
"""Added to the correlations before they are inverted: they are measured, not known."""


@dataclass(frozen=True)
class Stabiliser:
    """What turns a picture into its guide. gain, offset: (3,); mixing: (3, 3), decorrelates."""

    gain: Array
    offset: Array
    mixing: Array


def stabilise(x: Array, gain: float, offset: float) -> Array:
    """Return values whose noise has a standard deviation of about 1 at every level.

    For noise of variance gain * max(x, 0) + offset: (2 / gain) sqrt(gain x + 3/8 gain^2 + offset),
    and a straight line with the slope it has at 0 below 0, where the noise does not change; with no
    gain, x / sqrt(offset). Sources: Anscombe 1948; Makitalo & Foi 2013, equation 1 (the generalised
    transform). Same shape as x; any finite x; monotonic. offset > 0 or gain > 0.
    """
    start = float(np.sqrt(0.375 * gain * gain + offset))
    if gain * gain < 1e-12 * offset:
        return np.asarray(x / start)
    inside = np.sqrt(gain * np.maximum(x, 0) + start * start)
    return np.asarray((2.0 / gain) * (inside - start) + np.minimum(x, 0) / start)


def stabiliser(noise: Noise) -> Stabiliser:
    """Return the transform for a noise model.

    Raises ValueError where no noise was measured. A channel without any counts as having a
    hundredth of the largest.
    """
    gain, offset = np.array(noise.gain, float), np.array(noise.offset, float)
    gain, offset = np.maximum(gain, 0), np.maximum(offset, 0)
    at_one = gain + offset
    if not at_one.max() > 0:
        raise ValueError("no noise was measured")
    offset = np.where(at_one > 0, offset, 1e-4 * at_one.max())
    rho = np.eye(3) * (1 + RIDGE)
    for (a, b), r in zip([(0, 1), (0, 2), (1, 2)], noise.correlation, strict=True):
        rho[a, b] = rho[b, a] = r
    values, vectors = np.linalg.eigh(rho / (1 + RIDGE))
    mixing = vectors / np.sqrt(np.maximum(values, RIDGE)) @ vectors.T
    return Stabiliser(gain, offset, mixing)


def guide_of(image: Array, to: Stabiliser) -> Array:
    """Return the guide of a picture (3, H, W): stabilised, then decorrelated channels.

    Its noise has a covariance of about the identity. The dtype follows the picture's.
    """
    g = [stabilise(image[c], float(to.gain[c]), float(to.offset[c])) for c in range(3)]
    mixed = [sum(float(to.mixing[c, n]) * g[n] for n in range(3)) for c in range(3)]
    return np.stack([np.asarray(m, image.dtype) for m in mixed])


def mirrored(count: int, margin: int) -> Array:
    """Return the pixels that stand in for -margin .. count + margin: mirrored about the ends.

    The end pixels are not repeated, and a row of one pixel is repeated.
    """
    turn = max(2 * (count - 1), 1)
    at = np.arange(-margin, count + margin) % turn
    return np.minimum(at, turn - at) if count > 1 else np.zeros_like(at)


def bordered(image: Array, margin: int) -> Array:
    """Return a picture with a mirrored border on all sides."""
    rows, columns = (mirrored(n, margin) for n in image.shape[-2:])
    return np.ascontiguousarray(image[..., rows, :][..., columns])


def moves(reach: int, *, centre: bool) -> Iterator[tuple[int, int]]:
    """Yield (dy, dx) of a square window, row by row; without its centre unless that counts."""
    for dy in range(-reach, reach + 1):
        for dx in range(-reach, reach + 1):
            if centre or dy or dx:
                yield dy, dx


def weight_of(distance: Array, strength: float) -> Array:
    """Return exp(-max(d / strength^2 - 1, 0) / DECAY): 1 where noise alone explains a distance.

    distance: mean squared difference of two patches over twice the noise's variance, so that its
    mean is 1 where the two show the same. Source: Buades, Coll & Morel 2011, section 2 (non-local
    means with the noise taken off the distance).
    """
    over = np.maximum(distance * (1.0 / (strength * strength)) - 1.0, 0.0)
    return np.exp(over * (-1.0 / DECAY))


def denoise(
    frames: Sequence[Array], noise: Noise, settings: Denoise, weights: Sequence[float] = AP1_WEIGHTS
) -> Array:
    """Return the denoised picture of frames[0]; the others are its neighbours in time.

    frames: (3, H, W) each, scene-linear, finite. Each pixel becomes the mean of pixels within
    `REACH_PX` in its own frame and `NEIGHBOUR_REACH_PX` in the others, weighted by how alike the
    patches around them are (`weight_of`), its own with weight 1. `keep_luminance` puts that share
    of the plate's own luminance (weights of the working primaries) back, alike in every channel.
    strength 0 returns the picture as it is. The dtype follows the picture's; values outside 0..1
    survive. Raises ValueError where no noise was measured, or shapes differ.
    """
    plate = frames[0]
    strength = num(settings.strength)
    if any(f.shape != plate.shape for f in frames):
        raise ValueError("frames differ in size")
    if strength == 0:
        return plate.copy()
    to = stabiliser(noise)
    height, width = plate.shape[1:]
    guide = bordered(guide_of(plate, to), PATCH_PX)
    total, share = plate.copy(), np.ones((height, width), plate.dtype)
    for n, frame in enumerate(frames):
        reach = NEIGHBOUR_REACH_PX if n else REACH_PX
        margin = reach + PATCH_PX
        there, seen = bordered(guide_of(frame, to), margin), bordered(frame, reach)
        for dy, dx in moves(reach, centre=n > 0):
            y, x = reach + dy, reach + dx
            other = there[:, y : y + height + 2 * PATCH_PX, x : x + width + 2 * PATCH_PX]
            distance = patch_means(((other - guide) ** 2).sum(axis=0)) * (1.0 / 6.0)
            weight = weight_of(distance, strength)
            total += weight * seen[:, y : y + height, x : x + width]
            share += weight
    return with_luminance(plate, total / share, num(settings.keep_luminance), weights)


def patch_means(plane: Array) -> Array:
    """Return means over 3 x 3 pixels, without the border of one pixel: (H + 2, W + 2) to (H, W)."""
    rows = plane[:-2] + plane[1:-1] + plane[2:]
    return np.asarray((rows[:, :-2] + rows[:, 1:-1] + rows[:, 2:]) * (1.0 / 9.0))


def with_luminance(plate: Array, smooth: Array, keep: float, weights: Sequence[float]) -> Array:
    """Return the smooth picture with the share `keep` of the plate's own luminance put back."""
    if keep == 0:
        return smooth
    change = sum(float(w) * (plate[c] - smooth[c]) for c, w in enumerate(weights))
    return np.asarray(smooth + keep * np.asarray(change, plate.dtype))
