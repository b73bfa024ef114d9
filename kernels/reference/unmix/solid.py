"""Where the subject is solid: the shading line, its spread along colour, and enclosure."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from kernels.recipe import Primary
from kernels.reference.unmix.filters import (
    box,
    enlarged,
    gaussian,
    least,
    logistic,
    opened,
    reduced,
    shifted,
    soft_step,
)
from kernels.reference.unmix.natural import likely_alpha
from kernels.reference.unmix.signals import Signals

Array = NDArray[Any]
DIRECTIONS = (
    (0, 1), (1, 2), (1, 1), (2, 1), (1, 0), (2, -1), (1, -1), (1, -2),
    (0, -1), (-1, -2), (-1, -1), (-2, -1), (-1, 0), (-2, 1), (-1, 1), (-1, 2),
)  # fmt: skip
"""Sixteen rays, as whole steps (dy, dx)."""
MOST_RAISED = 3.0
"""Enclosure raises the log odds by at most this, so that it does not outweigh the pixel itself."""
RAY_DOUBLINGS = 6
"""Rays reach 2^6 steps of the half-size picture."""


def shading_line(s: Signals, radius_px: int) -> Array:
    """Log ratio (h, w), within +-5, of how badly the window fits a mix and how badly a solid.

    A solid's shading runs along a line through black, a mix along a line through the screen's
    colour. O(q) is the mean square that is left off the line from the origin along the mean:
    O(q) = E|q|^2 - m.E[qq^T].m / |m|^2, m = E q, in units of the noise of the blurred picture.
    """
    g = gaussian(s.plate, 1.0)
    v = gaussian(s.variance, 1.0) / 12.6 + (0.004 * s.clean) ** 2
    scale = 1 / np.sqrt(box(v.mean(axis=0), radius_px))
    weight = 1 - s.bare
    share = np.maximum(box(weight, radius_px), 1e-4)
    ratio = []
    for q in (g - s.clean, g):
        q = q * scale
        m = box(q * weight, radius_px) / share
        square = box((q * q).sum(axis=0) * weight, radius_px) / share
        pairs = ((0, 0, 1), (1, 1, 1), (2, 2, 1), (0, 1, 2), (0, 2, 2), (1, 2, 2))
        along = sum(n * m[a] * m[b] * box(q[a] * q[b] * weight, radius_px) for a, b, n in pairs)
        off = square - along / share / np.maximum((m * m).sum(axis=0), 1e-6)
        ratio.append(np.maximum(off - 2, 0) + 1)
    return np.asarray(np.clip(np.log(ratio[0] / ratio[1]), -5, 5), np.float32)


def solid_logit(s: Signals, primary: Primary, solidity: float) -> Array:
    """Log odds (h, w) that a pixel is solid: a fitted logistic regression of five signals.

    The shading line over 7 and 41 pixels, the excess share, the alpha of an everyday colour, and
    how much the share varies over 7 pixels. Fitted to generated shots, half of the pixels
    see-through.
    """
    near, wide = shading_line(s, 3), shading_line(s, 20)
    share = gaussian(np.clip(s.excess_share, -1, 2), 1.0)
    mean = box(share, 3)
    rough = np.sqrt(np.maximum(box(share * share, 3) - mean * mean, 0))
    likely = np.clip(likely_alpha(gaussian(s.plate, 1.0), s.clean, primary), 0, 1)
    logit = -4.8 + 0.88 * near + 0.40 * wide + 5.0 * np.clip(share, 0, 1) + 2.2 * likely
    logit = logit - 3.5 * np.minimum(rough, 0.5) + solidity
    return np.asarray(np.where(s.bare > 0.5, -6, logit), np.float32)


def spread(logit: Array, s: Signals, rounds: int = 3) -> Array:
    """Let neighbours of like colour agree: Jacobi steps at offsets 1, 2, 4 and 8."""
    g = 3 * gaussian(s.plate, 1.0) / np.sqrt(gaussian(s.variance, 3.0))
    offsets = [(d * y, d * x) for d in (1, 2, 4, 8) for y, x in ((0, 1), (1, 0), (0, -1), (-1, 0))]
    weights = [np.exp(-((shifted(g, *o) - g) ** 2).sum(axis=0) / 162) for o in offsets]
    total = 0.35 + sum(weights)
    out = logit
    for _ in range(rounds):
        pulls = [w * shifted(out, *o) for w, o in zip(weights, offsets, strict=True)]
        out = (0.35 * logit + sum(pulls)) / total
    return np.asarray(out, np.float32)


def enclosed(solid: Array, bare: Array) -> Array:
    """The .12 quantile (h, w) over sixteen rays of the largest `solid` before the screen shows.

    Along each ray (open, best) of two stretches join as (o1 o2, max(b1, o1 b2)), so doubling the
    stretch reaches 2^n steps in n. Outside the frame nothing is solid.
    """
    p, o = reduced(solid, 2), 1 - reduced(bare, 2)
    seen = []
    for dy, dx in DIRECTIONS:
        best, open_ = o * p, o
        for n in range(RAY_DOUBLINGS):
            step = 2**n
            best = np.maximum(best, open_ * shifted(best, step * dy, step * dx, 0.0))
            open_ = open_ * shifted(open_, step * dy, step * dx, 0.0)
        seen.append(best)
    ranked = np.sort(np.stack(seen), axis=0)
    return enlarged(np.asarray(ranked[2], np.float32), 2, *solid.shape)


def solid_posterior(s: Signals, primary: Primary, solidity: float) -> tuple[Array, Array]:
    """Passes 4 to 7: returns (P, P_in): the posterior, and the same held to places 7 px thick."""
    logit = spread(solid_logit(s, primary, solidity), s)
    p = logistic(logit) * (1 - s.bare)
    away = depth(s.bare)
    raised = np.minimum(enclosed(p, s.bare), logistic(logit + MOST_RAISED))
    p = np.maximum(p, raised * soft_step(away, 2, 5))
    p = np.asarray(p, np.float32)
    return p, np.minimum(p, opened(p, 3))


def depth(bare: Array) -> Array:
    """Distance (h, w) to bare screen in pixels of the square norm, up to 8."""
    inside = np.asarray(1 - bare, np.float32)
    return sum(least(inside, r) for r in range(1, 9))  # type: ignore[return-value]
