"""The stage table: what each kind of stage reads, what decides its plane, which radii it has.

The plan, the engines and the reference read it; nothing about a kind of stage stands elsewhere but
the function that makes its source (`reference.pointwise.SOURCES`, and the fused launch's output
named here). Planes are called as `kernels.plan` lists them.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable
from dataclasses import dataclass
from math import ceil
from typing import Any, Literal

from kernels.recipe import ExtractorBase, Recipe, Refine, Unmix

StageName = Literal["unmix", "matte", "cumulative", "fill", "shadow", "local_foreground", "wrap"]
GAUSS_SPAN = 3.0
"""A Gaussian reaches this many standard deviations, on every engine."""

REFINE_RADII = (
    "despeckle.holes_px",
    "despeckle.specks_px",
    "guide.radius_px",
    "protect_edges.distance_px",
    "choke_px",
    "soften_px",
)
"""The radii of a matte's refinement, in its order."""
AT_FULL_SIZE = frozenset(("feather_px", "move_x_px", "move_y_px", "defocus_px"))
"""Pixel values that no draft scales: shapes and the background are drawn at full size, then pooled.
"""
OF_REDUCED = frozenset((("Unmix", "reach_px"),))
"""Models and pixel values that mean pixels of a picture whose size a draft keeps."""
_PASSES = ("plate", "denoised", "clean")
_ALPHA = (
    *(*_PASSES, "plate_alpha", "mask:garbage", "mask:keep_solid", "mask:extractors"),
    *("matte:used", "unmix:used", "cumulative"),
)
"""What the cumulative matte, garbage and keep solid applied, may be made from."""


@dataclass(frozen=True)
class StageKind:
    """One row of the table."""

    reads: tuple[str, ...]
    """planes that may decide its plane; some names stand for several, see `planes_read`"""
    decides: Callable[[Recipe, int], Hashable]
    """the recipe's values that decide its plane, of the item whose stage it is"""
    radii: tuple[str, ...]
    """paths of its pixel values; `*` is the item whose stage it is"""
    output: str
    """the fused launch's output that it starts from, as params.cuh names it; empty: an input"""
    channels: int
    """of that output"""

    whole: bool = False
    """whether it is made of the whole frame at once, whatever part is asked for"""

    @property
    def refines(self) -> bool:
        """Whether it refines a matte."""
        return len(self.radii) > 1

    @property
    def blurs(self) -> bool:
        """Whether it is a Gaussian of its source."""
        return len(self.radii) == 1

    @property
    def despills(self) -> bool:
        """Whether its source is made from despilled colour."""
        return any(name.startswith("despill") for name in self.reads)


# ---------------------------------------------------------------- what decides

_ALWAYS_FREE = {"name", "shapes"}
"""Names decide nothing; shapes are masks, which are read as planes."""


def _one(e: ExtractorBase) -> Hashable:
    """An extractor's own refined matte: whether and how it is combined comes after it."""
    free = {*_ALWAYS_FREE, "id", "on", "role", "combine", "strength"}
    return e.model_dump_json(exclude=free)


_AFTER_UNMIX = {"inverted", "refine"}


def _unmix_decides(r: Recipe, index: int) -> Hashable:
    e = r.extractors[index]
    free = {*_ALWAYS_FREE, *_AFTER_UNMIX, "id", "on", "role", "combine", "strength"}
    return (_screen(r), r.source.chroma, e.model_dump_json(exclude=free))


def _mattes(r: Recipe) -> Hashable:
    """All extractors that take part or limit a despill pass, as they are combined."""
    used = used_extractors(r)
    return tuple(
        (e.combined_by, e.model_dump_json(exclude={*_ALWAYS_FREE, "role", "combine"}))
        for e in r.extractors
        if e.id in used
    )


def _screen(r: Recipe) -> Hashable:
    screen = r.screen
    return (screen.primary, screen.colour, screen.noise.model_dump_json())


def _alpha(r: Recipe) -> Hashable:
    return (_screen(r), _mattes(r), r.refine.model_dump_json())


def _despill(r: Recipe) -> Hashable:
    return tuple(
        step.model_dump_json(exclude={*_ALWAYS_FREE, "fill_blur_px"})
        for step in r.despill
        if step.on
    )


def _matte_decides(r: Recipe, index: int) -> Hashable:
    return (_screen(r), _one(r.extractors[index]))


def _local_foreground_decides(r: Recipe, _: int) -> Hashable:
    if colour_giver(r) is not None:
        return r.assemble.edge_colour.despill
    return (_alpha(r), _despill(r), r.assemble.edge_colour.reach_px)


def _wrap_decides(r: Recipe, _: int) -> Hashable:
    light = r.assemble.screen_light
    spilled = _despill(r) if light.light else ()
    return (_alpha(r), spilled, light.shadows, light.light, r.assemble.light_wrap.reach_px)


def used_extractors(r: Recipe) -> set[str]:
    """Return the ids of the extractors that take part or limit a despill pass."""
    named = {step.mask for step in r.despill if step.on}
    return {e.id for e in r.extractors if e.on or e.id in named}


def colour_giver(r: Recipe) -> int | None:
    """Return the place of the extractor whose colour the edges take: the first unmix that is on.

    None where there is none, or where the edges are coloured otherwise.
    """
    if r.assemble.edge_colour.method != "unmix":
        return None
    return first_unmix(r)


def first_unmix(r: Recipe) -> int | None:
    """Return the place of the first unmix extractor that is on."""
    return next((n for n, e in enumerate(r.extractors) if e.on and isinstance(e, Unmix)), None)


STAGES: dict[StageName, StageKind] = {
    "unmix": StageKind(
        reads=_PASSES,
        decides=_unmix_decides,
        radii=(),
        output="",
        channels=8,
        whole=True,
    ),
    "matte": StageKind(
        reads=(*_PASSES, "unmix:own"),
        decides=_matte_decides,
        radii=tuple(f"extractors.*.refine.{name}" for name in REFINE_RADII),
        output="OUT_RAW",
        channels=1,
    ),
    "cumulative": StageKind(
        reads=(*_PASSES, "mask:extractors", "matte:on", "unmix:on"),
        decides=lambda r, _: _alpha(r),
        radii=tuple(f"refine.{name}" for name in REFINE_RADII),
        output="OUT_COMBINED",
        channels=1,
    ),
    "fill": StageKind(
        reads=("background",),
        decides=lambda r, index: r.despill[index].fill_blur_px,
        radii=("despill.*.fill_blur_px",),
        output="",
        channels=3,
    ),
    "shadow": StageKind(
        reads=("plate", "denoised"),
        decides=lambda r, _: (r.screen.primary, r.assemble.screen_light.blur_px),
        radii=("assemble.screen_light.blur_px",),
        output="OUT_PRIMARY",
        channels=1,
    ),
    "local_foreground": StageKind(
        reads=(*_ALPHA, "despill"),
        decides=_local_foreground_decides,
        radii=("assemble.edge_colour.reach_px",),
        output="OUT_LOCAL_FOREGROUND",
        channels=4,
    ),
    "wrap": StageKind(
        reads=(*_ALPHA, "despill of light", "background", "mask:screen_light", "shadow"),
        decides=_wrap_decides,
        radii=("assemble.light_wrap.reach_px",),
        output="OUT_WRAP",
        channels=3,
    ),
}
"""The kinds of stage, in the order in which they are made."""


# ---------------------------------------------------------------- reading the table


def planes_read(kind: StageName, recipe: Recipe, names: Iterable[str], index: int = -1) -> set[str]:
    """Return the planes that may decide a stage's plane, of those there are."""
    giver = colour_giver(recipe)
    if kind == "local_foreground" and giver is not None:
        return {f"unmix:{recipe.extractors[giver].id}"}.intersection(names)
    read: set[str] = set()
    for name in STAGES[kind].reads:
        match name:
            case "unmix:own":
                read.add(f"unmix:{recipe.extractors[index].id}")
            case "unmix:on" | "matte:on":
                read |= {f"{name[:5]}:{e.id}" for e in recipe.extractors if e.on}
            case "unmix:used" | "matte:used":
                read |= {f"{name[:5]}:{one}" for one in used_extractors(recipe)}
            case "mask:extractors":
                read |= {f"mask:{e.id}" for e in recipe.extractors}
            case "despill":
                read |= _despill_planes(recipe)
            case "despill of light":
                read |= _despill_planes(recipe) if recipe.assemble.screen_light.light else set()
            case _:
                read.add(name)
    return read.intersection(names)


def _despill_planes(recipe: Recipe) -> set[str]:
    return {f"{what}:{step.id}" for step in recipe.despill for what in ("mask", "fill")}


def radius_px(kind: StageName, recipe: Recipe, index: int) -> float:
    """Return the standard deviation of a stage that blurs, of a resolved recipe."""
    (path,) = STAGES[kind].radii
    model, name = _at(recipe, path, index)
    return float(getattr(model, name))


def refine_of(kind: StageName, recipe: Recipe, index: int) -> Refine:
    """Return the refinement of a stage that refines."""
    return recipe.refine if kind == "cumulative" else recipe.extractors[index].refine


def _at(recipe: Recipe, path: str, index: int) -> tuple[Any, str]:
    here: Any = recipe
    *steps, last = path.split(".")
    for step in steps:
        here = here[index] if step == "*" else getattr(here, step)
    return here, last


def pixel_aspect_of(recipe: Recipe, measured: float = 1.0) -> float:
    """Return the width of a pixel over its height: the recipe's word, else the file's."""
    given = recipe.source.pixel_aspect
    return float(measured if given is None else given)


def radii_px(radius_px: float, pixel_aspect: float) -> tuple[float, float]:
    """Return a recipe's radius in pixels across and in lines down.

    A radius counts lines; across it is divided by the pixel aspect (the width of a pixel over its
    height), so that what it describes is round on the unsqueezed picture.
    Source: ITU-T H.273, sample aspect ratio: horizontal over vertical spacing of the samples.
    """
    return radius_px / pixel_aspect, radius_px


def scaled_recipe(recipe: Recipe, scale: float) -> Recipe:
    """Return a resolved recipe whose radii fit pictures `scale` times the size."""
    copy = recipe.model_copy(deep=True)
    for row in STAGES.values():
        for path in row.radii:
            listed = path.partition(".*.")[0] if ".*." in path else ""
            for index in range(len(getattr(copy, listed)) if listed else 1):
                model, name = _at(copy, path, index)
                model.__dict__[name] = float(getattr(model, name)) * scale
    return copy


# ---------------------------------------------------------------- how far a stage looks


def gauss_radius(sigma_px: float) -> int:
    """Return the radius in pixels that a Gaussian of `sigma_px` reaches."""
    return int(GAUSS_SPAN * sigma_px + 0.5) if sigma_px > 0 else 0


def protected_px(refine: Refine) -> float:
    """Return how far from soft edges the levels are undone; 0 where an amount of 0 undoes none."""
    protect = refine.protect_edges
    return float(protect.distance_px) if protect.amount else 0.0  # type: ignore[arg-type]


def _radii(refine: Refine, stretch: float = 1.0) -> dict[str, float]:
    found: dict[str, float] = {}
    for path in REFINE_RADII:
        model: Any = refine
        for step in path.split("."):
            model = getattr(model, step)
        found[path] = float(model) * stretch
    found["protect_edges.distance_px"] = protected_px(refine) * stretch
    return found


def refine_is_pointwise(refine: Refine) -> bool:
    """Tell whether a matte's refinement needs no neighbours (levels alone may be set)."""
    return not any(_radii(refine).values())


def _stretch(pixel_aspect: float) -> float:
    """Return the larger of a radius's two sizes over the radius."""
    return max(radii_px(1.0, pixel_aspect))


def refine_halo(refine: Refine, pixel_aspect: float = 1.0) -> int:
    """Return the summed halo in pixels of a matte's refinement (see `reference.refine`).

    Of the larger of the radii across and down, on all sides.
    """
    radii = _radii(refine, _stretch(pixel_aspect))
    holes, specks, guide, protected, choke, soften = radii.values()
    halo = ceil(holes) + ceil(specks) + 2 * ceil(guide) + ceil(abs(choke)) + gauss_radius(soften)
    return halo + (2 * ceil(protected / 2) + 1 if protected else 0)


def halo_px(kind: StageName, recipe: Recipe, index: int, pixel_aspect: float = 1.0) -> int:
    """Return how far a stage looks around a pixel, of a resolved recipe."""
    if STAGES[kind].refines:
        return refine_halo(refine_of(kind, recipe, index), pixel_aspect)
    if not STAGES[kind].blurs or (kind == "local_foreground" and colour_giver(recipe) is not None):
        return 0
    return gauss_radius(radius_px(kind, recipe, index) * _stretch(pixel_aspect))
