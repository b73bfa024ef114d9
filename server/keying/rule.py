"""One rule that makes the recipe of every truth shot, from the plate and its clean plate alone."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from kernels.plan import Context
from kernels.recipe import (
    Assemble,
    Background,
    ColourDifference,
    Despeckle,
    DespillPass,
    EdgeColour,
    Levels,
    Noise,
    Primary,
    ProtectEdges,
    Recipe,
    Refine,
    Screen,
)
from kernels.reference.extract import excess

Array = NDArray[Any]

CLEAR_SIGMAS = 2.0
"""The edge matte's black level in units of its own noise."""
PROTECT_PX = 3.0
CORE_CLEAR, CORE_SOLID, CORE_CHOKE_PX = 0.6, 0.9, 1.0
HOLES_PX, SPECKS_PX = 3.0, 3.0
NEAR_SCREEN = 0.25
"""Matte values within this of 0 take part in measuring the noise."""
SOLID, CLEAR, REACH_PX = 0.8, 0.3, 15
"""Subject samples: lean matte above SOLID all around, within REACH_PX of one below CLEAR."""
RATIO_SHARE, RATIO_RANGE = 0.90, (1.0, 1.4)
FEWEST_SAMPLES = 50
DARK = 0.02


def matte_sigma(plate: Array, clean: Array, extractor: ColourDifference, primary: Primary) -> float:
    """Noise of an unclamped colour-difference matte over the screen: 1.4826·MAD about its median.

    Only the plate and the clean plate, (3, h, w), are looked at; 0 when no pixel is near screen.
    """
    flat = tuple(float(v) for v in np.median(clean.reshape(3, -1), axis=1))
    context = Context(primary=primary, screen=(flat[0], flat[1], flat[2]), noise=Noise())
    screen = np.maximum(excess(clean, extractor, context), 1e-6)
    matte = 1 - excess(plate, extractor, context) / screen
    near = matte[np.abs(matte) < NEAR_SCREEN]
    if near.size == 0:
        return 0.0
    return float(1.4826 * np.median(np.abs(near - np.median(near))))


def subject_ratio(plate: Array, clean: Array, primary: Primary) -> float:
    """How far the screen's primary exceeds the mean of the other two on the subject near edges.

    The ratio p_k / mean(p_i, p_j) that nine tenths of the light on solid subject close to screen
    stays under (samples count by their brightness, as bright ones lose most matte), held to 1..1.4;
    1 with too few samples. A grey subject gives 1, screen light on it more. Images are (3, h, w).
    """
    lean = ColourDifference()
    context = Context(primary=primary, screen=(0.0, 1.0, 0.0), noise=Noise())
    screen = np.maximum(excess(clean, lean, context), 1e-6)
    matte = 1 - excess(plate, lean, context) / screen
    solid = ndimage.minimum_filter(matte, 3) > SOLID
    near = ndimage.maximum_filter(matte < CLEAR, 2 * REACH_PX + 1)
    samples = plate[:, solid & near]
    if samples.shape[1] < FEWEST_SAMPLES:
        return RATIO_RANGE[0]
    i, j = context.others
    others = np.maximum((samples[i] + samples[j]) / 2, DARK)
    ratio = samples[context.k] / others
    order = np.argsort(ratio)
    light = np.cumsum(others[order], dtype=np.float64)
    chosen = ratio[order][np.searchsorted(light, RATIO_SHARE * light[-1])]
    return float(np.clip(chosen, *RATIO_RANGE))


def rule_recipe(plate: Array, clean: Array, primary: Primary) -> Recipe:
    """The arrangement: an edge matte that is unbiased for the subject's colours, and a hard core.

    Edge: colour difference over the other two channels, weighted so that most of the subject near
    its edges has no excess, spill included; cleared up to 2 σ of its measured noise, its soft edges
    kept. Core: colour difference over the larger one, small holes filled, levelled hard and drawn
    in; joined by maximum. Spill is taken out without a fill. Tuned on seeds 0 to 49.
    """
    weight = subject_ratio(plate, clean, primary) / 2
    edge = ColourDifference(
        id="edge",
        name="edge",
        role="edge",
        excess="balance",
        comparison_level=2 * weight,
    )
    sigma = matte_sigma(plate, clean, edge, primary)
    edge.refine = Refine(
        despeckle=Despeckle(specks_px=SPECKS_PX),
        levels=Levels(clear_below=CLEAR_SIGMAS * sigma, solid_above=1.0),
        protect_edges=ProtectEdges(distance_px=PROTECT_PX),
    )
    core = ColourDifference(
        id="core",
        name="core",
        role="core",
        combine="max",
        refine=Refine(
            despeckle=Despeckle(holes_px=HOLES_PX),
            levels=Levels(clear_below=CORE_CLEAR, solid_above=CORE_SOLID),
            choke_px=CORE_CHOKE_PX,
        ),
    )
    flat = tuple(float(v) for v in np.median(clean.reshape(3, -1), axis=1))
    return Recipe(
        name="truth",
        screen=Screen(primary=primary, colour=(flat[0], flat[1], flat[2]), clean_plate="file"),
        extractors=[edge, core],
        despill=[DespillPass(id="spill", name="spill", limit="average", fill="none")],
        assemble=Assemble(
            edge_colour=EdgeColour(method="subtract"), background=Background(kind="picture")
        ),
    )
