"""The screen's own light: folds, shadows and seams that the fitted clean plate does not have."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from kernels.reference.unmix.filters import gaussian, greatest, opened, soft_step
from kernels.reference.unmix.signals import Signals

Array = NDArray[Any]


def screen_light(s: Signals, solid: Array) -> Array:
    """Pass 6: factors (3, h, w) on the clean plate where a pixel is the screen, lit otherwise."""
    near = np.clip(2 * gaussian(greatest(solid, 8), 4.0), 0, 1)
    level, fits = _shaded(s, near)
    colour, also = _dimmer(s, near)
    light = 1 + fits * (level - 1)
    return np.asarray(light + (1 - fits) * also * (colour - light), np.float32)


def _shaded(s: Signals, near: Array) -> tuple[Array, Array]:
    """Folds and shadows: one factor t = c.p / c.c in units of the noise, and where it holds (h, w).

    Accepted where p - t c is noise, pixel by pixel and in the mean over 2.5 px (else it is thin
    haze), over areas 5 px wide, and t is within .5...1.15, near solid parts .85...1.15: a soft
    black edge is no shadow.
    """
    v = s.variance + (0.004 * s.clean) ** 2
    g = gaussian(s.plate, 1.0)
    t = (s.clean * g / v).sum(axis=0) / (s.clean**2 / v).sum(axis=0)
    chi = gaussian(((s.plate - t * s.clean) ** 2 / v).sum(axis=0), 2.0)
    shift = gaussian(s.plate - t * s.clean, 2.5)
    tint = (shift**2 / (v / 40 + (0.006 * s.clean) ** 2)).sum(axis=0)
    lowest = 0.5 + 0.35 * near
    fits = soft_step(-chi, -7.0, -4.5) * soft_step(t, lowest, lowest + 0.05)
    fits = fits * soft_step(-t, -1.2, -1.1) * soft_step(-tint, -9.0, -5.0)
    fits = opened(np.asarray(fits, np.float32), 2)
    mean = gaussian(np.asarray(fits * t, np.float32), 1.0) / np.maximum(gaussian(fits, 1.0), 1e-3)
    return mean, fits


def _dimmer(s: Signals, near: Array) -> tuple[Array, Array]:
    """Panels and falling light that the fit has missed: factors (3, h, w), and where they hold.

    Smooth, away from solid parts, no channel brighter than the fitted screen (haze adds light),
    none below half of it, and the three within 1.3 of each other.
    """
    g = gaussian(s.plate, 3.0)
    ratio = g / s.clean
    low, high = ratio.min(axis=0), ratio.max(axis=0)
    rough = gaussian(((s.plate - g) ** 2 / s.variance).mean(axis=0), 2.0)
    fits = soft_step(low, 0.5, 0.55) * soft_step(-high, -1.03, -1.0)
    some = np.maximum(low, 0.5)  # black is no panel, and no division by nothing
    fits = fits * soft_step(-high, -1.35 * some, -1.25 * some) * soft_step(-rough, -1.8, -1.4)
    fits = opened(np.asarray(fits * (1 - near), np.float32), 4)
    return ratio, gaussian(fits, 2.0)
