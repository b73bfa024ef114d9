"""Edge colour, over, carry and light wrap against the compositing algebra and OpenImageIO."""

from __future__ import annotations

from typing import Any

import numpy as np
import OpenImageIO as oiio
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kernels.plan import Context, build_plan, sigma_alpha
from kernels.recipe import (
    Assemble,
    Background,
    DespillPass,
    EdgeColour,
    LightWrap,
    Noise,
    Recipe,
    Screen,
    ScreenLight,
)
from kernels.reference import assemble as a
from kernels.reference import despill as n

GREEN = Context("green", (0.05, 0.35, 0.07), Noise())


def pixel(*rgb: float) -> Any:
    return np.array(rgb, dtype=np.float64).reshape(3, 1, 1)


def flat(value: float) -> Any:
    return np.full((1, 1), value)


def rgba(colour: Any, alpha: Any) -> oiio.ImageBuf:
    """An OpenImageIO image of planar colour and alpha."""
    pixels = np.ascontiguousarray(np.moveaxis(np.concatenate([colour, alpha[None]]), 0, -1))
    spec = oiio.ImageSpec(pixels.shape[1], pixels.shape[0], 4, "float")
    spec.channelnames = ("R", "G", "B", "A")
    spec.alpha_channel = 3
    image = oiio.ImageBuf(spec)
    assert image.set_pixels(oiio.ROI(), pixels.astype(np.float32))
    return image


def planar(image: oiio.ImageBuf) -> Any:
    assert not image.has_error, image.geterror()
    return np.moveaxis(image.get_pixels("float"), -1, 0)


def random_layer(seed: int, height: int = 13, width: int = 17) -> tuple[Any, Any]:
    rng = np.random.default_rng(seed)
    alpha = rng.uniform(0, 1, (height, width)).astype(np.float32)
    alpha.flat[:4] = 0, 1, 0, 1
    return rng.uniform(-0.2, 4, (3, height, width)).astype(np.float32), alpha


def plan_of(assemble: Assemble | None = None, noise: Noise | None = None, frame: int = 1) -> Any:
    recipe = Recipe(screen=Screen(noise=noise or Noise()), assemble=assemble or Assemble())
    return build_plan(recipe, frame, ("plate", "background"))


# ---------------------------------------------------------------- the algebra


def test_over_worked_by_hand() -> None:
    """Source: Porter & Duff 1984: A over B = a + (1 - alpha) b, premultiplied."""
    got = a.over(pixel(0.3, 0.1, 2.0), flat(0.25), pixel(0.4, 1.0, 0.0))
    assert got.ravel() == pytest.approx([0.6, 0.85, 2.0])


def test_over_meets_openimageio() -> None:
    """Source: OpenImageIO 3, ImageBufAlgo.over, on random float images."""
    colour, alpha = random_layer(1)
    background, _ = random_layer(2)
    foreground = a.multiply(alpha, colour)
    below = rgba(background, np.ones_like(alpha))
    oracle = planar(oiio.ImageBufAlgo.over(rgba(foreground, alpha), below))
    np.testing.assert_allclose(a.over(foreground, alpha, background), oracle[:3], atol=1e-6)


def test_premultiply_and_straight_meet_openimageio() -> None:
    """Source: OpenImageIO 3, ImageBufAlgo.premult and unpremult, on random float images."""
    colour, alpha = random_layer(3)
    oracle = planar(oiio.ImageBufAlgo.premult(rgba(colour, alpha)))
    foreground = a.multiply(alpha, colour)
    np.testing.assert_array_equal(foreground, oracle[:3])
    back = planar(oiio.ImageBufAlgo.unpremult(rgba(foreground, alpha)))[:3]
    solid, clear = alpha >= a.ALPHA_SURE, alpha <= a.ALPHA_FLOOR
    got = a.straight(foreground, alpha, colour)
    np.testing.assert_allclose(got[:, solid], back[:, solid], rtol=1e-5)
    np.testing.assert_array_equal(got[:, clear], colour[:, clear])
    assert clear.any()


def test_straight_has_no_jump_where_the_matte_ends() -> None:
    """An alpha that differs in its seventh place, as the engines' may, gives the same colour.

    Source: continuity; the table's tolerance of straight colour, for the largest difference in
    alpha that a card has shown (9e-7).
    """
    alpha = np.linspace(0, 3e-3, 30_001)
    n_plate = np.full((3, alpha.size), 0.5)
    own = np.array([0.1, 0.9, 0.3])[:, None]
    for moved in (9e-7, -9e-7):
        near = np.clip(alpha + moved, 0, 1)
        there = a.straight(own * alpha, near, n_plate)
        assert np.abs(there - a.straight(own * alpha, alpha, n_plate)).max() < 1e-3
    assert np.abs(np.diff(a.straight(own * alpha, alpha, n_plate))).max() < 1e-4


# ---------------------------------------------------------------- edge colour


@pytest.mark.parametrize("limit", ["average", "larger", "weighted"])
@pytest.mark.parametrize("fill", ["none", "grey"])
def test_subtract_gives_exact_colour_of_a_neutral_foreground(limit: Any, fill: Any) -> None:
    """Source: worked by hand: p = alpha F + (1 - alpha) c with F neutral, so that
    N(p) = alpha F + (1 - alpha) N(c) and N(p) - (1 - alpha) N(c) = alpha F."""
    rng = np.random.default_rng(4)
    alpha = np.linspace(0.05, 1, 40).reshape(5, 8)
    grey = rng.uniform(0, 1.5, alpha.shape)
    c = pixel(0.05, 0.35, 0.07)
    p = alpha * grey + (1 - alpha) * c
    recipe = Recipe(despill=[DespillPass(limit=limit, fill=fill)])
    n_plate, n_clean = n.despill(p, recipe, GREEN), n.despill(c, recipe, GREEN)
    cut = a.subtract(alpha, n_plate, n_clean, 0.05)
    np.testing.assert_allclose(cut, np.stack([alpha * grey] * 3), atol=1e-12)
    np.testing.assert_allclose(a.straight(cut, alpha, n_plate), np.stack([grey] * 3), atol=1e-10)
    wrong = a.multiply(alpha, n_plate)
    assert np.abs(wrong - alpha * grey).max() > 0.01


def test_subtract_at_its_ends() -> None:
    """Source: worked by hand: 0 at alpha 0, N(p) at 1, w = alpha / settle between."""
    colour, alpha = random_layer(5)
    clean = np.full((3, 1, 1), 0.1, np.float32)
    for settle in (0.0, 0.05, 1.0):
        cut = a.subtract(alpha, colour, clean, settle)
        assert np.all(cut[:, alpha == 0] == 0)
        np.testing.assert_array_equal(cut[:, alpha == 1], colour[:, alpha == 1])
        assert (cut[colour >= 0] >= 0).all()
    # w = 0.25: 0.25 max(0.08 - 0.99 * 0.06, 0) + 0.75 * 0.01 * 0.08
    got = a.subtract(flat(0.01), pixel(0.08, 0.05, -0.2), pixel(0.06, 0.06, 0.06), 0.04)
    low = 0.25 * -0.2 + 0.75 * 0.01 * -0.2
    assert got.ravel() == pytest.approx([0.25 * 0.0206 + 0.0006, 0.75 * 0.0005, low])


def test_settle_by_noise_is_three_sigma_of_the_matte() -> None:
    """Source: worked by hand: sigma of e over e(c) = sqrt(2e-4 + 2e-4)/(0.35 - 0.07)."""
    noise = Noise(offset=(1e-4, 2e-4, 2e-4))
    by_noise = Assemble(edge_colour=EdgeColour(settle_by_noise=True))
    plan = plan_of(by_noise, noise)
    assert a.settle_value(plan) == pytest.approx(3 * 0.02 / 0.28)
    assert sigma_alpha(plan) == pytest.approx(0.02 / 0.28)
    assert a.settle_value(plan_of(Assemble(edge_colour=EdgeColour(settle=0.2)))) == 0.2


def test_unmix_is_the_regularised_least_squares() -> None:
    """Source: numpy.linalg.lstsq on the two stacked equations of the Tikhonov form."""
    rng = np.random.default_rng(6)
    for hold in (0.01, 0.1, 1.0):
        alpha, f0 = rng.uniform(0.1, 1), rng.uniform(0.2, 1, (3, 1, 1))
        n_plate, n_clean = rng.uniform(0.3, 1, (3, 1, 1)), rng.uniform(0, 0.2, (3, 1, 1))
        got = a.unmix(flat(alpha), n_plate, n_clean, f0, hold)
        matrix = np.array([[alpha], [np.sqrt(hold)]])
        right = np.stack([(n_plate - (1 - alpha) * n_clean).ravel(), np.sqrt(hold) * f0.ravel()])
        oracle = alpha * np.linalg.lstsq(matrix, right, rcond=None)[0].ravel()
        assert oracle.min() > 0
        np.testing.assert_allclose(got.ravel(), oracle, rtol=1e-9)


@given(st.floats(0, 1), st.floats(0, 1), st.floats(-0.2, 3))
def test_unmix_with_the_true_colour_is_exact_and_never_wild(
    alpha: float, hold: float, grey: float
) -> None:
    """Source: worked by hand: with F0 = F the residual is 0, so the foreground is alpha F."""
    f, c = pixel(grey, grey, grey), pixel(0.06, 0.06, 0.06)
    p = alpha * f + (1 - alpha) * c
    got = a.unmix(flat(alpha), p, c, f, hold)
    expected = np.maximum(alpha * f, np.minimum(p, 0))
    np.testing.assert_allclose(got, expected, atol=1e-9)
    wild = a.unmix(flat(alpha), p, c, 5 * f, hold)
    assert np.isfinite(wild).all()
    assert alpha > 0 or np.all(wild == 0)


def test_foreground_estimate() -> None:
    """Source: worked by hand: a weighted mean; the plate itself where nothing solid is near."""
    assert a.local_foreground_weight(np.array([0.0, 0.5, 1.0])) == pytest.approx([0, 0.25, 1])
    colour = pixel(0.2, 0.5, 0.9)
    w = flat(0.3)
    same = a.local_foreground_finish(w * colour, w, colour)
    np.testing.assert_allclose(same, colour, atol=1e-12)
    np.testing.assert_allclose(a.local_foreground_finish(0 * colour, flat(0), colour), colour)
    far = a.local_foreground_finish(w * colour, w, 0 * colour)
    np.testing.assert_allclose(far, colour * 0.3 / 0.301, atol=1e-12)


@pytest.mark.parametrize("method", ["multiply", "subtract", "unmix"])
def test_foreground_exposure_and_gain(method: Any) -> None:
    """Source: worked by hand: one stop doubles, a gain a channel, alpha stays."""
    colour, alpha = random_layer(8)
    given: dict[str, Any] = {
        "alpha": alpha,
        "n_plate": colour,
        "n_clean": np.full((3, 1, 1), 0.1, np.float32),
        "background": None,
    }
    edge = EdgeColour(method=method)
    plain = a.assemble(plan_of(Assemble(edge_colour=edge)), **given)
    lit = Assemble(
        edge_colour=edge, foreground_exposure_stops=1.0, foreground_gain=(1.0, 0.5, 0.25)
    )
    got = a.assemble(plan_of(lit), **given)
    gain = np.array([2, 1, 0.5], np.float32)[:, None, None]
    np.testing.assert_allclose(got.foreground, plain.foreground * gain, rtol=1e-6)
    np.testing.assert_allclose(got.straight, plain.straight * gain, rtol=1e-5)
    np.testing.assert_array_equal(got.alpha, plain.alpha)
    np.testing.assert_array_equal(got.composite, got.foreground)


def test_the_assembled_foreground_has_no_fringe() -> None:
    """Common practice, no source: straight colour put over unpremultiplied fringes, ours never."""
    alpha = np.linspace(0, 1, 101).reshape(1, -1)
    f, c, background = 0.5, pixel(0.05, 0.35, 0.07), np.full((3, 1, 101), 0.1)
    p = alpha * f + (1 - alpha) * c
    recipe = Recipe(despill=[DespillPass()])
    n_plate, n_clean = n.despill(p, recipe, GREEN), n.despill(c, recipe, GREEN)
    got = a.assemble(
        plan_of(), alpha=alpha, n_plate=n_plate, n_clean=n_clean, background=background
    )
    assert got.composite.max() <= f + 1e-9
    assert got.composite.min() >= 0.1 - 1e-9
    fringed = got.straight + (1 - alpha) * background
    assert fringed.max() > f + 0.01


# ---------------------------------------------------------------- masks, screen_light, wrap


def test_garbage_wins_over_keep_solid_and_plate_alpha_comes_last() -> None:
    """Source: worked by hand: max(alpha, keep_solid) (1 - garbage) plate_alpha."""
    matte = np.array([[0.2, 0.2, 0.2, 0.2]])
    keep_solid, garbage = np.array([[0.0, 1.0, 1.0, 0.1]]), np.array([[0.0, 0.0, 1.0, 0.5]])
    got = a.final_alpha(matte, keep_solid=keep_solid, garbage=garbage)
    assert got.ravel() == pytest.approx([0.2, 1.0, 0.0, 0.1])
    assert a.final_alpha(matte) is matte
    got = a.final_alpha(
        matte, keep_solid=keep_solid, garbage=garbage, plate_alpha=np.full((1, 4), 0.5)
    )
    assert got.ravel() == pytest.approx([0.1, 0.5, 0.0, 0.05])


def test_a_half_lit_screen_darkens_the_background_to_half() -> None:
    """Source: worked by hand: 0.175 of 0.35 is 0.50 of the background; half the amount is 0.75."""
    background, shadow = pixel(0.8, 0.6, 0.4), flat(0.175)
    got = a.screen_light(background, ScreenLight(), GREEN, area=flat(1), shadow=shadow)
    np.testing.assert_allclose(got, 0.5 * background, atol=1e-12)
    half = a.screen_light(background, ScreenLight(shadows=0.5), GREEN, area=flat(1), shadow=shadow)
    np.testing.assert_allclose(half, 0.75 * background, atol=1e-12)
    half = a.screen_light(background, ScreenLight(), GREEN, area=flat(0.5), shadow=shadow)
    np.testing.assert_allclose(half, 0.75 * background, atol=1e-12)
    bright = a.screen_light(background, ScreenLight(), GREEN, area=flat(1), shadow=flat(0.7))
    np.testing.assert_array_equal(bright, background)
    clean = pixel(0.05, 0.175, 0.07)
    lit = a.screen_light(background, ScreenLight(), GREEN, area=flat(1), shadow=shadow, clean=clean)
    np.testing.assert_array_equal(lit, background)
    assert a.screen_light(background, ScreenLight(), GREEN, area=None, shadow=shadow) is background


def test_carried_light_adds_what_exceeds_the_screen() -> None:
    """Source: worked by hand: max(0, p - c), added times light * m."""
    plate = pixel(0.15, 0.3, 0.27)
    light = a.screen_light_source(plate, None, GREEN)
    assert light.ravel() == pytest.approx([0.1, 0.0, 0.2])
    got = a.screen_light(pixel(1, 1, 1), ScreenLight(light=2.0), GREEN, area=flat(0.5), light=light)
    assert got.ravel() == pytest.approx([1.1, 1.0, 1.2])


def test_carry_clears_the_matte_in_its_area() -> None:
    """Source: worked by hand: alpha (1 - m)."""
    alpha = np.array([[0.8, 0.8, 0.8]])
    area = np.array([[0.0, 0.25, 1.0]])
    assert a.alpha_outside_area(alpha, area).ravel() == pytest.approx([0.8, 0.6, 0.0])
    assert a.alpha_outside_area(alpha, None) is alpha


def test_light_wrap_worked_by_hand() -> None:
    """Source: worked by hand: composite + amount alpha blur((1 - alpha) background)."""
    wrap = a.wrap_source(flat(0.25), pixel(0.4, 0.8, 1.2))
    assert wrap.ravel() == pytest.approx([0.3, 0.6, 0.9])
    got = a.light_wrap(pixel(0.1, 0.1, 0.1), flat(0.5), wrap, 2.0)
    assert got.ravel() == pytest.approx([0.4, 0.7, 1.0])
    np.testing.assert_array_equal(a.light_wrap(wrap, flat(0.5), wrap, 0.0), wrap)


def test_assemble_puts_its_parts_together() -> None:
    """Source: the single operations, each checked by itself above."""
    colour, alpha = random_layer(9)
    background, area = random_layer(10)
    shadow = np.full(alpha.shape, 0.2, np.float32)
    wrap = np.abs(random_layer(11)[0])
    settings_ = Assemble(light_wrap=LightWrap(amount=0.5), screen_light=ScreenLight(light=0.7))
    clean = np.full((3, 1, 1), 0.1, np.float32)
    got = a.assemble(
        plan_of(settings_),
        alpha=alpha,
        n_plate=colour,
        n_clean=clean,
        background=background,
        area=area,
        shadow=shadow,
        light=wrap,
        wrap=wrap,
    )
    kept = alpha * (1 - area)
    back = a.screen_light(
        background, settings_.screen_light, GREEN, area=area, shadow=shadow, light=wrap
    )
    expected = a.subtract(kept, colour, clean, 0.05) + (1 - kept) * back + 0.5 * kept * wrap
    np.testing.assert_allclose(got.composite, expected, rtol=1e-5, atol=1e-6)
    np.testing.assert_array_equal(got.alpha, kept)
    assert got.despilled is colour


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from(["multiply", "subtract", "unmix"]),
    st.integers(1, 19),
    st.integers(1, 19),
    st.integers(0, 2**31),
    st.floats(0, 1),
    st.floats(0, 2),
)
def test_tiles_equal_the_whole_to_the_last_bit(
    method: Any, width: int, height: int, seed: int, hold: float, regrain: float
) -> None:
    """Source: pointwise work cannot depend on the tile, grain included."""
    rng = np.random.default_rng(seed)
    planes = rng.uniform(-0.1, 2, (6, 3, height, width)).astype(np.float32)
    masks = rng.uniform(0, 1, (3, height, width)).astype(np.float32)
    plan = plan_of(
        Assemble(
            edge_colour=EdgeColour(method=method, hold=hold),
            background=Background(regrain=regrain),
            light_wrap=LightWrap(amount=0.4),
            screen_light=ScreenLight(light=0.3),
        ),
        Noise(gain=(1e-3, 1e-3, 2e-3), offset=(1e-5, 1e-5, 1e-5), correlation=(0.3, 0.1, 0.2)),
        frame=1001,
    )

    def over(rows: slice, columns: slice) -> a.Assembled:
        n_plate, n_clean, background, foreground, light, wrap = planes[:, :, rows, columns]
        alpha, area, shadow = masks[:, rows, columns]
        return a.assemble(
            plan,
            alpha=alpha,
            n_plate=n_plate,
            n_clean=n_clean,
            background=background,
            clean=n_clean,
            local_foreground=foreground,
            area=area,
            shadow=shadow,
            light=light,
            wrap=wrap,
            origin=(columns.start or 0, rows.start or 0),
        )

    whole = over(slice(None), slice(None))
    y, x = height // 2, width // 3
    for rows in (slice(0, y + 1), slice(y, None)):
        for columns in (slice(0, x + 1), slice(x, None)):
            tile = over(rows, columns)
            for name in ("alpha", "foreground", "straight", "composite"):
                got, expected = getattr(tile, name), getattr(whole, name)
                assert got.dtype == np.float32
                assert np.isfinite(got).all()
                assert np.array_equal(got, expected[..., rows, columns]), name


def test_float64_stays() -> None:
    """Source: the double precision switch: type follows the input."""
    got = a.assemble(
        plan_of(Assemble(foreground_exposure_stops=0.3)),
        alpha=flat(0.5),
        n_plate=pixel(1, 2, 3),
        n_clean=pixel(0.1, 0.1, 0.1),
        background=pixel(0.2, 0.2, 0.2),
    )
    for name in ("alpha", "foreground", "straight", "composite"):
        assert getattr(got, name).dtype == np.float64
