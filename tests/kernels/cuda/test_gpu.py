"""The CUDA engine on a real card: parity, both forms, regions, memory, JPEG on the card."""

from __future__ import annotations

import io
from concurrent.futures import wait
from typing import Any

import numpy as np
import pytest

from kernels import parity
from kernels.cpu.engine import CpuEngine
from kernels.engine import View
from kernels.inputs import gather
from kernels.plan import build_plan
from kernels.recipe import DespillPass, Recipe, ValueBand, starting_recipe

pytestmark = pytest.mark.gpu
RNG = np.random.default_rng(11)


def rich_recipe() -> Recipe:
    """Return a recipe with refinements, a masked pass, a light wrap."""
    recipe = starting_recipe()
    recipe.extractors.append(ValueBand(id="v", role="edge", strength=0.4))
    refine = recipe.extractors[0].refine
    refine.despeckle.holes_px, refine.guide.radius_px, refine.choke_px = 2.5, 5.0, 1.3
    refine.protect_edges.distance_px, refine.soften_px = 3.0, 2.0
    recipe.despill.append(DespillPass(id="m", mask="v", fill="background", fill_blur_px=9))
    recipe.assemble.light_wrap.amount = 0.4
    return recipe


def plate(height: int, width: int) -> np.ndarray[Any, Any]:
    """Return a random picture with values that half floats hold."""
    return RNG.random((3, height, width)).astype(np.float16).astype(np.float32)


@pytest.mark.parametrize("storage", ["float32", "float16"])
@pytest.mark.parametrize("form", ["array", "auto"])
def test_every_operation_equals_the_reference(card: Any, storage: str, form: str) -> None:
    """Source: `kernels.reference`, on random, tiny, odd, over-range and non-finite frames."""
    card.storage, card.card.form = storage, form
    found = parity.worst(parity.run([card]))
    bad = [d for d in found.values() if not d.good]
    card.storage, card.card.form = "float16", "auto"
    assert len(found) > 80
    assert not bad, "\n".join(f"{d.case} on {d.frame}: {d.error} > {d.tolerance}" for d in bad)


def test_the_swap_of_forms_moves_no_code_value(card: Any) -> None:
    """The general form serves at once; the specialised one takes over with the same picture."""
    recipe = rich_recipe()
    for width in (962, 960):  # the second one's boxes are even
        inputs = gather(card, recipe, 1, plate=plate(540, width))
        plan = build_plan(recipe, 1, inputs.planes)
        pictures = []
        for form in ("array", "special"):
            card.card.form = form
            card.forget()
            pictures.append(card.render(plan, inputs, View("composite", width // 4, 135)))
        assert np.array_equal(*pictures), width
    card.card.form = "auto"


def test_values_never_compile(card: Any) -> None:
    """After the first picture, changing values, on/off and strength asks for no compilation."""
    recipe = starting_recipe()
    inputs = gather(card, recipe, 1, plate=plate(64, 96))

    def render() -> None:
        card.render(build_plan(recipe, 1, inputs.planes), inputs, View("composite", 48, 32))

    render()
    known = set(card.card._special)
    recipe.extractors[0].strength = 0.5
    recipe.extractors[0].gain = 1.7
    recipe.despill[0].amount = 0.2
    recipe.despill[0].on = False
    render()
    assert set(card.card._special) == known


def test_cuda_and_cpu_render_the_same(card: Any) -> None:
    """Source: the cpu engine; a whole recipe at an odd size, within the table's tolerance."""
    from kernels.cuda.launch import CudaEngine

    del card  # the card is there; this engine holds float32, as `render` does
    recipe = rich_recipe()
    image = plate(301, 407)
    results = []
    for engine in (CudaEngine(storage="float32", warm=False), CpuEngine(2)):
        inputs = gather(engine, recipe, 1, plate=image)
        plan = build_plan(recipe, 1, inputs.planes)
        results.append(
            engine.planes(plan, inputs, ["alpha", "straight", "foreground", "composite"])
        )
        engine.close()
    for name, limit in (
        ("alpha", "guide"),
        ("foreground", "colour"),
        ("composite", "colour"),
        ("straight", "edge"),
    ):
        error = parity.difference(results[0][name], results[1][name])
        assert error <= 2 * parity.TOLERANCES[limit][0], name


def test_a_region_equals_the_whole_frame(card: Any) -> None:
    """Source: the whole frame's own result, at the border and inside."""
    recipe = rich_recipe()
    inputs = gather(card, recipe, 1, plate=plate(200, 260))
    plan = build_plan(recipe, 1, inputs.planes)
    whole = card.planes(plan, inputs, ["alpha", "composite"])
    for region in ((101, 63, 133, 95), (0, 0, 31, 17), (230, 180, 260, 200)):
        card.forget()
        x0, y0, x1, y1 = region
        part = card.planes(plan, inputs, ["alpha", "composite"], region)
        for name, plane in part.items():
            assert np.abs(plane - whole[name][..., y0:y1, x0:x1]).max() < 1e-5, (name, region)


def test_memory_is_steady_over_many_pictures(card: Any) -> None:
    """Two hundred changed pictures leave the pool as large as a hundred did.

    Our own rule, no outside source; by then the specialised form has taken over and planes of all
    sizes have been had once.
    """
    import cupy

    recipe = rich_recipe()
    inputs = gather(card, recipe, 1, plate=plate(360, 640))

    def pictures(count: int) -> int:
        for n in range(count):
            recipe.extractors[0].gain = 1 + n / 1000
            card.render(build_plan(recipe, 1, inputs.planes), inputs, View("composite", 320, 180))
        return int(cupy.get_default_memory_pool().total_bytes())

    after_few = pictures(100)
    assert pictures(200) <= after_few * 1.02


def test_running_out_of_memory_is_told_and_survived(card: Any) -> None:
    """With a limit below what a frame needs the caller gets a MemoryError, then goes on."""
    import cupy

    recipe = rich_recipe()
    inputs = gather(card, recipe, 1, plate=plate(540, 960))
    plan = build_plan(recipe, 1, inputs.planes)
    expected = card.render(plan, inputs, View("composite", 240, 135))
    card.forget()
    pool = cupy.get_default_memory_pool()
    pool.set_limit(size=pool.used_bytes() + (1 << 20))
    try:
        with pytest.raises(MemoryError):
            card.render(plan, inputs, View("composite", 240, 135))
        fetched = card.fetch(inputs.planes["plate"])
        assert fetched.shape == (3, 540, 960)
    finally:
        pool.set_limit(size=0)
    assert np.array_equal(card.render(plan, inputs, View("composite", 240, 135)), expected)


def test_jpeg_on_the_card_is_a_jpeg_of_the_picture(card: Any) -> None:
    """Source: Pillow decodes it; the encoder's loss at quality 95 and 4:4:4 is small."""
    if card.device_pictures is None:
        pytest.skip("nvImageCodec is not installed, so the card encodes no JPEG")
    from PIL import Image

    inputs = gather(card, starting_recipe(), 1, plate=np.full((3, 64, 96), 0.3, np.float32))
    plan = build_plan(starting_recipe(), 1, inputs.planes)
    picture = card.render_device(plan, inputs, View("plate", 96, 64))
    data = card.encode_jpeg(picture, 95, "444")
    decoded = np.asarray(Image.open(io.BytesIO(data)).convert("RGB")).astype(int)
    assert np.abs(decoded - card.device.download(picture)).max() <= 3


def test_a_structure_is_ready_within_seconds(card: Any) -> None:
    """The specialised form of a new structure compiles in the background and takes over."""
    recipe = Recipe(extractors=[ValueBand(id="z", channel="blue", space="log")])
    inputs = gather(card, recipe, 1, plate=plate(32, 48))
    plan = build_plan(recipe, 1, inputs.planes)
    card.render(plan, inputs, View("matte", 24, 16))
    assert not wait(list(card.card._special.values()), timeout=60).not_done
    assert all(future.exception() is None for future in card.card._special.values())
