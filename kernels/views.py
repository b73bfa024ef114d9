"""The view table, and what a view is: which picture, which part, how large, how encoded.

Everything about a kind of view that is not arithmetic stands in its row: the plan, both engines and
the page read it. A measure's arithmetic is in `reference.view` and in `measures.cuh`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

F32 = NDArray[np.float32]
Channel = Literal["colour", "red", "green", "blue", "luminance"]
Region = tuple[int, int, int, int]
"""x0, y0, x1, y1 in pixels, half open"""
ViewName = Literal[
    "plate",
    "denoised",
    "clean_plate",
    "matte",
    "despilled",
    "spill",
    "foreground",
    "composite",
    "evenness",
    "alpha_noise",
    "alpha_error",
    "deciding",
]
Finish = Literal["picture", "matte", "deciding", "evenness", "alpha_noise"]
FINISHES: tuple[Finish, ...] = get_args(Finish)
"""How pooled values become codes, in the order of their numbers in finish.cu."""


@dataclass(frozen=True)
class ViewKind:
    """One row of the table."""

    title: str
    help: str
    planes: tuple[str, ...]
    """what it is made from; `mattes` are those of all extractors that take part. They decide which
    stages it needs"""
    output: str
    """the fused launch's output, as params.cuh names it"""
    finish: Finish = "picture"
    """`picture` goes through look, channel and display transform; the others do not"""
    signal: bool = True
    """whether its values are a signal, which scopes and samples can show; else a coloured measure
    """
    marks: tuple[str, ...] = ()
    """of a measure: what its colour scale says from its low end to its high one"""
    scale: str = ""
    """of a measure: the scale's title"""


VIEW_TABLE: dict[ViewName, ViewKind] = {
    "plate": ViewKind("Plate", "the camera's picture", ("plate",), "OUT_PLATE"),
    "denoised": ViewKind("Denoised", "the denoised pass", ("denoised", "plate"), "OUT_DENOISED"),
    "clean_plate": ViewKind(
        "Clean plate", "the screen without the subject", ("clean", "plate"), "OUT_CLEAN"
    ),
    "matte": ViewKind(
        "Matte", "the cumulative matte: coverage 0 to 1", ("alpha",), "OUT_MATTE", "matte"
    ),
    "despilled": ViewKind(
        "Despilled",
        "the plate with the screen's light taken out",
        ("despilled",),
        "OUT_DESPILLED",
    ),
    "spill": ViewKind("Spill", "the light that is taken out", ("plate", "despilled"), "OUT_SPILL"),
    "foreground": ViewKind(
        "Foreground", "the subject, premultiplied, on black", ("foreground",), "OUT_FOREGROUND"
    ),
    "composite": ViewKind(
        "Composite", "the subject over the background", ("composite",), "OUT_COMPOSITE"
    ),
    "evenness": ViewKind(
        "Evenness",
        "how evenly the screen is lit, in stops from the median",
        ("plate", "denoised"),
        "OUT_EVENNESS",
        "evenness",
        signal=False,
        marks=("\u22121", "0", "+1"),
        scale="Light on the screen, in stops",
    ),
    "alpha_noise": ViewKind(
        "Alpha noise",
        "how much noise the matte is expected to have",
        ("plate", "despilled", "clean"),
        "OUT_ALPHA_NOISE",
        "alpha_noise",
        signal=False,
        marks=("0", "0.05", "0.1"),
        scale="Expected alpha noise",
    ),
    "alpha_error": ViewKind(
        "Matte error",
        "expected error of the matte, as an unmix extractor tells it; grey where none does",
        ("plate", "error"),
        "OUT_ALPHA_ERROR",
        "alpha_noise",
        signal=False,
        marks=("0", "0.05", "0.1"),
        scale="Expected error of the matte",
    ),
    "deciding": ViewKind(
        "By extractor",
        "each pixel in the colour of the extractor that decides its matte",
        ("alpha", "mattes"),
        "OUT_DECIDING",
        "deciding",
        signal=False,
    ),
}
VIEWS: tuple[ViewName, ...] = tuple(VIEW_TABLE)


@dataclass(frozen=True, eq=False)
class DisplayTable:
    """A baked display transform: a 1-D shaper per channel, then a 3-D table.

    shaper: (S,) float32, output of the shaper at S inputs spread evenly in log2(x - `toe`) from
    `low_stops` to `high_stops`; inputs below and above are held. table: (N, N, N, 3) float32,
    indexed [red][green][blue], trilinear; display-encoded 0..1. `key` names the transform.
    """

    shaper: F32
    toe: float
    low_stops: float
    high_stops: float
    table: F32
    key: str = ""


@dataclass(frozen=True)
class Look:
    """View-only colour before the display transform: exposure and an ASC CDL, working space."""

    exposure_stops: float = 0.0
    slope: tuple[float, float, float] = (1.0, 1.0, 1.0)
    offset: tuple[float, float, float] = (0.0, 0.0, 0.0)
    power: tuple[float, float, float] = (1.0, 1.0, 1.0)
    saturation: float = 1.0


@dataclass(frozen=True)
class Stress:
    """View-only gain and gamma on a matte.

    screen: v = clamp(gain * alpha)^(1/gamma), pooled by maximum, shows noise in the screen.
    core: v = 1 - clamp(gain * (1 - alpha))^(1/gamma), pooled by minimum, shows holes.
    """

    preset: Literal["off", "screen", "core"] = "off"
    gain: float = 8.0
    gamma: float = 1.0


@dataclass(frozen=True)
class View:
    """What is to be seen: which picture, which part of it, how large, how encoded.

    region: full-resolution pixels (x0, y0, x1, y1), half open; None is the whole frame. width and
    height: size of the picture on the wire. display None: the sRGB curve on working-space values
    converted to Rec. 709 primaries. draft: 2 keys at half size, 1 at full size.
    """

    name: ViewName
    width: int
    height: int
    extractor: str = ""
    channel: Channel = "colour"
    stress: Stress = field(default_factory=Stress)
    region: Region | None = None
    display: DisplayTable | None = None
    look: Look = field(default_factory=Look)
    draft: int = 1
