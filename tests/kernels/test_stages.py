"""The stage table: both engines keep the same planes after every change, and drafts scale radii."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from pydantic import BaseModel

from kernels.cpu.engine import CpuEngine
from kernels.cuda.runner import DeviceEngine
from kernels.cuda.sources import constants
from kernels.engine import Engine, Inputs
from kernels.inputs import mask_planes
from kernels.parity import hold_all
from kernels.plan import build_plan
from kernels.recipe import (
    ColourDifference,
    CurvePoint,
    Despeckle,
    DespillPass,
    Guide,
    HueBand,
    HueCurve,
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
from kernels.recipe_file import parse_recipe, recipe_schema, recipe_text
from kernels.reference.background import place
from kernels.reference.pointwise import SOURCES
from kernels.stages import AT_FULL_SIZE, OF_REDUCED, STAGES, scaled_recipe
from tests.kernels.cuda.host import HostDevice

SIZE = (12, 16)
AREA = Shape(id="s", kind="ellipse", poses=[ShapePose(frame=1, points=[(2, 2), (14, 10)])])
STAGE_PLANES = {
    *("matte:edges", "matte:hue", "matte:off", "cumulative", "fill:spill"),
    *("shadow", "local_foreground", "wrap"),
}
UNMIX_PLANES = {"unmix:mixed", "matte:mixed", "cumulative", "local_foreground", "wrap"}


def base() -> Recipe:
    """A recipe with every kind of stage, and an extractor that is off and masks a pass."""
    refined = Refine(
        despeckle=Despeckle(holes_px=1, specks_px=1),
        guide=Guide(radius_px=2),
        protect_edges=ProtectEdges(distance_px=2, amount=0.5),
        choke_px=0.5,
        soften_px=0.5,
    )
    curve = HueCurve(points=[CurvePoint(hue_deg=90, value=0.5)])
    recipe = Recipe(
        extractors=[
            ColourDifference(id="edges", excess="balance", refine=refined.model_copy(deep=True)),
            HueBand(id="hue", role="edge", refine=Refine(soften_px=1), shapes=[AREA]),
            PlateDifference(id="plain", strength=0.5),
            ValueBand(id="off", on=False, high_in=0.8, high_out=0.9, refine=Refine(choke_px=1)),
        ],
        keep_solid=[AREA.model_copy(update={"id": "k"})],
        refine=refined,
        despill=[
            DespillPass(id="spill", fill="background", fill_blur_px=2, spill_by_hue=curve),
            DespillPass(id="more", mask="off", limit="weighted"),
        ],
    )
    recipe.screen.noise = Noise(gain=(1e-4, 1e-4, 1e-4))
    recipe.assemble.edge_colour.method = "unmix"
    recipe.assemble.edge_colour.reach_px = 2
    recipe.assemble.light_wrap = LightWrap(amount=0.5, reach_px=2)
    recipe.assemble.screen_light = ScreenLight(shapes=[AREA], shadows=0.5, light=0.5, blur_px=1)
    return recipe


def mixed() -> Recipe:
    """The same with an unmix extractor that gives the edges their colour."""
    recipe = base()
    mix = Unmix(id="mixed", role="edge", see_through_colour=(0.7, 0.7, 0.7))
    mix.refine.soften_px = 1
    recipe.extractors.append(mix)
    return recipe


def leaves(node: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Yield the path of every value of a recipe's plain data; a list's items by their places."""
    if isinstance(node, dict) and node and path[:1] != ("notes",):
        for name, value in node.items():
            yield from leaves(value, (*path, name))
    elif isinstance(node, list) and node and isinstance(node[0], dict):
        for n, item in enumerate(node):
            yield from leaves(item, (*path, n))
    else:
        yield path


def other(value: Any, path: tuple[Any, ...], options: list[Any]) -> Any:
    """Return a value that the field may have instead."""
    if options:
        return next(option for option in reversed(options) if option != value)
    match value:
        case bool():
            return not value
        case int() | float():
            return value * 0.9 if value else 0.07
        case str():
            return f"{value}x"
        case [] if path[-1] == "points":
            return [{"hue_deg": 10.0, "value": 0.5}]
        case []:
            return [AREA.model_copy(update={"id": "new"}).model_dump(mode="json")]
        case [[_, _], *_]:
            return [[x + 1, y] for x, y in value]
        case list():
            return [v + 0.01 for v in value]
        case dict():
            return {"why": "because"}
    return 1.5


def options_of(model: Any, path: tuple[Any, ...]) -> list[Any]:
    """Return the choices of a field, as its type declares them."""
    here = model
    for step in path[:-1]:
        here = here[step] if isinstance(step, int) else getattr(here, step)
    schema = type(here).model_json_schema()["properties"][path[-1]]
    given = [schema, *schema.get("anyOf", [])]
    return [option for part in given for option in part.get("enum", [])]


def changes(start: Recipe, under: str = "") -> Iterator[tuple[str, Recipe]]:
    """Yield a recipe for every field `under` a path: `start` with it changed, where allowed."""
    data = start.dump()
    for path in leaves(data):
        if not ".".join(map(str, path)).startswith(under):
            continue
        text = recipe_text(start)
        changed = parse_recipe(text).dump()
        here = changed
        for step in path[:-1]:
            here = here[step]
        value = here[path[-1]]
        if path[-1] in ("kind", "format", "version", "id"):
            continue
        if path[-1] in ("time_offset", "reach_frames", "frame"):
            here[path[-1]] = value + 1
        elif path[-1] == "mask":
            here[path[-1]] = "edges"
        elif path[-1] in ("red_blue_balance", "lean"):
            here[path[-1]] = 0.25
        else:
            here[path[-1]] = other(value, path, options_of(start, path))
        yield ".".join(map(str, path)), parse_recipe(json.dumps(changed))


@pytest.fixture(scope="module")
def planes() -> dict[str, Any]:
    """Input planes of a small frame, made once: only the recipe changes."""
    rng = np.random.default_rng(3)
    shape = (3, *SIZE)
    screen = np.array([0.05, 0.35, 0.07], np.float32)[:, None, None]
    plate = np.where(rng.random(SIZE) < 0.5, rng.random(shape), screen).astype(np.float32)
    made = {"plate": plate, "denoised": plate * 0.95, "clean": np.broadcast_to(screen, shape)}
    made["background"] = place(None, base().assemble.background, SIZE[1], SIZE[0])
    return {**made, **mask_planes(base(), 1, SIZE[1], SIZE[0])}


def kept(engine: Any) -> dict[str, Any]:
    """Return the planes that an engine keeps, by the stages' names."""
    return {
        name if isinstance(name, str) else name[0]: entry.plane
        for name, entry in engine._kept.items()
    }


def remade(engine: Engine, inputs: Inputs, start: Recipe, recipe: Recipe) -> set[str]:
    """Return the stages whose planes are made anew for a recipe, after `start`."""
    engine.planes(build_plan(start, 1, inputs.planes), inputs, ["composite"])
    before = kept(engine)
    assert set(before) >= STAGE_PLANES
    plan = build_plan(recipe, 1, inputs.planes)
    engine.planes(plan, inputs, ["composite"])
    after = kept(engine)
    return {s.out for s in plan.stages if after[s.out] is not before.get(s.out)}


NOTHING: frozenset[str] = frozenset()
FREE = (
    *("name", "notes", "look.", "source.", "garbage", "keep_solid", "assemble.background."),
    *("assemble.light_wrap.amount", "assemble.foreground_", "assemble.edge_colour.settle"),
    *("assemble.edge_colour.hold", "screen.clean_plate", "assemble.screen_light.shapes"),
)
"""Fields that redo no plane by themselves; inputs that follow them are planes of their own."""


def test_both_engines_keep_the_same_planes_for_every_field(planes: dict[str, Any]) -> None:
    """Walks every value of a recipe with every kind of stage, changes it and asks what is remade.

    The host code of the CUDA engine runs on the emulated device. Our own rule, no outside source.
    """
    cpu, card = CpuEngine(threads=1), DeviceEngine(HostDevice(), storage="float32")
    held = {engine: hold_all(engine, planes) for engine in (cpu, card)}
    asked = 0
    answers: dict[str, set[str]] = {}
    try:
        for path, recipe in changes(base()):
            found = [remade(engine, held[engine], base(), recipe) for engine in (cpu, card)]
            assert found[0] == found[1], path
            answers[path] = found[0]
            asked += 1
    finally:
        cpu.close()
    assert asked > 150
    for path, made in answers.items():
        leaf = path.rpartition(".")[2]
        if path == "source.pixel_aspect":
            assert made == STAGE_PLANES, path
        elif path.startswith(FREE) or leaf == "name" or ".shapes." in path:
            assert made == NOTHING, path
        if path.startswith("extractors.0.") and leaf in ("strength", "combine", "role", "on"):
            assert made.isdisjoint({"matte:edges", "matte:hue"}), path
        if path.startswith("extractors.0.refine.") or path == "extractors.0.gain":
            assert {"matte:edges", "cumulative", "wrap"} <= made, path
            assert "matte:hue" not in made, path
    assert answers["extractors.0.combine"] == {"cumulative", "local_foreground", "wrap"}
    assert answers["extractors.3.strength"] <= {"local_foreground", "wrap", "cumulative"}
    assert answers["refine.choke_px"] == {"cumulative", "local_foreground", "wrap"}
    assert answers["despill.0.fill_blur_px"] == {"fill:spill", "local_foreground", "wrap"}
    assert answers["despill.1.weight"] == {"local_foreground", "wrap"}
    assert answers["assemble.screen_light.blur_px"] == {"shadow", "wrap"}
    assert answers["assemble.light_wrap.reach_px"] == {"wrap"}


def test_unmix_is_made_anew_by_its_own_values_alone(planes: dict[str, Any]) -> None:
    """Walks the values of an unmix extractor, and what else could reach it, on both engines.

    Our own rule, no outside source: dragging anything else never solves a frame again.
    """
    cpu, card = CpuEngine(threads=1), DeviceEngine(HostDevice(), storage="float32")
    held = {engine: hold_all(engine, planes) for engine in (cpu, card)}
    answers: dict[str, set[str]] = {}
    try:
        for under in ("extractors.4.", "source.", "screen.", "assemble.edge_colour.", "refine.ch"):
            for path, recipe in changes(mixed(), under):
                found = [remade(engine, held[engine], mixed(), recipe) for engine in (cpu, card)]
                assert found[0] == found[1], path
                answers[path] = found[0]
    finally:
        cpu.close()
    own = ("reach_px", "shading", "solidity", "noise_trust", "clean_error", "screen_level")
    for name in (*own, "see_through_colour", "key_from"):
        assert answers.pop(f"extractors.4.{name}") == UNMIX_PLANES, name
    assert answers.pop("source.chroma") == UNMIX_PLANES
    for path in [path for path in answers if path.startswith("screen.")]:
        assert ("unmix:mixed" in answers.pop(path)) == (".clean_plate" not in path), path
    assert answers.pop("assemble.edge_colour.despill") == {"local_foreground"}
    answers.pop("source.pixel_aspect")  # it is told to every stage
    assert all("unmix:mixed" not in made for made in answers.values())
    assert answers["extractors.4.inverted"] == {"matte:mixed", "cumulative", "wrap"}
    assert answers["extractors.4.refine.soften_px"] == {"matte:mixed", "cumulative", "wrap"}
    assert answers["refine.choke_px"] == {"cumulative", "wrap"}


def pixel_fields(schema: dict[str, Any]) -> set[tuple[str, str]]:
    """Return (model, field) of every value whose unit is the pixel."""
    return {
        (model, field)
        for model, described in schema["$defs"].items()
        for field, told in described.get("properties", {}).items()
        if told.get("unit") == "px"
    }


def test_every_radius_scales_in_a_draft() -> None:
    """Walks the schema for unit px: each is scaled, or drawn at full size and then pooled.

    Our own rule, no outside source.
    """
    recipe = mixed()
    half = scaled_recipe(recipe, 0.5)
    found: dict[tuple[str, str], list[bool]] = {}

    def walk(one: Any, two: Any) -> None:
        for field in type(one).model_fields:
            a, b = getattr(one, field), getattr(two, field)
            if isinstance(a, list):
                for x, y in zip(a, b, strict=True):
                    if isinstance(x, BaseModel):
                        walk(x, y)
            elif isinstance(a, BaseModel):
                walk(a, b)
            elif isinstance(a, int | float) and field.endswith("_px"):
                scaled = [b == a * 0.5] if a else []
                found.setdefault((type(one).__name__, field), []).extend(scaled)

    walk(recipe, half)
    told = pixel_fields(recipe_schema())
    assert told == set(found)
    for (model, field), scaled in found.items():
        if field in AT_FULL_SIZE or (model, field) in OF_REDUCED:
            assert not any(scaled), (model, field)
        else:
            assert scaled, f"the recipe above leaves {model}.{field} at 0"
            assert all(scaled), (model, field)


def test_every_kind_of_stage_has_a_source_on_every_engine() -> None:
    """Our own rule, no outside source."""
    assert list(SOURCES) == list(STAGES)
    assert {row.output for row in STAGES.values() if row.output} <= set(constants())
