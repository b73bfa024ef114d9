"""The mixture: every candidate's best alpha, weighed by how well it explains the pixel."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kernels.reference.unmix.colours import Candidate
from kernels.reference.unmix.signals import Signals

Array = NDArray[Any]
STEPS = 2
EDGE_NOISE = 6.0
"""Factor on the noise's variance at edges, where mosaic, lens and codec err more than on areas."""
BROAD = 0.5
"""Relative deviation of the colour of a subject of which nothing is known."""


@dataclass(frozen=True, eq=False)
class Solved:
    """One candidate's answer. alpha, variance, evidence: (h, w). shaded: (h, w), the evidence for
    the pixel being this colour alone, only brighter or darker.
    """

    alpha: Array
    variance: Array
    evidence: Array
    shaded: Array


def solve(
    s: Signals, colour: Array, tightness: float, shading: float, clean_error: float
) -> Solved:
    """Least squares of p = a F + (1 - a) c for one F with spread, a few fixed-point steps.

    V = diag(sigma^2 + a^2 t^2 F^2 + (1 - a)^2 (e c)^2) + a^2 sh^2 F F^T,
    a = d.V^-1.r / d.V^-1.d, evidence = -(chi^2 + log|V|) / 2, d = F - c, r = p - c; V^-1 by the
    rank-one formula of Sherman & Morrison 1950. Source: Chuang et al. 2001 for the model.
    """
    d, r = colour - s.clean, s.plate - s.clean
    alpha = np.clip(s.excess_share, 0.02, 0.98)
    f2, c2 = (tightness * colour) ** 2, (clean_error * s.clean) ** 2
    noise = EDGE_NOISE * s.variance + 1e-10
    for _ in range(STEPS):
        a = 1 / (noise + alpha**2 * f2 + (1 - alpha) ** 2 * c2)
        u = alpha * shading * colour
        uau = 1 + (u * u * a).sum(axis=0)
        ud, ur = (u * a * d).sum(axis=0), (u * a * r).sum(axis=0)
        information = np.maximum((d * a * d).sum(axis=0) - ud * ud / uau, 1e-6)
        best = ((d * a * r).sum(axis=0) - ud * ur / uau) / information
        alpha = np.clip(best, 0, 1)
    left = r - alpha * d
    chi = (left * a * left).sum(axis=0) - (u * a * left).sum(axis=0) ** 2 / uau
    log_v = np.log(uau) - np.log(a).sum(axis=0)
    a = 1 / (noise + f2)
    along = (s.plate * a * colour).sum(axis=0) ** 2 / ((colour * a * colour).sum(axis=0) + 1e-10)
    off = (s.plate * a * s.plate).sum(axis=0) - along
    shaded = -0.5 * (off - np.log(a).sum(axis=0))
    return Solved(alpha, 1 / information, -0.5 * (chi + log_v), shaded)


def default(s: Signals, broad: float = BROAD) -> Solved:
    """The colour difference with a foreground of which nothing is known."""
    alpha = np.clip(s.excess_share, 0, 1)
    level = np.maximum(s.plate, 0).mean(axis=0) + 0.05
    log_v = np.log(s.variance + (alpha * broad * level) ** 2).sum(axis=0)
    evidence = -0.5 * (1.5 + log_v)
    return Solved(alpha, 0.02 + 1 / s.snr**2, evidence, evidence)


def mixed(solved: Sequence[Solved], log_priors: Sequence[Any]) -> tuple[Array, Array, Array]:
    """Return alpha, its variance and the candidates' weights (n, h, w)."""
    scores = np.stack([one.evidence + prior for one, prior in zip(solved, log_priors, strict=True)])
    weights = np.exp(scores - scores.max(axis=0))
    weights = weights / weights.sum(axis=0)
    alphas = np.stack([one.alpha for one in solved])
    mean = (weights * alphas).sum(axis=0)
    inner = np.stack([one.variance for one in solved])
    variance = (weights * (np.minimum(inner, 0.3) + (alphas - mean) ** 2)).sum(axis=0)
    return mean, variance, weights


def pooled_evidence(scores: Array) -> Array:
    """log of the sum of exp of (n, h, w) over n."""
    top = scores.max(axis=0)
    return np.asarray(top + np.log(np.exp(scores - top).sum(axis=0)))


@dataclass(frozen=True, eq=False)
class Mixture:
    """alpha, variance: (h, w). colour: (3, h, w), F. deep: (h, w), weight of the deep candidates.
    see_through: (h, w), log ratio of the evidence for a mix to that for a shaded solid.
    """

    alpha: Array
    variance: Array
    colour: Array
    deep: Array
    see_through: Array


def mixture(s: Signals, found: Sequence[Candidate], shading: float, clean_error: float) -> Mixture:
    """Pass 9: every candidate solved, weighed and joined."""
    solved = [solve(s, one.colour, one.tightness, shading, clean_error) for one in found]
    priors = [one.log_prior for one in found]
    alpha, variance, weights = mixed([*solved, default(s)], [*priors, -3.0])
    colour = sum(w * one.colour for w, one in zip(weights, found, strict=False))
    own = (s.plate - (1 - alpha) * s.clean) / np.maximum(alpha, 0.1)
    colour = colour + weights[-1] * np.maximum(own, 0)
    deep = sum(w for w, one in zip(weights, found, strict=False) if one.deep)
    mix = pooled_evidence(np.stack([x.evidence + p for x, p in zip(solved, priors, strict=True)]))
    solid = pooled_evidence(np.stack([x.shaded + p for x, p in zip(solved, priors, strict=True)]))
    return Mixture(alpha, variance, np.asarray(colour), np.asarray(deep), mix - solid)
