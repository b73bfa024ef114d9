"""The colour of smoke, steam and mist, which show no opaque sample: the most neutral one pooled."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from kernels.measure.screen_find import channel_index
from kernels.recipe import Primary
from kernels.reference.unmix.filters import box, enlarged, gaussian, greatest, reduced, soft_step
from kernels.reference.unmix.natural import likely_alpha
from kernels.reference.unmix.signals import Signals

Array = NDArray[Any]
POOL_SIGMA_PX, NEAR_SIGMA_PX = 26.0, 7.0
OUTLIER = 0.12


def neutral_colour(s: Signals, solid: Array, primary: Primary) -> list[tuple[Array, Array]]:
    """Pass 8b: returns F (3, h, w) and how much see-through area stands behind it (h, w), 0..1:
    first over a region, then near by.

    On 5x5 means the ray from c through p meets everyday colours at F = c + (p - c)/a, grey ones
    where e'(F) = 0. Its weighted mean over a Gaussian of 26 px, twice, the
    second time without what lies more than 12 % off in colour; and over 7 px, as dense smoke is
    darker. Weight: signal beyond noise, min(a, .5)^2, away from solid parts. Source: our own rule
    after Smith & Blinn 1996, neutral foreground.
    """
    p, c = box(s.plate, 2), s.clean
    k, i, j = channel_index(primary)
    ec = np.maximum(c[k] - (c[i] + c[j]) / 2, 1e-4)
    a = likely_alpha(p, c, primary)
    signal = a * ec / np.sqrt(s.variance.sum(axis=0) / 12 + (0.004 * ec) ** 2)
    away = 1 - gaussian(greatest(solid, 4), 3.0)
    weight = soft_step(signal, 3, 13) * np.clip(a, 0, 0.5) ** 2 * np.maximum(away, 0) ** 2
    weight = weight * (1 - s.bare) * soft_step(-a, -1.0, -0.8) * calm(a)
    colour = np.clip(c + (p - c) / np.maximum(a, 0.02), 0, 4)
    mean, _ = _mean(colour, weight, POOL_SIGMA_PX)
    level = colour.mean(axis=0) / np.maximum(mean.mean(axis=0), 1e-3)
    off = np.abs(colour - level * mean).mean(axis=0) / np.maximum(colour.mean(axis=0), 1e-3)
    weight = (weight * np.exp(-0.5 * (off / OUTLIER) ** 2)).astype(np.float32)
    still = gaussian(np.asarray(calm(a), np.float32), 2.0)
    found = [_mean(colour, weight, sigma) for sigma in (POOL_SIGMA_PX, NEAR_SIGMA_PX)]
    return [(mean, seen * still) for mean, seen in found]


def calm(alpha: Array) -> Array:
    """1 where alpha hardly varies over 7 pixels, as in smoke and cloth, 0 among hair; (h, w)."""
    held = np.clip(alpha, -0.5, 1.5).astype(np.float32)
    mean = box(held, 3)
    rough = np.sqrt(np.maximum(box(held * held, 3) - mean * mean, 0))
    return np.asarray(soft_step(-rough, -0.2, -0.08))


def _mean(colour: Array, weight: Array, sigma_px: float) -> tuple[Array, Array]:
    """Weighted Gaussian mean, taken at quarter size, and how far it is to be trusted."""
    h, w = weight.shape
    factor = 4
    stack = np.concatenate([colour * weight, weight[None]]).astype(np.float32)
    pooled = gaussian(reduced(stack, factor), sigma_px / factor)
    mean = enlarged(pooled[:3] / np.maximum(pooled[3], 1e-6), factor, h, w)
    total = enlarged(pooled[3], factor, h, w)
    return mean, np.asarray(soft_step(total, 0.0005, 0.01), np.float32)
