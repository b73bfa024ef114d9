"""What a view is: which picture, which part of it, how large, how encoded."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from kernels.plan import Region, ViewName

F32 = NDArray[np.float32]
Channel = Literal["colour", "red", "green", "blue", "luminance"]


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
