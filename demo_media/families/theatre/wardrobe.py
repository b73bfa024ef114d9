"""The theatre's fabrics: dyes, woven and printed patterns, and how cloth falls in folds."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from demo_media.families.theatre.limelight import Fabric, column
from demo_media.families.theatre.looms import cells, pleats, waves

Image = NDArray[np.float32]

CLOTHS = (
    Fabric((0.36, 0.035, 0.045), (0.55, 0.40, 0.16), nap=0.7, pattern="velvet"),
    Fabric((0.52, 0.40, 0.20), (0.30, 0.10, 0.06), 0.10, 22, pattern="damask"),
    Fabric((0.60, 0.55, 0.47), (0.42, 0.08, 0.09), thin=0.35, pattern="stripes"),
    Fabric((0.40, 0.10, 0.07), (0.62, 0.52, 0.30), pattern="diamonds"),
    Fabric((0.24, 0.07, 0.16), (0.55, 0.25, 0.30), 0.16, 26, pattern="damask"),
    Fabric((0.62, 0.30, 0.24), (0.70, 0.62, 0.52), thin=0.3, pattern="stripes"),
)
"""Costumes for a green drape; those that are purple are left out before a blue one."""

BLUE_SAFE = (0, 1, 2, 3, 5)
SABLE = (
    Fabric((0.012, 0.011, 0.012), (0.03, 0.025, 0.025), nap=0.5, pattern="velvet"),
    Fabric((0.020, 0.018, 0.019), (0.008, 0.008, 0.008), pattern="damask"),
)
PATENT = Fabric((0.008, 0.008, 0.009), (0.02, 0.02, 0.02), 0.80, 46, pattern="patent")
NEAR = {
    "green": (
        Fabric((0.050, 0.140, 0.120), (0.08, 0.19, 0.16), near_hue=True, nap=0.4, pattern="velvet"),
        Fabric((0.120, 0.130, 0.045), (0.20, 0.19, 0.08), near_hue=True, pattern="damask"),
        Fabric((0.070, 0.160, 0.070), (0.16, 0.20, 0.10), near_hue=True, pattern="stripes"),
    ),
    "blue": (
        Fabric((0.055, 0.080, 0.160), (0.10, 0.13, 0.21), near_hue=True, pattern="denim"),
        Fabric((0.030, 0.040, 0.105), (0.06, 0.08, 0.16), near_hue=True, pattern="denim"),
        Fabric((0.090, 0.110, 0.200), (0.18, 0.19, 0.27), near_hue=True, pattern="stripes"),
    ),
}
LACQUER = (
    Fabric((0.50, 0.26, 0.18), (0.44, 0.22, 0.15), 0.22, 34, pattern="lacquer"),
    Fabric((0.55, 0.33, 0.09), (0.45, 0.26, 0.06), 0.30, 40, pattern="lacquer"),
    Fabric((0.62, 0.58, 0.50), (0.55, 0.5, 0.44), 0.18, 30, pattern="lacquer"),
)
LINEN = Fabric((0.66, 0.62, 0.55), (0.6, 0.56, 0.5), thin=0.6, pattern="plain")
GILT = Fabric((0.55, 0.36, 0.10), (0.4, 0.25, 0.06), 0.55, 40, pattern="lacquer")
FELT = Fabric((0.055, 0.045, 0.05), (0.04, 0.035, 0.04), nap=0.3, pattern="velvet")


def cut(rng: np.random.Generator, folds: str, height: int, width: int, grid: float) -> Image:
    """Height of folds (h, w) in pixels of a piece with `grid` pixels for one at 360 lines."""
    if folds == "none":
        return np.zeros((height, width), np.float32)
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    sway = waves(rng, height, width, 60 * grid, count=6) * np.float32(3 * grid)
    if folds == "bell":  # from the waist down, wider towards the hem
        middle = np.float32(width / 2)
        fan = (x - middle) / (0.35 + 0.75 * y / height) + middle + sway
        deep = np.clip(y / height - 0.15, 0, 1) ** 0.8
        gathers = pleats(rng, np.asarray(fan, np.float32), 17 * grid, 0.35) * deep
        crumple = waves(rng, height, width, 24 * grid, count=10) * np.float32(0.7 * grid)
        return np.asarray(1.15 * gathers + crumple, np.float32)
    if folds == "sleeve":  # rings that bunch across the arm
        rings = pleats(rng, np.asarray(y + 1.2 * sway, np.float32), 11 * grid, 0.2)
        crumple = waves(rng, height, width, 20 * grid) * np.float32(0.4 * grid)
        return np.asarray(0.8 * rings + crumple, np.float32)
    if folds == "ruff":
        angle = np.arctan2(y - height / 2, x - width / 2)
        return np.asarray(2.6 * grid * np.cos(26 * angle), np.float32)
    if folds == "hang":
        return pleats(rng, np.asarray(x + 1.5 * sway, np.float32), 13 * grid, 0.5)
    raise ValueError(f"no such folds: {folds!r}")


def dyed(
    rng: np.random.Generator, fabric: Fabric, height: int, width: int, grid: float
) -> tuple[Image, Image]:
    """Albedo (3, h, w) and fine relief (h, w) in pixels of a fabric."""
    worn = waves(rng, height, width, 45 * grid, count=8)
    fine = rng.standard_normal((height, width), dtype=np.float32)
    second, bump = _patterned(rng, fabric.pattern, worn, fine, grid)
    tone = 1 + 0.05 * worn + (0.02 if fabric.lacquer > 0.15 else 0.05) * fine
    mix = column(fabric.colour) * (1 - second) + column(fabric.second) * second
    return np.asarray(np.clip(mix * tone, 0.003, 0.95), np.float32), np.asarray(bump, np.float32)


def _patterned(
    rng: np.random.Generator, pattern: str, worn: Image, fine: Image, grid: float
) -> tuple[Image, Image]:
    """Share of the second dye and relief in pixels, (h, w) each, of a weave or print."""
    height, width = worn.shape
    y, x = np.mgrid[0:height, 0:width].astype(np.float32) / np.float32(grid)
    second: NDArray[np.floating] = np.zeros((height, width))
    bump: NDArray[np.floating] = np.zeros((height, width))
    if pattern == "stripes":
        second = 0.5 + 0.5 * np.tanh(4 * np.sin(2 * np.pi * (x + 1.5 * worn) / 15))
    elif pattern == "diamonds":
        u, v = (x + 1.2 * worn) / 26, (y + worn) / 40
        second = 0.5 + 0.5 * np.tanh(9 * np.sin(np.pi * (u + v)) * np.sin(np.pi * (u - v)))
    elif pattern == "damask":
        spots = cells(rng, height, width, 17 * grid)
        leaf = np.cos(9 * spots + 1.5 * worn)
        second = np.asarray(0.5 + 0.5 * np.tanh(2.5 * leaf), np.float32)
        bump = 0.35 * grid * second
    elif pattern == "denim":
        twill = np.sin(2 * np.pi * (x + 0.6 * y) / 2.4)
        second = np.clip(0.35 + 0.3 * twill + 0.25 * worn, 0, 1)
        bump = 0.10 * grid * twill
    elif pattern == "patent":
        crumple = waves(rng, height, width, 62 * grid, count=9)
        crease = 1 - np.abs(np.tanh(2 * waves(rng, height, width, 75 * grid, count=9)))
        bump = 2.2 * grid * crumple + 1.6 * grid * crease
    elif pattern == "velvet":
        second = np.clip(0.12 + 0.10 * worn, 0, 0.4)
        bump = 0.08 * grid * fine
    elif pattern == "lacquer":
        second = np.clip(cells(rng, height, width, 9 * grid) * 0.5, 0, 1)
    else:
        weave = np.sin(2 * np.pi * x / 2.2) * np.sin(2 * np.pi * y / 2.2)
        bump = 0.12 * grid * weave
    return np.asarray(second, np.float32), np.asarray(bump, np.float32)
