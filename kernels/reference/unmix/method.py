"""unmix: alpha, foreground colour and expected error from one plate and its clean plate."""

from __future__ import annotations

import numpy as np

from kernels.recipe import Noise
from kernels.reference.unmix.colours import Candidate, candidates
from kernels.reference.unmix.filters import Any, enlarged, reduced, soft_step
from kernels.reference.unmix.mixture import mixture
from kernels.reference.unmix.settings import COARSE_WIDTH, Array, UnmixResult, UnmixSettings
from kernels.reference.unmix.signals import finite, signals
from kernels.reference.unmix.solid import solid_posterior


def coarse_factor(width: int) -> int:
    """Power of two by which the regional passes' picture is smaller."""
    factor = 1
    while width > COARSE_WIDTH * factor:
        factor *= 2
    return factor


def unmix(plate: Array, clean: Array, noise: Noise, settings: UnmixSettings) -> UnmixResult:
    """Solve p = a F + (1 - a) c. plate, clean: (3, h, w) scene-linear, any range."""
    h, w = plate.shape[1:]
    factor = coarse_factor(w)
    plate, clean = finite(plate), np.maximum(finite(clean), 1e-6)
    # the reduced picture: where it is solid, and which colours there are
    averaged = 1.0 if factor == 1 else min(2.0 / factor**2, 1.0)
    small = signals(reduced(plate, factor), reduced(clean, factor), noise, settings, averaged)
    solid, inside = solid_posterior(small, settings.solidity)
    found = candidates(small, inside)
    # the full picture
    full = small if factor == 1 else signals(plate, clean, noise, settings)

    def grown(x: Any) -> Any:
        return enlarged(x, factor, h, w) if isinstance(x, np.ndarray) else x

    found = [
        Candidate(f.name, grown(f.colour), f.tightness, grown(f.log_prior), f.deep) for f in found
    ]
    alpha, variance, colour, deep = mixture(full, found, settings.shading, settings.clean_error)
    mix = alpha
    inside_full = grown(inside)
    q = inside_full * soft_step(inside_full, 0.5, 0.95)
    alpha = alpha + q * (1 - alpha)
    alpha = alpha * (1 - full.bare)
    debug = {"solid": solid, "inside": inside, "mix": mix, "bare": full.bare, "deep": deep}
    return UnmixResult(
        alpha, colour, colour, np.sqrt(np.maximum(variance, 0)), np.abs(2 * inside_full - 1), debug
    )
