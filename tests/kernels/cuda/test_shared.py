"""Long work on a card goes in bands through the engine's thread and gives what one call gives."""

from __future__ import annotations

import numpy as np

from kernels.cuda.runner import DeviceEngine
from kernels.inputs import gather
from kernels.plan import build_plan
from kernels.recipe import starting_recipe
from server.pictures import renderer
from server.pictures.renderer import RenderThread, SharedEngine
from tests.kernels.cuda.host import HostDevice


def test_bands_equal_one_call() -> None:
    """Source: the engine's own whole frame; sources are held in float32, not in the page's half."""
    engine, thread = DeviceEngine(HostDevice(), storage="float16"), RenderThread("test")
    shared = SharedEngine(engine, thread)
    recipe = starting_recipe()
    recipe.extractors[0].refine.soften_px = 2.0
    plate = np.random.default_rng(2).random((3, 90, 70), np.float32)
    try:
        inputs = gather(shared, recipe, 1, plate=plate)
        assert not inputs.planes["plate"].half
        plan = build_plan(recipe, 1, inputs.planes)
        whole = engine.planes(plan, inputs, ["alpha", "foreground"])
        asked: list[object] = []
        planes = engine.planes
        engine.planes = lambda *a: (asked.append(a[-1]), planes(*a))[1]  # type: ignore[method-assign]
        renderer.BAND_PIXELS, kept = 70 * 32, renderer.BAND_PIXELS
        try:
            banded = shared.planes(plan, inputs, ["alpha", "foreground"])
        finally:
            renderer.BAND_PIXELS = kept
    finally:
        thread.close()
    assert asked == [(0, 0, 70, 32), (0, 32, 70, 64), (0, 64, 70, 90)]
    for name, plane in whole.items():
        assert np.abs(banded[name] - plane).max() < 1e-5, name
