"""From a recipe to the work: which planes must be made, in which order, with which halo.

A plan is an ordered list of *stages*. Each stage makes one plane that needs a neighbourhood (a
refined matte, a blurred background); everything between stages is pointwise and is evaluated per
pixel from the planes that exist, in one launch on a GPU and tile by tile on a CPU. All engines run
the same plan.

Names of planes::

    plate denoised clean background plate_alpha      inputs; all (3, H, W) but plate_alpha (H, W)
    mask:garbage mask:keep_solid mask:screen_light           rasterised shapes (H, W)
    mask:<id>                                      the shapes of an extractor or a despill pass
    unmix:<id>                                     what an unmix extractor found, (8, H, W):
                                                   alpha, its error, colour, the same despilled
    matte:<id>                                     an extractor's refined matte
    cumulative                                     all combined, refined, before shapes
    fill:<id> shadow wrap                          blurred background, shadows, light wrap
    local_foreground                               local foreground estimate
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

from kernels.recipe import ColourDifference, ExtractorBase, Noise, Primary, Recipe, Unmix
from kernels.stages import (
    STAGES,
    StageName,
    first_unmix,
    gauss_radius,
    halo_px,
    pixel_aspect_of,
    planes_read,
    refine_halo,
    refine_is_pointwise,
    scaled_recipe,
    used_extractors,
)
from kernels.views import VIEW_TABLE, VIEWS, Region, ViewName

MAX_HALO_PX = 256
AP1_WEIGHTS = (0.2722287168, 0.6740817658, 0.0536895174)


def num(value: Any) -> float:
    """Return a resolved parameter as a float (a recipe resolved at a frame has no keys left)."""
    return float(value)


@dataclass(frozen=True)
class Context:
    """What every pointwise function may need beside pixels and its own parameters."""

    primary: Primary
    screen: tuple[float, float, float]
    noise: Noise
    weights: tuple[float, float, float] = AP1_WEIGHTS
    frame: int = 0

    @property
    def k(self) -> int:
        """Channel of the screen's primary."""
        return ("red", "green", "blue").index(self.primary)

    @property
    def others(self) -> tuple[int, int]:
        """The two other channels, in order."""
        i, j = (c for c in range(3) if c != self.k)
        return i, j


@dataclass(frozen=True)
class Stage:
    """One plane to make: what is evaluated per pixel first, then a neighbourhood operation."""

    kind: StageName
    out: str
    halo_px: int
    index: int = -1
    """index of the extractor or the despill pass"""
    needs: tuple[str, ...] = ()
    """planes made by earlier stages that this one reads"""


@dataclass(frozen=True)
class Plan:
    """The ordered work for one frame of one resolved recipe."""

    recipe: Recipe
    context: Context
    stages: tuple[Stage, ...]
    inputs: frozenset[str]
    """names of the input planes that are available and used"""
    scale: float = 1.0
    """size of the pixels worked on, relative to the source: 0.5 keys at half size"""
    pixel_aspect: float = 1.0
    """width of a pixel over its height: radii count lines, see `stages.radii_px`"""
    _halo: int = field(default=0)

    @property
    def halo_px(self) -> int:
        """Pixels around a region that the whole chain may look at."""
        return self._halo

    def only(self, wanted: Iterable[str]) -> tuple[Stage, ...]:
        """Return the stages needed to make the named planes, in order."""
        needed = set(wanted)
        kept: list[Stage] = []
        for stage in reversed(self.stages):
            if stage.out in needed:
                kept.append(stage)
                needed.update(stage.needs)
        return tuple(reversed(kept))

    def stages_for(self, view: ViewName, extractor: str = "") -> tuple[Stage, ...]:
        """Return the stages a view needs: looking at the plate makes no matte."""
        return self.only(self._roots(view, extractor))

    def _roots(self, view: ViewName, extractor: str) -> set[str]:
        used = used_extractors(self.recipe)
        stages = [
            s
            for s in self.stages
            if s.kind not in ("unmix", "matte") or self.recipe.extractors[s.index].id in used
        ]
        mattes = {s.out for s in stages if s.kind in ("unmix", "matte", "cumulative")}
        colour = {s.out for s in self.stages if s.kind == "fill"}
        for step in self.recipe.despill:
            if step.on and step.mask == "cumulative":
                colour |= mattes
            elif step.on and step.mask:
                colour |= {f"matte:{step.mask}", f"unmix:{step.mask}"}
        if view == "matte" and extractor:
            return {f"matte:{extractor}", f"unmix:{extractor}"}
        wanted: set[str] = set()
        for plane in VIEW_TABLE[view].planes:
            match plane:
                case "alpha" | "mattes":
                    wanted |= mattes
                case "despilled":
                    wanted |= colour
                case "foreground" | "composite":
                    wanted |= {s.out for s in stages}
                case "error":
                    wanted |= {self.error_from} - {""}
        return wanted

    def reads(self, stage: Stage, names: Iterable[str]) -> set[str]:
        """Return the planes that may decide a stage's plane, of those named."""
        return planes_read(stage.kind, self.recipe, names, stage.index)

    def decides(self, stage: Stage) -> Hashable:
        """Return the values that decide a stage's plane beside the planes it reads."""
        decided = STAGES[stage.kind].decides(self.recipe, stage.index)
        return (self.context.weights, self.pixel_aspect, decided)

    @property
    def error_from(self) -> str:
        """The plane that knows the matte's expected error; empty where none does."""
        index = first_unmix(self.recipe)
        return "" if index is None else f"unmix:{self.recipe.extractors[index].id}"

    def has_stage(self, out: str) -> bool:
        """Tell whether a stage makes the plane `out`."""
        return any(stage.out == out for stage in self.stages)


def build_plan(
    recipe: Recipe,
    frame: int,
    available: Iterable[str],
    *,
    weights: tuple[float, float, float] = AP1_WEIGHTS,
    scale: float = 1.0,
    pixel_aspect: float = 1.0,
) -> Plan:
    """Plan the work for `frame`.

    recipe: as the operator left it (keyed values are resolved here). available: names of the input
    planes that exist (see the module's list). scale: 0.5 for keying at half size; radii follow.
    pixel_aspect: the shot's, where the recipe says nothing else; radii across follow it.
    """
    resolved = recipe.at(frame)
    if scale != 1.0:
        resolved = scaled_recipe(resolved, scale)
    context = Context(
        primary=resolved.screen.primary,
        screen=resolved.screen.colour,
        noise=resolved.screen.noise,
        weights=weights,
        frame=frame,
    )
    have = frozenset(available)
    pixel_aspect = pixel_aspect_of(resolved, pixel_aspect)
    stages = _stages(resolved, have, pixel_aspect)
    halos: dict[str, int] = {}
    for stage in stages:
        halos[stage.out] = stage.halo_px + max((halos.get(n, 0) for n in stage.needs), default=0)
    return Plan(
        recipe=resolved,
        context=context,
        stages=tuple(stages),
        inputs=have,
        scale=scale,
        pixel_aspect=pixel_aspect,
        _halo=max(halos.values(), default=0),
    )


def _stages(recipe: Recipe, have: frozenset[str], pixel_aspect: float) -> list[Stage]:
    """Return the stages in the table's order, each with those made before it that it reads."""
    stages: list[Stage] = []
    for kind, out, index in _wanted_stages(recipe, have):
        made = planes_read(kind, recipe, (stage.out for stage in stages), index)
        needs = tuple(stage.out for stage in stages if stage.out in made)
        halo = halo_px(kind, recipe, index, pixel_aspect)
        stages.append(Stage(kind, out, halo, index, needs))
    return stages


def _wanted_stages(recipe: Recipe, have: frozenset[str]) -> Iterator[tuple[StageName, str, int]]:
    """Yield kind, plane and item of each stage the recipe asks for."""
    a = recipe.assemble
    for index, e in enumerate(recipe.extractors):
        if isinstance(e, Unmix):
            yield "unmix", f"unmix:{e.id}", index
    for index, e in enumerate(recipe.extractors):
        if not refine_is_pointwise(e.refine):
            yield "matte", f"matte:{e.id}", index
    if not refine_is_pointwise(recipe.refine):
        yield "cumulative", "cumulative", -1
    for index, step in enumerate(recipe.despill):
        if step.on and step.fill == "background" and "background" in have and num(step.fill_amount):
            yield "fill", f"fill:{step.id}", index
    if "mask:screen_light" in have and num(a.screen_light.shadows):
        yield "shadow", "shadow", -1
    if a.edge_colour.method == "unmix":
        yield "local_foreground", "local_foreground", -1
    if num(a.light_wrap.amount) and "background" in have:
        yield "wrap", "wrap", -1


def sigma_alpha(plan: Plan, extractor: ColourDifference | None = None) -> float:
    """Return the colour-difference matte's noise at the flat screen, from the recipe's noise.

    sigma of e = p_k - max(p_i, p_j) over e(c), correlations ignored; 0 when nothing was measured.
    """
    c, noise = plan.context.screen, plan.context.noise
    k = plan.context.k
    i, j = plan.context.others
    other = i if c[i] >= c[j] else j
    variance = sum(noise.gain[n] * max(c[n], 0.0) + noise.offset[n] for n in (k, other))
    excess = c[k] - max(c[i], c[j])
    return float(max(variance, 0.0) ** 0.5 / excess) if excess > 0 else 0.0


def enabled(recipe: Recipe) -> list[tuple[int, ExtractorBase]]:
    """Return the extractors that take part, with their indices."""
    return [(i, e) for i, e in enumerate(recipe.extractors) if e.on]


def with_only_extractor(recipe: Recipe, extractor: str) -> Recipe:
    """Return a copy of `recipe` in which only one extractor takes part."""
    copy = recipe.model_copy(deep=True)
    for e in copy.extractors:
        e.__dict__["on"] = e.id == extractor
    return copy


__all__ = [
    "VIEWS",
    "Context",
    "Plan",
    "Region",
    "Stage",
    "ViewName",
    "build_plan",
    "enabled",
    "gauss_radius",
    "num",
    "refine_halo",
    "refine_is_pointwise",
    "scaled_recipe",
    "sigma_alpha",
    "with_only_extractor",
]
