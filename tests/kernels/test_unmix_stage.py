"""unmix as a stage: what an engine gives is what the method gives, kept and drawn as it should."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest

from kernels.cpu.engine import CpuEngine, halved
from kernels.engine import View
from kernels.explain import explain
from kernels.inputs import gather
from kernels.plan import build_plan
from kernels.recipe import DespillPass, EdgeColour, Levels, Noise, Recipe, Unmix
from kernels.reference.unmix import UnmixSettings, unmix
from kernels.reference.unmix.stage import ALPHA, COLOUR, DESPILLED, UNMEASURED, stage_planes
from kernels.stages import colour_giver

NOISE = Noise(gain=(4e-4, 4e-4, 4e-4), offset=(1e-5, 1e-5, 1e-5))
SIZE = (150, 121)


def recipe_with(**more: Any) -> Recipe:
    """A key by unmix alone, its colour at the edges."""
    recipe = Recipe(
        extractors=[Unmix(id="mix", role="edge", **more)], despill=[DespillPass(id="spill")]
    )
    recipe.screen.noise = NOISE
    recipe.assemble.edge_colour = EdgeColour(method="unmix")
    return recipe


@pytest.fixture(scope="module")
def pictures() -> dict[str, Any]:
    """A soft grey disc with spill before an uneven, noisy green screen, and that screen."""
    h, w = SIZE
    y, x = np.mgrid[:h, :w]
    alpha = np.clip((40 - np.hypot(x - w / 2, y - h / 2)) / 9, 0, 1)
    light = 0.8 + 0.4 * x / w
    clean = np.array([0.05, 0.35, 0.08])[:, None, None] * light
    colour = np.array([0.42, 0.4, 0.4])[:, None, None] + 0.4 * x / w * clean
    plate = alpha * colour + (1 - alpha) * clean
    noise = np.random.default_rng(4).normal(size=plate.shape) * np.sqrt(4e-4 * plate + 1e-5)
    return {"plate": (plate + noise).astype(np.float32), "clean": clean.astype(np.float32)}


@pytest.fixture
def engine() -> Iterator[CpuEngine]:
    """An engine of two threads."""
    made = CpuEngine(threads=2)
    yield made
    made.close()


def planes(engine: CpuEngine, recipe: Recipe, pictures: dict[str, Any], *names: str) -> Any:
    inputs = gather(engine, recipe, 1, **pictures)
    return engine.planes(build_plan(recipe, 1, inputs.planes), inputs, names)


def test_the_extractor_is_the_method(engine: CpuEngine, pictures: dict[str, Any]) -> None:
    """Our own rule, no outside source: matte, error and alpha F are those of the method itself."""
    recipe = recipe_with(shading=0.2, solidity=0.5, clean_error=0.01)
    settings = UnmixSettings("green", shading=0.2, solidity=0.5, clean_error=0.01)
    expected = unmix(pictures["plate"], pictures["clean"], NOISE, settings)
    got = planes(engine, recipe, pictures, "extractor:mix", "alpha", "error", "foreground")
    assert np.array_equal(got["extractor:mix"], expected.alpha)
    assert np.array_equal(got["alpha"], expected.alpha)
    assert np.array_equal(got["error"], expected.sigma_alpha)
    assert 0.01 < got["error"].max() < 1
    premultiplied = np.maximum(
        expected.alpha * expected.despilled, np.minimum(pictures["plate"], 0) - 1e-6
    )
    assert np.allclose(got["foreground"], premultiplied, atol=1e-6)


def test_despill_of_the_edges_colour_is_a_share(
    engine: CpuEngine, pictures: dict[str, Any]
) -> None:
    """Source: a straight line by hand: at share .25 three quarters of the spill are there."""
    recipe = recipe_with()
    found = stage_planes(build_plan(recipe, 1, pictures), 0, pictures)
    assert np.abs(found[COLOUR] - found[DESPILLED]).max() > 0.01
    recipe.assemble.edge_colour.despill = 0.25
    got = planes(engine, recipe, pictures, "foreground")["foreground"]
    mixed = 0.75 * found[COLOUR] + 0.25 * found[DESPILLED]
    assert np.allclose(got, found[ALPHA] * mixed, atol=2e-5)


def test_parts_of_rows_equal_the_whole(pictures: dict[str, Any]) -> None:
    """Our own rule, no outside source: 40 rows at a time give the whole frame's planes to 1e-5."""
    plan = build_plan(recipe_with(), 1, pictures)
    whole, parts = (stage_planes(plan, 0, pictures, rows=rows) for rows in (None, 40))
    assert np.abs(whole[:2] - parts[:2]).max() < 1e-5
    assert np.abs(whole[2:] - parts[2:]).max() < 1e-4


def test_a_region_is_cut_from_the_whole_frame(engine: CpuEngine, pictures: dict[str, Any]) -> None:
    """Our own rule, no outside source: looking closer at a matte never changes it."""
    recipe = recipe_with()
    inputs = gather(engine, recipe, 1, **pictures)
    plan = build_plan(recipe, 1, inputs.planes)
    whole = engine.planes(plan, inputs, ["alpha", "foreground"])
    fresh = CpuEngine(threads=1)
    try:
        inputs = gather(fresh, recipe, 1, **pictures)
        part = fresh.planes(plan, inputs, ["alpha", "foreground"], (30, 20, 90, 100))
    finally:
        fresh.close()
    assert np.abs(part["alpha"] - whole["alpha"][20:100, 30:90]).max() < 1e-5
    assert np.abs(part["foreground"] - whole["foreground"][:, 20:100, 30:90]).max() < 1e-4


def test_levels_inversion_and_another_extractor(
    engine: CpuEngine, pictures: dict[str, Any]
) -> None:
    """Source: ramp and inversion by hand on the method's own alpha."""
    recipe = recipe_with(inverted=True)
    recipe.extractors[0].refine.levels = Levels(clear_below=0.2, solid_above=0.7)
    alpha = stage_planes(build_plan(recipe, 1, pictures), 0, pictures)[ALPHA]
    got = planes(engine, recipe, pictures, "alpha")["alpha"]
    assert np.allclose(got, np.clip((1 - alpha - 0.2) / 0.5, 0, 1), atol=1e-6)


def test_one_that_is_off_is_never_solved(engine: CpuEngine, pictures: dict[str, Any]) -> None:
    """Our own rule, no outside source: it costs nothing unless it is looked at or masks a pass."""
    recipe = recipe_with(on=False)
    assert colour_giver(recipe) is None
    inputs = gather(engine, recipe, 1, **pictures)
    plan = build_plan(recipe, 1, inputs.planes)
    engine.render(plan, inputs, View("composite", 60, 75))
    assert not any(name == "unmix:mix" for name, _ in engine._kept)  # type: ignore[misc]
    engine.render(plan, inputs, View("matte", 60, 75, extractor="mix"))
    assert any(name == "unmix:mix" for name, _ in engine._kept)  # type: ignore[misc]
    recipe.despill[0].mask = "mix"
    assert "unmix:mix" in {s.out for s in build_plan(recipe, 1, pictures).stages_for("despilled")}


def test_a_draft_solves_only_what_its_own_values_change(
    engine: CpuEngine, pictures: dict[str, Any]
) -> None:
    """Our own rule, no outside source: a draft takes the mean of what is there, else solves at half
    size, where colour is no longer subsampled."""
    recipe = recipe_with()
    inputs = gather(engine, recipe, 1, **pictures)
    view, draft = View("matte", 60, 75), View("matte", 60, 75, draft=2)
    engine.render(build_plan(recipe, 1, inputs.planes), inputs, view)
    full = engine._kept["unmix:mix", 1.0].plane
    recipe.refine.choke_px = 1.0
    engine.render(build_plan(recipe, 1, inputs.planes), inputs, draft)
    half = engine._kept["unmix:mix", 0.5].plane
    assert np.array_equal(half, halved(full))
    recipe.refine.choke_px = 2.0
    engine.render(build_plan(recipe, 1, inputs.planes), inputs, draft)
    assert engine._kept["unmix:mix", 0.5].plane is half
    recipe.extractors[0] = Unmix(id="mix", role="edge", solidity=2.0)
    engine.render(build_plan(recipe, 1, inputs.planes), inputs, draft)
    own = engine._kept["unmix:mix", 0.5].plane
    assert own.shape == half.shape
    assert not np.array_equal(own, half)
    assert engine._kept["unmix:mix", 1.0].plane is full
    assert np.abs(own[ALPHA] - half[ALPHA]).mean() < 0.02


def test_bad_pixels_a_flat_screen_and_no_noise(engine: CpuEngine, pictures: dict[str, Any]) -> None:
    """Our own rule, no outside source: NaN and infinities stay where they are; what is missing has
    a stand-in, and `explain` says which."""
    recipe = recipe_with()
    recipe.screen.noise = Noise()
    plate = pictures["plate"].copy()
    plate[:, 3, 4], plate[1, 9, 9] = np.nan, np.inf
    got = planes(engine, recipe, {"plate": plate}, "alpha", "composite", "straight", "error")
    assert all(np.isfinite(plane).all() for plane in got.values())
    assert got["alpha"].min() >= 0
    assert got["alpha"].max() <= 1
    flat = np.broadcast_to(np.float32(recipe.screen.colour)[:, None, None], plate.shape)
    clean = planes(engine, recipe, {"plate": pictures["plate"]}, "alpha")["alpha"]
    expected = unmix(pictures["plate"], flat, UNMEASURED, UnmixSettings("green"))
    assert np.abs(clean - expected.alpha).max() < 1e-6
    assert "the screen's flat colour" in explain(recipe)
    assert "a small noise, since none was measured" in explain(recipe)


def test_a_screen_half_as_bright_is_told_by_its_level(
    engine: CpuEngine, pictures: dict[str, Any]
) -> None:
    """Source: the compositing equation: a level of 2 on half the clean plate is the clean plate."""
    halfed = {"plate": pictures["plate"], "clean": pictures["clean"] / 2}
    told = planes(engine, recipe_with(screen_level=2.0), halfed, "alpha")["alpha"]
    assert np.array_equal(told, planes(engine, recipe_with(), pictures, "alpha")["alpha"])


def test_the_error_is_seen_where_an_extractor_tells_it(
    engine: CpuEngine, pictures: dict[str, Any]
) -> None:
    """Our own rule, no outside source: coloured at the soft edge with unmix, plain grey without."""
    view = View("alpha_error", SIZE[1], SIZE[0])
    for recipe, coloured in ((recipe_with(), True), (recipe_with(on=False), False)):
        inputs = gather(engine, recipe, 1, **pictures)
        seen = engine.render(build_plan(recipe, 1, inputs.planes), inputs, view).astype(int)
        assert (np.ptp(seen, axis=2).max() > 20) == coloured
        error = planes(engine, recipe, pictures, "error")["error"]
        assert (error.max() > 0) == coloured
