"""What is evaluated per pixel between the stages of a plan, from the planes that exist.

A `Tile` is any rectangle of the frame: all its planes have the same size, and every function here
gives the same bits whatever the rectangle. The cpu engine calls these functions on row tiles.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kernels.plan import Plan, num
from kernels.recipe import DespillPass, ExtractorBase, Unmix
from kernels.reference import assemble, combine, extract
from kernels.reference import despill as spill
from kernels.reference.assemble import Assembled
from kernels.reference.colour import acescct_from_linear, luminance
from kernels.reference.unmix import stage as unmixing
from kernels.stages import StageName, colour_giver

Array = NDArray[Any]


@dataclass(frozen=True, eq=False)
class Tile:
    """A rectangle of a frame: its planes by name, and where its first pixel lies (x, y)."""

    planes: Mapping[str, Array]
    origin: tuple[int, int] = (0, 0)

    def get(self, name: str) -> Array | None:
        """Return a plane, or None where there is none."""
        return self.planes.get(name)

    def __getitem__(self, name: str) -> Array:
        return self.planes[name]

    @property
    def shape(self) -> tuple[int, int]:
        """Height and width."""
        height, width = self.planes["plate"].shape[-2:]
        return height, width


def reads(tile: Tile, extractor: ExtractorBase) -> Array:
    """Return the pass an extractor looks at: the plate where there is no denoised pass."""
    denoised = tile.get("denoised") if extractor.key_from == "denoised" else None
    return tile["plate"] if denoised is None else denoised


def denoised(tile: Tile) -> Array:
    """Return the denoised pass, or the plate where there is none."""
    found = tile.get("denoised")
    return tile["plate"] if found is None else found


def guide_of(image: Array, plan: Plan) -> Array:
    """Return the guide of the guided filter: luminance of the log picture, (3, h, w) to (h, w)."""
    return luminance(acescct_from_linear(image), plan.context.weights)


def raw_matte(plan: Plan, tile: Tile, extractor: ExtractorBase) -> Array:
    """Return an extractor's matte before its refinement, (h, w)."""
    if isinstance(extractor, Unmix):
        found: Array = tile[f"unmix:{extractor.id}"][unmixing.ALPHA]
        return 1 - found if extractor.inverted else found
    return extract.raw_matte(extractor, reads(tile, extractor), tile.get("clean"), plan.context)


def extractor_matte(plan: Plan, tile: Tile, extractor: ExtractorBase) -> Array:
    """Return an extractor's finished matte, (h, w): from its stage, or evaluated here."""
    made = tile.get(f"matte:{extractor.id}")
    if made is None:
        made = raw_matte(plan, tile, extractor)
    return extract.finish(made, extractor, tile.get(f"mask:{extractor.id}"))


def expected_error(plan: Plan, tile: Tile) -> Array:
    """Return the expected error of the matte, (h, w): of the first unmix extractor; 0 without."""
    if not plan.error_from:
        return np.zeros(tile.shape, tile["plate"].dtype)
    found: Array = tile[plan.error_from][unmixing.ERROR]
    return found


def combined(plan: Plan, tile: Tile) -> Array:
    """Return all extractors combined, before the cumulative refinement, (h, w); 1 without any."""
    mattes: list[combine.Combined] = [
        (extractor_matte(plan, tile, e), e, tile.get(f"mask:{e.id}"))
        for e in plan.recipe.extractors
        if e.on
    ]
    return combine.combine_all(mattes, tile.shape, tile["plate"].dtype)


def cumulative(plan: Plan, tile: Tile) -> Array:
    """Return the combined and refined matte before keep solid and garbage, (h, w)."""
    made = tile.get("cumulative")
    if made is not None:
        return made
    return extract.pointwise_levels(combined(plan, tile), plan.recipe.refine)


def alpha(plan: Plan, tile: Tile) -> Array:
    """Return the cumulative matte with keep solid, garbage and plate alpha applied, (h, w)."""
    return assemble.final_alpha(
        cumulative(plan, tile),
        keep_solid=tile.get("mask:keep_solid"),
        garbage=tile.get("mask:garbage"),
        plate_alpha=tile.get("plate_alpha"),
    )


def matte_of(plan: Plan, tile: Tile, extractor_id: str) -> Array:
    """Return the finished matte of one extractor by id; the cumulative one for an empty id."""
    if not extractor_id or extractor_id == "cumulative":
        return alpha(plan, tile)
    return extractor_matte(plan, tile, by_id(plan, extractor_id))


def by_id(plan: Plan, extractor_id: str) -> ExtractorBase:
    """Return an extractor of the plan's recipe.

    Raises KeyError when there is none of that id.
    """
    for extractor in plan.recipe.extractors:
        if extractor.id == extractor_id:
            return extractor
    raise KeyError(f"the recipe has no extractor '{extractor_id}'")


def pass_masks(plan: Plan, tile: Tile) -> dict[str, Array | None]:
    """Return where each despill pass works, by id; None is everywhere."""
    return {step.id: _mask(plan, tile, step) for step in plan.recipe.despill if step.on}


def _mask(plan: Plan, tile: Tile, step: DespillPass) -> Array | None:
    matte = matte_of(plan, tile, step.mask) if step.mask else None
    return spill.pass_mask(step, tile.get(f"mask:{step.id}"), matte)


def despilled(plan: Plan, tile: Tile, image: Array) -> Array:
    """Return `image` after all despill passes, (3, h, w)."""
    fills = {
        step.id: plane
        for step in plan.recipe.despill
        if (plane := tile.get(f"fill:{step.id}")) is not None
    }
    return spill.despill(
        image,
        plan.recipe,
        plan.context,
        clean=tile.get("clean"),
        fills=fills,
        masks=pass_masks(plan, tile),
    )


def clean_of(plan: Plan, tile: Tile) -> Array:
    """Return the clean plate, or the flat screen as (3, h, w)."""
    clean = tile.get("clean")
    if clean is not None:
        return clean
    flat = spill.flat_screen(plan.context, tile["plate"])
    return np.broadcast_to(flat, (3, *tile.shape))


def despilled_clean(plan: Plan, tile: Tile) -> Array:
    """Return the clean plate after the same despill passes, (3, h, w) or (3, 1, 1).

    A flat screen is evaluated once where no pass depends on the pixel.
    """
    varies = any(
        tile.get(f"fill:{s.id}") is not None or tile.get(f"mask:{s.id}") is not None or s.mask
        for s in plan.recipe.despill
        if s.on
    )
    if tile.get("clean") is None and not varies:
        flat = spill.flat_screen(plan.context, tile["plate"])
        return spill.despill(flat, plan.recipe, plan.context)
    return despilled(plan, tile, clean_of(plan, tile))


def screen_light_added(plan: Plan, tile: Tile) -> Array | None:
    """Return the light on the screen beyond its own, despilled; None where none is taken over."""
    if tile.get("mask:screen_light") is None or num(plan.recipe.assemble.screen_light.light) == 0:
        return None
    source = assemble.screen_light_source(denoised(tile), tile.get("clean"), plan.context)
    return despilled(plan, tile, source)


def assembled(plan: Plan, tile: Tile) -> Assembled:
    """Return alpha, despilled plate, straight, foreground and composite of the tile."""
    return assemble.assemble(
        plan,
        alpha=alpha(plan, tile),
        n_plate=despilled(plan, tile, tile["plate"]),
        n_clean=despilled_clean(plan, tile),
        background=tile.get("background"),
        clean=tile.get("clean"),
        local_foreground=tile.get("local_foreground"),
        area=tile.get("mask:screen_light"),
        shadow=tile.get("shadow"),
        light=screen_light_added(plan, tile),
        wrap=tile.get("wrap"),
        origin=tile.origin,
    )


def lit_background(plan: Plan, tile: Tile) -> Array:
    """Return the background with the screen's shadows and light, without grain, (3, h, w)."""
    return assemble.screen_light(
        tile["background"],
        plan.recipe.assemble.screen_light,
        plan.context,
        area=tile.get("mask:screen_light"),
        shadow=tile.get("shadow"),
        clean=tile.get("clean"),
        light=screen_light_added(plan, tile),
    )


def _matte_source(plan: Plan, tile: Tile, index: int) -> tuple[Array, ...]:
    """The raw matte and its guide."""
    extractor = plan.recipe.extractors[index]
    return raw_matte(plan, tile, extractor), _guide(plan, tile, extractor)


def _cumulative_source(plan: Plan, tile: Tile, _: int) -> tuple[Array, ...]:
    """The combined matte and the guide."""
    return combined(plan, tile), _guide(plan, tile, None)


def _wrap_source(plan: Plan, tile: Tile, _: int) -> tuple[Array, ...]:
    """(1 - alpha) background, as it is lit."""
    a = assemble.alpha_outside_area(alpha(plan, tile), tile.get("mask:screen_light"))
    return (assemble.wrap_source(a, lit_background(plan, tile)),)


def _local_foreground_source(plan: Plan, tile: Tile, _: int) -> tuple[Array, ...]:
    """The weighted despilled plate, the weight and the despilled plate; or the colour found."""
    giver = colour_giver(plan.recipe)
    if giver is not None:
        found = tile[f"unmix:{plan.recipe.extractors[giver].id}"]
        return (unmixing.coloured(found, num(plan.recipe.assemble.edge_colour.despill)),)
    weight = assemble.local_foreground_weight(alpha(plan, tile))
    n_plate = despilled(plan, tile, tile["plate"])
    return weight * n_plate, weight, n_plate


SOURCES: dict[StageName, Callable[[Plan, Tile, int], tuple[Array, ...]]] = {
    "unmix": lambda plan, tile, index: (unmixing.stage_planes(plan, index, tile.planes),),
    "matte": _matte_source,
    "cumulative": _cumulative_source,
    "fill": lambda plan, tile, index: (tile["background"],),
    "shadow": lambda plan, tile, index: (denoised(tile)[plan.context.k],),
    "local_foreground": _local_foreground_source,
    "wrap": _wrap_source,
}
"""Per kind of stage, the planes that its neighbourhood operation starts from."""


def stage_source(plan: Plan, tile: Tile, kind: StageName, index: int) -> tuple[Array, ...]:
    """Return the planes that a stage's neighbourhood operation starts from."""
    return SOURCES[kind](plan, tile, index)


def _guide(plan: Plan, tile: Tile, extractor: ExtractorBase | None) -> Array:
    refine = plan.recipe.refine if extractor is None else extractor.refine
    if num(refine.guide.radius_px) == 0:
        return np.zeros((0, 0), tile["plate"].dtype)
    image = denoised(tile) if extractor is None else reads(tile, extractor)
    return guide_of(image, plan)


def view_planes(plan: Plan, tile: Tile, names: Sequence[str]) -> dict[str, Array]:
    """Return the planes that a view is made from (`view.view_needs`), and the masks."""
    planes = {name: plane for name, plane in tile.planes.items() if name.startswith("mask:")}
    whole: Assembled | None = None
    for name in names:
        if name.startswith("matte:"):
            planes[name] = extractor_matte(plan, tile, by_id(plan, name.removeprefix("matte:")))
        elif name == "alpha":
            planes[name] = alpha(plan, tile)
        elif name == "error":
            planes[name] = expected_error(plan, tile)
        elif name == "despilled":
            planes[name] = despilled(plan, tile, tile["plate"])
        elif name in ("foreground", "composite"):
            whole = whole or assembled(plan, tile)
            planes[name] = getattr(whole, name)
        elif (plane := tile.get(name)) is not None:
            planes[name] = plane
    planes.setdefault("plate", tile["plate"])
    return planes
