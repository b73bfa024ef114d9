"""Comparing renders of two engines: equal ones match, a changed one is caught."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from kernels.cpu.engine import CpuEngine
from kernels.recipe import starting_recipe
from kernels.recipe_file import save_recipe
from server.bench import engine_match
from server.media import write_exr


@pytest.fixture
def shot(tmp_path: Path) -> tuple[str, str]:
    """A two-frame shot and its recipe."""
    rng = np.random.default_rng(4)
    for frame in (1001, 1002):
        plate = rng.random((3, 20, 30), np.float32)
        write_exr(tmp_path / f"a.{frame}.exr", {"": plate}, interop_id="lin_ap1_scene")
    recipe = save_recipe(starting_recipe(), tmp_path / "key.json")
    return str(tmp_path / "a.####.exr"), str(recipe)


def test_the_same_engine_matches_itself(shot: tuple[str, str]) -> None:
    """Source: the same arithmetic gives the same bits."""
    found = engine_match.engine_match(*shot, engines=("cpu", "cpu"))
    assert found["frames"] == 2
    assert len(found["channels"]) == 11
    assert all(error == 0 for error, _ in found["channels"].values())


def test_an_engine_that_differs_is_caught(
    shot: tuple[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Our own rule, no outside source: a check that cannot fail is no check."""
    turns = iter([0.0, 0.01])
    original = CpuEngine.planes

    class Off(CpuEngine):
        def __init__(self, *_: object) -> None:
            super().__init__(1)
            self.off = next(turns)

        def planes(self, *given, **more):  # type: ignore[no-untyped-def]
            made = original(self, *given, **more)
            return {name: plane + np.float32(self.off) for name, plane in made.items()}

    monkeypatch.setenv("VERDIGRIS_CPU_LEVEL", "numpy")
    monkeypatch.setattr("kernels.cpu.engine.CpuEngine", Off)
    found = engine_match.engine_match(*shot, engines=("cpu", "cpu"))
    assert "alpha.A" in found["over_tolerance"]
