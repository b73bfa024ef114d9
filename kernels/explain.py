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
    Unmix,
    ValueBand,
)
from kernels.stages import colour_giver

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
        yield _extractor(extractor, recipe, first=position == 0)
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
        yield f"The denoised pass is '{recipe.source.denoised_path}'."
    denoise = recipe.source.denoise
    if denoise != Denoise():
        yield (
            f"Baking a denoised pass takes strength {say(denoise.strength)} and neighbours up to "
            f"{denoise.reach_frames} frames away, and keeps {say(denoise.keep_luminance)} of the "
            "plate's own luminance."
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


def _extractor(e: ExtractorBase, recipe: Recipe, *, first: bool) -> str:
    text = f"Extractor '{e.name}' ({e.role}) {_method(e, recipe)}"
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


def _method(e: ExtractorBase, recipe: Recipe) -> str:
    """What an extractor does, with every value that decides it."""
    there = e.key_from == "denoised" and recipe.source.denoised_path
    read = "denoised pass" if there else "plate"
    if getattr(e, "space", "") == "log":
        read = f"{read} in log (ACEScct)"
    match e:
        case ValueBand():
            return _value_band(e, read)
        case HueBand():
            return (
                f"takes hues within {say(e.spread_deg)} degrees to either side of "
                f"{say(e.hue_deg)} in the {read}, fading out over {say(e.fade_deg)} more, where "
                f"saturation is over {say(e.saturation_floor)}, in full from "
                f"{say(e.saturation_soft)} above that"
            )
        case PlateDifference():
            return _plate_difference(e, read)
        case ColourDifference():
            return (
                f"measures how much of the screen's colour excess is left in the {read}, "
                f"{_compared(e, recipe)}, with gain {say(e.gain)}"
            )
        case ChromaDistance():
            bright = e.luminance_weight
            counts = f", brightness counted by {say(bright)}" if bright else ", brightness aside"
            return (
                f"measures how far colours of the {read} are from the screen's{counts}: clear up "
                f"to {say(e.inner)} and solid from {say(e.outer)}"
            )
        case Unmix():
            return _unmix(e, read, recipe)
        case _:
            return _any_kind(e, read)


def _value_band(e: ValueBand, read: str) -> str:
    low = (
        "with no lower end"
        if e.low_out is None
        else f"rising from {say(e.low_out)} to {say(e.low_in)}"
    )
    high = (
        "with no upper end"
        if e.high_in is None
        else f"down again from {say(e.high_in)} to {say(e.high_out)}"
    )
    value = {
        "luminance": "luminance",
        "saturation": "saturation",
        "largest": "the largest channel",
        "smallest": "the smallest channel",
    }.get(e.channel, f"the {e.channel} channel")
    return f"takes a band of {value} of the {read}, {low}, {high}"


def _plate_difference(e: PlateDifference, read: str) -> str:
    """The norm and the unit of the thresholds; delta E goes its own way from linear values."""
    if e.norm == "delta_e_2000":
        read, how = read.replace(" in log (ACEScct)", ""), "by CIE delta E 2000"
    else:
        how = {"largest": "by the largest channel", "euclidean": "by Euclidean distance"}[e.norm]
        how += " in parts of the screen's own value" if e.relative else ""
    unit = " sigma of the noise" if e.floor_in == "sigma" else ""
    return (
        f"takes what differs from the screen in the {read}, {how}, by more than "
        f"{say(e.floor)}{unit}, solid from {say(e.full)}{unit}"
    )


def _compared(e: ColourDifference, recipe: Recipe) -> str:
    first, second = (name for name in ("red", "green", "blue") if name != recipe.screen.primary)
    against = (
        "against the clean plate"
        if recipe.screen.clean_plate == "file"
        else ("against the screen's flat colour")
    )
    if e.excess == "balance":
        return (
            f"{against}, {recipe.screen.primary} compared with a mix of {first} and {second} at "
            f"level {say(e.comparison_level)}, {first}\u2013{second} balance "
            f"{say(e.red_blue_balance)}"
        )
    if e.lean in (0, 1):
        what = f"the {'larger' if e.lean else 'smaller'} of {first} and {second}"
    else:
        what = f"a lean of {say(e.lean)} from the smaller to the larger of {first} and {second}"
    return f"{against}, {recipe.screen.primary} compared with {what}"


def _unmix(e: Unmix, read: str, recipe: Recipe) -> str:
    """Every value that decides it, and what stands in for what was not measured."""
    noise = recipe.screen.noise
    measured = any((*noise.gain, *noise.offset))
    behind = (
        "the clean plate" if recipe.screen.clean_plate == "file" else "the screen's flat colour"
    )
    text = (
        f"unmixes the {read} into subject and {behind}, its colours carried over "
        f"{say(e.reach_px)} px of the picture brought down, their light free within "
        f"{say(e.shading)}, {behind} within {say(e.clean_error)}"
    )
    text += (
        f", with {say(e.noise_trust)} of the measured noise"
        if measured
        else f", with {say(e.noise_trust)} of a small noise, since none was measured"
    )
    if e.screen_level != 1:
        text += f", the screen {say(e.screen_level)} as bright as there"
    if e.solidity:
        text += f", solidity {say(e.solidity)}"
    if recipe.source.chroma != "4:4:4":
        text += f", for colour recorded {recipe.source.chroma}"
    if e.see_through_colour is not None:
        colour = ", ".join(f"{value:.3g}" for value in e.see_through_colour)
        text += f"; what is see-through is ({colour})"
    return text


def _any_kind(e: ExtractorBase, read: str) -> str:
    """A kind that has no sentence of its own: what it is, and all its values."""
    common = ExtractorBase.model_fields
    kind = getattr(e, "kind").replace("_", " ")  # noqa: B009  (the base has none)
    values = ", ".join(
        f"{name.replace('_', ' ')} {say(getattr(e, name))}"
        for name in type(e).model_fields
        if name not in common and name not in ("kind", "space")
    )
    return f"is a {kind} of the {read}" + (f", with {values}" if values else "")


def _refine(refine: Refine) -> str:
    parts: list[str] = []
    if refine.despeckle.holes_px:
        parts.append(f"holes up to {say(refine.despeckle.holes_px)} px filled")
    if refine.despeckle.specks_px:
        parts.append(f"specks up to {say(refine.despeckle.specks_px)} px removed")
    if refine.guide.radius_px:
        parts.append(
            f"guided by the picture within {say(refine.guide.radius_px)} px, smoothness "
            f"{say(refine.guide.smoothness)}"
        )
    levels, protect = refine.levels, refine.protect_edges
    if levels.clear_below != 0 or levels.solid_above != 1:
        parts.append(
            f"clear below {say(levels.clear_below)}, solid above {say(levels.solid_above)}"
        )
    if protect.distance_px and protect.amount:
        amount = "" if protect.amount == 1 else f", amount {say(protect.amount)}"
        parts.append(f"soft edges protected within {say(protect.distance_px)} px{amount}")
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
        yield f"Kept solid: {_count(recipe.keep_solid)}."
    if recipe.garbage:
        yield f"Thrown away as garbage: {_count(recipe.garbage)}; garbage wins over keep solid."


def _despill(step: DespillPass, recipe: Recipe) -> str:
    if not step.on:
        return f"Despill pass '{step.name}' is switched off."
    fill = {
        "none": "nothing is put in its place",
        "grey": "grey of equal luminance replaces it",
        "background": "the background's blurred colour replaces it",
    }[step.fill]
    first, second = (name for name in ("red", "green", "blue") if name != recipe.screen.primary)
    limit = f"the {step.limit} of {first} and {second}"
    if step.limit == "weighted":
        limit = f"a mix of {first} and {second}, {say(step.weight)} of it {first}"
    text = (
        f"Despill pass '{step.name}' holds {recipe.screen.primary} to {limit}, amount "
        f"{say(step.amount)}; {fill}"
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
    giver = colour_giver(recipe)
    way = {
        "multiply": "the despilled colour is multiplied by the matte",
        "subtract": "the screen's share is subtracted from semi-transparent pixels",
        "unmix": "semi-transparent pixels get their colour from a local foreground estimate",
    }[a.edge_colour.method]
    if giver is not None:
        way = (
            f"the colour that '{recipe.extractors[giver].name}' found is multiplied by the matte, "
            f"{say(a.edge_colour.despill)} of the screen's light taken out of it"
        )
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
