"""Pointwise signals: the excess, the residual, the noise's variance, and the bare-screen test."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kernels.measure.screen_find import channel_index
from kernels.recipe import Noise, Primary
from kernels.reference.unmix.filters import box, gaussian, greatest, opened, soft_step
from kernels.reference.unmix.pooling import pooled
from kernels.reference.unmix.settings import UnmixSettings

Array = NDArray[Any]
LARGEST = 1e4
"""Values beyond this, and infinite ones, are taken as this; NaN as 0."""


@dataclass(frozen=True, eq=False)
class Signals:
    """Planes of one picture. plate, clean, variance: (3, h, w); excess_share: (h, w),
    1 - e(p)/e(c), not clamped. bare: (h, w), 0..1, soft posterior that only screen is seen. snr:
    (h, w), the screen's excess in units of its noise.
    """

    plate: Array
    clean: Array
    variance: Array
    excess_share: Array
    bare: Array
    snr: Array


def finite(picture: Array) -> Array:
    """Return a float32 copy without NaN or Inf."""
    clean = np.nan_to_num(picture.astype(np.float32), nan=0.0, posinf=LARGEST, neginf=-LARGEST)
    return np.clip(clean, -LARGEST, LARGEST)


def excess(picture: Array, primary: Primary) -> Array:
    """e = x_k - max(x_i, x_j) of (3, h, w). Source: Smith & Blinn 1996."""
    k, i, j = channel_index(primary)
    return np.asarray(picture[k] - np.maximum(picture[i], picture[j]))


def noise_variance(plate: Array, noise: Noise, trust: float, averaged: float) -> Array:
    """Variance (3, h, w) of the plate's noise: gain * level + offset of the level over 3 pixels.

    averaged: variance of a mean over the reduced picture's squares relative to one pixel's.
    """
    gain = np.asarray(noise.gain, np.float32)[:, None, None]
    offset = np.asarray(noise.offset, np.float32)[:, None, None]
    level = np.maximum(gaussian(plate, 1.0), 0)
    return np.asarray((gain * level + offset) * np.float32(trust * averaged) + np.float32(1e-8))


def fringe_variance(plate: Array, variance: Array, primary: Primary) -> Array:
    """Variance (3, h, w) to be added where very bright edges leave coloured fringes.

    M = largest value in 5x5; u = the 3x3 mean square of the high-passed difference to the primary
    beyond its noise; half of it, near M > 0.8, and (0.02 (M - 0.8))^2 everywhere there.
    """
    k, i, j = channel_index(primary)
    bright = greatest(plate.max(axis=0), 2)
    near = soft_step(bright, 0.8, 1.2)
    added = np.zeros_like(plate)
    for c in (i, j):
        difference = plate[c] - plate[k]
        fine = difference - gaussian(difference, 1.2)
        u = np.maximum(box(fine**2, 1) - 0.6 * (variance[c] + variance[k]), 0) * near
        added[c] += 0.5 * u
        added[k] += 0.25 * u
    return np.asarray(added + (0.02 * np.maximum(bright - 0.8, 0)) ** 2)


def signals(
    plate: Array, clean: Array, noise: Noise, settings: UnmixSettings, averaged: float = 1.0
) -> Signals:
    """Passes 1 to 4: variance, pooling, excess share and the bare-screen test."""
    variance = noise_variance(plate, noise, settings.noise_trust, averaged)
    snr = signal_to_noise(clean, variance, settings.primary)
    plate, variance = pooled(plate, variance, snr)
    variance = variance + fringe_variance(plate, variance, settings.primary)
    return _with_screen(plate, clean, variance, settings)


def relit(s: Signals, light: Array, settings: UnmixSettings) -> Signals:
    """The same signals before a clean plate times `light` (h, w)."""
    return _with_screen(s.plate, s.clean * light, s.variance, settings)


def _with_screen(plate: Array, clean: Array, variance: Array, settings: UnmixSettings) -> Signals:
    share = 1 - excess(plate, settings.primary) / _screen_excess(clean, settings.primary)
    snr = signal_to_noise(clean, variance, settings.primary)
    bare = bare_screen(plate, clean, variance, share, snr, settings.clean_error)
    return Signals(plate, clean, variance, share, bare, snr)


def _screen_excess(clean: Array, primary: Primary) -> Array:
    """e(c), held away from 0 so that no screen at all gives a share of about 1."""
    k, _, _ = channel_index(primary)
    return np.asarray(np.maximum(excess(clean, primary), 0.04 * np.maximum(clean[k], 0) + 1e-5))


def signal_to_noise(clean: Array, variance: Array, primary: Primary) -> Array:
    """e(c) in units of its noise, (h, w)."""
    k, i, j = channel_index(primary)
    noise = np.sqrt(variance[k] + np.maximum(variance[i], variance[j]))
    return np.asarray(_screen_excess(clean, primary) / noise)


def bare_screen(
    plate: Array, clean: Array, variance: Array, share: Array, snr: Array, clean_error: float
) -> Array:
    """Soft posterior (h, w) that a pixel shows nothing but the screen.

    The mean of chi^2 = sum r^2 / sigma^2 over a Gaussian of 2 px is 3 on bare screen; the mean of
    the excess share is 0 there within its own noise.
    """
    total = variance + (clean_error * clean) ** 2
    chi = gaussian(((plate - clean) ** 2 / total).sum(axis=0), 2.0)
    mean = np.abs(gaussian(np.clip(share, -2, 2), 2.0))
    limit = np.clip(3.0 / (snr * 5.0), 0.03, 0.12)
    bare = soft_step(-chi, -7.5, -4.5) * soft_step(-mean, -1.6 * limit, -0.8 * limit)
    return opened(np.asarray(bare, np.float32), 1)
