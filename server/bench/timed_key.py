"""The key and the frame that are timed."""

from __future__ import annotations

from typing import Any

import numpy as np

from kernels.engine import Inputs
from kernels.inputs import gather
from kernels.recipe import (
    CurvePoint,
    HueBand,
    HueCurve,
    Levels,
    PlateDifference,
    Recipe,
    starting_recipe,
)


def key_recipe() -> Recipe:
    """Return the key that is timed: three extractors, levels, a despill pass with curves."""
    recipe = starting_recipe()
    recipe.extractors.append(PlateDifference(name="difference", strength=0.5))
    recipe.extractors.append(HueBand(name="hue", role="edge", hue_deg=20, strength=0.5))
    recipe.refine.levels = Levels(clear_below=0.03, solid_above=0.97)
    curve = HueCurve(points=[CurvePoint(hue_deg=60, value=0.6), CurvePoint(hue_deg=130, value=1.0)])
    recipe.despill[0].spill_by_hue = curve
    return recipe


def picture(height: int, width: int, seed: int = 0) -> np.ndarray[Any, np.dtype[np.float32]]:
    """Return a noisy screen with a soft-edged subject, (3, height, width)."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    radius = np.hypot(x - width / 2, y - height / 2)
    alpha = np.clip((height / 3 - radius) / 12, 0, 1)
    subject = np.array([0.5, 0.3, 0.2], np.float32)[:, None, None]
    screen = np.array([0.05, 0.35, 0.07], np.float32)[:, None, None]
    grain = rng.normal(0, 0.008, (3, height, width)).astype(np.float32)
    return np.asarray(alpha * subject + (1 - alpha) * screen + grain, np.float32)


def prepared(engine: Any, recipe: Recipe, height: int, width: int) -> Inputs:
    """Return the timed frame held by an engine."""
    plate = picture(height, width)
    clean = np.broadcast_to(np.array([0.05, 0.35, 0.07], np.float32)[:, None, None], plate.shape)
    return gather(engine, recipe, 1, plate=plate, clean=clean)
