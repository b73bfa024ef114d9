"""The cpu engine on compiled kernels, on every level that this processor runs."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest

from kernels import parity
from kernels.cpu.compiled import CompiledEngine
from kernels.cpu.library import Library
from kernels.engine import View
from kernels.inputs import gather
from kernels.parity_cases import Case, cases
from kernels.plan import build_plan
from kernels.recipe import Denoise, Noise, Recipe, starting_recipe

NOISE = Noise(gain=(2e-4,) * 3, offset=(1e-5,) * 3)


@pytest.fixture
def engine(compiled: Library) -> Iterator[CompiledEngine]:
    made = CompiledEngine(compiled, threads=2)
    yield made
    made.close()


def pointwise_cases() -> list[Case]:
    """Return the cases without neighbourhood work."""
    found = [c for c in cases() if not build_plan(c.recipe, 1, ("plate", "background")).stages]
    assert len(found) > 30
    return found


def test_the_compiled_engine_equals_the_reference_on_every_case(engine: CompiledEngine) -> None:
    """Source: `kernels.reference`, within the same table of tolerances as a card."""
    found = parity.worst(parity.run([engine]))
    assert len(found) > 100
    bad = [d for d in found.values() if not d.good]
    assert not bad, "\n".join(f"{d.case} on {d.frame}: {d.error} > {d.tolerance}" for d in bad)


def test_threads_change_no_bit(compiled: Library) -> None:
    """Our own rule, no outside source: which thread makes a row decides nothing."""
    images = dict(parity.frames())["screen"]
    one, many = CompiledEngine(compiled, threads=1), CompiledEngine(compiled, threads=5)
    try:
        for case in cases():
            planes = parity._planes(case.recipe, images)
            plan = build_plan(case.recipe, 1, planes)
            results = [e.planes(plan, parity.hold_all(e, planes), case.wanted) for e in (one, many)]
            for name in case.wanted:
                assert np.array_equal(results[0][name], results[1][name]), f"{case.name} {name}"
        plate = images["plate"] * np.float32(0.1)
        denoised = [e.denoise([plate, plate], NOISE, Denoise()) for e in (one, many)]
        assert np.array_equal(*denoised)
    finally:
        one.close()
        many.close()


@pytest.mark.parametrize("region", [(30, 20, 71, 53), (1, 0, 3, 72), (90, 70, 96, 72)])
def test_tiles_of_pointwise_work_equal_the_whole_to_the_bit(
    engine: CompiledEngine, region: tuple[int, int, int, int]
) -> None:
    """Our own rule, no outside source: what a pixel becomes does not hang on its group."""
    images = dict(parity.frames())["screen"]
    x0, y0, x1, y1 = region
    for case in pointwise_cases():
        planes = parity._planes(case.recipe, images)
        plan, inputs = build_plan(case.recipe, 1, planes), parity.hold_all(engine, planes)
        whole = engine.planes(plan, inputs, case.wanted)
        part = engine.planes(plan, inputs, case.wanted, region)
        for name in case.wanted:
            assert np.array_equal(part[name], whole[name][..., y0:y1, x0:x1]), f"{case.name} {name}"


def test_tiles_of_neighbourhood_work_equal_the_whole(engine: CompiledEngine) -> None:
    """Source: every operation declares its halo; results then agree to 1e-5 (rounding of sums)."""
    images = dict(parity.frames())["screen"]
    for case in cases():
        planes = parity._planes(case.recipe, images)
        plan, inputs = build_plan(case.recipe, 1, planes), parity.hold_all(engine, planes)
        whole = engine.planes(plan, inputs, case.wanted)
        engine.forget()
        part = engine.planes(plan, inputs, case.wanted, (30, 20, 71, 53))
        for name in case.wanted:
            np.testing.assert_allclose(
                part[name], whole[name][..., 20:53, 30:71], atol=1e-5, err_msg=f"{case.name} {name}"
            )


def test_narrow_and_wide_groups_give_the_same_bits(engine: CompiledEngine) -> None:
    """Our own rule, no outside source: a frame narrower than a group is keyed as a wide one is."""
    recipe = starting_recipe()
    wide = np.random.default_rng(4).random((3, 9, 136), np.float32)
    made = []
    for plate in (wide, np.ascontiguousarray(wide[..., :8])):
        inputs = gather(engine, recipe, 1, plate=plate)
        plan = build_plan(recipe, 1, inputs.planes)
        made.append(engine.planes(plan, inputs, ["alpha", "composite"]))
    assert np.array_equal(made[0]["alpha"][:, :8], made[1]["alpha"])
    assert np.array_equal(made[0]["composite"][..., :8], made[1]["composite"])


def test_half_storage_of_half_values_changes_nothing(engine: CompiledEngine) -> None:
    """Values that half floats hold exactly give the same results from half and float storage."""
    recipe = starting_recipe()
    plate = np.random.default_rng(9).random((3, 40, 56)).astype(np.float16)
    results = []
    for given in (plate, plate.astype(np.float32)):
        inputs = gather(engine, recipe, 1, plate=given)
        assert inputs.planes["plate"].half == (given.dtype == np.float16)
        results.append(engine.planes(build_plan(recipe, 1, inputs.planes), inputs, ["composite"]))
    assert np.array_equal(results[0]["composite"], results[1]["composite"])


def test_half_size_keying_is_close_to_full_size(engine: CompiledEngine) -> None:
    """Source: the area average commutes with what is linear; edges may differ."""
    images = dict(parity.frames())["screen"]
    case = next(c for c in cases() if c.name == "edge colour subtract")
    planes = parity._planes(case.recipe, images)
    plan, inputs = build_plan(case.recipe, 1, planes), parity.hold_all(engine, planes)
    view = View("composite", 48, 36)
    full = engine.render(plan, inputs, view).astype(int)
    draft = engine.render(plan, inputs, replace(view, draft=2)).astype(int)
    assert 0 < np.abs(full - draft).mean() < 4


def test_kept_memory_is_used_again_and_never_shared(engine: CompiledEngine) -> None:
    """Our own rule, no outside source: what was handed out is not written to while it is held."""
    recipe = Recipe(extractors=starting_recipe().extractors)
    plates = [np.random.default_rng(n).random((3, 64, 64), np.float32) for n in (1, 2)]
    inputs = [gather(engine, recipe, 1, plate=plate) for plate in plates]
    plan = build_plan(recipe, 1, inputs[0].planes)
    first = engine.planes(plan, inputs[0], ["alpha"])["alpha"]
    kept = first.copy()
    addresses = set()
    for _ in range(6):
        addresses.add(engine.planes(plan, inputs[1], ["alpha"])["alpha"].ctypes.data)
    assert np.array_equal(first, kept)
    assert first.ctypes.data not in addresses
    assert len(addresses) < 3


def test_no_memory_is_told(engine: CompiledEngine, monkeypatch: pytest.MonkeyPatch) -> None:
    """Our own rule, no outside source: a launch that ran out of memory raises, twice at most."""
    launches = []

    def short(*given: object) -> int:
        launches.append(given)
        return 1

    recipe = starting_recipe()
    inputs = gather(engine, recipe, 1, plate=np.zeros((3, 8, 8), np.float32))
    monkeypatch.setattr(engine.device.library, "kernel", lambda *_: short)
    with pytest.raises(MemoryError):
        engine.planes(build_plan(recipe, 1, inputs.planes), inputs, ["alpha"])
    assert len(launches) == 2


def test_extractors_without_a_kernel_are_keyed_on_numpy(
    engine: CompiledEngine, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Our own rule, no outside source: a kind that only the reference has is no error."""
    recipe = starting_recipe()
    plate = np.random.default_rng(6).random((3, 16, 24), np.float32)
    inputs = gather(engine, recipe, 1, plate=plate)
    plan = build_plan(recipe, 1, inputs.planes)
    compiled_kernels = engine.planes(plan, inputs, ["alpha"])["alpha"]
    shown = engine.render(plan, inputs, View("composite", 12, 8))
    monkeypatch.setattr("kernels.cpu.compiled.served_kinds", frozenset)
    asked: list[str] = []
    monkeypatch.setattr(engine.device, "launch", lambda unit, *_, **__: asked.append(unit))
    tiles = engine.planes(plan, inputs, ["alpha"])["alpha"]
    again = engine.render(plan, inputs, View("composite", 12, 8))
    assert set(asked) <= {"planes"}  # nothing but a plane's way out
    assert np.abs(tiles - compiled_kernels).max() < 2e-5
    assert np.abs(again.astype(int) - shown).max() <= 1
