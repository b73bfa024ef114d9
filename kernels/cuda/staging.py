"""Stages of one picture's work: where each is needed, what is kept."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kernels.cuda.device import Plane
from kernels.cuda.packing import Packed
from kernels.plan import Plan, Region, Stage
from kernels.recipe import Recipe
from kernels.reference import execute


@dataclass(frozen=True, eq=False)
class Kept:
    """A stage's plane, what it was made from and where it is valid."""

    sources: tuple[int, ...]
    settings: Hashable
    region: Region
    plane: Plane
    held: tuple[Plane, ...]
    """the sources themselves: while they are held, no other plane can have their addresses"""

    def serves(self, sources: tuple[int, ...], settings: Hashable, region: Region) -> bool:
        x0, y0, x1, y1 = self.region
        inside = x0 <= region[0] and y0 <= region[1] and x1 >= region[2] and y1 >= region[3]
        return inside and sources == self.sources and settings == self.settings


@dataclass
class Job:
    """One picture's work: the plan, the planes there are so far, the packed arguments."""

    plan: Plan
    planes: dict[str, Plane]
    width: int
    height: int
    region: Region
    values: NDArray[np.void] | None = None
    packed: Packed = None  # type: ignore[assignment]


def index_of(recipe: Recipe, extractor: str) -> int:
    """Return the place of an extractor in the list. Raises KeyError when there is none."""
    for index, e in enumerate(recipe.extractors):
        if e.id == extractor:
            return index
    raise KeyError(f"the recipe has no extractor '{extractor}'")


def needed_regions(
    stages: Sequence[Stage], region: Region, width: int, height: int
) -> dict[str, Region]:
    """Return where each stage's plane must be right so that `region` is."""
    regions = {stage.out: region for stage in stages}
    for stage in reversed(stages):
        grown = execute.grown(regions[stage.out], stage.halo_px, width, height)
        for name in stage.needs:
            if name in regions:
                regions[name] = union(regions[name], grown)
    return regions


def union(a: Region, b: Region) -> Region:
    """Return the smallest region that holds both."""
    return (min(a[0], b[0]), min(a[1], b[1]), max(a[2], b[2]), max(a[3], b[3]))
