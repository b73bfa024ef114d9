"""The colour side: F of every pixel, and the screen's light taken off by the surface's own hue."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from kernels.measure.screen_find import channel_index
from kernels.recipe import Primary
from kernels.reference.unmix.filters import enlarged, gaussian, reduced

Array = NDArray[Any]
BINS = 24
WIDEST = 1.2
"""Hues are told apart up to this log ratio of the primary to the larger other channel."""
PERCENTILE = 0.08
POOL_SIGMA_PX = 28.0


def foreground_colour(plate: Array, clean: Array, alpha: Array, guess: Array) -> Array:
    """Pass 14: F (3, h, w): what is left of the pixel without the screen, or where hardly anything
    is, the mixture's guess.

    own = (p - (1 - a) c) / a, so that a F + (1 - a) c is the plate again; over alpha .02 to .12 the
    guess goes over to it. Source: the compositing equation solved for F.
    """
    a = np.maximum(alpha, 0.02)
    own = (plate - (1 - a) * clean) / a
    gain = np.clip((alpha - 0.02) / 0.10, 0, 1)
    return np.asarray(guess + gain * (own - guess), np.float32)


def own_hue(colour: Array, alpha: Array, primary: Primary) -> Array:
    """log q0 (h, w): how far surfaces round about are of the screen's hue by themselves.

    rho = F_k / max(F_i, F_j); the 8th percentile of log rho over solid pixels with rho > 1.03, from
    a histogram pooled by a Gaussian of 28 px; spill only ever raises rho. Trusted as far as such
    pixels are many and their lower flank is narrow.
    """
    k, i, j = channel_index(primary)
    m = np.maximum(np.maximum(colour[i], colour[j]), 1e-4)
    log_rho = np.log(np.maximum(colour[k], 1e-4) / m)
    solid = np.clip((alpha - 0.85) / 0.1, 0, 1)
    counted = np.where(log_rho > np.log(1.03), solid, 0)
    at = np.clip(log_rho / WIDEST * BINS, 0, BINS - 1).astype(np.int64)
    factor = 8
    bins = np.stack([np.where(at == n, counted, 0) for n in range(BINS)]).astype(np.float32)
    pooled = gaussian(reduced(bins, factor), POOL_SIGMA_PX / factor)
    everything = gaussian(reduced(solid.astype(np.float32), factor), POOL_SIGMA_PX / factor)
    total = pooled.sum(axis=0)
    cumulative = np.cumsum(pooled, axis=0) / np.maximum(total, 1e-6)
    low = _quantile(cumulative, PERCENTILE)
    middle = _quantile(cumulative, 0.5)
    share = np.clip((total / np.maximum(everything, 1e-4) - 0.2) / 0.4, 0, 1)
    narrow = np.clip(1.5 - (middle - low) / 0.25, 0, 1)
    trust = share * narrow * np.clip(total / 0.05, 0, 1)
    return enlarged(np.asarray(low * trust, np.float32), factor, *alpha.shape)


def _quantile(cumulative: Array, share: float) -> Array:
    """log rho at which the histogram reaches `share`, linear within the bin."""
    reached = cumulative >= share
    first = reached.argmax(axis=0)
    here = np.take_along_axis(cumulative, first[None], 0)[0]
    before = np.take_along_axis(cumulative, np.maximum(first - 1, 0)[None], 0)[0]
    before = np.where(first > 0, before, 0)
    inside = np.clip((share - before) / np.maximum(here - before, 1e-6), 0, 1)
    return np.asarray((first + inside) * WIDEST / BINS)


def despilled(
    colour: Array, clean: Array, log_own: Array, amount: float, primary: Primary
) -> Array:
    """Pass 13: F - kappa c, kappa = clip((F_k - q0 m) / max(c_k - q0 m_c, .15 c_k), 0, 1)."""
    k, i, j = channel_index(primary)
    q = np.exp(log_own)
    m, m_clean = np.maximum(colour[i], colour[j]), np.maximum(clean[i], clean[j])
    over = np.maximum(clean[k] - q * m_clean, 0.15 * clean[k])
    kappa = amount * np.clip((colour[k] - q * np.maximum(m, 0)) / over, 0, 1)
    return np.asarray(
        np.where(kappa > 0, np.maximum(colour - kappa * clean, np.minimum(colour, 0)), colour)
    )
