"""From a recipe to the work: which planes must be made, in which order, with which halo.

A plan is an ordered list of *stages*. Each stage makes one plane that needs a neighbourhood (a
refined matte, a blurred background); everything between stages is pointwise and is evaluated per
pixel from the planes that exist, in one launch on a GPU and tile by tile on a CPU. All engines run
the same plan.

Names of planes::

    plate denoised clean background plate_alpha      inputs; all (3, H, W) but plate_alpha (H, W)
    mask:garbage mask:keep_solid mask:screen_light           rasterised shapes (H, W)
    mask:<id>                                      the shapes of an extractor or a despill pass
    matte:<id>                                     an extractor's refined matte
    cumulative                                     all combined, refined, before shapes
    fill:<id> shadow wrap                          blurred background, shadows, light wrap
    local_foreground                               local foreground estimate
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from math import ceil
from typing import Any, Literal, get_args

from kernels.recipe import (
    ColourDifference,
    ExtractorBase,
    Noise,
    Primary,
    Recipe,
    Refine,
)

MAX_HALO_PX = 256
GAUSS_SPAN = 3.0
"""A Gaussian reaches this many standard deviations, on every engine."""

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
    "deciding",
]
VIEWS: tuple[ViewName, ...] = get_args(ViewName)
Region = tuple[int, int, int, int]
AP1_WEIGHTS = (0.2722287168, 0.6740817658, 0.0536895174)


def num(value: Any) -> float:
    """Return a resolved parameter as a float (a recipe resolved at a frame has no keys left)."""
    return float(value)


def gauss_radius(sigma_px: float) -> int:
    """Return the radius in pixels that a Gaussian of `sigma_px` reaches."""
    return int(GAUSS_SPAN * sigma_px + 0.5) if sigma_px > 0 else 0


def protected_px(refine: Refine) -> float:
    """Return how far from soft edges the levels are undone; 0 where an amount of 0 undoes none."""
    protect = refine.protect_edges
    return num(protect.distance_px) if num(protect.amount) else 0.0


def refine_is_pointwise(refine: Refine) -> bool:
    """Tell whether a matte's refinement needs no neighbours (levels alone may be set)."""
    d, g = refine.despeckle, refine.guide
    return (
        num(d.holes_px) == 0
        and num(d.specks_px) == 0
        and num(g.radius_px) == 0
        and protected_px(refine) == 0
        and num(refine.choke_px) == 0
        and num(refine.soften_px) == 0
    )


def refine_halo(refine: Refine) -> int:
    """Return the summed halo in pixels of a matte's refinement (see `reference.refine`)."""
    d, g = refine.despeckle, refine.guide
    halo = ceil(num(d.holes_px)) + ceil(num(d.specks_px)) + 2 * ceil(num(g.radius_px))
    protected = protected_px(refine)
    halo += 2 * ceil(protected / 2) + 1 if protected else 0
    halo += ceil(abs(num(refine.choke_px)))
    return halo + gauss_radius(num(refine.soften_px))


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


StageKind = Literal["matte", "cumulative", "fill", "shadow", "wrap", "local_foreground"]


@dataclass(frozen=True)
class Stage:
    """One plane to make: what is evaluated per pixel first, then a neighbourhood operation."""

    kind: StageKind
    out: str
    channels: int
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
        mattes = {s.out for s in self.stages if s.kind in ("matte", "cumulative")}
        colour = {s.out for s in self.stages if s.kind == "fill"}
        for step in self.recipe.despill:
            if step.on and step.mask == "cumulative":
                colour |= mattes
            elif step.on and step.mask:
                colour.add(f"matte:{step.mask}")
        match view:
            case "matte":
                return {f"matte:{extractor}"} if extractor else mattes
            case "deciding":
                return mattes
            case "despilled" | "spill" | "alpha_noise":
                return colour
            case "foreground" | "composite":
                return {s.out for s in self.stages}
            case _:
                return set()

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
) -> Plan:
    """Plan the work for `frame`.

    recipe: as the operator left it (keyed values are resolved here). available: names of the input
    planes that exist (see the module's list). scale: 0.5 for keying at half size; radii follow.
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
    stages = [*_matte_stages(resolved, have), *_colour_stages(resolved, have)]
    halos: dict[str, int] = {}
    for stage in stages:
        halos[stage.out] = stage.halo_px + max((halos.get(n, 0) for n in stage.needs), default=0)
    return Plan(
        recipe=resolved,
        context=context,
        stages=tuple(stages),
        inputs=have,
        scale=scale,
        _halo=max(halos.values(), default=0),
    )


def _matte_stages(recipe: Recipe, have: frozenset[str]) -> list[Stage]:
    stages = [
        Stage("matte", f"matte:{e.id}", 1, refine_halo(e.refine), index)
        for index, e in enumerate(recipe.extractors)
        if not refine_is_pointwise(e.refine)
    ]
    if not refine_is_pointwise(recipe.refine):
        needs = tuple(s.out for s in stages if recipe.extractors[s.index].on)
        stages.append(Stage("cumulative", "cumulative", 1, refine_halo(recipe.refine), needs=needs))
    return stages


def _colour_stages(recipe: Recipe, have: frozenset[str]) -> list[Stage]:
    stages: list[Stage] = []
    mattes = _matte_stages(recipe, have)
    alpha = tuple(s.out for s in mattes)
    assemble = recipe.assemble
    for index, step in enumerate(recipe.despill):
        if step.on and step.fill == "background" and "background" in have and num(step.fill_amount):
            stages.append(
                Stage("fill", f"fill:{step.id}", 3, gauss_radius(num(step.fill_blur_px)), index)
            )
    carried = "mask:screen_light" in have
    if carried and num(assemble.screen_light.shadows):
        stages.append(
            Stage("shadow", "shadow", 1, gauss_radius(num(assemble.screen_light.blur_px)))
        )
    if assemble.edge_colour.method == "unmix":
        reads = (*alpha, *(s.out for s in stages if s.kind == "fill"))
        halo = gauss_radius(num(assemble.edge_colour.reach_px))
        stages.append(Stage("local_foreground", "local_foreground", 3, halo, needs=reads))
    if num(assemble.light_wrap.amount) and "background" in have:
        reads = alpha + (("shadow",) if any(s.kind == "shadow" for s in stages) else ())
        halo = gauss_radius(num(assemble.light_wrap.reach_px))
        stages.append(Stage("wrap", "wrap", 3, halo, needs=reads))
    return stages


def scaled_recipe(recipe: Recipe, scale: float) -> Recipe:
    """Return a resolved recipe whose pixel radii fit pictures `scale` times the size."""
    copy = recipe.model_copy(deep=True)
    for refine in [copy.refine, *(e.refine for e in copy.extractors)]:
        _scale(refine, scale, "choke_px", "soften_px")
        _scale(refine.despeckle, scale, "holes_px", "specks_px")
        _scale(refine.guide, scale, "radius_px")
        _scale(refine.protect_edges, scale, "distance_px")
    for step in copy.despill:
        _scale(step, scale, "fill_blur_px")
    a = copy.assemble
    _scale(a.edge_colour, scale, "reach_px")
    _scale(a.screen_light, scale, "blur_px")
    _scale(a.light_wrap, scale, "reach_px")
    return copy


def _scale(model: Any, scale: float, *names: str) -> None:
    for name in names:
        model.__dict__[name] = num(getattr(model, name)) * scale


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
