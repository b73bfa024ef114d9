"""The screen's own light: folds, shadows and seams that the fitted clean plate does not have."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from kernels.reference.unmix.filters import gaussian, greatest, opened, soft_step
from kernels.reference.unmix.signals import Signals

Array = NDArray[Any]


def screen_light(s: Signals, solid: Array) -> Array:
    """Pass 6: factor t (h, w) on the clean plate where a pixel is the screen, lit otherwise.

    t = c.p / c.c in units of the noise; accepted where p - t c is noise, over areas 5 px wide, and
    t is within .85...1.15 near solid parts and .5...1.15 elsewhere: a soft black edge is no shadow.
    The mean of p - t c over a Gaussian of 2.5 px must be noise too, else it is thin haze.
    """
    v = s.variance + (0.004 * s.clean) ** 2
    g = gaussian(s.plate, 1.0)
    t = (s.clean * g / v).sum(axis=0) / (s.clean**2 / v).sum(axis=0)
    chi = gaussian(((s.plate - t * s.clean) ** 2 / v).sum(axis=0), 2.0)
    near = gaussian(greatest(solid, 8), 4.0)
    lowest = 0.5 + 0.35 * np.clip(2 * near, 0, 1)
    fits = soft_step(-chi, -7.0, -4.5) * soft_step(t, lowest, lowest + 0.05)
    shift = gaussian(s.plate - t * s.clean, 2.5)
    tint = (shift**2 / (v / 40 + (0.006 * s.clean) ** 2)).sum(axis=0)
    fits = fits * soft_step(-t, -1.2, -1.1) * soft_step(-tint, -9.0, -5.0)
    fits = opened(np.asarray(fits, np.float32), 2)
    smooth = gaussian(np.asarray(fits * t, np.float32), 1.0) / np.maximum(gaussian(fits, 1.0), 1e-3)
    return np.asarray(1 + fits * (smooth - 1), np.float32)
