"""What a starting recipe goes by: the findings, and what follows from them alone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from kernels.parameters import Key, Keys
from kernels.recipe import Noise, Primary

CLEAR_POOL_PX = 3.0
CLEAR_LOW, CLEAR_HIGH = 4.0, 8.0
"""Levels of the clear extractor in pooled standard deviations."""
SOLID_LOW, SOLID_HIGH = 0.65, 0.85
FULL_WIDTH, LEAST_SCALE = 960, 0.5
"""Radii shrink with pictures narrower than this, down to this share; beyond it they stay: noise has
the size of pixels at any width."""
LEAST_SEPARATED = 0.6
"""Colours that read less than this may as well be glass or smoke: they are not made solid."""
DRIFT = 0.02
"""Relative change of the screen's level over a shot from which gains are keyed."""

Chroma = Literal["4:4:4", "4:2:2", "4:2:0"]
Outline = tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Findings:
    """What the arrangement goes by, over the sampled frames.

    colour: the screen's. weights: of the colour difference. drift: level of the screen at each
    sampled frame over its mean. garbage: boxes in full-size pixels round markers that the subject
    stays well away from. outside: polygons in full-size pixels over what lies outside the screen's
    cloth. shaded: the same over the subject's shadows on the screen. moving: the screen moves in
    the picture, so that every frame needs its own clean plate. The rest: as surveyed.
    """

    primary: Primary
    colour: tuple[float, float, float]
    noise: Noise
    weights: tuple[float, float]
    drift: dict[int, float]
    spill: float = 0.0
    separation: float = 1.0
    over_range: float = 0.0
    markers: int = 0
    garbage: tuple[tuple[float, float, float, float], ...] = ()
    outside: tuple[Outline, ...] = ()
    shaded: tuple[Outline, ...] = ()
    screen_share: float = 1.0
    camera_px: float | None = None
    moving: bool = False
    chroma: Chroma = "4:4:4"
    frames: int = 1
    width: int = FULL_WIDTH

    @property
    def subsampled(self) -> bool:
        """Whether the recording holds less colour than light."""
        return self.chroma != "4:4:4"

    def scaled(self, radius_px: float) -> float:
        """Return a radius as it suits pictures of this width."""
        return round(radius_px * min(max(self.width / FULL_WIDTH, LEAST_SCALE), 1.0), 2)


def following_gain(found: Findings, gain: float) -> float | Keys:
    """Return a gain that follows the light: keyed when the screen's level drifts."""
    levels = list(found.drift.values())
    if len(levels) < 2 or max(levels) - min(levels) <= DRIFT:
        level = sum(levels) / max(len(levels), 1)
        return gain if abs(level - 1.0) <= DRIFT else round(gain / max(level, 0.25), 4)
    keys = [
        Key(frame=frame, value=gain / max(level, 0.25))
        for frame, level in sorted(found.drift.items())
    ]
    return Keys(keys=keys, between="linear")


def screen_level(found: Findings) -> float | Keys:
    """Return the screen's level over the clean plate's: keyed when it drifts."""
    levels = {frame: min(max(v, 0.25), 4.0) for frame, v in found.drift.items()}
    every = list(levels.values())
    if len(every) < 2 or max(every) - min(every) <= DRIFT:
        level = sum(every) / max(len(every), 1)
        return 1.0 if abs(level - 1.0) <= DRIFT else round(level, 4)
    keys = [Key(frame=frame, value=value) for frame, value in sorted(levels.items())]
    return Keys(keys=keys, between="linear")


def solid_from(found: Findings) -> float:
    """Return from where a pixel counts as solid: lower when the subject's colours read lower."""
    if found.separation < LEAST_SEPARATED:
        return SOLID_HIGH
    return round(min(0.95 * found.separation, SOLID_HIGH), 4)


def clear_pool_px(found: Findings) -> float:
    """Return the radius of the clear extractor's pool: 3, or 2 on small pictures."""
    return float(max(round(found.scaled(CLEAR_POOL_PX)), 2))
