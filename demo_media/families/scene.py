"""What a family makes: noiseless light and exact truth before any lens."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from demo_media.families.shot import Labels

Image = NDArray[np.float32]
Colour = tuple[float, float, float]

PAINTS: dict[str, dict[str, Colour]] = {
    "green": {
        "bright": (0.175, 0.440, 0.135),
        "dark": (0.068, 0.150, 0.050),
        "desaturated": (0.185, 0.300, 0.165),
        "cyan-ish": (0.120, 0.340, 0.205),
    },
    "blue": {
        "bright": (0.085, 0.150, 0.480),
        "dark": (0.032, 0.052, 0.170),
        "desaturated": (0.150, 0.190, 0.350),
        "cyan-ish": (0.090, 0.230, 0.430),
    },
}
"""Linear working-space colour of an evenly lit screen of each primary and paint: own invention."""


@dataclass(frozen=True)
class SceneFrame:
    """One noiseless frame before the lens, anti-aliased from at least 8 × 8 samples a pixel.

    Images (3, h, w) linear ACEScg float32, `alpha` (h, w) in 0..1. Colours are straight and must be
    filled in sensibly where alpha is 0 only if they are wanted there: the camera fills them itself.
    See `shot.TruthFrame` for what the fields mean.
    """

    alpha: Image
    foreground: Image
    foreground_clean: Image
    clean_plate: Image
    background: Image
    extra: Image | None = None
    labels: Labels | None = None
    empty_plate: Image | None = None


@dataclass(frozen=True)
class Scene:
    """A shot's noiseless frames, and what the camera has to know.

    `over_range` scenes hold light far above 1 and go through a log curve in cameras with a display
    curve. `exposure` < 1 dims the light for a low-light shot: the camera's noise stays what it is
    for the lifted picture, so it grows by 1 / exposure. `lens_px` is the lens blur's sigma for a
    picture 360 lines high; None takes the camera's own.
    """

    frames: tuple[SceneFrame, ...]
    over_range: bool = False
    exposure: float = 1.0
    lens_px: float | None = None
