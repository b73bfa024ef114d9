"""unmix: alpha, foreground colour and expected error from one plate and its clean plate."""

from __future__ import annotations

import numpy as np

from kernels.recipe import Noise
from kernels.reference.unmix.chroma import STEP, sharpened
from kernels.reference.unmix.colours import Candidate, candidates
from kernels.reference.unmix.despill import despilled, foreground_colour, own_hue
from kernels.reference.unmix.filters import Any, enlarged, gaussian, log_odds, logistic, reduced
from kernels.reference.unmix.mixture import Mixture, mixture
from kernels.reference.unmix.neutral import neutral_colour
from kernels.reference.unmix.screen import screen_light
from kernels.reference.unmix.settings import COARSE_WIDTH, Array, UnmixResult, UnmixSettings
from kernels.reference.unmix.signals import Signals, finite, relit, signals
from kernels.reference.unmix.solid import solid_posterior


def coarse_factor(width: int) -> int:
    """Power of two by which the regional passes' picture is smaller."""
    factor = 1
    while width > COARSE_WIDTH * factor:
        factor *= 2
    return factor


def haze(s: Signals, solid: Array, settings: UnmixSettings) -> list[Candidate]:
    """The candidates of smoke, steam and mist: the colour given, else the most neutral ones."""
    found = []
    for colour, seen in neutral_colour(s, solid, settings.primary):
        if settings.haze_colour is not None:
            given = np.asarray(settings.haze_colour, np.float32)[:, None, None]
            colour = np.broadcast_to(given, colour.shape).copy()
        here = np.log(np.maximum(seen * (1 - solid), 1e-4))
        found.append(Candidate("haze", colour, 0.04, here + 2.0))
    return found


def unmix(plate: Array, clean: Array, noise: Noise, settings: UnmixSettings) -> UnmixResult:
    """Solve p = a F + (1 - a) c. plate, clean: (3, h, w) scene-linear, any range."""
    h, w = plate.shape[1:]
    factor = coarse_factor(w)
    plate, clean = finite(plate), np.maximum(finite(clean), 1e-6)
    # the reduced picture: where it is solid, and which colours there are
    averaged = 1.0 if factor == 1 else min(2.5 / factor**2, 1.0)
    small = signals(reduced(plate, factor), reduced(clean, factor), noise, settings, averaged)
    solid, _ = solid_posterior(small, settings.primary, settings.solidity)
    light = screen_light(small, solid)
    small = relit(small, light, settings)
    solid, inside = solid_posterior(small, settings.primary, settings.solidity)
    found = candidates(small, inside)
    found += haze(small, solid, settings)
    # the full picture
    clean = clean * enlarged(light, factor, h, w)

    def grown(x: Any) -> Any:
        return enlarged(x, factor, h, w) if isinstance(x, np.ndarray) else x

    full = small if factor == 1 else signals(plate, clean, noise, settings)
    found = [
        Candidate(f.name, grown(f.colour), f.tightness, grown(f.log_prior), f.deep) for f in found
    ]
    m = mixture(full, found, settings.shading, settings.clean_error)
    step, mix, sigma_mix = STEP[settings.chroma], m.alpha, np.sqrt(m.variance)
    if step != (1, 1):
        mix = sharpened(mix, sigma_mix, m.colour, plate, clean, step)
    fill = solid_fill(grown(inside), m)
    alpha = (mix + fill * (1 - mix)) * (1 - full.bare)
    sigma_alpha = sigma_mix * (1 - fill) * (1 - full.bare)
    # the colour side
    colour = foreground_colour(plate, clean, full.variance, alpha, sigma_alpha, m.colour)
    hue = own_hue(reduced(colour, factor), reduced(alpha, factor), settings.primary)
    hue = enlarged(hue, factor, h, w)
    clear = despilled(colour, clean, hue, settings.despill, settings.primary)
    debug = {"solid": solid, "inside": inside, "mix": m.alpha, "bare": full.bare, "deep": m.deep,
             "through": m.see_through, "share": full.excess_share, "var": m.variance, "hue": hue, "fill": fill}  # fmt: skip
    sure = np.abs(2 * enlarged(inside, factor, h, w) - 1)
    return UnmixResult(alpha, colour, clear, sigma_alpha, sure, debug)


def solid_fill(inside: Array, m: Mixture) -> Array:
    """Pass 10: share (h, w) by which a pixel is solid after all: posterior, evidence, coverage."""
    alpha = log_odds(m.alpha)
    evidence = gaussian(np.clip(m.see_through, -6, 6).astype(np.float32), 1.0)
    around = log_odds(gaussian(np.asarray(m.alpha, np.float32), 1.5))
    unsure = np.sqrt(m.variance)
    logit = -7.4 + 0.6 * log_odds(inside) - 1.5 * evidence - 0.6 * alpha + 0.8 * around
    return logistic(logit + 11.2 * unsure)
