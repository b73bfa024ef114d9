"""unmix as a stage of a plan: from an extractor's settings and the frame's planes to its planes."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any, NamedTuple

import numpy as np

from kernels.plan import Plan, num
from kernels.recipe import Noise, Unmix
from kernels.reference.despill import flat_screen
from kernels.reference.unmix.method import HALO_PX, Regional, local, regional
from kernels.reference.unmix.settings import Array, UnmixResult, UnmixSettings

ALPHA, ERROR, COLOUR, DESPILLED = 0, 1, slice(2, 5), slice(5, 8)
"""Where the planes of a stage lie: see `stage_planes`."""
CHANNELS = 8
UNMEASURED = Noise(gain=(2e-4, 2e-4, 2e-4), offset=(1e-5, 1e-5, 1e-5))
"""Taken where a recipe has no noise: that of a well lit camera at its base sensitivity."""
AVERAGED = 2.5 / 4
"""Variance of a mean of four pixels of demosaiced noise, relative to one's."""
ROWS = 256
"""Least height of a part that is solved by itself: its halo is another 96 rows."""


class Solver(NamedTuple):
    """The method's two halves, by the reference or by another form of the same."""

    regional: Callable[[Array, Array, Noise, UnmixSettings], Regional]
    local: Callable[..., UnmixResult]


REFERENCE = Solver(regional, local)
Run = Callable[[Callable[[int], None], Iterable[int]], Iterable[None]]


def settings_of(plan: Plan, extractor: Unmix) -> UnmixSettings:
    """Return the method's settings from an extractor of a resolved recipe.

    A draft's pixels are means of four, in which no colour is subsampled and less noise is left.
    """
    full = plan.scale == 1.0
    return UnmixSettings(
        primary=plan.context.primary,
        reach_px=round(num(extractor.reach_px)),
        shading=num(extractor.shading),
        solidity=num(extractor.solidity),
        noise_trust=num(extractor.noise_trust) * (1.0 if full else AVERAGED),
        clean_error=num(extractor.clean_error),
        haze_colour=extractor.see_through_colour,
        despill=1.0,
        chroma=plan.recipe.source.chroma if full else "4:4:4",
    )


def noise_of(plan: Plan) -> Noise:
    """Return the measured noise, or `UNMEASURED` where none was."""
    noise = plan.context.noise
    return noise if any((*noise.gain, *noise.offset)) else UNMEASURED


def sources_of(plan: Plan, extractor: Unmix, planes: Mapping[str, Array]) -> tuple[Array, Array]:
    """Return the pass that an extractor looks at and the screen behind it, (3, H, W) each."""
    plate = planes["plate"]
    if extractor.key_from == "denoised":
        plate = planes.get("denoised", plate)
    clean = planes.get("clean")
    if clean is None:
        clean = np.broadcast_to(flat_screen(plan.context, plate), plate.shape)
    return plate, np.asarray(clean * np.float32(num(extractor.screen_level)), np.float32)


def stage_planes(
    plan: Plan,
    index: int,
    planes: Mapping[str, Array],
    run: Run = map,
    rows: int | None = None,
    solver: Solver = REFERENCE,
) -> Array:
    """Return what unmix finds in a whole frame, (8, H, W) float32: see `ALPHA` and the others.

    alpha before inversion and refinement, its expected error, the subject's straight colour with
    its spill and without. planes: of the whole frame. rows: height of the parts that are solved by
    themselves, each with HALO_PX round it; the whole frame at once if None. run: does the parts,
    `map` or a pool's. solver: does the arithmetic.
    """
    extractor = plan.recipe.extractors[index]
    if not isinstance(extractor, Unmix):
        raise TypeError(f"the extractor '{extractor.id}' unmixes nothing")
    settings, noise = settings_of(plan, extractor), noise_of(plan)
    plate, clean = sources_of(plan, extractor, planes)
    region = solver.regional(plate, clean, noise, settings)
    height, width = plate.shape[-2:]
    out = np.empty((CHANNELS, height, width), np.float32)
    step = rows or height

    def part(first: int) -> None:
        end, top = min(first + step, height), max(first - HALO_PX, 0)
        seen = np.s_[:, top : min(end + HALO_PX, height)]
        found = solver.local(plate[seen], clean[seen], noise, settings, region, top)
        inner = slice(first - top, end - top)
        out[ALPHA, first:end], out[ERROR, first:end] = found.alpha[inner], found.sigma_alpha[inner]
        out[COLOUR, first:end] = found.colour[:, inner]
        out[DESPILLED, first:end] = found.despilled[:, inner]

    for _ in run(part, range(0, height, step)):
        pass
    return out


def coloured(found: Array, amount: float) -> Array:
    """Return the colour of a stage's planes with a share of its spill taken out, (3, h, w)."""
    share = found.dtype.type(amount)
    spilled: Any = found[COLOUR]
    return np.asarray(spilled + share * (found[DESPILLED] - spilled))
