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
BROAD = 0.5
"""Relative deviation of the colour of a subject of which nothing is known."""


@dataclass(frozen=True, eq=False)
class Solved:
    """One candidate's answer. alpha, variance, evidence: (h, w)."""

    alpha: Array
    variance: Array
    evidence: Array


def solve(s: Signals, colour: Array, tightness: float, shading: float, clean_error: float) -> Solved:
    """Least squares of p = a F + (1 - a) c for one F with spread, a few fixed-point steps.

    V = diag(sigma^2 + a^2 t^2 F^2 + (1 - a)^2 (e c)^2) + a^2 sh^2 F F^T,
    a = d.V^-1.r / d.V^-1.d, evidence = -(chi^2 + log|V|) / 2, d = F - c, r = p - c; V^-1 by the
    rank-one formula of Sherman & Morrison 1950. Source: Chuang et al. 2001 for the model.
    """
    d, r = colour - s.clean, s.plate - s.clean
    alpha = np.clip(s.excess_share, 0.02, 0.98)
    f2, c2 = (tightness * colour) ** 2, (clean_error * s.clean) ** 2
    for _ in range(STEPS):
        a = 1 / (s.variance + alpha**2 * f2 + (1 - alpha) ** 2 * c2 + 1e-10)
        u = alpha * shading * colour
        uau = 1 + (u * u * a).sum(axis=0)
        ud, ur = (u * a * d).sum(axis=0), (u * a * r).sum(axis=0)
        information = np.maximum((d * a * d).sum(axis=0) - ud * ud / uau, 1e-6)
        best = ((d * a * r).sum(axis=0) - ud * ur / uau) / information
        alpha = np.clip(best, 0, 1)
    left = r - alpha * d
    chi = (left * a * left).sum(axis=0) - (u * a * left).sum(axis=0) ** 2 / uau
    log_v = np.log(uau) - np.log(a).sum(axis=0)
    return Solved(alpha, 1 / information, -0.5 * (chi + log_v))


def default(s: Signals, broad: float = BROAD) -> Solved:
    """The colour difference with a foreground of which nothing is known."""
    alpha = np.clip(s.excess_share, 0, 1)
    level = np.maximum(s.plate, 0).mean(axis=0) + 0.05
    log_v = np.log(s.variance + (alpha * broad * level) ** 2).sum(axis=0)
    return Solved(alpha, 0.02 + 1 / s.snr**2, -0.5 * (1.5 + log_v))


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


def mixture(
    s: Signals, found: Sequence[Candidate], shading: float, clean_error: float
) -> tuple[Array, Array, Array, Array]:
    """Pass 9: returns alpha, variance, F (3, h, w) and the weight (h, w) of deep candidates."""
    solved, priors, colours = [], [], []
    for one in found:
        for spread, cost in ((0.0, 0.0), (shading, -0.3)):
            solved.append(solve(s, one.colour, one.tightness, spread, clean_error))
            priors.append(one.log_prior + cost)
            colours.append(one)
    solved.append(default(s))
    priors.append(-1.0)
    alpha, variance, weights = mixed(solved, priors)
    colour = sum(w * one.colour for w, one in zip(weights, colours, strict=False))
    own = (s.plate - (1 - alpha) * s.clean) / np.maximum(alpha, 0.05)
    colour = colour + weights[-1] * own
    deep = sum(w for w, one in zip(weights, colours, strict=False) if one.deep)
    return alpha, variance, np.asarray(colour), np.asarray(deep)
