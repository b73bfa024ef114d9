"""Running a plan: the stages in order, then whatever is evaluated per pixel.

`run_stages` takes the neighbourhood operations as an argument, so that an engine can bring faster
ones and keep the order, the halos and the meaning.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from kernels.plan import Plan, Region, Stage, ViewName
from kernels.recipe import Refine
from kernels.reference import assemble, pointwise, refine
from kernels.reference.pointwise import Tile
from kernels.stages import STAGES, StageName, radius_px, refine_of

Array = NDArray[Any]
Source = Callable[[Plan, Tile, StageName, int], tuple[Array, ...]]


class Neighbourhood(Protocol):
    """The operations that look at neighbours. Planes are (h, w) or (3, h, w)."""

    def refine(
        self, matte: Array, settings: Refine, guide: Array, pixel_aspect: float = 1.0
    ) -> Array:
        """Return a matte after its whole refinement."""

    def blur(self, planes: Array, sigma_px: float, pixel_aspect: float = 1.0) -> Array:
        """Return planes after a Gaussian of `sigma_px` lines, replicated at the border."""


class ReferenceNeighbourhood:
    """The reference's own: SciPy."""

    def refine(
        self, matte: Array, settings: Refine, guide: Array, pixel_aspect: float = 1.0
    ) -> Array:
        """Return a matte after its whole refinement."""
        return refine.refine(matte, settings, guide, pixel_aspect)

    def blur(self, planes: Array, sigma_px: float, pixel_aspect: float = 1.0) -> Array:
        """Return planes after a Gaussian of `sigma_px` lines."""
        if planes.ndim == 2:
            return refine.blur(planes, sigma_px, pixel_aspect)
        return np.stack([refine.blur(plane, sigma_px, pixel_aspect) for plane in planes])


def run_stages(
    plan: Plan,
    tile: Tile,
    stages: Sequence[Stage],
    operations: Neighbourhood,
    source: Source = pointwise.stage_source,
) -> Tile:
    """Return the tile with the planes of `stages` added.

    source: evaluates what a stage starts from; an engine may pass one that works in tiles. Planes
    that are there already are left as they are: those made of the whole frame come first.
    """
    planes = dict(tile.planes)
    for stage in stages:
        if stage.out in planes:
            continue
        here = Tile(planes, tile.origin)
        planes[stage.out] = _finish(
            plan, stage, source(plan, here, stage.kind, stage.index), operations
        )
    return Tile(planes, tile.origin)


def _finish(
    plan: Plan, stage: Stage, source: tuple[Array, ...], operations: Neighbourhood
) -> Array:
    kind, recipe, aspect = stage.kind, plan.recipe, plan.pixel_aspect
    if STAGES[kind].refines:
        settings = refine_of(kind, recipe, stage.index)
        return operations.refine(source[0], settings, source[1], aspect)
    if len(source) == 1 and (kind == "local_foreground" or not STAGES[kind].blurs):
        return source[0]
    sigma_px = radius_px(kind, recipe, stage.index)
    if kind == "local_foreground":
        blurred, weight = (operations.blur(plane, sigma_px, aspect) for plane in source[:2])
        return assemble.local_foreground_finish(blurred, weight, source[2])
    return operations.blur(source[0], sigma_px, aspect)


def whole_stages(
    plan: Plan, planes: Mapping[str, Array], stages: Sequence[Stage]
) -> dict[str, Array]:
    """Return whole-frame planes with those of `stages` that are made of the whole frame added."""
    made = [stage for stage in stages if STAGES[stage.kind].whole]
    return dict(run_stages(plan, Tile(planes), made, ReferenceNeighbourhood()).planes)


def grown(region: Region, halo_px: int, width: int, height: int) -> Region:
    """Return a region grown by the halo, cut at the frame's border."""
    x0, y0, x1, y1 = region
    return (
        max(0, x0 - halo_px),
        max(0, y0 - halo_px),
        min(width, x1 + halo_px),
        min(height, y1 + halo_px),
    )


def cut(planes: Mapping[str, Array], region: Region) -> Tile:
    """Return the tile of whole-frame planes that lies in `region`."""
    x0, y0, x1, y1 = region
    return Tile({name: plane[..., y0:y1, x0:x1] for name, plane in planes.items()}, (x0, y0))


def crop(tile: Tile, region: Region) -> Tile:
    """Return the part of a tile that lies in `region` (full-frame coordinates)."""
    ox, oy = tile.origin
    x0, y0, x1, y1 = region
    rows, columns = slice(y0 - oy, y1 - oy), slice(x0 - ox, x1 - ox)
    return Tile({name: p[..., rows, columns] for name, p in tile.planes.items()}, (x0, y0))


def wanted_planes(plan: Plan, tile: Tile, wanted: Sequence[str]) -> dict[str, Array]:
    """Return the named results of a finished tile: see `Engine.planes`."""
    results: dict[str, Array] = {}
    whole = None
    for name in wanted:
        if name.startswith("extractor:"):
            results[name] = pointwise.matte_of(plan, tile, name.removeprefix("extractor:"))
            continue
        if name == "error":
            results[name] = pointwise.expected_error(plan, tile)
            continue
        if name == "despilled":
            results[name] = pointwise.despilled(plan, tile, tile["plate"])
            continue
        if whole is None:
            whole = pointwise.assembled(plan, tile)
        if name not in ("alpha", "straight", "foreground", "composite"):
            raise ValueError(f"there is no plane '{name}'")
        results[name] = getattr(whole, name)
    return results


def stages_for(plan: Plan, wanted: Sequence[str]) -> tuple[Stage, ...]:
    """Return the stages that the named results need."""
    kept: set[str] = set()
    for name in wanted:
        if name.startswith("extractor:"):
            view = plan.stages_for("matte", name.removeprefix("extractor:"))
        else:
            views: dict[str, ViewName] = {"despilled": "despilled", "error": "alpha_error"}
            view = plan.stages_for(views.get(name, "composite"))
        kept |= {stage.out for stage in view}
    return plan.only(kept)


def planes(
    plan: Plan,
    inputs: Mapping[str, Array],
    wanted: Sequence[str],
    region: Region | None = None,
    operations: Neighbourhood | None = None,
) -> dict[str, Array]:
    """Return the named results for a region: the reference's whole answer, written plainly.

    inputs: whole-frame planes by name. float64 planes give float64 results.
    """
    height, width = inputs["plate"].shape[-2:]
    region = region or (0, 0, width, height)
    stages = stages_for(plan, wanted)
    inputs = whole_stages(plan, inputs, stages)
    tile = cut(inputs, grown(region, plan.halo_px, width, height))
    tile = run_stages(plan, tile, stages, operations or ReferenceNeighbourhood())
    return wanted_planes(plan, crop(tile, region), wanted)
