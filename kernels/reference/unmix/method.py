"""unmix: alpha, foreground colour and expected error from one plate and its clean plate.

Two stages. `regional` looks at the whole frame, reduced to at most 640 pixels across: where the
subject is solid, how the screen is lit, which colours there are. `local` solves every pixel of the
full picture, or of any part of it, with those planes and no neighbour further than `HALO_PX`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from kernels.recipe import Noise
from kernels.reference.unmix.chroma import STEP, sharpened
from kernels.reference.unmix.colours import Candidate, candidates
from kernels.reference.unmix.despill import despilled, foreground_colour, own_hue
from kernels.reference.unmix.filters import (
    enlarged,
    gaussian,
    least,
    log_odds,
    logistic,
    reduced,
    soft_step,
)
from kernels.reference.unmix.mixture import Mixture, mixture
from kernels.reference.unmix.neutral import neutral_colour
from kernels.reference.unmix.screen import screen_light
from kernels.reference.unmix.settings import COARSE_WIDTH, Array, UnmixResult, UnmixSettings
from kernels.reference.unmix.signals import Signals, finite, relit, signals
from kernels.reference.unmix.solid import solid_posterior

HALO_PX = 48
"""Reach of `local`: pooling 10 + 10, fringes 2 + 4, the bare test 6 + 1, the fill 5, each pass on
the one before; chroma 2 x 3 rounds."""


@dataclass(frozen=True, eq=False)
class Regional:
    """Planes (h', w') of the whole frame, `factor` times smaller than the picture.

    light: on the clean plate. solid, inside: posteriors of solid. found: candidates for F. hue: log
    of how far surfaces are of the screen's hue by themselves.
    """

    factor: int
    light: Array
    solid: Array
    inside: Array
    found: list[Candidate]
    hue: Array


def coarse_factor(width: int) -> int:
    """Power of two by which the regional passes' picture is smaller."""
    factor = 1
    while width > COARSE_WIDTH * factor:
        factor *= 2
    return factor


def regional(plate: Array, clean: Array, noise: Noise, settings: UnmixSettings) -> Regional:
    """Passes 1 to 9, on the whole frame at reduced size."""
    factor = coarse_factor(plate.shape[2])
    averaged = 1.0 if factor == 1 else min(2.5 / factor**2, 1.0)
    small, behind = reduced(finite(plate), factor), reduced(positive(clean), factor)
    s = signals(small, behind, noise, settings, averaged)
    solid, _ = solid_posterior(s, settings.primary, settings.solidity)
    light = screen_light(s, solid)
    s = relit(s, light, settings)
    solid, inside = solid_posterior(s, settings.primary, settings.solidity)
    found = candidates(s, inside, settings.reach_px) + haze(s, solid, settings)
    hue = own_hue(s.plate, solid, settings.primary)
    return Regional(factor, light, solid, inside, found, hue)


def local(
    plate: Array,
    clean: Array,
    noise: Noise,
    settings: UnmixSettings,
    region: Regional,
    top: int = 0,
    left: int = 0,
) -> UnmixResult:
    """Passes 10 to 16, on a part of the picture whose first pixel is (top, left) of the frame.

    plate, clean: (3, h, w) of that part. What lies within HALO_PX of the part's border is exact
    only where the border is the frame's.
    """
    h, w = plate.shape[1:]

    def at_full(x: Any) -> Any:
        if not isinstance(x, np.ndarray):
            return x
        grown = enlarged(x, region.factor, top + h, left + w)
        return grown[..., top:, left:]

    plate, clean = finite(plate), positive(clean) * at_full(region.light)
    s = signals(plate, clean, noise, settings)
    found = [
        Candidate(f.name, at_full(f.colour), f.tightness, at_full(f.log_prior), f.deep)
        for f in region.found
    ]
    m = mixture(s, found, settings.shading, settings.clean_error)
    step, mix, sigma = STEP[settings.chroma], m.alpha, np.sqrt(m.variance)
    if step != (1, 1):
        mix = sharpened(mix, sigma, m.colour, plate, clean, step)
    inside = at_full(region.inside)
    fill = solid_fill(inside, m)
    alpha = np.clip((mix + fill * (1 - mix)) * (1 - s.bare), 0, 1).astype(np.float32)
    sigma = np.asarray(sigma * (1 - fill) * (1 - s.bare), np.float32)
    colour = foreground_colour(plate, clean, alpha, m.colour)
    hue = at_full(region.hue)
    clear = despilled(colour, clean, hue, settings.despill, settings.primary)
    sure = np.maximum(s.bare, np.abs(2 * inside - 1))
    debug = {"mix": m.alpha, "bare": s.bare, "share": s.excess_share, "var": m.variance,
             "deep": m.deep, "through": m.see_through, "hue": hue, "fill": fill,
             "solid": region.solid, "inside": region.inside}  # fmt: skip
    return UnmixResult(alpha, colour, clear, sigma, np.asarray(sure, np.float32), debug)


def unmix(plate: Array, clean: Array, noise: Noise, settings: UnmixSettings) -> UnmixResult:
    """Solve p = a F + (1 - a) c for alpha and F.

    plate, clean: (3, h, w) scene-linear, any range; NaN counts as 0, Inf as 1e4. Sources: Chuang
    et al. 2001 (candidates under noise), Smith & Blinn 1996, Aksoy et al. 2016, Levin et al. 2008.
    """
    return local(plate, clean, noise, settings, regional(plate, clean, noise, settings))


def positive(clean: Array) -> Array:
    """The clean plate, finite and above 0."""
    return np.maximum(finite(clean), 1e-6)


def haze(s: Signals, solid: Array, settings: UnmixSettings) -> list[Candidate]:
    """Candidates for smoke, steam, cloth and glass: the colour given, else the likeliest ones."""
    if settings.haze_colour is not None:
        given = np.asarray(settings.haze_colour, np.float32)[:, None, None]
        colour = np.broadcast_to(given, s.plate.shape).copy()
        return [Candidate("haze", colour, 0.04, np.log(np.maximum(1 - solid, 0.05)) + 3.0)]
    found = []
    for colour, seen in neutral_colour(s, solid, settings.primary):
        here = np.log(np.maximum(seen * (1 - solid), 1e-4))
        found.append(Candidate("haze", colour, 0.04, here + 2.0))
    return found


def solid_fill(inside: Array, m: Mixture) -> Array:
    """Pass 13: share (h, w) by which a pixel is solid after all; a fitted logistic regression.

    Of the posterior, the evidence for a shaded solid against a mix, alpha here and round about,
    and alpha's own error; fitted to generated shots for the least squared error of alpha. Deep
    inside, where the posterior is sure, solid in any case.
    """
    alpha = log_odds(m.alpha)
    evidence = gaussian(np.clip(m.see_through, -6, 6).astype(np.float32), 1.0)
    around = log_odds(gaussian(np.asarray(m.alpha, np.float32), 1.5))
    unsure = np.sqrt(m.variance)
    logit = -8.7 + 0.8 * log_odds(inside) - 2.0 * evidence - 0.6 * alpha + 0.7 * around
    sure = soft_step(least(np.asarray(inside, np.float32), 3), 0.94, 0.99)
    fill = np.maximum(logistic(logit + 13.4 * unsure), sure)
    return settled(gaussian(np.asarray(fill, np.float32), 1.0), m.alpha, inside, evidence)


def settled(fill: Array, alpha: Array, inside: Array, evidence: Array) -> Array:
    """Let areas that are all but solid be solid: means over 1.5 px of .88....96 and more, where a
    mix explains the pixels no better and the posterior does not deny it.
    """
    near = gaussian(np.asarray(alpha + fill * (1 - alpha), np.float32), 1.5)
    share = soft_step(near, 0.88, 0.96) * soft_step(inside, 0.1, 0.5)
    return np.asarray(fill + share * logistic(1 - evidence) * (1 - fill))
