"""What a person can set, and what comes back."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

from numpy.typing import NDArray

from kernels.recipe import Primary

Array = NDArray[Any]
COARSE_WIDTH = 640
"""The regional passes work on a picture of at most this width."""


@dataclass(frozen=True)
class UnmixSettings:
    """Controls of the unmix method.

    primary: of the screen. reach_px: how far colours of the subject are carried, in pixels of the
    reduced picture (0: only a pixel's own surroundings). shading: how far a surface's brightness
    may differ from the sampled one, relative. solidity: how much evidence see-through needs; 0
    takes the measured odds, +1 and -1 shift them by one logit. noise_trust: factor on the measured
    noise's variance. clean_error: relative error of the clean plate. haze_colour: colour of smoke,
    steam or glass, straight, working-linear; None finds it. despill: share of the spill that is
    taken off F. chroma: subsampling of the recording.
    """

    primary: Primary = "green"
    reach_px: int = 64
    shading: float = 0.3
    solidity: float = 0.0
    noise_trust: float = 1.0
    clean_error: float = 0.006
    haze_colour: tuple[float, float, float] | None = None
    despill: float = 1.0
    chroma: Literal["4:4:4", "4:2:2", "4:2:0"] = "4:4:4"


@dataclass(frozen=True, eq=False)
class UnmixResult:
    """alpha: (h, w), 0..1. colour: (3, h, w), straight F with the spill in it. despilled: the same
    without. sigma_alpha: (h, w), the expected error of alpha. sure: (h, w), 0..1, how far the local
    evidence decided between solid, bare and mixed. debug: inner planes by name.
    """

    alpha: Array
    colour: Array
    despilled: Array
    sigma_alpha: Array
    sure: Array
    debug: dict[str, Array] = field(default_factory=dict)
