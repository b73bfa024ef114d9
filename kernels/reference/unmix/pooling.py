"""Noise: a plate pooled over as many scales as agree, for the matte side in low light."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from kernels.reference.unmix.filters import gaussian, soft_step

Array = NDArray[Any]
SCALES_PX = (0.8, 1.6, 3.2)
AGREE, DISAGREE = 1.6, 2.0
"""Mean squared difference of two scales, in the finer one's variance: below, they show the same."""
NOISY, CLEAN = 8.0, 16.0
"""Signal-to-noise ratios of the screen's excess between which pooling fades out."""


def pooled(plate: Array, variance: Array, snr: Array) -> tuple[Array, Array]:
    """Pass 3: returns the plate and its variance, (3, h, w), pooled where the light is low.

    A coarser Gaussian replaces a finer one as far as the mean of their squared difference, in
    units of the finer one's variance, is what noise makes of it. Averaging with a Gaussian of s
    px leaves 1 / (4 pi s^2) of white noise; mosaicked noise hangs together, so 2.5 times that.
    """
    amount = soft_step(-snr, -CLEAN, -NOISY)
    if not (amount > 0).any():
        return plate, variance
    seen = [(plate, variance)]
    out, left, accepted = plate, variance, amount
    for s in SCALES_PX:
        mean = gaussian(plate, s)
        noise = gaussian(variance, s) * min(2.5 / (4 * np.pi * s * s), 0.7)
        for finer, its in seen:
            unlike = gaussian(((mean - finer) ** 2 / its).mean(axis=0), max(s, 1.2))
            accepted = accepted * soft_step(-unlike, -DISAGREE, -AGREE)
        out = out + accepted * (mean - out)
        left = left + accepted * (noise - left)
        seen.append((mean, noise))
    return np.asarray(out, np.float32), np.asarray(left, np.float32)
