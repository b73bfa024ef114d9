"""From measurements to a starting recipe: which extractors, which settings, and why.

One arrangement, scaled by what was measured. Three colour differences on the clean plate:

- edges: weights fitted to the subject's colours, so that coverage is read without bias;
- solid: the same picture read for solid areas only, pooled and levelled, joined by maximum;
- clear: pooled over a few pixels and levelled at multiples of the pooled noise, then let out:
  1 wherever anything is, 0 on bare screen; joined by multiplication. Pooling tells a wisp from
  noise where single pixels cannot, and what it keeps it keeps untouched.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from kernels.measure.noise import covariance_at
from kernels.measure.screen_find import channel_index
from kernels.parameters import Key, Keys
from kernels.recipe import (
    ColourDifference,
    Despeckle,
    DespillPass,
    Guide,
    Levels,
    Noise,
    Primary,
    Recipe,
    Refine,
    Screen,
    Shape,
    ShapePose,
    level_and_balance,
)
from server.words import counted

CLEAR_GAIN = 0.9
"""The clear extractor's gain: under 1, so that noise about bare screen is not clipped away."""
CLEAR_POOL_PX = 3.0
CLEAR_LOW, CLEAR_HIGH = 4.0, 8.0
"""Levels of the clear extractor in pooled standard deviations."""
CLEAR_SPREAD_PX = 2.0
SOLID_POOL_PX = 1.0
SOLID_LOW, SOLID_HIGH = 0.65, 0.85
LEAST_SEPARATED = 0.6
"""Colours that read less than this may as well be glass or smoke: they are not made solid."""
SOLID_CHOKE_PX = 2.0
SOFTEN_PX = 1.0
FULL_WIDTH, LEAST_SCALE = 960, 0.5
"""Radii shrink with pictures narrower than this, down to this share; beyond it they stay: noise has
the size of pixels at any width."""
POOLING = 1e0
"""Smoothness at which the guided filter is a plain local mean."""
DRIFT = 0.02
"""Relative change of the screen's level over a shot from which gains are keyed."""


@dataclass(frozen=True)
class Findings:
    """What the arrangement goes by, over the sampled frames.

    colour: the screen's. weights: of the colour difference. drift: level of the screen at each
    sampled frame over its mean. garbage: boxes in full-size pixels round markers that the subject
    stays well away from. moving: the screen moves in the picture, so that every frame needs its own
    clean plate. The rest: as surveyed.
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
    screen_share: float = 1.0
    camera_px: float | None = None
    moving: bool = False
    subsampled: bool = False
    frames: int = 1
    width: int = FULL_WIDTH

    def scaled(self, radius_px: float) -> float:
        """Return a radius as it suits pictures of this width."""
        return round(radius_px * min(max(self.width / FULL_WIDTH, LEAST_SCALE), 1.0), 2)


def matte_sigma(found: Findings) -> float:
    """Standard deviation of the edges' matte over bare screen, from the measured covariance."""
    k, i, j = channel_index(found.primary)
    v = np.zeros(3)
    v[k], v[i], v[j] = 1.0, -found.weights[0], -found.weights[1]
    excess = float(v @ np.asarray(found.colour))
    variance = float(v @ covariance_at(found.noise, np.asarray(found.colour)) @ v)
    return float(np.sqrt(max(variance, 0.0)) / max(excess, 1e-6))


def arrange(
    found: Findings,
    *,
    clean_plate: str = "",
    name: str = "suggested",
    clean_colourspace: str = "",
    given: bool = False,
) -> Recipe:
    """Return the starting recipe. clean_plate: name of the clean plate; empty keys a flat colour.

    given: the clean plate is somebody's own and was not fitted to the screen. Deterministic: equal
    findings give equal recipes, ids included.
    """
    sigma = matte_sigma(found)
    screen = Screen(primary=found.primary, colour=found.colour, noise=found.noise)
    if clean_plate:
        screen.clean_plate, screen.clean_plate_path = "file", clean_plate
        screen.clean_plate_colourspace = clean_colourspace
    recipe = Recipe(
        name=name[:60] or "suggested",
        screen=screen,
        extractors=[_edges(found), _solid(found), _clear(found, sigma)],
        garbage=[_marker(n, box, min(found.drift)) for n, box in enumerate(found.garbage, start=1)],
        despill=[_spill(found)],
    )
    recipe.notes = _notes(found, sigma, bool(clean_plate))
    if given:
        recipe.notes |= _notes_of_given(found, clean_plate)
    return recipe


def _gain(found: Findings, gain: float) -> float | Keys:
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


def _edges(found: Findings) -> ColourDifference:
    level, balance = level_and_balance(*found.weights)
    return ColourDifference(
        id="edges",
        name="edges",
        role="edge",
        combine="max",
        excess="balance",
        comparison_level=level,
        red_blue_balance=balance,
        gain=_gain(found, 1.0),
    )


def _solid(found: Findings) -> ColourDifference:
    white = solid_from(found)
    refine = Refine(
        guide=Guide(radius_px=SOLID_POOL_PX, smoothness=POOLING),
        levels=Levels(clear_below=round(white - (SOLID_HIGH - SOLID_LOW), 4), solid_above=white),
        choke_px=found.scaled(SOLID_CHOKE_PX),
        soften_px=found.scaled(SOFTEN_PX),
    )
    return ColourDifference(
        id="solid", name="solid", role="core", combine="max", refine=refine, gain=_gain(found, 1.0)
    )


def solid_from(found: Findings) -> float:
    """Return from where a pixel counts as solid: lower when the subject's colours read lower."""
    if found.separation < LEAST_SEPARATED:
        return SOLID_HIGH
    return round(min(0.95 * found.separation, SOLID_HIGH), 4)


def _clear(found: Findings, sigma: float) -> ColourDifference:
    level, balance = level_and_balance(*found.weights)
    pooled = pooled_sigma(sigma * CLEAR_GAIN, found)
    bare = 1.0 - CLEAR_GAIN
    refine = Refine(
        despeckle=Despeckle(specks_px=2.0),
        guide=Guide(radius_px=clear_pool_px(found), smoothness=POOLING),
        levels=Levels(
            clear_below=min(bare + CLEAR_LOW * pooled, 0.5),
            solid_above=min(bare + CLEAR_HIGH * pooled, 0.7),
        ),
        choke_px=-found.scaled(CLEAR_SPREAD_PX),
        soften_px=found.scaled(SOFTEN_PX),
    )
    return ColourDifference(
        id="clear",
        name="clear",
        role="edge",
        combine="multiply",
        excess="balance",
        comparison_level=level,
        red_blue_balance=balance,
        gain=_gain(found, CLEAR_GAIN),
        refine=refine,
    )


def clear_pool_px(found: Findings) -> float:
    """Return the radius of the clear extractor's pool: 3, or 2 on small pictures."""
    return float(max(round(found.scaled(CLEAR_POOL_PX)), 2))


def pooled_sigma(sigma: float, found: Findings) -> float:
    """Noise of the clear matte after its local mean of (2 r + 1) pixels a side.

    The guided filter takes the mean twice; demosaiced noise hangs together over about two pixels
    and halves the gain; subsampled chroma over four.
    """
    side = 2 * clear_pool_px(found) + 1
    return sigma / side * (2.0 if found.subsampled else 1.0)


def _marker(number: int, box: tuple[float, float, float, float], frame: int) -> Shape:
    """Return a soft garbage ellipse round a marker's box."""
    x0, y0, x1, y1 = box
    points = [(round(x0, 1), round(y0, 1)), (round(x1, 1), round(y1, 1))]
    return Shape(
        id=f"marker{number}",
        name=f"marker {number}",
        kind="ellipse",
        feather_px=2.0,
        poses=[ShapePose(frame=frame, points=points)],
    )


def _spill(found: Findings) -> DespillPass:
    """Limit by the fitted weights' ratio: what is grey in the matte's eyes stays as it is."""
    first, second = found.weights
    weight = first / (first + second) if first + second > 0 else 0.5
    return DespillPass(
        id="spill",
        name="spill",
        limit="weighted",
        weight=float(np.clip(weight, 0.2, 0.8)),
        fill="grey",
    )


def _notes(found: Findings, sigma: float, plate: bool) -> dict[str, str]:
    """Return the reasons, by path, as `explain` prints them."""
    _, i, j = channel_index(found.primary)
    names = ("red", "green", "blue")
    notes = {
        "screen": f"{found.primary} was measured over {counted(found.frames, 'frame')}; "
        + (
            "the clean plate was fitted to the screen, so uneven light is followed"
            if plate
            else "one flat colour is used because no place for a clean plate was given"
        ),
        "extractors.edges": f"the weights {found.weights[0]:.2f} for {names[i]} and "
        f"{found.weights[1]:.2f} for {names[j]} fit the subject's own colours near the screen, "
        "so edges are read with the least bias",
        "extractors.solid": f"fills what reads {solid_from(found):g} and more over a few pixels; "
        f"the subject's least separated colours read {found.separation:.2f}, and spill on it "
        f"measured {100 * found.spill:.0f} % of the screen's excess",
        "extractors.clear": f"the matte's noise over bare screen is {sigma:.4f}; what does not "
        f"rise {CLEAR_LOW:g} deviations over it in a {2 * clear_pool_px(found) + 1:g} px window "
        "is screen",
        "despill.spill": "the limit weighs the other two channels as the edges do; grey keeps "
        "the luminance",
    }
    if sigma > 0.25:
        notes["noise"] = (
            "the noise exceeds a quarter of the screen's excess, beyond which a colour "
            "difference sees none: denoise the shot first"
        )
    elif found.separation < LEAST_SEPARATED:
        notes["keep_solid"] = (
            "part of the subject reads like the screen: draw a keep-solid shape inside it if it is "
            "solid, never over glass or smoke"
        )
    levels = list(found.drift.values())
    if isinstance(_gain(found, 1.0), Keys):
        notes["light"] = (
            f"the screen's level drifts by {100 * (max(levels) - min(levels)):.0f} % "
            "over the shot, so the gains are keyed"
        )
    if found.garbage:
        notes["garbage"] = (
            f"{counted(len(found.garbage), 'still marker')}, well away from the subject in every "
            "frame looked at: taken out by garbage shapes; check that nothing passes them"
        )
    left = found.markers - len(found.garbage)
    if left > 0:
        notes["markers"] = (
            f"{counted(left, 'marker')} near the subject left in the matte: draw garbage shapes "
            "that follow what passes them, or paint them out"
        )
    if found.moving:
        notes["camera"] = _moves(found, plate)
    if found.over_range > 0.0005:
        notes["highlights"] = (
            f"{100 * found.over_range:.2f} % of the picture is brighter than "
            "1; colour differences keep it solid"
        )
    return notes


def _notes_of_given(found: Findings, plate: str) -> dict[str, str]:
    """Return what is to be said otherwise when the clean plate was given."""
    notes = {
        "screen": f"{found.primary} was measured over {counted(found.frames, 'frame')}; "
        f"the clean plate {plate} was there and is kept: none was fitted to the screen"
    }
    level = sum(found.drift.values()) / max(len(found.drift), 1)
    if not isinstance(_gain(found, 1.0), Keys) and abs(level - 1.0) > DRIFT:
        notes["light"] = (
            f"the screen is {100 * level:.0f} % as bright in the shot as in the clean plate, "
            "so the gains make up for it"
        )
    if found.moving:
        notes["camera"] = (
            f"{_what_moves(found)}: see to it that the clean plate moves with it, frame by frame"
        )
    return notes


def _moves(found: Findings, plate: bool) -> str:
    what = _what_moves(found)
    if not plate:
        return f"{what}, and one flat colour is all there is to follow it"
    return f"{what}, so every frame has its own clean plate, fitted to that frame alone"


def _what_moves(found: Findings) -> str:
    if found.camera_px is not None and found.camera_px > 0:
        return f"the camera moves by about {found.camera_px:.1f} px a frame"
    return "the light on the screen moves in the picture, as it does when the camera moves"
