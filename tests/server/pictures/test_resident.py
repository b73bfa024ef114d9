"""Pictures that a recipe names: what is wrong with them, and when they are tried again."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from kernels.cpu.engine import CpuEngine
from kernels.recipe import Recipe
from server.media import open_shot, write_exr
from server.media.roots import MediaRoots
from server.pictures import resident as opened
from server.store.frame_types import Budget
from server.store.frames import FrameStore


def test_a_picture_that_was_missing_is_tried_again_and_then_nothing_is_wrong(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Common practice, no source: who is told to put a file there, expects it to be found then."""
    picture = {"": np.full((3, 8, 8), 0.2, np.float32)}
    write_exr(tmp_path / "plate.exr", picture)
    engine = CpuEngine(1)
    store = FrameStore(Budget(1 << 20, 1 << 20, 0))
    shot = open_shot(tmp_path / "plate.exr")
    one = opened.ResidentShot(shot, 1, engine, store, MediaRoots([tmp_path]))
    recipe = Recipe()
    recipe.screen.clean_plate, recipe.screen.clean_plate_path = "file", "bare.exr"
    [plate] = one.missing(recipe)
    assert one.open_companion(plate)
    assert "bare.exr" in one.troubles(recipe)[0]
    assert one.troubles(Recipe()) == []  # a recipe that does not name it is not bothered
    assert one.missing(recipe) == []  # not again at once
    monkeypatch.setattr(opened, "RETRY_S", -1.0)
    assert not one.open_companion(plate)  # no news: it fails as before
    assert one.missing(recipe) == [plate]
    write_exr(tmp_path / "bare.exr", picture)
    assert one.open_companion(plate)
    assert one.troubles(recipe) == []
    assert one.missing(recipe) == []
    one.close()
    store.close_all()
    engine.close()
