"""Camera noise, measured on smooth areas, and what it does to a matte.

The model is variance = gain * level + offset for each channel, with fixed correlations between
channels (shot noise and read noise after a camera matrix). It is measured in the working space.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls

from kernels.measure.screen_find import gaussian
from kernels.recipe import Noise

Array = NDArray[Any]
DETREND_PX = 8.0
TRUNCATION = 3.0
TILE_PX = 96
TILES = 28
SAMPLES = 120_000
"""Noise is measured in at most this many square tiles spread over the screen, and pixels."""
_TRUNCATED_VARIANCE = 0.97330
"""Variance of a unit Gaussian cut at three standard deviations. Source: closed form
1 - 2 t phi(t) / (2 Phi(t) - 1)."""


@dataclass(frozen=True)
class MeasuredNoise:
    """Noise of one picture.

    model: gain, offset and correlations for the recipe. sigma: standard deviation per channel at
    the screen's mean `level`. samples: pixels used.
    """

    model: Noise
    sigma: tuple[float, float, float]
    level: tuple[float, float, float]
    samples: int


def detrended(plane: Array, weight: Array) -> Array:
    """Take the local weighted mean (Gaussian, 8 px) off a plane; 0 where weight is 0.

    The blur's own share of white noise, 1 - 2 g(0) + sum g^2 = 0.9963, is put back.
    """
    total = np.maximum(gaussian(weight, DETREND_PX), 1e-4)
    mean = gaussian(plane * weight, DETREND_PX) / total
    centre = 1.0 / (2.0 * np.pi * DETREND_PX**2)
    left = 1.0 - 2.0 * centre + centre / 2.0
    return np.asarray((plane - mean) * weight / np.sqrt(left))


def clipped_covariance(samples: Array, rounds: int = 4) -> tuple[Array, int]:
    """Covariance of (3, n) samples about 0, cut at three standard deviations and corrected."""
    kept = samples
    for _ in range(rounds):
        sigma = np.sqrt(np.maximum((kept**2).mean(axis=1) / _TRUNCATED_VARIANCE, 1e-20))
        inside = (np.abs(samples) < TRUNCATION * sigma[:, None]).all(axis=0)
        if inside.sum() < 32:
            break
        kept = samples[:, inside]
    return (kept @ kept.T) / kept.shape[1] / _TRUNCATED_VARIANCE, kept.shape[1]


def measure_noise(image: Array, clean: Array, mask: Array, bins: int = 8) -> MeasuredNoise:
    """Measure the noise of `image` (3, H, W) over the smooth pixels of `mask` (H, W).

    clean: (3, H, W), the fitted screen, whose smooth part is taken off first so that uneven light
    is no noise.
    Variance against level is a non-negative least-squares fit; when the levels seen lie within a
    factor of 1.5 the split between gain and offset is not to be had from one picture and all of it
    counts as gain. Returns zeros when fewer than 200 pixels are smooth. Units: working-linear.
    Source: Foi et al. 2008, "Practical Poissonian-Gaussian noise modeling" for the model.
    """
    samples, at = _samples(image, clean, np.asarray(mask, bool))
    if samples.shape[1] < 200:
        return MeasuredNoise(Noise(), (0.0, 0.0, 0.0), (0.0, 0.0, 0.0), samples.shape[1])
    mean = at.mean(axis=1)
    scale = np.sqrt(at / mean[:, None])
    covariance, used = clipped_covariance(samples / scale)
    sigma = np.sqrt(np.maximum(np.diag(covariance), 0))
    gain, offset = zip(
        *(_model(samples[n], at[n], float(covariance[n, n]), bins) for n in range(3)), strict=True
    )
    pairs = [(0, 1), (0, 2), (1, 2)]
    safe = np.maximum(sigma, 1e-12)
    rho = [float(np.clip(covariance[a, b] / (safe[a] * safe[b]), -0.999, 0.999)) for a, b in pairs]
    model = Noise(
        gain=(gain[0], gain[1], gain[2]),
        offset=(offset[0], offset[1], offset[2]),
        correlation=(rho[0], rho[1], rho[2]),
    )
    return MeasuredNoise(model, _triple(sigma), _triple(mean), used)


def _samples(image: Array, clean: Array, mask: Array) -> tuple[Array, Array]:
    """Return residuals and levels, (3, n) each, from tiles spread over the mask."""
    height, width = mask.shape
    corners = [
        (y, x)
        for y in range(0, height, TILE_PX)
        for x in range(0, width, TILE_PX)
        if mask[y : y + TILE_PX, x : x + TILE_PX].mean() > 0.3
    ]
    stride = max(1.0, len(corners) / TILES)
    chosen = [corners[int(n * stride)] for n in range(min(TILES, len(corners)))]
    residuals, levels = [np.zeros((3, 0))], [np.zeros((3, 0))]
    for y, x in chosen:
        at = np.s_[y : y + TILE_PX, x : x + TILE_PX]
        inside = mask[at]
        level = np.maximum(np.asarray(clean[:, *at], np.float32), 1e-6)
        error = np.asarray(image[:, *at], np.float32)
        error = error - np.stack([gaussian(plane, DETREND_PX) for plane in level])
        weight = inside.astype(np.float32)
        flat = np.stack([detrended(plane, weight) for plane in error])
        residuals.append(flat[:, inside].astype(np.float64))
        levels.append(level[:, inside].astype(np.float64))
    error, seen = np.concatenate(residuals, axis=1), np.concatenate(levels, axis=1)
    if error.shape[1] > SAMPLES:
        some = np.random.default_rng(0).permutation(error.shape[1])[:SAMPLES]
        error, seen = error[:, some], seen[:, some]
    return error, seen


def _triple(values: Array) -> tuple[float, float, float]:
    return float(values[0]), float(values[1]), float(values[2])


def _model(samples: Array, level: Array, variance: float, bins: int) -> tuple[float, float]:
    """Return gain and offset of one channel."""
    low, high = np.percentile(level, [2, 98])
    mean = float(level.mean())
    if high < 1.5 * low:
        return variance / mean, 0.0
    edges = np.quantile(level, np.linspace(0, 1, bins + 1))
    where = np.clip(np.searchsorted(edges, level) - 1, 0, bins - 1)
    rows, seen = [], []
    for n in range(bins):
        chosen = samples[where == n]
        if chosen.size < 100:
            continue
        one, _ = clipped_covariance(np.broadcast_to(chosen, (1, chosen.size)))
        v = max(float(one[0, 0]), 1e-16)
        x = float(level[where == n].mean())
        rows.append([x / v, 1.0 / v])
        seen.append(1.0)
    if len(rows) < 3:
        return variance / mean, 0.0
    (gain, offset), _ = nnls(np.array(rows), np.array(seen))
    return float(gain), float(offset)


def covariance_at(noise: Noise, level: Array) -> Array:
    """Covariance (..., 3, 3) of the plate's noise at `level` (..., 3), working-linear.

    Sigma_ab = rho_ab * s_a * s_b with s^2 = gain * max(level, 0) + offset.
    """
    level = np.asarray(level, np.float64)
    variance = np.maximum(level, 0) * np.asarray(noise.gain) + np.asarray(noise.offset)
    sigma = np.sqrt(np.maximum(variance, 0))
    rho = np.eye(3)
    for (a, b), r in zip([(0, 1), (0, 2), (1, 2)], noise.correlation, strict=True):
        rho[a, b] = rho[b, a] = r
    return np.asarray(sigma[..., :, None] * sigma[..., None, :] * rho)


def expected_sigma_alpha(
    foreground: Array, clean: Array, alpha: Array, noise: Noise, clean_relative: float = 0.0
) -> Array:
    """Smallest standard deviation of an unbiased per-pixel matte.

    sigma = 1 / sqrt((F - c)^T S^-1 (F - c)), S = the plate's covariance at level
    alpha F + (1 - alpha) c, plus the clean plate's variance (relative error squared times c^2)
    weighted (1 - alpha)^2. foreground, clean: (3, ...) working-linear; alpha: (...). Pooling over
    space or time may beat it. Infinite where F = c.

    S depends on alpha too, so the bound has another term in the information, tr((S^-1 S')^2) / 2.
    It is left out: independent channels with gain g at level x add at most g / 2x of their own
    share, so sigma is at most a quarter of (noise / signal)^2 too large: 0.25 % at a ratio of 10,
    3 % at 3. Source: the Cramer-Rao bound in the general Gaussian case, Kay 1993, section 3.9.
    """
    f = np.moveaxis(np.asarray(foreground, np.float64), 0, -1)
    c = np.moveaxis(np.asarray(clean, np.float64), 0, -1)
    a = np.asarray(alpha, np.float64)[..., None]
    s = covariance_at(noise, a * f + (1 - a) * c)
    extra = ((1 - a) * clean_relative * c) ** 2
    s = s + extra[..., None] * np.eye(3) + 1e-14 * np.eye(3)
    d = (f - c)[..., None]
    information = (np.swapaxes(d, -1, -2) @ np.linalg.solve(s, d))[..., 0, 0]
    with np.errstate(divide="ignore"):
        return np.asarray(1.0 / np.sqrt(np.maximum(information, 0)))
