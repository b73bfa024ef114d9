"""Candidates for the foreground's colour: carried from the core, from strands, along rays."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kernels.reference.unmix.filters import (
    enlarged,
    gaussian,
    greatest,
    least,
    opened,
    pull,
    push,
    reduced,
    shifted,
    soft_step,
)
from kernels.reference.unmix.signals import Signals

Array = NDArray[Any]
LEVELS = 8
RAYS = ((0, 1), (1, 1), (1, 0), (1, -1), (0, -1), (-1, -1), (-1, 0), (-1, 1))


@dataclass(frozen=True, eq=False)
class Candidate:
    """A guess at F. colour: (3, h, w). tightness: relative deviation of its parts about it.
    log_prior: (h, w) or a number. deep: from well inside the subject.
    """

    name: str
    colour: Array
    tightness: float
    log_prior: Any
    deep: bool = False


def core_weight(s: Signals, solid_inside: Array, inset_px: int = 1) -> Array:
    """Weight (h, w) of pixels whose colour is surely the subject's own.

    Solid, and nowhere within `inset_px` clearer than the most opaque pixels within 10: partly
    covered pixels among hair would carry the screen's colour on and make every matte too dense.
    """
    share = np.clip(s.excess_share, 0, 1.3).astype(np.float32)
    top = np.maximum(greatest(gaussian(share, 0.7), 10), 0.2)
    opaque = soft_step(least(share, inset_px) / top, 0.85, 0.97)
    return np.asarray(soft_step(solid_inside, 0.5, 0.9) * opaque, np.float32)


def carried(plate: Array, weight: Array) -> list[Array]:
    """Core colours carried outwards: nearest, over 4 px, over 16 px."""
    pyramid = pull(plate, weight, LEVELS)
    return [push(pyramid, finest) for finest in (0, 2, 4)]


def strand_colour(s: Signals) -> Array:
    """Colours of thin, locally extreme parts, unmixed with their excess share and carried on."""
    share = np.clip(s.excess_share, 0, 1.2)
    soft = gaussian(share, 0.7)
    thin = soft - opened(soft, 2)
    top = soft_step(soft - 0.9 * greatest(soft, 2), 0, 0.05)
    weight = soft_step(thin, 0.15, 0.35) * top * soft_step(share, 0.45, 0.75)
    colour = s.plate - (1 - np.minimum(share, 1)) * s.clean
    colour = np.maximum(colour / np.maximum(share, 0.3), 0)
    return push(pull(colour, np.asarray(weight, np.float32), LEVELS), 0)


def bright_colour(s: Signals) -> tuple[Array, Array]:
    """Colours of things brighter than the screen, carried on: sparks, lamps, rim light.

    Returns the colour (3, h, w) and the log prior (h, w), which is that such a thing is near.
    """
    level, beyond = s.plate.max(axis=0), s.clean.max(axis=0)
    top = soft_step(level / np.maximum(greatest(level, 4), 1e-4), 0.75, 0.95)
    weight = np.asarray(top * soft_step(level / beyond, 1.3, 2.0), np.float32)
    near = gaussian(greatest(weight, 8), 4.0)
    return push(pull(s.plate, weight, LEVELS), 0), np.log(np.maximum(near, 1e-5))


def along_rays(plate: Array, weight: Array, doublings: int = 5) -> tuple[Array, Array]:
    """First core colour met along each of eight rays, (8, 3, h, w), and how surely, (8, h, w).

    A stretch of ray is (light through it, weighted colour, weight); two join front to back as in
    volume compositing, so doubling reaches 2^n steps of the half-size picture in n joins.
    """
    small = reduced(np.concatenate([plate * weight, weight[None]]), 2)
    opacity = np.clip(small[3] * 1.0, 0, 1)
    colours, met = [], []
    for dy, dx in RAYS:
        clear, light = 1 - opacity, small
        for n in range(doublings):
            step = 2**n
            light = light + clear * shifted(light, step * dy, step * dx, 0.0)
            clear = clear * shifted(clear, step * dy, step * dx, 1.0)
        w = light[3]
        colours.append(light[:3] / np.maximum(w, 1e-3))
        met.append(np.clip(w, 0, 1))
    h, w = plate.shape[1:]
    big = [enlarged(np.asarray(c, np.float32), 2, h, w) for c in colours]
    return np.stack(big), np.stack([enlarged(np.asarray(m, np.float32), 2, h, w) for m in met])


def candidates(s: Signals, solid_inside: Array, reach_px: int) -> list[Candidate]:
    """Pass 8: every sampled candidate at the size of the reduced picture.

    reach_px: how far rays look for the core.
    """
    core = core_weight(s, solid_inside)
    near = carried(s.plate, core)
    bright, bright_near = bright_colour(s)
    found = [
        Candidate("near", near[0], 0.03, 0.0),
        Candidate("over 4", near[1], 0.06, -0.3),
        Candidate("over 16", near[2], 0.10, -0.8),
        Candidate("strand", strand_colour(s), 0.05, -0.5),
        Candidate("bright", bright, 0.05, bright_near - 0.7),
    ]
    doublings = max(1, round(float(np.log2(max(reach_px, 4) / 2))))
    rays, met = along_rays(s.plate, core, doublings)
    for n, (colour, seen) in enumerate(zip(rays, met, strict=True)):
        found.append(Candidate(f"ray {n}", colour, 0.03, np.log(np.maximum(seen, 1e-4)) - 1.0))
    deep = solid_inside
    for n in (4, 8):
        deep = least(deep, n)
        weight = np.asarray(soft_step(deep, 0.7, 0.95), np.float32)
        colour = push(pull(s.plate, weight, LEVELS), 1)
        here = np.log(np.maximum(gaussian(greatest(weight, 3 * n), n), 1e-4))
        found.append(Candidate(f"deep {n}", colour, 0.05, here - 0.5, deep=True))
    return found
