"""Every operation's device code, compiled as C++ and run on the processor, against the reference.

Source: `kernels.reference`, which the tests of `tests/kernels` compare with sources outside.
"""

from __future__ import annotations

import numpy as np
import pytest

from kernels import parity
from kernels.cuda.runner import DeviceEngine
from kernels.engine import View
from kernels.inputs import gather
from kernels.parity_cases import cases
from kernels.plan import build_plan
from kernels.recipe import (
    Background,
    ColourDifference,
    CurvePoint,
    DespillPass,
    HueBand,
    HueCurve,
    Recipe,
    Refine,
    starting_recipe,
)
from kernels.reference.background import place
from kernels.reference.execute import planes as reference_planes
from tests.kernels.cuda.host import HostDevice

RNG = np.random.default_rng(5)


def check(engine: DeviceEngine, names: tuple[str, ...], *, views: bool = False) -> None:
    """Assert that the named cases (by their first words) are within tolerance on every frame."""
    found = parity.worst(parity.run([engine], only=lambda c: c.name.startswith(names), views=views))
    assert found
    bad = [d for d in found.values() if not d.good]
    assert not bad, "\n".join(f"{d.case} on {d.frame}: {d.error} > {d.tolerance}" for d in bad)


@pytest.mark.parametrize("name", sorted({case.name.split()[0] for case in cases()}))
def test_operations_equal_the_reference(emulated: DeviceEngine, name: str) -> None:
    """Source: `kernels.reference`, on random, tiny, odd, over-range and non-finite frames."""
    check(emulated, (name,))


def test_the_general_form_has_each_operation_in_its_lean_size() -> None:
    """Source: `kernels.reference`; half storage, with and without a clean plate."""
    device = HostDevice("array")
    check(DeviceEngine(device, storage="float16"), ("key",))
    assert {(1, True), (1, False)} <= device.lean_sizes


def test_views_equal_the_reference(emulated: DeviceEngine) -> None:
    """Source: `kernels.reference.view`: at most one 8-bit code value apart, sizes up and down."""
    check(emulated, ("no extractor",), views=True)


@pytest.mark.parametrize(
    "name", ["combine average", "despill hue curves", "straight unmix", "screen_light", "regrain"]
)
def test_the_specialised_form_equals_the_reference(name: str) -> None:
    """Source: `kernels.reference`; structure compiled in gives the same within the tolerances."""
    check(DeviceEngine(HostDevice("special"), storage="float32"), (name,))


@pytest.mark.parametrize(
    ("size", "kernel"),
    [((31, 17), "preview"), ((40, 24), "preview_even"), ((10, 6), "preview_even")],
)
def test_both_forms_give_the_same_code_values(size: tuple[int, int], kernel: str) -> None:
    """The swap from the general to the specialised form moves no 8-bit code value."""
    recipe = starting_recipe()
    pictures = []
    for form in ("array", "full", "special"):
        device = HostDevice(form)
        engine = DeviceEngine(device)
        inputs = gather(engine, recipe, 1, plate=np.random.default_rng(3).random((3, 48, 160)))
        plan = build_plan(recipe, 1, inputs.planes)
        pictures.append(engine.render(plan, inputs, View("composite", *size)))
        assert kernel in device.launches
    assert np.array_equal(pictures[0], pictures[1])
    assert np.array_equal(pictures[0], pictures[2])


@pytest.mark.parametrize(
    ("unit", "old", "new", "name"),
    [
        ("pointwise", "0.0f : divided(e, screen)", "0.0f : e", "colour_diff"),
        ("pointwise", "1.0f - (1.0f - a[p]) * (1.0f - m[p])", "m[p]", "combine union"),
        ("pointwise", "line.x + line.y * turn", "line.x + line.y", "despill hue"),
        ("blur", "sum[o] += weight * v[(o + s) % COLUMN_OUT]", "sum[o] += weight * v[o]", "light"),
        ("refine", "highest == -INFINITY ? INFINITY : highest", "highest", "refine despeckle"),
        ("refine", "mean_p - slope * mean_i", "mean_p + slope * mean_i", "refine guide"),
        ("refine", "i / count, wide, n)", "i / count, wide, wide)", "squeezed refine despeckle"),
        ("refine", "(a, x + i, y, INFINITY)", "(a, x, y, INFINITY)", "squeezed refine choke"),
    ],
)
def test_a_broken_kernel_is_caught(unit: str, old: str, new: str, name: str) -> None:
    """The comparison can fail: kernels broken on purpose are over tolerance."""
    engine = DeviceEngine(HostDevice(change=(unit, (old, new))), storage="float32")
    found = parity.run([engine], only=lambda c: c.name.startswith(name), views=False)
    assert any(not d.good for d in found)


@pytest.mark.parametrize("aspect", [1.0, 2.0, 0.75])
def test_a_region_equals_the_whole_frame(emulated: DeviceEngine, aspect: float) -> None:
    """Source: the whole frame's own result; the halos of all refinements are declared."""
    refine = Refine(choke_px=-2.5, soften_px=1.5)
    refine.despeckle.holes_px, refine.guide.radius_px, refine.protect_edges.distance_px = (
        3.0,
        4.0,
        5.0,
    )
    recipe = Recipe(extractors=[ColourDifference(id="a", refine=refine)], refine=refine)
    recipe.assemble.light_wrap.amount = 0.5
    recipe.assemble.light_wrap.reach_px = 3.0
    inputs = gather(emulated, recipe, 1, plate=RNG.random((3, 120, 150), np.float32))
    plan = build_plan(recipe, 1, inputs.planes, pixel_aspect=aspect)
    whole = emulated.planes(plan, inputs, ["alpha", "composite"])
    emulated.forget()
    x0, y0, x1, y1 = region = (71, 33, 90, 59)
    part = emulated.planes(plan, inputs, ["alpha", "composite"], region)
    for name, plane in part.items():
        assert np.abs(plane - whole[name][..., y0:y1, x0:x1]).max() < 1e-5, name


def test_half_storage_of_half_values_changes_nothing() -> None:
    """Values that half floats hold exactly give the same results from half and float storage."""
    recipe = starting_recipe()
    plate = np.random.default_rng(9).random((3, 40, 52)).astype(np.float16).astype(np.float32)
    results = []
    for storage in ("float16", "float32"):
        engine = DeviceEngine(HostDevice(), storage=storage)
        inputs = gather(engine, recipe, 1, plate=plate)
        plan = build_plan(recipe, 1, inputs.planes)
        results.append(engine.planes(plan, inputs, ["alpha", "foreground"]))
    assert np.array_equal(results[0]["alpha"], results[1]["alpha"])
    assert np.array_equal(results[0]["foreground"], results[1]["foreground"])


@pytest.mark.parametrize("shape", [(3, 5, 7), (5, 7), (3, 1, 1), (3, 16, 64)])
@pytest.mark.parametrize("dtype", [np.float16, np.float32, np.float64])
def test_held_images_come_back(shape: tuple[int, ...], dtype: type, emulated: DeviceEngine) -> None:
    """What is held is fetched: values of half precision to the bit, whatever the type given."""
    image = RNG.normal(0, 3, shape).astype(np.float16).astype(dtype)
    assert np.array_equal(emulated.fetch(emulated.hold(image)), image.astype(np.float32))


def test_values_beyond_half_are_held_at_its_end() -> None:
    """Common practice, no source: over-range light never becomes infinite in half storage."""
    engine = DeviceEngine(HostDevice(), storage="float16")
    image = np.array([1e6, -1e6, np.inf, np.nan], np.float32).reshape(1, 1, 4).repeat(3, 0)
    assert engine.fetch(engine.hold(image))[0, 0].tolist() == [65504.0, -65504.0, 65504.0, 0.0]


def test_stages_are_made_once_until_something_changes(emulated: DeviceEngine) -> None:
    """A change of the despiller leaves the refined matte; a change of its extractor does not."""
    recipe = starting_recipe()
    recipe.extractors[0].refine.soften_px = 1.5
    inputs = gather(emulated, recipe, 1, plate=RNG.random((3, 20, 30), np.float32))
    device = emulated.device

    def blurs_of(change: Recipe) -> int:
        device.launches.clear()
        emulated.render(build_plan(change, 1, inputs.planes), inputs, View("composite", 15, 10))
        return device.launches.count("blur_rows")

    assert blurs_of(recipe) == 1
    assert blurs_of(recipe) == 0
    recipe.despill[0].amount = 0.3
    assert blurs_of(recipe) == 0
    recipe.extractors[0].gain = 1.3
    assert blurs_of(recipe) == 1


class _Short(HostDevice):
    """A device on which memory runs out once."""

    def __init__(self) -> None:
        super().__init__()
        self.short = 0

    def empty(self, shape: tuple[int, ...], dtype: object) -> np.ndarray:
        if self.short:
            self.short -= 1
            raise MemoryError
        return super().empty(shape, dtype)


def test_running_out_of_memory_once_is_survived_and_twice_is_told() -> None:
    """Kept planes are dropped and the work is done again; if that fails too the caller hears it."""
    device = _Short()
    engine = DeviceEngine(device)
    recipe = starting_recipe()
    plate = RNG.random((3, 16, 24), np.float32)
    inputs = gather(engine, recipe, 1, plate=plate)
    plan = build_plan(recipe, 1, inputs.planes)
    whole = engine.planes(plan, inputs, ["alpha"])
    device.short = 1
    again = engine.planes(plan, inputs, ["alpha"])
    assert np.array_equal(again["alpha"], whole["alpha"])
    device.short = 2
    with pytest.raises(MemoryError):
        engine.planes(plan, inputs, ["alpha"])
    device.short = 0
    fetched = engine.fetch(inputs.planes["plate"])
    expected = reference_planes(plan, {"plate": fetched}, ["alpha"])["alpha"]
    assert np.abs(whole["alpha"] - expected).max() < 2e-5


def test_unknown_names_are_refused(emulated: DeviceEngine) -> None:
    """Both engines raise on a plane or an extractor that is not there."""
    inputs = gather(emulated, starting_recipe(), 1, plate=np.zeros((3, 4, 4), np.float32))
    plan = build_plan(starting_recipe(), 1, inputs.planes)
    with pytest.raises(ValueError, match="no plane 'depth'"):
        emulated.planes(plan, inputs, ["depth"])
    with pytest.raises(KeyError, match="no extractor 'zzz'"):
        emulated.planes(plan, inputs, ["extractor:zzz"])


def test_hue_curves_hold_at_the_borders_of_the_sectors(emulated: DeviceEngine) -> None:
    """Source: `kernels.reference`: primaries, secondaries, greys and what lies just beside them."""
    points = [CurvePoint(hue_deg=h, value=v) for h, v in ((0, 0.2), (110, 1.3), (300, 0.6))]
    bent = HueCurve(points=points)
    recipe = Recipe(
        extractors=[HueBand(id="a", hue_deg=310, spread_deg=45, fade_deg=30)],
        despill=[DespillPass(id="n", spill_by_hue=bent, saturation_by_hue=bent)],
    )
    corners = np.array([[r, g, b] for r in (0, 1) for g in (0, 1) for b in (0, 1)], np.float32)
    shifts = np.array([0, 1e-7, -1e-7, 1e-4, -1e-4, 0.01], np.float32)
    ways = np.eye(3, dtype=np.float32)[:, None] * shifts[:, None]  # a channel, by a shift
    beside = corners[:, None, None] + ways
    plate = np.ascontiguousarray(np.moveaxis(beside.reshape(8, 18, 3), 2, 0))
    inputs = gather(emulated, recipe, 1, plate=plate)
    plan = build_plan(recipe, 1, inputs.planes)
    got = emulated.planes(plan, inputs, ["despilled", "extractor:a"])
    expected = reference_planes(plan, {"plate": plate}, ["despilled", "extractor:a"])
    for name in got:
        assert np.abs(got[name] - expected[name]).max() < 1e-5, name


@pytest.mark.parametrize("aspect", [1.0, 2.0])
def test_defocus_follows_the_pixel_aspect(emulated: DeviceEngine, aspect: float) -> None:
    """Source: `kernels.reference.background.place`."""
    p = Background(kind="picture", defocus_px=4.0)
    picture = RNG.random((3, 30, 44), np.float32)
    got = emulated.place(emulated.hold(picture), p, 44, 30, pixel_aspect=aspect)
    expected = place(picture, p, 44, 30, pixel_aspect=aspect)
    assert np.abs(emulated.fetch(got) - expected).max() < 1e-5


def test_square_pixels_take_no_pass_of_their_own(emulated: DeviceEngine) -> None:
    """With an aspect of 1 the launches are those without one. Our own rule, no outside source."""
    refine = Refine(choke_px=2.5, soften_px=1.5)
    recipe = Recipe(extractors=[ColourDifference(id="a", refine=refine)])
    inputs = gather(emulated, recipe, 1, plate=RNG.random((3, 20, 30), np.float32))
    made = []
    for aspect in (1.0, 2.0):
        emulated.device.launches.clear()
        plan = build_plan(recipe, 1, inputs.planes, pixel_aspect=aspect)
        emulated.planes(plan, inputs, ["alpha"])
        made.append([name for name in emulated.device.launches if name.startswith("erode")])
    assert made[0] == ["erode"]
    assert set(made[1]) == {"erode_line", "erode_arms", "erode_mix"}


@pytest.mark.parametrize("aspect", [0.5, 2.0])
def test_the_largest_settings_run_with_pixels_that_are_not_square(
    emulated: DeviceEngine, aspect: float
) -> None:
    """Source: `kernels.reference`: the limits of boxes and windows across are the same."""
    refine = Refine(choke_px=-32)
    refine.despeckle.holes_px, refine.guide.radius_px = 24.0, 64.0
    recipe = Recipe(extractors=[HueBand(id="a", hue_deg=120, refine=refine)])
    plate = np.random.default_rng(8).random((3, 40, 150)).astype(np.float16).astype(np.float32)
    inputs = gather(emulated, recipe, 1, plate=plate)
    plan = build_plan(recipe, 1, inputs.planes, pixel_aspect=aspect)
    got = emulated.planes(plan, inputs, ["alpha"])["alpha"]
    expected = reference_planes(plan, {"plate": plate}, ["alpha"])["alpha"]
    assert np.abs(got - expected).max() < 5e-5
