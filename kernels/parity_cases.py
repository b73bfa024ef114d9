"""The cases of the parity check: a recipe for every operation and choice that changes a result."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from kernels.recipe import (
    EXTRACTORS,
    Background,
    ChromaDistance,
    ColourDifference,
    CurvePoint,
    Despeckle,
    DespillPass,
    EdgeColour,
    Guide,
    HueBand,
    HueCurve,
    Levels,
    LightWrap,
    Noise,
    PlateDifference,
    ProtectEdges,
    Recipe,
    Refine,
    ScreenLight,
    Shape,
    ShapePose,
    Unmix,
    ValueBand,
)


@dataclass(frozen=True)
class Case:
    """One operation: a recipe that exercises it and the results that are compared."""

    name: str
    recipe: Recipe
    wanted: tuple[str, ...]
    tolerance: str


def _key(extractor: Any, **more: Any) -> Recipe:
    extractor.id = "a"
    return Recipe(extractors=[extractor], **more)


NOISE = Noise(gain=(2e-4, 3e-4, 2e-4), offset=(1e-5, 1e-5, 2e-5), correlation=(0.3, 0.1, 0.2))
CURVE = HueCurve(
    points=[
        CurvePoint(hue_deg=20, value=0.2),
        CurvePoint(hue_deg=130, value=1.4),
        CurvePoint(hue_deg=250, value=0.7),
    ]
)
AREA = Shape(
    id="s", kind="ellipse", feather_px=6, poses=[ShapePose(frame=1, points=[(4, 3), (60, 41)])]
)


def cases() -> Iterator[Case]:
    """Yield a case for every operation and choice that changes what is computed."""
    yield from _extractor_cases()
    yield from _join_cases()
    yield from _refine_cases()
    yield from _unmix_cases()
    yield from _despill_cases()
    yield from _assemble_cases()
    yield from _squeezed_cases()
    yield from _key_cases()


def _extractor_cases() -> Iterator[Case]:
    matte = ("extractor:a",)
    for kind, model in EXTRACTORS.items():
        for values in ("linear", "log"):
            if "space" not in model.model_fields:
                continue
            plain = model.model_validate({"space": values})
            yield Case(f"{kind} as it is {values}", _key(plain), matte, "log")
    for channel in ("red", "green", "blue", "luminance", "largest", "smallest", "saturation"):
        band = ValueBand(channel=channel, low_out=-0.1, low_in=0.2, high_in=0.6, high_out=1.62)
        yield Case(f"value_band {channel}", _key(band), matte, "pointwise")
    band = ValueBand(space="log", low_out=0.2, low_in=0.5)
    yield Case("value_band log", _key(band), matte, "log")
    step = ValueBand(low_out=0.25, low_in=0.25, high_in=0.75, high_out=0.75)
    yield Case("value_band step", _key(step), matte, "pointwise")
    for space in ("linear", "log"):
        tolerance = "pointwise" if space == "linear" else "log"
        yield Case(
            f"hue_band {space}",
            _key(HueBand(space=space, hue_deg=350, spread_deg=20, fade_deg=30)),
            matte,
            tolerance,
        )
        for norm in ("largest", "euclidean", "delta_e_2000"):
            for floor_in in ("value", "sigma"):
                floor, full = (2.0, 9.0) if floor_in == "sigma" else (0.05, 0.25)
                if norm == "delta_e_2000" and floor_in == "value":
                    floor, full = 2.0, 20.0
                difference = PlateDifference(
                    space=space,
                    norm=norm,
                    floor_in=floor_in,
                    floor=floor,
                    full=full,
                    relative=space == "log",
                )
                yield Case(
                    f"plate_difference {norm} {floor_in} {space}",
                    _noisy(_key(difference)),
                    matte,
                    "delta_e" if norm == "delta_e_2000" else "log",
                )
        for excess in ("lean", "balance"):
            extractor = ColourDifference(
                space=space, excess=excess, lean=0.7, red_blue_balance=0.3, gain=1.1
            )
            yield Case(f"colour_difference {excess} {space}", _noisy(_key(extractor)), matte, "log")
        chroma = ChromaDistance(space=space, luminance_weight=0.3)
        yield Case(f"chroma_distance {space}", _key(chroma), matte, "log")
    for primary in ("blue", "red"):
        recipe = _key(ColourDifference(inverted=True))
        recipe.screen.primary = primary
        recipe.screen.colour = (0.05, 0.09, 0.4) if primary == "blue" else (0.4, 0.05, 0.07)
        yield Case(f"colour_difference {primary}", recipe, matte, "pointwise")


def _noisy(recipe: Recipe) -> Recipe:
    recipe.screen.noise = NOISE
    return recipe


def _join_cases() -> Iterator[Case]:
    for combine in ("max", "min", "union", "multiply", "subtract", "difference", "average"):
        recipe = Recipe(
            extractors=[
                ColourDifference(id="a", strength=0.9),
                HueBand(id="b", combine=combine, strength=0.6, shapes=[AREA]),
                ValueBand(id="c", combine=combine, strength=0.8),
                ValueBand(id="d", on=False),
            ],
            garbage=[AREA.model_copy(update={"id": "g", "inverted": True, "feather_px": 2.0})],
            keep_solid=[AREA.model_copy(update={"id": "h", "kind": "rectangle"})],
        )
        yield Case(f"combine {combine}", recipe, ("alpha", "extractor:b"), "pointwise")
    yield Case("no extractor", Recipe(), ("alpha",), "pointwise")


def _refine_cases() -> Iterator[Case]:
    refinements = {
        "levels": (Refine(levels=Levels(clear_below=0.1, solid_above=0.8)), "pointwise"),
        "levels step": (Refine(levels=Levels(clear_below=0.5, solid_above=0.5)), "pointwise"),
        "protect_edges": (
            Refine(
                levels=Levels(clear_below=0.2, solid_above=0.7),
                protect_edges=ProtectEdges(distance_px=5),
            ),
            "blur",
        ),
        "protect_edges half": (
            Refine(
                levels=Levels(clear_below=0.2, solid_above=0.7),
                protect_edges=ProtectEdges(distance_px=5, amount=0.5),
            ),
            "blur",
        ),
        "despeckle": (Refine(despeckle=Despeckle(holes_px=2, specks_px=1.5)), "despeckle"),
        "guide": (Refine(guide=Guide(radius_px=8, smoothness=1e-3)), "guide"),
        "choke": (Refine(choke_px=1.5), "pointwise"),
        "spread": (Refine(choke_px=-3.25), "pointwise"),
        "soften": (Refine(soften_px=3), "blur"),
        "whole chain": (
            Refine(
                despeckle=Despeckle(holes_px=2, specks_px=2),
                guide=Guide(radius_px=4),
                levels=Levels(clear_below=0.05, solid_above=0.9),
                protect_edges=ProtectEdges(distance_px=3),
                choke_px=0.5,
                soften_px=1.2,
            ),
            "guide",
        ),
    }
    for name, (refine, tolerance) in refinements.items():
        yield Case(
            f"refine {name}",
            _key(HueBand(hue_deg=120, refine=refine)),
            ("extractor:a",),
            tolerance,
        )
        yield Case(
            f"cumulative {name}",
            _key(HueBand(hue_deg=120), refine=refine),
            ("alpha",),
            tolerance,
        )


def _unmix_cases() -> Iterator[Case]:
    """Yield unmix by itself, refined, inverted, with its colour at the edges, and subsampled."""
    plain = _noisy(_key(Unmix()))
    yield Case("unmix", plain, ("extractor:a", "error"), "unmix")
    levels = Levels(clear_below=0.1, solid_above=0.9)
    refined = Unmix(inverted=True, refine=Refine(levels=levels, soften_px=1))
    yield Case("unmix refined", _noisy(_key(refined)), ("extractor:a",), "unmix")
    levelled = Unmix(key_from="plate", shading=0.2, solidity=1, see_through_colour=(0.7, 0.7, 0.8))
    levelled.refine.levels = levels.model_copy()
    recipe = _key(levelled, despill=[DespillPass(id="n")])
    recipe.assemble.edge_colour = EdgeColour(method="unmix", despill=0.7)
    recipe.source.chroma = "4:2:0"
    yield Case("unmix colour", recipe, ("alpha", "foreground", "composite"), "unmix")


def _despill_cases() -> Iterator[Case]:
    for limit in ("average", "larger", "smaller", "weighted"):
        step = DespillPass(id="n", limit=limit, weight=0.3, amount=0.8)
        yield _despilled(f"despill {limit}", step)
    for fill in ("none", "grey", "background"):
        step = DespillPass(id="n", fill=fill, fill_amount=0.7, fill_blur_px=5)
        yield _despilled(f"despill fill {fill}", step)
    yield _despilled(
        "despill hue curves", DespillPass(id="n", spill_by_hue=CURVE, saturation_by_hue=CURVE)
    )
    yield _despilled("despill shapes", DespillPass(id="n", shapes=[AREA]))
    for mask, inverted in (("a", False), ("cumulative", True)):
        step = DespillPass(id="n", mask=mask, mask_inverted=inverted)
        yield _despilled(f"despill mask {mask}", step)
    two = Recipe(
        despill=[
            DespillPass(id="n", fill="none"),
            DespillPass(id="m", limit="larger", spill_by_hue=CURVE),
        ]
    )
    yield Case("despill twice", two, ("despilled",), "colour")


def _despilled(name: str, step: DespillPass) -> Case:
    recipe = _key(HueBand(hue_deg=120), despill=[step])
    return Case(name, recipe, ("despilled",), "colour")


def _assemble_cases() -> Iterator[Case]:
    base = {"despill": [DespillPass(id="n")]}
    everything = ("alpha", "straight", "foreground", "composite")
    for method in ("multiply", "subtract", "unmix"):
        recipe = _key(ColourDifference(), **base)
        recipe.assemble.edge_colour = EdgeColour(method=method, reach_px=4)
        yield Case(f"edge colour {method}", recipe, ("alpha", "foreground", "composite"), "colour")
        yield Case(f"straight {method}", recipe, ("straight",), "edge")
    recipe = _noisy(_key(ColourDifference(), **base))
    recipe.assemble.edge_colour.settle_by_noise = True
    recipe.assemble.foreground_exposure_stops = 0.5
    recipe.assemble.foreground_gain = (1.1, 0.9, 1.0)
    yield Case("foreground grade", recipe, ("foreground", "composite"), "colour")
    recipe = _key(ColourDifference(), **base)
    recipe.assemble.light_wrap = LightWrap(amount=0.6, reach_px=7)
    yield Case("light wrap", recipe, ("composite",), "colour")
    recipe = _key(ColourDifference(), **base)
    recipe.assemble.screen_light = ScreenLight(shapes=[AREA], shadows=0.8, light=0.5, blur_px=2)
    yield Case("screen_light", recipe, everything[:1] + everything[2:], "colour")
    recipe = _noisy(_key(ColourDifference(), **base))
    recipe.assemble.background = Background(kind="ramp", regrain=1.0, exposure_stops=-1)
    yield Case("regrain", recipe, ("composite",), "colour")


def _squeezed_cases() -> Iterator[Case]:
    """Yield each case with a radius for pixels twice as wide as high, and one for narrow ones."""
    stages = ("despill fill background", "edge colour unmix", "light wrap", "screen_light")
    for case in [*_refine_cases(), *_despill_cases(), *_assemble_cases()]:
        if case.name.startswith("refine ") or case.name in stages:
            yield _squeezed(case, f"squeezed {case.name}", 2.0)
        if case.name == "refine whole chain":
            yield _squeezed(case, "squeezed the other way", 0.75)


def _squeezed(case: Case, name: str, pixel_aspect: float) -> Case:
    recipe = case.recipe.model_copy(deep=True)
    recipe.source.pixel_aspect = pixel_aspect
    return Case(name, recipe, case.wanted, case.tolerance)


def _plain_extractors() -> Iterator[Any]:
    """Yield every pointwise operation of the extractors once, in both spaces."""
    channels = ("red", "green", "blue", "luminance", "largest", "smallest", "saturation")
    for space in ("linear", "log"):
        for n, channel in enumerate(channels):
            band: dict[str, Any] = {"channel": channel, "space": space}
            band |= {"low_out": 0.1, "low_in": 0.4} if n % 3 else {"low_out": None, "low_in": None}
            band |= {"high_in": 0.5, "high_out": 0.9} if n % 2 == 0 else {}
            yield ValueBand.model_validate(band)
        yield HueBand(space=space, hue_deg=20)
        for relative in (False, True):
            yield PlateDifference(space=space, norm="largest", relative=relative)
            yield PlateDifference(space=space, norm="euclidean", relative=relative)
        yield ColourDifference(space=space, excess="lean", lean=0.8, gain=1.05)
        yield ColourDifference(space=space, excess="balance")
        yield ChromaDistance(space=space, luminance_weight=0.2)


def _key_cases() -> Iterator[Case]:
    """Yield whole keys, several plain extractors each, between them all operations and combines."""
    combines = ("max", "subtract", "union", "average", "min", "difference", "multiply")
    levels = (
        Levels(),
        Levels(clear_below=0.1, solid_above=0.9),
        Levels(clear_below=-0.1, solid_above=1.2),
    )
    extractors = list(_plain_extractors())
    for n, extractor in enumerate(extractors):
        extractor.id, extractor.combine = f"e{n}", combines[n % len(combines)]
        extractor.strength, extractor.inverted = 1.0 - 0.1 * (n % 4), n % 5 == 0
        extractor.refine.levels = levels[n % 3].model_copy()
    step = DespillPass(id="n", spill_by_hue=CURVE, saturation_by_hue=CURVE)
    for n in range(0, len(extractors), 4):
        recipe = Recipe(
            extractors=extractors[n : n + 4],
            despill=[step],
            refine=Refine(levels=Levels(clear_below=0.02, solid_above=0.95)),
        )
        yield Case(
            f"key of {n + 1} to {min(n + 4, len(extractors))}",
            _noisy(recipe) if n % 8 else recipe,
            ("alpha", "composite"),
            "colour",
        )
