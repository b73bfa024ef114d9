"""Honest colour and grain of materials: maps over a box, in working-space albedo and height."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from demo_media.families.scene import Colour
from demo_media.noise import fractal_noise

Image = NDArray[np.float32]
Maps = tuple[Image, Image]
"""Albedo (3, h, w) and bump (h, w) in units."""


def _dyed(colour: Colour, variation: list[Image], rng: np.random.Generator) -> Image:
    """Colour times lightness variation, its hue drifting a little with each layer of it."""
    base = np.asarray(colour, np.float32)[:, None, None]
    out = np.ones((3, *variation[0].shape), np.float32)
    for layer in variation:
        drift = 1 + rng.normal(0, 0.25, 3).astype(np.float32)[:, None, None]
        out *= np.exp(layer * drift)
    return np.asarray(np.clip(base * out, 0.003, 0.95), np.float32)


def woven(colour: Colour, shape: tuple[int, int], scale: float, rng: np.random.Generator) -> Maps:
    """Cloth with folds: worn patches, thread, broad drags and finer crumples."""
    h, w = shape
    worn = fractal_noise(rng, h, w, scale_px=60 * scale, octaves=4)
    thread = rng.standard_normal(shape).astype(np.float32)
    across = cv2.GaussianBlur(thread, (0, 0), sigmaX=2.2, sigmaY=0.5)
    along = cv2.GaussianBlur(thread[::-1], (0, 0), sigmaX=0.5, sigmaY=2.2)
    weave = across / across.std() + along / along.std()
    folds = fractal_noise(rng, h, w, scale_px=26 * scale, octaves=3, gain=0.45, stretch=2.8)
    ridged = np.asarray(-(np.abs(folds) ** 0.8), np.float32)
    crumple = fractal_noise(rng, h, w, scale_px=11 * scale, octaves=2)
    albedo = _dyed(colour, [0.10 * worn, 0.05 * weave, 0.10 * ridged], rng)
    return albedo, np.asarray(2.4 * ridged + 0.35 * crumple + 0.02 * weave, np.float32)


def leather(colour: Colour, shape: tuple[int, int], scale: float, rng: np.random.Generator) -> Maps:
    """Hide: pores and cracks, rubbed paler on what stands out, oil stains."""
    h, w = shape
    stains = fractal_noise(rng, h, w, scale_px=45 * scale, octaves=4)
    pores = fractal_noise(rng, h, w, scale_px=3.5 * scale, octaves=2)
    bends = fractal_noise(rng, h, w, scale_px=38 * scale, octaves=3, gain=0.4, stretch=0.6)
    ridge = -np.abs(bends)
    rubbed = np.asarray(np.clip(ridge + 0.35, 0, 1), np.float32)
    albedo = _dyed(colour, [0.22 * stains, 0.08 * pores, 0.9 * rubbed], rng)
    return albedo, np.asarray(1.6 * ridge + 0.09 * pores, np.float32)


def timber(colour: Colour, shape: tuple[int, int], scale: float, rng: np.random.Generator) -> Maps:
    """Planed wood: rings stretched along the grain, knots of darker growth, scratches."""
    h, w = shape
    warp = fractal_noise(rng, h, w, scale_px=70 * scale, octaves=3, stretch=0.25)
    y = np.arange(h, dtype=np.float32)[:, None] / np.float32(scale)
    rings = np.sin(y * 0.9 + 5 * warp) + 0.5 * np.sin(y * 2.3 + 9 * warp + 1)
    fibre = fractal_noise(rng, h, w, scale_px=14 * scale, octaves=3, stretch=0.08)
    albedo = _dyed(colour, [0.13 * rings, 0.10 * fibre, 0.12 * warp], rng)
    return albedo, np.asarray(0.10 * fibre + 0.05 * rings, np.float32)


def metal(colour: Colour, shape: tuple[int, int], scale: float, rng: np.random.Generator) -> Maps:
    """Turned metal: tarnish in patches, hairlines from the lathe."""
    h, w = shape
    tarnish = fractal_noise(rng, h, w, scale_px=22 * scale, octaves=4)
    lines = fractal_noise(rng, h, w, scale_px=9 * scale, octaves=3, stretch=0.06)
    albedo = _dyed(colour, [0.14 * tarnish, 0.05 * lines], rng)
    return albedo, np.asarray(0.03 * lines + 0.05 * tarnish, np.float32)


def wax(colour: Colour, shape: tuple[int, int], scale: float, rng: np.random.Generator) -> Maps:
    """The figures' painted wax: mottled, ruddy in places, finely pored."""
    h, w = shape
    ruddy = fractal_noise(rng, h, w, scale_px=18 * scale, octaves=3)
    mottle = fractal_noise(rng, h, w, scale_px=5 * scale, octaves=2)
    albedo = _dyed(colour, [0.05 * mottle], rng)
    albedo *= np.exp(np.float32(0.09) * ruddy * np.array([0.4, -1, -1], np.float32)[:, None, None])
    return albedo, np.asarray(0.10 * mottle, np.float32)
