"""A recipe in plain sentences, for people who were not there when it was made."""

from __future__ import annotations

from collections.abc import Iterator

from kernels.parameters import Keys
from kernels.recipe import (
    ChromaDistance,
    ColourDifference,
    Denoise,
    DespillPass,
    ExtractorBase,
    HueBand,
    PlateDifference,
    Recipe,
    Refine,
    Shape,
    ValueBand,
)

COMBINED = {
    "max": "the larger of it and the matte before counts (max)",
    "min": "the smaller of it and the matte before counts (min)",
    "union": "it combines with the matte before by union",
    "multiply": "the matte before is multiplied by it",
    "subtract": "it is subtracted from the matte before",
    "difference": "its difference from the matte before counts",
    "average": "it is averaged with the matte before",
}
"""How an extractor combines, in words."""


def explain(recipe: Recipe) -> str:
    """Return the recipe as sentences, one a line, in the order in which the work is done."""
    return "\n".join(_lines(recipe)) + "\n"


def _lines(recipe: Recipe) -> Iterator[str]:
    yield f"Recipe '{recipe.name}'."
    yield from _prepare(recipe)
    on = [e for e in recipe.extractors if e.on]
    if not on:
        yield "No extractor takes part, so the whole picture stays opaque."
    for position, extractor in enumerate(on):
        yield _extractor(extractor, first=position == 0)
        yield from _noted(recipe, f"extractors.{extractor.id}")
    off = [e.name for e in recipe.extractors if not e.on]
    if off:
        yield f"Switched off: {', '.join(off)}."
    refined = _refine(recipe.refine)
    if refined:
        yield f"The cumulative matte is refined: {refined}."
    yield from _areas(recipe)
    for step in recipe.despill:
        yield _despill(step, recipe)
        yield from _noted(recipe, f"despill.{step.id}")
    yield from _assemble(recipe)
    shown = ("extractors.", "despill.")
    for path, why in recipe.notes.items():
        if not path.startswith(shown):
            yield f"Note on {path}: {why}"


def _noted(recipe: Recipe, path: str) -> Iterator[str]:
    for key, why in recipe.notes.items():
        if key == path or key.startswith(path + "."):
            yield f"  Why: {why}"


def _prepare(recipe: Recipe) -> Iterator[str]:
    screen = recipe.screen
    colour = ", ".join(f"{value:.3g}" for value in screen.colour)
    if screen.clean_plate == "file":
        yield (
            f"The screen is {screen.primary}, seen without the subject in the clean plate "
            f"'{screen.clean_plate_path}'."
        )
    else:
        yield f"The screen is {screen.primary}, taken as one flat colour ({colour})."
    if recipe.source.denoised_path:
        yield f"Extractors that read the denoised pass read '{recipe.source.denoised_path}'."
    denoise = recipe.source.denoise
    if denoise != Denoise():
        yield (
            f"The denoised pass is baked at strength {say(denoise.strength)}, with neighbours up "
            f"to {denoise.reach_frames} frames away, and keeps {say(denoise.keep_luminance)} of "
            "the plate's own luminance."
        )
    if recipe.source.plate_alpha == "use":
        yield "The plate's own alpha multiplies the matte."


def say(value: object, unit: str = "") -> str:
    """Return a number, or the keys it runs through, as text."""
    if isinstance(value, Keys):
        ends = f"{value.keys[0].value:.3g} at frame {value.keys[0].frame}"
        if len(value.keys) > 1:
            ends += f" to {value.keys[-1].value:.3g} at frame {value.keys[-1].frame}"
        return f"keyed from {ends}{unit}"
    if isinstance(value, int | float):
        return f"{value:.3g}{unit}" if abs(value) < 1000 else f"{value:g}{unit}"
    return "open" if value is None else f"{value}{unit}"


def _extractor(e: ExtractorBase, *, first: bool) -> str:
    text = f"Extractor '{e.name}' ({e.role}) {_method(e)}"
    if e.inverted:
        text += ", inverted"
    if e.shapes:
        text += f", inside {_count(e.shapes)}"
    refined = _refine(e.refine)
    if refined:
        text += f"; refined: {refined}"
    strength = "" if e.strength == 1 else f" at strength {say(e.strength)}"
    if first:
        return f"{text}; it starts the cumulative matte{strength}."
    return f"{text}; {COMBINED[e.combined_by]}{strength}."


def _method(e: ExtractorBase) -> str:
    read = "denoised pass" if e.key_from == "denoised" else "plate"
    match e:
        case ValueBand():
            low = f"from {say(e.low_out)} to {say(e.low_in)}"
            high = (
                "with no upper end"
                if e.high_in is None
                else f"down again from {say(e.high_in)} to {say(e.high_out)}"
            )
            return f"takes a band of {e.channel} values of the {read}, rising {low}, {high}"
        case HueBand():
            return (
                f"takes hues within {say(e.spread_deg)} degrees around {say(e.hue_deg)} of "
                f"the {read}"
            )
        case PlateDifference():
            unit = " sigma of the noise" if e.floor_in == "sigma" else ""
            return (
                f"takes what differs from the screen in the {read} by more than "
                f"{say(e.floor)}{unit}, solid from {say(e.full)}{unit}"
            )
        case ColourDifference():
            return (
                f"measures how much less the screen's primary stands out in the {read} than "
                f"on the bare screen, with gain {say(e.gain)}"
            )
        case ChromaDistance():
            return (
                f"measures the chroma distance from the screen in the {read}, clear up to "
                f"{say(e.inner)} and solid from {say(e.outer)}"
            )
        case _:
            return f"of kind {type(e).__name__}"


def _refine(refine: Refine) -> str:
    parts: list[str] = []
    if refine.despeckle.holes_px:
        parts.append(f"holes up to {say(refine.despeckle.holes_px)} px filled")
    if refine.despeckle.specks_px:
        parts.append(f"specks up to {say(refine.despeckle.specks_px)} px removed")
    if refine.guide.radius_px:
        parts.append(f"guided by the picture within {say(refine.guide.radius_px)} px")
    if refine.levels.clear_below != 0 or refine.levels.solid_above != 1:
        parts.append(f"levels {say(refine.levels.clear_below)} to {say(refine.levels.solid_above)}")
    if refine.protect_edges.distance_px:
        parts.append(f"soft edges kept within {say(refine.protect_edges.distance_px)} px")
    if refine.choke_px:
        spread = isinstance(refine.choke_px, int | float) and refine.choke_px < 0
        parts.append(f"{'spread' if spread else 'choked'} by {say(refine.choke_px).lstrip('-')} px")
    if refine.soften_px:
        parts.append(f"softened by {say(refine.soften_px)} px")
    return ", ".join(parts)


def _count(shapes: list[Shape]) -> str:
    return "1 shape" if len(shapes) == 1 else f"{len(shapes)} shapes"


def _areas(recipe: Recipe) -> Iterator[str]:
    if recipe.keep_solid:
        yield f"Kept opaque: {_count(recipe.keep_solid)} of keep_solid."
    if recipe.garbage:
        yield f"Thrown away: {_count(recipe.garbage)} of garbage, which wins over keep_solid."


def _despill(step: DespillPass, recipe: Recipe) -> str:
    if not step.on:
        return f"Despill pass '{step.name}' is switched off."
    fill = {
        "none": "nothing is put in its place",
        "grey": "grey of equal luminance replaces it",
        "background": "the background's blurred colour replaces it",
    }[step.fill]
    limit = "a weighting" if step.limit == "weighted" else f"the {step.limit}"
    text = (
        f"Despill pass '{step.name}' holds {recipe.screen.primary} to {limit} of "
        f"the other two channels, amount {say(step.amount)}; {fill}"
    )
    if step.spill_by_hue.points:
        text += "; the removal varies by hue"
    if step.saturation_by_hue.points:
        text += "; saturation is changed by hue"
    if step.shapes:
        text += f"; only inside {_count(step.shapes)}"
    if step.mask:
        name = next((e.name for e in recipe.extractors if e.id == step.mask), step.mask)
        text += f"; limited by the matte '{name}'"
    return text + "."


def _assemble(recipe: Recipe) -> Iterator[str]:
    a = recipe.assemble
    way = {
        "multiply": "the despilled colour is multiplied by the matte",
        "subtract": "the screen's share is subtracted from semi-transparent pixels",
        "unmix": "semi-transparent pixels get their colour from a local foreground estimate",
    }[a.edge_colour.method]
    yield f"For the foreground {way}."
    if a.screen_light.shapes:
        yield (
            f"Inside {_count(a.screen_light.shapes)} the screen's own shadows "
            f"({say(a.screen_light.shadows)}) and light ({say(a.screen_light.light)}) are taken "
            "over to the background."
        )
    if a.light_wrap.amount:
        yield (
            f"Background light wraps over the edge: {say(a.light_wrap.amount)}, reaching "
            f"{say(a.light_wrap.reach_px)} px."
        )
    b = a.background
    what = (
        f"the picture '{b.path}'"
        if b.kind == "picture"
        else {"colour": "one colour", "ramp": "a grey ramp", "checker": "a checkerboard"}[b.kind]
    )
    yield f"The background is {what}."
