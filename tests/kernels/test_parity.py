"""The cpu engine against the reference, and the check itself against a broken engine."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from kernels import parity
from kernels.cpu import engine as cpu
from kernels.cpu import filters
from kernels.cpu.compiled import CompiledEngine
from kernels.cpu.engine import CpuEngine
from kernels.engine import View
from kernels.parity_cases import cases
from kernels.plan import build_plan
from tests.cpu_forms import FORMS, cpu_form


@pytest.fixture
def tiles() -> Iterator[CpuEngine]:
    """The form on NumPy alone, for what is about its tiles and filters."""
    engine = CpuEngine(threads=2)
    yield engine
    engine.close()


@pytest.fixture(params=FORMS)
def form(request: pytest.FixtureRequest) -> str:
    """Compiled or NumPy."""
    return str(request.param)


@pytest.fixture
def engine(form: str) -> Iterator[CompiledEngine | CpuEngine]:
    """The cpu engine in both forms."""
    made = cpu_form(form, threads=2)
    yield made
    made.close()


def test_the_cpu_engine_equals_the_reference_on_every_case(
    engine: CompiledEngine | CpuEngine,
) -> None:
    """Source: the reference implementation, itself checked against outside sources."""
    results = parity.worst(parity.run([engine]))
    assert len(results) > 80
    assert [d for d in results.values() if not d.good] == []


def test_row_tiles_change_no_bit(tiles: CpuEngine, monkeypatch: pytest.MonkeyPatch) -> None:
    """Source: a pointwise function of a pixel cannot depend on the pixel's neighbours."""
    monkeypatch.setattr(cpu, "TILE_PIXELS", 200)
    exact = [c for c in cases() if c.name.startswith(("value", "hue", "combine", "edge colour s"))]
    assert len(exact) > 15
    chosen = {c.name for c in exact}
    for d in parity.run([tiles], only=lambda c: c.name in chosen, views=False):
        assert d.error == 0, d


def test_tiles_and_regions_equal_the_whole_frame(engine: CompiledEngine | CpuEngine) -> None:
    """Source: every operation declares its halo; results then agree to 1e-5 (rounding of sums)."""
    images = dict(parity.frames())["screen"]
    for case in cases():
        planes = parity._planes(case.recipe, images)
        plan = build_plan(case.recipe, 1, planes)
        inputs = parity.hold_all(engine, planes)
        whole = engine.planes(plan, inputs, case.wanted)
        part = engine.planes(plan, inputs, case.wanted, (30, 20, 71, 53))
        for name in case.wanted:
            np.testing.assert_allclose(
                part[name], whole[name][..., 20:53, 30:71], atol=1e-5, err_msg=f"{case.name} {name}"
            )


def test_a_broken_filter_is_caught(tiles: CpuEngine, monkeypatch: pytest.MonkeyPatch) -> None:
    """A check that cannot fail is no check. Our own rule, no outside source."""
    monkeypatch.setattr(filters, "choke", lambda m, px, aspect: m)
    results = parity.worst(parity.run([tiles], only=lambda c: c.name.startswith("refine")))
    bad = {d.case for d in results.values() if not d.good}
    assert "refine choke" in bad
    assert "refine soften" not in bad


def test_nan_from_an_engine_is_never_within_a_tolerance() -> None:
    """Source: IEEE 754, comparisons with NaN are false."""
    nan = np.full((2, 2), np.nan, np.float32)
    error = parity.difference(nan, np.zeros((2, 2), np.float32))
    assert not parity.Difference("x", "x", "x", error, 1.0).good
    assert not parity.Difference("x", "x", "x", float("nan"), 1.0).good


def test_kept_stages_serve_again_and_never_go_stale(
    engine: CompiledEngine | CpuEngine, form: str
) -> None:
    """A kept plane is used only for what it was made from. Our own rule, no outside source."""
    images = dict(parity.frames())["screen"]
    chain = next(c for c in cases() if c.name == "refine whole chain")
    planes = parity._planes(chain.recipe, images)
    inputs = parity.hold_all(engine, planes)
    view = View("matte", 96, 72)
    before = engine.render(build_plan(chain.recipe, 1, planes), inputs, view)
    changed = chain.recipe.model_copy(deep=True)
    changed.extractors[0].refine.choke_px = 3.0
    after = engine.render(build_plan(changed, 1, planes), inputs, view)
    assert (before != after).any()
    fresh = cpu_form(form, threads=1)
    again = fresh.render(build_plan(changed, 1, planes), parity.hold_all(fresh, planes), view)
    fresh.close()
    assert (after == again).all()


def test_half_size_keying_is_close_to_full_size(engine: CompiledEngine | CpuEngine) -> None:
    """Source: the area average commutes with what is linear; edges may differ."""
    images = dict(parity.frames())["screen"]
    case = next(c for c in cases() if c.name == "edge colour subtract")
    planes = parity._planes(case.recipe, images)
    plan, inputs = build_plan(case.recipe, 1, planes), parity.hold_all(engine, planes)
    full = engine.render(plan, inputs, View("composite", 48, 36)).astype(int)
    draft = engine.render(plan, inputs, View("composite", 48, 36, draft=2)).astype(int)
    assert np.abs(full - draft).mean() < 4


def test_half_size_keying_keeps_the_pixel_aspect(engine: CpuEngine) -> None:
    """The shot's own and the recipe's give the same draft. Our own rule, no outside source."""
    images = dict(parity.frames())["screen"]
    case = next(c for c in cases() if c.name == "refine soften")
    planes = parity._planes(case.recipe, images)
    said = case.recipe.model_copy(deep=True)
    said.source.pixel_aspect = 2.0
    view, pictures = View("matte", 48, 36, extractor="a", draft=2), []
    for recipe, aspect in ((case.recipe, 2.0), (said, 1.0), (case.recipe, 1.0)):
        plan = build_plan(recipe, 1, planes, pixel_aspect=aspect)
        pictures.append(engine.render(plan, parity.hold_all(engine, planes), view))
    assert np.array_equal(pictures[0], pictures[1])
    assert not np.array_equal(pictures[0], pictures[2])
