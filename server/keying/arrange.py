"""From measurements to a starting recipe: which extractors, which settings, and why.

One arrangement, scaled by what was measured. Three colour differences on the clean plate:

- edges: weights fitted to the subject's colours, so that coverage is read without bias;
- solid: the same picture read for solid areas only, pooled and levelled, joined by maximum;
- clear: pooled over a few pixels and levelled at multiples of the pooled noise, then let out:
  1 wherever anything is, 0 on bare screen; joined by multiplication. Pooling tells a wisp from
  noise where single pixels cannot, and what it keeps it keeps untouched.
"""

from __future__ import annotations

import numpy as np

from kernels.measure.noise import covariance_at
from kernels.measure.screen_find import channel_index
from kernels.recipe import (
    ColourDifference,
    Despeckle,
    DespillPass,
    Extractor,
    Guide,
    Levels,
    Recipe,
    Refine,
    Screen,
    Shape,
    ShapePose,
    Unmix,
    level_and_balance,
)
from server.keying.findings import (
    CLEAR_HIGH,
    CLEAR_LOW,
    SOLID_HIGH,
    SOLID_LOW,
    Findings,
    Outline,
    clear_pool_px,
    following_gain,
    screen_level,
    solid_from,
)
from server.keying.reasons import notes_of, notes_of_given, notes_of_unmix

CLEAR_GAIN = 0.9
"""The clear extractor's gain: under 1, so that noise about bare screen is not clipped away."""
CLEAR_SPREAD_PX = 2.0
SOLID_POOL_PX = 1.0
SOLID_CHOKE_PX = 2.0
SOFTEN_PX = 1.0
POOLING = 1e0
"""Smoothness at which the guided filter is a plain local mean."""
ARRANGEMENTS = {
    "unmix": "each pixel taken apart into subject and screen, the edges' colour with it",
    "three": "edges, what is solid, and what is bare, each by a colour difference of its own",
    "open": "the same without the filled core, so that see-through parts stay so",
    "filled": "edges and a filled core, with nothing cleared by pooling",
    "plain": "one plain colour difference against the larger of the other channels",
    "plain_three": "a plain colour difference for the edges, with the filled core and the clearing",
}
"""What `arrange` can make, in words; the first is the one to take without reasons against it."""
USUAL = "unmix"
SOLIDITY = 0.5
"""Of unmix: solid parts with spill look whole from here; more hardens what is out of focus and
fills glass. On eight shots of three families, half of them those, the mean SAD was 2.18 thousand
at 0, 2.23 at .5 and 2.29 at 1."""


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
    arrangement: str = USUAL,
) -> Recipe:
    """Return the starting recipe. clean_plate: name of the clean plate; empty keys a flat colour.

    given: the clean plate is somebody's own and was not fitted to the screen. arrangement: one of
    ARRANGEMENTS. Deterministic: equal findings give equal recipes, ids included.
    """
    sigma = matte_sigma(found)
    screen = Screen(primary=found.primary, colour=found.colour, noise=found.noise)
    if clean_plate:
        screen.clean_plate, screen.clean_plate_path = "file", clean_plate
        screen.clean_plate_colourspace = clean_colourspace
    recipe = Recipe(
        name=name[:60] or "suggested",
        screen=screen,
        extractors=_extractors(found, sigma, arrangement),
        garbage=[
            *(_marker(n, box, min(found.drift)) for n, box in enumerate(found.garbage, start=1)),
            *_polygons("outside", found.outside, min(found.drift)),
        ],
        despill=[_spill(found)],
    )
    recipe.source.chroma = found.chroma
    if arrangement == "unmix":
        recipe.assemble.edge_colour.method = "unmix"
    notes = notes_of(found, sigma, bool(clean_plate), arrangement.startswith("plain"))
    there = {f"extractors.{e.id}" for e in recipe.extractors}
    recipe.notes = {
        path: why
        for path, why in notes.items()
        if not path.startswith("extractors.") or path in there
    }
    if arrangement == "unmix":
        recipe.notes |= notes_of_unmix(found)
    recipe.assemble.screen_light.shapes = [
        shape.model_copy(update={"on": False})
        for shape in _polygons("shadow", found.shaded, min(found.drift))
    ]
    if given:
        recipe.notes |= notes_of_given(found, clean_plate)
    return recipe


def _extractors(found: Findings, sigma: float, arrangement: str) -> list[Extractor]:
    """Return the extractors of an arrangement, in the order in which they combine."""
    edges, solid, clear = _edges(found), _solid(found), _clear(found, sigma)
    if arrangement.startswith("plain"):
        edges = ColourDifference(
            id="edges", name="edges", role="edge", combine="max", gain=following_gain(found, 1.0)
        )
    parts: dict[str, list[Extractor]] = {
        "unmix": [_unmix(found)],
        "three": [edges, solid, clear],
        "open": [edges, clear],
        "filled": [edges, solid],
        "plain": [edges],
        "plain_three": [edges, solid, clear],
    }
    return parts[arrangement]


def _unmix(found: Findings) -> Unmix:
    return Unmix(
        id="unmix",
        name="unmix",
        role="edge",
        combine="max",
        solidity=SOLIDITY,
        screen_level=screen_level(found),
    )


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
        gain=following_gain(found, 1.0),
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
        id="solid",
        name="solid",
        role="core",
        combine="max",
        refine=refine,
        gain=following_gain(found, 1.0),
    )


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
        gain=following_gain(found, CLEAR_GAIN),
        refine=refine,
    )


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


def _polygons(name: str, outlines: tuple[Outline, ...], frame: int) -> list[Shape]:
    """Return soft polygons with numbered names."""
    return [
        Shape(
            id=f"{name}{n}",
            name=f"{name} {n}",
            kind="polygon",
            feather_px=4.0,
            poses=[ShapePose(frame=frame, points=list(outline))],
        )
        for n, outline in enumerate(outlines, start=1)
    ]


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
