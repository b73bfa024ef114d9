"""Views: pooling against exact means, stress, measures, and the 8-bit picture."""

from __future__ import annotations

import math
from typing import Any

import cv2
import numpy as np
import OpenImageIO as oiio
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kernels.engine import Look, Stress, View
from kernels.plan import AP1_WEIGHTS, VIEWS, Context, build_plan
from kernels.recipe import ChromaDistance, ColourDifference, Noise, Recipe, Screen
from kernels.reference import display, view
from kernels.reference.pool import pixel_ranges

GREEN = Context("green", (0.05, 0.35, 0.07), Noise())
RNG = np.random.default_rng(1)


def a_view(name: Any, width: int = 8, height: int = 6, **settings_: Any) -> View:
    return View(name=name, width=width, height=height, **settings_)


def planes_of(height: int = 18, width: int = 24, seed: int = 2) -> dict[str, Any]:
    rng = np.random.default_rng(seed)
    names = ("plate", "denoised", "clean", "despilled", "foreground", "composite")
    planes: dict[str, Any] = {
        name: rng.uniform(-0.1, 1.5, (3, height, width)).astype(np.float32) for name in names
    }
    for name in ("alpha", "error", "matte:one", "matte:two"):
        planes[name] = rng.uniform(0, 1, (height, width)).astype(np.float32)
    return planes


def plan_of(noise: Noise | None = None) -> Any:
    recipe = Recipe(
        screen=Screen(noise=noise or Noise(offset=(1e-4, 1e-4, 1e-4))),
        extractors=[ColourDifference(id="one"), ChromaDistance(id="two")],
    )
    return build_plan(recipe, 1, ("plate", "clean"))


# ---------------------------------------------------------------- area average


def test_whole_blocks_are_exact_means() -> None:
    """Source: numpy means of the blocks."""
    image = RNG.uniform(-1, 4, (3, 12, 20))
    got = view.downscale_area(image, (0, 0, 20, 12), 5, 4)
    blocks = image.reshape(3, 4, 3, 5, 4).mean(axis=(2, 4))
    np.testing.assert_allclose(got, blocks, atol=1e-12)
    part = view.downscale_area(image, (4, 3, 16, 9), 3, 2)
    np.testing.assert_allclose(part, blocks[:, 1:3, 1:4], atol=1e-12)


@pytest.mark.parametrize(("w", "h"), [(20, 12), (10, 6), (5, 4), (4, 3), (1, 1), (2, 12)])
def test_whole_ratios_meet_openimageio(w: int, h: int) -> None:
    """Source: OpenImageIO 3, ImageBufAlgo.resize with a box filter."""
    image = RNG.uniform(-1, 4, (3, 12, 20)).astype(np.float32)
    source = oiio.ImageBuf(oiio.ImageSpec(20, 12, 3, "float"))
    assert source.set_pixels(oiio.ROI(), np.ascontiguousarray(np.moveaxis(image, 0, -1)))
    resized = oiio.ImageBufAlgo.resize(source, filtername="box", roi=oiio.ROI(0, w, 0, h))
    oracle = np.moveaxis(resized.get_pixels("float"), -1, 0)
    got = view.downscale_area(image, (0, 0, 20, 12), w, h)
    assert got.dtype == np.float32
    np.testing.assert_allclose(got, oracle, atol=2e-6)


@given(st.integers(1, 23), st.integers(1, 23), st.floats(0, 1), st.floats(0, 1), st.integers(0, 99))
@settings(max_examples=60, deadline=None)
def test_any_ratio_meets_opencvs_area_average(
    h: int, w: int, down: float, across: float, seed: int
) -> None:
    """Source: OpenCV, resize with INTER_AREA when shrinking (its own float sums)."""
    out_h, out_w = 1 + int(down * (h - 1)), 1 + int(across * (w - 1))
    image = np.random.default_rng(seed).uniform(-1, 4, (h, w)).astype(np.float32)
    oracle = cv2.resize(image, (out_w, out_h), interpolation=cv2.INTER_AREA)
    got = view.downscale_area(image, (0, 0, w, h), out_w, out_h)
    np.testing.assert_allclose(got, oracle.reshape(out_h, out_w), atol=2e-5)


def test_fractional_boxes_are_exact_areas() -> None:
    """Source: the mean of the same box on pixels repeated ten times each way."""
    image = RNG.uniform(-1, 4, (2, 9, 11))
    fine = np.repeat(np.repeat(image, 10, axis=1), 10, axis=2)
    got = view.downscale_area(image, (1.3, 0.7, 9.1, 8.5), 3, 2)
    for y in range(2):
        for x in range(3):
            box = fine[:, 7 + 39 * y : 46 + 39 * y, 13 + 26 * x : 39 + 26 * x]
            np.testing.assert_allclose(got[:, y, x], box.mean(axis=(1, 2)), atol=1e-12)


def test_enlarged_pixels_show_as_squares() -> None:
    """Source: numpy.repeat."""
    image = RNG.uniform(0, 1, (3, 4, 5)).astype(np.float32)
    got = view.downscale_area(image, (1, 1, 4, 3), 12, 8)
    np.testing.assert_array_equal(got, image[:, 1:3, 1:4].repeat(4, axis=1).repeat(4, axis=2))


def test_full_size_is_the_identity() -> None:
    """Source: the identity setting."""
    image = RNG.uniform(0, 1, (3, 4, 5)).astype(np.float32)
    assert view.downscale_area(image, (0, 0, 5, 4), 5, 4) is image
    part = view.downscale_area(image, (1, 2, 4, 4), 3, 2)
    np.testing.assert_array_equal(part, image[:, 2:4, 1:4])


@given(st.integers(1, 40), st.integers(1, 40), st.floats(0, 1), st.floats(0, 1), st.integers(1, 50))
def test_boxes_touch_pixels_inside_the_picture(
    size: int, other: int, start: float, stop: float, count: int
) -> None:
    """Source: each box holds at least one pixel, neighbours follow one another."""
    a, b = sorted((start * size, stop * size))
    first, end = pixel_ranges(a, max(b, a + 1e-3), count, size)
    assert (first >= 0).all()
    assert (end <= size).all()
    assert (end > first).all()
    assert (np.diff(first) >= 0).all()
    mean = view.downscale_area(np.full((size, other), 0.7), (0, 0, other, size), 3, count)
    np.testing.assert_allclose(mean, 0.7, atol=1e-12)


# ---------------------------------------------------------------- stress


def test_stress_worked_by_hand() -> None:
    """Source: worked by hand: clamp(gain x)^(1/gamma) of alpha or of 1 - alpha."""
    alpha = np.array([[0.0, 0.01, 0.5, 0.99, 1.0]])
    assert view.stress(alpha, Stress()) is alpha
    screen = view.stress(alpha, Stress("screen", gain=8.0, gamma=2.0))
    assert screen.ravel() == pytest.approx([0, math.sqrt(0.08), 1, 1, 1])
    core = view.stress(alpha, Stress("core", gain=8.0, gamma=2.0))
    assert core.ravel() == pytest.approx([0, 0, 0, 1 - math.sqrt(0.08), 1])


def test_one_speck_of_a_uhd_frame_is_seen() -> None:
    """Source: worked by hand: 255 (8 * 0.05) = 102, at any place, at least 90 asked for."""
    plan, shown = plan_of(), a_view("matte", 960, 540, stress=Stress("screen", gain=8.0))
    for y, x in ((0, 0), (1079, 1921), (2159, 3839)):
        alpha = np.zeros((2160, 3840), np.float32)
        alpha[y, x] = 0.05
        source = view.view_source(plan, shown, {"alpha": alpha})
        code = view.finish_view(view.pool_view(source, shown), shown)
        assert code.shape == (540, 960, 3)
        assert code.max() == 102
        assert code.max(axis=2).astype(bool).sum() == 1
    hole = a_view("matte", 100, 90, stress=Stress("core", gain=8.0))
    solid = np.ones((1000, 1000), np.float32)
    solid[777, 123] = 0.95
    pooled = view.pool_view(view.view_source(plan, hole, {"alpha": solid}), hole)
    assert pooled.min() == pytest.approx(0.6, abs=1e-6)
    plain = a_view("matte", 100, 90)
    assert view.pool_view(solid, plain).min() > 0.999


@given(
    st.integers(1, 30),
    st.integers(1, 30),
    st.integers(1, 30),
    st.integers(1, 30),
    st.integers(0, 99),
)
@settings(max_examples=60, deadline=None)
def test_extremum_pooling_meets_brute_force(h: int, w: int, oh: int, ow: int, seed: int) -> None:
    """Source: the largest and smallest of all pixels a box touches, one box at a time."""
    plane = np.random.default_rng(seed).normal(size=(h, w)).astype(np.float32)
    box = (0, 0, w, h)
    largest = view.pool_extremum(plane, box, ow, oh, "max")
    smallest = view.pool_extremum(plane, box, ow, oh, "min")
    if oh <= h and ow <= w:
        for y in range(oh):
            for x in range(ow):
                rows = slice(y * h // oh, -(-(y + 1) * h // oh))
                part = plane[rows, x * w // ow : -(-(x + 1) * w // ow)]
                assert largest[y, x] == part.max()
                assert smallest[y, x] == part.min()
        assert largest.max() == plane.max()
    mean = view.downscale_area(plane, box, ow, oh)
    assert (largest >= mean - 1e-5).all()
    assert (smallest <= mean + 1e-5).all()


# ---------------------------------------------------------------- measures


def test_evenness_shows_a_known_falloff_in_stops() -> None:
    """Source: a synthetic screen falling from half a stop over to one stop under."""
    stops = np.linspace(0.5, -1, 200).reshape(1, -1) * np.ones((10, 1))
    c = np.array(GREEN.screen).reshape(3, 1, 1)
    screen = c * 2.0**stops
    screen[:, :, :20] = 0.4  # a grey subject
    got = view.evenness(screen, GREEN)
    assert np.all(got[1, :, 20:] == 1)
    assert np.all(got[:2, :, :20] == 0)
    np.testing.assert_allclose(got[0, :, 20:], stops[:, 20:], atol=1e-12)
    other = view.evenness(screen, GREEN, level=0.7)
    np.testing.assert_allclose(other[0, :, 20:], stops[:, 20:] - 1, atol=1e-12)
    grey = view.evenness(screen, Context("green", (0.3, 0.3, 0.3), Noise()))
    assert np.all(grey[1] == 0)


def test_evenness_picture_is_coloured_by_stops() -> None:
    """Source: the table's ends and middle at -1, +1 and 0 stops; a dim grey for the subject."""
    shown, plan = a_view("evenness", 4, 1), plan_of()
    c = np.array(GREEN.screen).reshape(3, 1, 1)
    plate = np.concatenate([c * f for f in (0.5, 1.0, 2.0)] + [np.full((3, 1, 1), 0.5)], axis=2)
    code = view.finish_view(view.view_source(plan, shown, {"plate": plate}), shown)
    table = display.false_colour_table()
    middle = (table[127] + table[128]) / 2
    for x, colour in enumerate((table[0], middle, table[255])):
        np.testing.assert_allclose(code[0, x] / 255, colour, atol=0.51 / 255)
    dim = 0.35 * display.srgb_encode(np.array(0.5)).item()
    np.testing.assert_allclose(code[0, 3] / 255, [dim] * 3, atol=0.51 / 255)


def test_alpha_noise_is_met_by_least_squares_on_noisy_pixels() -> None:
    """Source: the Cramer-Rao bound, met by generalised least squares with known F, c and noise
    (20000 noisy pixels at alpha 0.5, correlated noise)."""
    noise = Noise(gain=(1e-3, 5e-4, 2e-3), offset=(1e-4, 1e-4, 2e-4), correlation=(0.4, -0.2, 0.3))
    ctx = Context("green", (0.05, 0.35, 0.07), noise)
    c, f = np.array(ctx.screen), np.array([0.3, 0.25, 0.2])
    p = 0.5 * f + 0.5 * c
    got = view.alpha_noise(*(x.reshape(3, 1, 1) for x in (p, f, c)), ctx)
    sd = np.sqrt(np.array(noise.gain) * p + np.array(noise.offset))
    rg, rb, gb = noise.correlation
    covariance = np.array([[1, rg, rb], [rg, 1, gb], [rb, gb, 1]]) * np.outer(sd, sd)
    seen = np.random.default_rng(3).multivariate_normal(p, covariance, 20000)
    whiten = np.linalg.inv(np.linalg.cholesky(covariance))
    alphas = [
        np.linalg.lstsq(whiten @ (f - c)[:, None], whiten @ (s - c), rcond=None)[0][0] for s in seen
    ]
    assert got[0].item() == pytest.approx(np.std(alphas), rel=0.03)
    assert got[1].item() == 1
    silent = view.alpha_noise(*(x.reshape(3, 1, 1) for x in (p, f, c)), GREEN)
    assert np.all(silent[:2] == 0)
    blind = view.alpha_noise(*(x.reshape(3, 1, 1) for x in (p, c, c)), ctx)
    assert blind[0].item() == 1


def test_deciding_extractor() -> None:
    """Source: worked by hand: the combine that changes the combined matte most."""
    one, two = ColourDifference(role="core"), ChromaDistance(role="core")
    first = np.array([[0.8, 0.2, 0.0, 0.5, 0.001]])
    second = np.array([[0.9, 0.9, 0.0, 0.5, 0.001]])
    assert view.deciding_index([(first, one), (second, two)]).tolist() == [[0, 1, -1, 0, -1]]
    hole = ChromaDistance(combine="subtract")
    assert view.deciding_index([(first, one), (second, hole)])[0, 0] == 1
    colours = view.deciding([(first, one), (second, two)], np.ones((1, 5)))
    shown = display.srgb_encode(colours)
    np.testing.assert_allclose(shown[:, 0, 0], display.PALETTE[0], atol=1e-6)
    np.testing.assert_allclose(shown[:, 0, 1], display.PALETTE[1], atol=1e-6)
    np.testing.assert_allclose(colours[:, 0, 2], 0.02)
    assert view.deciding([], np.ones((2, 2))).shape == (3, 2, 2)


def test_spill_is_the_light_taken_out() -> None:
    """Source: worked by hand: max(0, p - N)."""
    planes = {
        "plate": np.array([0.1, 0.6, 0.3]).reshape(3, 1, 1),
        "despilled": np.array([0.2, 0.3, 0.3]).reshape(3, 1, 1),
    }
    got = view.view_source(plan_of(), a_view("spill"), planes)
    assert got.ravel() == pytest.approx([0, 0.3, 0])


# ---------------------------------------------------------------- whole views


@pytest.mark.parametrize("name", VIEWS)
@pytest.mark.parametrize("size", [(18, 24), (1, 1), (7, 13)])
def test_every_view_makes_a_picture(name: Any, size: tuple[int, int]) -> None:
    """Source: the engine's protocol: (height, width, 3) 8-bit, float32 or float64 alike."""
    plan, planes, shown = plan_of(), planes_of(*size), a_view(name)
    results = []
    for dtype in (np.float32, np.float64):
        held = {key: plane.astype(dtype) for key, plane in planes.items()}
        needed = {key: held[key] for key in view.view_needs(plan, shown)}
        source = view.view_source(plan, shown, {"plate": held["plate"], **needed})
        assert source.dtype == dtype
        assert source.shape[-2:] == size
        results.append(view.finish_view(view.pool_view(source, shown), shown))
    for code in results:
        assert code.shape == (6, 8, 3)
        assert code.dtype == np.uint8
    assert np.abs(results[0].astype(int) - results[1]).max() <= 1


@pytest.mark.parametrize("name", VIEWS)
def test_view_sources_of_tiles_equal_the_whole(name: Any) -> None:
    """Source: pointwise work cannot depend on the tile."""
    plan, planes, shown = plan_of(), planes_of(19, 37), a_view(name, stress=Stress("core"))
    whole = view.view_source(plan, shown, planes)
    for rows in (slice(0, 8), slice(8, 19)):
        for columns in (slice(0, 5), slice(5, 37)):
            tile = {key: plane[..., rows, columns] for key, plane in planes.items()}
            got = view.view_source(plan, shown, tile)
            assert np.array_equal(got, whole[..., rows, columns])


def test_planes_that_are_missing_have_stand_ins() -> None:
    """Common practice, no source: the plate for the denoised pass, the flat screen for the
    clean plate."""
    plan, plate = plan_of(), planes_of()["plate"]
    assert view.view_source(plan, a_view("denoised"), {"plate": plate}) is plate
    flat = view.view_source(plan, a_view("clean_plate"), {"plate": plate})
    assert flat.shape == plate.shape
    assert flat[:, 3, 4] == pytest.approx(GREEN.screen)


def test_mattes_are_raw_and_pictures_go_through_look_channel_and_display() -> None:
    """Source: the operations, each checked by itself in test_display."""
    planes, plan = planes_of(), plan_of()
    matte = a_view("matte", look=Look(exposure_stops=3.0), channel="red", extractor="two")
    source = view.view_source(plan, matte, planes)
    assert source is planes["matte:two"]
    np.testing.assert_array_equal(view.finish_view(source, matte), display.to_8bit(source))
    p = Look(exposure_stops=0.5, saturation=0.8)
    shown = a_view("composite", look=p, channel="luminance")
    got = view.finish_view(planes["composite"], shown)
    grey = display.pick_channel(display.look(planes["composite"], p), "luminance", AP1_WEIGHTS)
    np.testing.assert_array_equal(got, display.to_8bit(display.srgb_display(grey)))


def test_pictures_are_averaged_in_linear_light() -> None:
    """Source: worked by hand: black and white pixels average to 0.5 of the light, code 188."""
    checks = np.indices((8, 8)).sum(axis=0) % 2 * np.ones((3, 1, 1))
    shown = a_view("composite", 2, 2)
    code = view.finish_view(view.pool_view(checks, shown), shown)
    assert np.all(code == 188)
