"""The colour of smoke, steam and mist, which show no opaque sample: the most neutral one pooled."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from kernels.recipe import Primary
from kernels.reference.backing_find import channel_index
from kernels.reference.unmix.filters import box, enlarged, gaussian, greatest, reduced, soft_step
from kernels.reference.unmix.signals import Signals

Array = NDArray[Any]
POOL_SIGMA_PX = 26.0
OUTLIER = 0.12


def _balance(picture: Array, primary: Primary) -> Array:
    """x_k minus the mean of the other two, (h, w)."""
    k, i, j = channel_index(primary)
    return np.asarray(picture[k] - (picture[i] + picture[j]) / 2)


def neutral_colour(s: Signals, solid: Array, primary: Primary) -> tuple[Array, Array]:
    """Pass 8b: returns F (3, h, w) and how much see-through area stands behind it (h, w), 0..1.

    On 5x5 means: a = 1 - e'(p)/e'(c), e' = x_k - mean of the others; the ray from c through p is
    most neutral at F = c + (p - c)/a. Its weighted mean over a Gaussian of 26 px, twice, the
    second time without what lies more than 12 % off. Weight: signal beyond noise, min(a, .5)^2,
    away from solid parts. Source: our own rule after Smith & Blinn 1996, neutral foreground.
    """
    p, c = box(s.plate, 2), s.clean
    ec = np.maximum(_balance(c, primary), 1e-4)
    a = 1 - _balance(p, primary) / ec
    signal = a * ec / np.sqrt(s.variance.sum(axis=0) / 12 + (0.004 * ec) ** 2)
    away = 1 - gaussian(greatest(solid, 4), 3.0)
    weight = soft_step(signal, 3, 13) * np.clip(a, 0, 0.5) ** 2 * np.maximum(away, 0) ** 2
    weight = weight * (1 - s.bare) * soft_step(-a, -1.0, -0.8)
    colour = np.clip(c + (p - c) / np.maximum(a, 0.02), 0, 4)
    factor = 4
    small = reduced(np.concatenate([colour * weight, weight[None]]).astype(np.float32), factor)
    mean, _ = _mean(small, factor)
    mean = enlarged(mean, factor, *weight.shape)
    off = np.abs(colour - mean).mean(axis=0) / np.maximum(mean.mean(axis=0), 1e-3)
    weight = (weight * np.exp(-0.5 * (off / OUTLIER) ** 2)).astype(np.float32)
    small = reduced(np.concatenate([colour * weight, weight[None]]).astype(np.float32), factor)
    mean, total = _mean(small, factor)
    mean, total = enlarged(mean, factor, *weight.shape), enlarged(total, factor, *weight.shape)
    return mean, np.asarray(soft_step(total, 0.0005, 0.01), np.float32)


def _mean(weighted: Array, factor: int) -> tuple[Array, Array]:
    pooled = gaussian(weighted, POOL_SIGMA_PX / factor)
    return pooled[:3] / np.maximum(pooled[3], 1e-6), pooled[3]
