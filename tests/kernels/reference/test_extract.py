"""Extractors against colorsys, colour-science, chart values and algebra worked by hand."""

from __future__ import annotations

import colorsys
import math
import warnings
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kernels import recipe as rc
from kernels.plan import Context
from kernels.reference import extract as x

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # the library announces at import that plotting is missing
    import colour as colour_science

GREEN = (0.05, 0.35, 0.07)
QUIET = rc.Noise()
NOISY = rc.Noise(gain=(4e-4, 3e-4, 5e-4), offset=(1e-6, 2e-6, 3e-6))
SETTINGS = settings(max_examples=25, deadline=None)
seeds = st.integers(0, 2**31 - 1)
values = st.floats(-0.5, 4, width=32)
kinds = st.sampled_from(sorted(set(rc.EXTRACTORS) - {"unmix"}))
"""What is evaluated per pixel; unmix is a stage: tests/kernels/test_unmix_stage.py."""
spaces = st.sampled_from(["linear", "log"])
primaries = st.sampled_from(["red", "green", "blue"])
sizes = st.sampled_from([(1, 1), (1, 7), (13, 1), (11, 17), (32, 33)])


def context(primary: str = "green", noise: rc.Noise = QUIET) -> Context:
    order = {"red": (1, 0, 2), "green": (0, 1, 2), "blue": (0, 2, 1)}[primary]
    return Context(primary, tuple(GREEN[c] for c in order), noise)  # type: ignore[arg-type]


def picture(seed: int, size: tuple[int, int] = (11, 17), dtype: Any = np.float32) -> Any:
    """Colours below 0 and above 1, greys, blacks and screen colours mixed."""
    rng = np.random.default_rng(seed)
    image = rng.uniform(-0.2, 2, (3, *size))
    image = np.where(rng.random(size) < 0.15, image[:1], image)
    image = np.where(rng.random(size) < 0.1, 0, image)
    image = np.where(rng.random(size) < 0.1, 60000 * image, image)
    return np.where(rng.random(size) < 0.2, np.reshape(GREEN, (3, 1, 1)), image).astype(dtype)


def balance_of(first: float, second: float) -> dict[str, float]:
    level, balance = rc.level_and_balance(first, second)
    return {"comparison_level": level, "red_blue_balance": balance}


def pixel(*rgb: float) -> Any:
    return np.array(rgb, dtype=np.float64).reshape(3, 1, 1)


def row(*greys: float) -> Any:
    return np.broadcast_to(np.array(greys, dtype=np.float64), (3, 1, len(greys))).copy()


# ---------------------------------------------------------------- ramp


def test_ramp_by_hand() -> None:
    """Source: the definition, clamp((x - a)/(b - a), 0, 1), worked by hand."""
    v = np.array([-1, 1, 1.5, 2, 3, 9])
    assert x.ramp(v, 1, 3).tolist() == [0, 0, 0.25, 0.5, 1, 1]
    assert x.ramp(v, 2, 2).tolist() == [0, 0, 0, 0, 1, 1]
    assert x.ramp(v, 2, 2, closed=True).tolist() == [0, 0, 0, 1, 1, 1]
    assert x.ramp(v, 2, -5).tolist() == x.ramp(v, 2, 2).tolist()
    assert x.ramp(v.astype(np.float32), -1e300, 1e300).dtype == np.float32


@SETTINGS
@given(seeds, values, values, values)
def test_raising_a_threshold_never_raises_the_ramp(
    seed: int, a: float, b: float, more: float
) -> None:
    """Common practice, no source: a label never means its opposite."""
    v = np.random.default_rng(seed).uniform(-1, 5, 200).astype(np.float32)
    up = abs(more)
    assert np.all(x.ramp(v, a + up, b) <= x.ramp(v, a, b) + 1e-6)
    assert np.all(x.ramp(v, a, b + up) <= x.ramp(v, a, b) + 1e-6)
    rising = x.ramp(np.sort(v), a, b)
    assert np.all(np.diff(rising) >= 0)


# ---------------------------------------------------------------- value band


def test_a_ribbon_takes_just_its_values() -> None:
    """A band from 0.5 to 0.6 takes those values, its ends included. Common practice, no source."""
    p = rc.ValueBand(low_out=0.5, low_in=0.5, high_in=0.6, high_out=0.6)
    got = x.value_band(row(0.2, 0.4999, 0.5, 0.55, 0.6, 0.6001, 1.62), p, context())
    assert got.ravel().tolist() == [0, 0, 1, 1, 1, 0, 0]


def test_highlights_keep_their_gradation() -> None:
    """A band up to 4 grades 1.62 as it is; without an upper end nothing is lost above.

    Common practice, no source.
    """
    p = rc.ValueBand(low_out=0, low_in=0, high_in=1, high_out=4)
    got = x.value_band(row(1, 1.62, 2.5, 4), p, context()).ravel()
    assert got == pytest.approx([1, 1 - 0.62 / 3, 0.5, 0])
    assert x.value_band(row(1.62, 900), rc.ValueBand(), context()).ravel().tolist() == [1, 1]


def test_negative_values_are_banded() -> None:
    """A band around -0.1 takes it without a grade first. Common practice, no source."""
    p = rc.ValueBand(low_out=-0.2, low_in=-0.15, high_in=-0.05, high_out=0)
    got = x.value_band(row(-0.3, -0.175, -0.1, -0.025, 0), p, context()).ravel()
    assert got == pytest.approx([0, 0.5, 1, 0.5, 0])


@pytest.mark.parametrize(
    ("channel", "expected"),
    [
        ("red", 0.5),
        ("green", 0.8),
        ("blue", 0.2),
        ("largest", 0.8),
        ("smallest", 0.2),
        ("luminance", 0.2722287 * 0.5 + 0.6740818 * 0.8 + 0.0536895 * 0.2),
        ("saturation", colorsys.rgb_to_hsv(0.5, 0.8, 0.2)[1]),
    ],
)
def test_the_banded_value(channel: Any, expected: float) -> None:
    """Source: S-2014-004 (ACEScg) for luminance; Python's colorsys for saturation."""
    p = rc.ValueBand(channel=channel, low_out=0, low_in=2)
    got = x.value_band(pixel(0.5, 0.8, 0.2), p, context()).item()
    assert got == pytest.approx(expected / 2, abs=1e-6)


def test_a_log_band_means_code_values() -> None:
    """Mid grey is ACEScct 0.4135884. Source: S-2016-001, table of 18 % grey."""
    p = rc.ValueBand(space="log", low_out=0.41358, low_in=0.41358, high_in=0.4136, high_out=0.4136)
    assert x.value_band(row(0.178, 0.18, 0.182), p, context()).ravel().tolist() == [0, 1, 0]


# ---------------------------------------------------------------- hue band


@SETTINGS
@given(
    seeds,
    st.floats(-360, 360),
    st.floats(0, 360),
    st.one_of(st.just(0.0), st.floats(1e-3, 180)),
    st.floats(0, 0.5),
    st.floats(0.01, 0.5),
)
def test_hue_band_against_colorsys(
    seed: int, centre: float, width: float, soft: float, floor: float, roll: float
) -> None:
    """Source: Python's colorsys for hue and saturation, the band written out per pixel."""
    image = np.random.default_rng(seed).uniform(0.01, 2, (3, 4, 5))
    p = rc.HueBand(
        hue_deg=centre,
        spread_deg=width / 2,
        fade_deg=soft,
        saturation_floor=floor,
        saturation_soft=roll,
    )
    got = x.hue_band(image, p, context())
    for at in np.ndindex(4, 5):
        hue, sat, _ = colorsys.rgb_to_hsv(*image[(slice(None), *at)])
        away = abs((360 * hue - centre + 180) % 360 - 180)
        if abs(away - width / 2) < 1e-6:
            continue
        beyond = max(0.0, away - width / 2)
        by_hue = float(beyond == 0) if soft == 0 else max(0.0, 1 - beyond / soft)
        by_sat = min(1.0, max(0.0, (sat - floor) / roll))
        assert got[at] == pytest.approx(by_hue * by_sat, abs=1e-6)


def test_hue_wraps_and_greys_have_none() -> None:
    """Common practice, no source: a band around red takes both sides of 0 degrees, never grey."""
    p = rc.HueBand(hue_deg=0, spread_deg=15, fade_deg=0, saturation_floor=0, saturation_soft=0)
    image = np.concatenate(
        [
            pixel(1, 0.1, 0.2),
            pixel(1, 0.2, 0.1),
            pixel(0.4, 0.4, 0.4),
            pixel(0, 0, 0),
            pixel(1, 1, 0),
        ],
        axis=2,
    )
    assert x.hue_band(image, p, context()).ravel().tolist() == [1, 1, 0, 0, 0]
    turned = rc.HueBand(**{**p.model_dump(exclude={"shapes", "refine"}), "hue_deg": -360})
    assert np.array_equal(x.hue_band(image, turned, context()), x.hue_band(image, p, context()))


def chart() -> Any:
    """The 24 patches as linear ACEScg, (3, 1, 24)."""
    data = colour_science.CCS_COLOURCHECKERS["ColorChecker24 - After November 2014"]
    space = colour_science.RGB_COLOURSPACES["ACEScg"]
    patches = [
        colour_science.XYZ_to_RGB(colour_science.xyY_to_XYZ(xyy), space, data.illuminant)
        for xyy in data.data.values()
    ]
    return np.array(patches).T[:, None, :], [name.strip() for name in data.data]


@pytest.mark.parametrize(("patch", "floor"), [("green", 0.55), ("blue", 0.75)])
def test_a_hue_band_takes_its_chart_patch(patch: str, floor: float) -> None:
    """A band centred on the chart's green or blue patch takes it and no other.

    The patch called purplish blue has blue's hue within 2 degrees: saturation tells them apart.
    Source: a 24-patch chart's values as colour-science has them; hue by Python's colorsys.
    """
    image, names = chart()
    at = names.index(patch)
    hue = 360 * colorsys.rgb_to_hsv(*image[:, 0, at])[0]
    p = rc.HueBand(
        hue_deg=hue, spread_deg=15, fade_deg=2, saturation_floor=floor, saturation_soft=0.05
    )
    got = dict(zip(names, x.hue_band(image, p, context()).ravel(), strict=True))
    assert got.pop(patch) == 1
    assert {name for name, alpha in got.items() if alpha > 0} == set()


# ---------------------------------------------------------------- plate difference


@pytest.mark.parametrize("norm", ["largest", "euclidean", "delta_e_2000"])
@pytest.mark.parametrize("relative", [False, True])
def test_plate_difference_norms(norm: Any, relative: bool) -> None:
    """Source: NumPy's vector norms; colour-science's CIE 2000 difference of its own L*a*b*."""
    rng = np.random.default_rng(4)
    image, clean = rng.uniform(0.02, 1.5, (2, 3, 6, 5))
    if norm == "delta_e_2000":
        space = colour_science.RGB_COLOURSPACES["ACEScg"]
        white = colour_science.XYZ_to_xy(space.matrix_RGB_to_XYZ.sum(axis=1))
        lab = [
            colour_science.XYZ_to_Lab(np.moveaxis(i, 0, -1) @ space.matrix_RGB_to_XYZ.T, white)
            for i in (image, clean)
        ]
        d, full = colour_science.difference.delta_E_CIE2000(*lab), 80.0
    else:
        delta = (image - clean) / (clean if relative else 1)
        d = np.linalg.norm(delta, np.inf if norm == "largest" else 2, axis=0)
        full = 40.0
    p = rc.PlateDifference(norm=norm, relative=relative, floor=0.1, full=full)
    expected = np.clip((d - 0.1) / (full - 0.1), 0, 1)
    assert np.allclose(x.plate_difference(image, clean, p, context()), expected, atol=2e-5)


def test_a_floor_in_sigma_follows_the_noise() -> None:
    """Screen with known noise: 3 sigma clears 99.73 % in one channel, wherever the level lies.

    Source: the normal distribution.
    """
    ctx = context(noise=rc.Noise(gain=(0.0, 4e-4, 0.0), offset=(0.0, 1e-6, 0.0)))
    clean = np.broadcast_to(pixel(*GREEN), (3, 300, 1000)) * np.linspace(0.25, 2, 1000)
    sigma = np.sqrt(4e-4 * clean[1] + 1e-6)
    plate = clean.copy()
    plate[1] += sigma * np.random.default_rng(1).normal(size=sigma.shape)
    p = rc.PlateDifference(floor_in="sigma", norm="largest", floor=3, full=3)
    solid = x.plate_difference(plate, clean, p, ctx)
    for part in (solid[:, :300], solid[:, -300:]):
        assert part.mean() == pytest.approx(0.0027, abs=0.0006)
    assert x.plate_difference(clean, clean, p, context(noise=QUIET)).max() == 0


@SETTINGS
@given(
    seeds,
    st.floats(0, 1),
    st.floats(0, 2),
    st.floats(0, 1),
    st.booleans(),
    st.sampled_from(["value", "sigma"]),
    spaces,
)
def test_raising_the_floor_always_removes_matte(
    seed: int, floor: float, full: float, more: float, relative: bool, floor_in: Any, space: Any
) -> None:
    """Common practice, no source: also with full under floor, also of a plate equal to c."""
    image = picture(seed)
    p = {"space": space, "relative": relative, "floor_in": floor_in, "full": full}
    ctx = context(noise=NOISY)
    low, high = (
        x.raw_matte(rc.PlateDifference(floor=f, **p), image, None, ctx)
        for f in (floor, floor + more)
    )
    assert np.all(high <= low + 1e-6)
    assert np.all(high[np.all(image == np.float32(np.reshape(GREEN, (3, 1, 1))), axis=0)] == 0)


# ---------------------------------------------------------------- colour difference


@SETTINGS
@given(seeds, primaries, st.floats(0, 0.7), st.floats(0, 0.7))
def test_colour_difference_is_exact_where_the_foreground_has_no_excess(
    seed: int, primary: Any, w1: float, w2: float
) -> None:
    """F_k = w_i F_i + w_j F_j makes alpha exact for p = aF + (1 - a)c, by hand.

    From memory: Smith & Blinn 1996, foregrounds in a plane of the colour cube; and by hand: with
    e(F) = 0, e(p) is (1 - alpha) e(c).
    """
    ctx = context(primary)
    rng = np.random.default_rng(seed)
    alpha = rng.random((6, 7))
    k, (i, j) = ctx.k, ctx.others
    f = rng.uniform(0, 3, (3, 6, 7))
    f[k] = w1 * f[i] + w2 * f[j]
    clean = np.reshape(ctx.screen, (3, 1, 1)) * rng.uniform(0.5, 1.5, (6, 7))
    p = rc.ColourDifference(excess="balance", **balance_of(w1, w2))
    got = x.colour_difference(alpha * f + (1 - alpha) * clean, clean, p, ctx)
    assert np.allclose(got, alpha, atol=1e-9)


@SETTINGS
@given(seeds, st.floats(0, 1))
def test_grey_foregrounds_agree_with_two_screens(seed: int, lean: float) -> None:
    """The lean form is exact for greys; the oracle sees the same subject over two screens.

    Source: Smith & Blinn 1996, triangulation: 1 - a = (p1 - p2).(c1 - c2)/|c1 - c2|^2.
    """
    rng = np.random.default_rng(seed)
    alpha, grey = rng.random((2, 5, 5))
    green, blue = np.reshape(GREEN, (3, 1, 1)), pixel(0.06, 0.1, 0.5)
    over_green, over_blue = (alpha * grey + (1 - alpha) * c for c in (green, blue))
    d = green - blue
    triangulated = 1 - ((over_green - over_blue) * d).sum(axis=0) / (d * d).sum()
    got = x.raw_matte(rc.ColourDifference(lean=lean), over_green, None, context())
    assert np.allclose(got, triangulated, atol=1e-9)


def test_lean_by_hand() -> None:
    """Source: e = g - mix(min(r, b), max(r, b), lean), worked by hand: 0.8 - 0.2, 0.35, 0.5."""
    image = pixel(0.5, 0.8, 0.2)
    for lean, e in ((0, 0.6), (0.5, 0.45), (1, 0.3)):
        got = x.excess(image, rc.ColourDifference(lean=lean), context()).item()
        assert got == pytest.approx(e)
        alpha = x.colour_difference(
            image, pixel(0, 1, 0), rc.ColourDifference(lean=lean, gain=0.5), context()
        ).item()
        assert alpha == pytest.approx(1 - 0.5 * e)


def test_a_clean_plate_beats_a_flat_colour_on_an_uneven_screen() -> None:
    """Common practice, no source: bare screen under a falloff of two stops."""
    clean = np.reshape(GREEN, (3, 1, 1)) * np.linspace(0.5, 2, 64) * np.ones((8, 64))
    p = rc.ColourDifference()
    assert x.raw_matte(p, clean, clean, context()).max() == pytest.approx(0, abs=1e-12)
    assert x.raw_matte(p, clean, None, context()).max() > 0.4


def test_a_screen_lost_in_its_noise_fades_to_opaque_and_is_counted() -> None:
    """e(c) up to half its standard deviation, or none at all, gives 1; from two on it counts whole.

    Our own rule, no outside source. By hand: variances 1e-4 a channel make sigma_e 0.01 sqrt(2);
    at 1.25 sigma half of the screen's share is believed.
    """
    ctx = context(noise=rc.Noise(offset=(1e-4, 1e-4, 1e-4)))
    sigma = 0.01 * math.sqrt(2)
    steps = (0, 0.49, 0.51, 1.25, 1.99, 2.01)
    clean = np.concatenate([pixel(0.2, 0.2 + n * sigma, 0.1) for n in steps], 2)
    p = rc.ColourDifference()
    wanted = [1, 1, 1 - 0.01 / 1.5, 0.5, 0.01 / 1.5, 0]
    made = x.colour_difference(clean, clean, p, ctx).ravel()
    assert made == pytest.approx(wanted, abs=1e-5)
    assert x.count_no_screen(clean, p, ctx) == 2
    for space in ("linear", "log"):
        grey = rc.ColourDifference(space=space)
        assert x.raw_matte(grey, picture(2), row(0.0, 0.18, 1.0)[:, :, :1], context()).min() == 1


@SETTINGS
@given(st.floats(0.02, 0.6), st.floats(1e-3, 0.3), spaces)
def test_a_little_more_noise_never_turns_bare_screen_solid(
    level: float, sigma: float, space: Any
) -> None:
    """Our own rule, no outside source: one ninth more noise moves bare screen by a tenth at most.

    By hand: trust falls by at most 4/3 for every unit of ln sigma, which grows by 0.053.
    """
    clean = pixel(0.3 * level, level, 0.4 * level)
    p = rc.ColourDifference(space=space)
    first, second = (
        float(x.colour_difference(clean, clean, p, context(noise=rc.Noise(offset=(v, v, v))))[0, 0])
        for v in (sigma**2, sigma**2 * 10 / 9)
    )
    assert first <= second + 1e-6
    assert second - first < 0.1


@SETTINGS
@given(seeds, spaces, st.sampled_from(["lean", "balance"]))
def test_the_noise_of_the_excess_is_propagated(seed: int, space: Any, form: Any) -> None:
    """sigma of e(c) meets the spread of e over many noisy copies of c within 5 %.

    Source: propagation of small independent errors, by simulation.
    """
    rng = np.random.default_rng(seed)
    clean = np.reshape(GREEN, (3, 1, 1)) * rng.uniform(0.8, 1.2)
    ctx = context(noise=rc.Noise(gain=(2e-5, 3e-5, 1e-5), offset=(1e-8, 1e-8, 1e-8)))
    p = rc.ColourDifference(space=space, excess=form, lean=0.8, **balance_of(0.3, 0.6))
    sigma = x.screen_sigma(clean, ctx)
    noisy = clean + sigma * rng.normal(size=(3, 100, 200))
    spread = x.excess(x.in_space(noisy, space), p, ctx).std()
    assert x.excess_sigma(clean, p, ctx).item() == pytest.approx(spread, rel=0.05)


@SETTINGS
@given(seeds, spaces, st.floats(0, 2), st.floats(0, 2))
def test_gain_only_clears(seed: int, space: Any, gain: float, more: float) -> None:
    """Common practice, no source: more gain never adds matte on the screen's side, 0 is opaque."""
    image = picture(seed)
    low, high = (
        x.raw_matte(rc.ColourDifference(gain=g, space=space), image, None, context())
        for g in (gain, gain + more)
    )
    assert np.all(high <= low + 1e-6)
    assert x.raw_matte(rc.ColourDifference(gain=0.0), image, None, context()).min() == 1


# ---------------------------------------------------------------- chroma distance


def test_chroma_ignores_exposure_in_log() -> None:
    """ACEScct adds a constant for a change of exposure above its toe, so chroma stays.

    Source: S-2016-001, section 4.4.
    """
    screen = (0.1, 0.5, 0.12)
    ctx = Context("green", screen, QUIET)
    plate = np.reshape(screen, (3, 1, 1)) * 2.0 ** np.linspace(-3, 4, 29)[None, None]
    narrow = {"inner": 1e-9, "outer": 2e-9}
    assert x.raw_matte(rc.ChromaDistance(**narrow), plate, None, ctx).max() == 0
    bright = rc.ChromaDistance(**narrow, luminance_weight=1.0)
    assert x.raw_matte(bright, plate, None, ctx).mean() > 0.9
    assert x.raw_matte(rc.ChromaDistance(space="linear", **narrow), plate, None, ctx).mean() > 0.9


@SETTINGS
@given(seeds, primaries, st.floats(0, 2))
def test_chroma_distance_is_the_distance_across_grey(seed: int, primary: Any, lw: float) -> None:
    """u, v is a plane across the grey axis: d^2 = 1.5 |delta - its mean|^2, the same in any order.

    Source: the projection across (1, 1, 1), worked by hand.
    """
    rng = np.random.default_rng(seed)
    image, clean = rng.uniform(0, 1, (2, 3, 4, 4))
    delta = image - clean
    mean = delta.mean(axis=0)
    d = np.sqrt(1.5 * ((delta - mean) ** 2).sum(axis=0)) + lw * np.abs(mean)
    t = np.clip((d - 0.1) / 1.4, 0, 1)
    p = rc.ChromaDistance(space="linear", inner=0.1, outer=1.5, luminance_weight=lw)
    got = x.chroma_distance(image, clean, p, context(primary))
    assert np.allclose(got, 3 * t**2 - 2 * t**3, atol=1e-12)


# ---------------------------------------------------------------- all of them


@SETTINGS
@given(kinds, spaces, primaries, seeds, sizes)
def test_every_extractor_is_pointwise_finite_and_in_range(
    kind: str, space: Any, primary: Any, seed: int, size: tuple[int, int]
) -> None:
    """Tiles give the bits of the frame, mattes lie in 0..1, float64 stays float64.

    Common practice, no source.
    """
    image, clean = picture(seed, size), np.abs(picture(seed + 1, size))
    ctx = context(primary, NOISY)
    e = rc.EXTRACTORS[kind](space=space)  # type: ignore[call-arg]
    for screen in (None, clean):
        whole = x.raw_matte(e, image, screen, ctx)
        assert whole.shape == size
        assert whole.dtype == np.float32
        assert np.isfinite(whole).all()
        assert whole.min() >= 0
        assert whole.max() <= 1
        for y in range(size[0]):
            part = None if screen is None else screen[:, y : y + 1, size[1] // 2 :]
            tile = x.raw_matte(e, image[:, y : y + 1, size[1] // 2 :], part, ctx)
            assert np.array_equal(tile, whole[y : y + 1, size[1] // 2 :])
    assert x.raw_matte(e, image.astype(np.float64), None, ctx).dtype == np.float64


@SETTINGS
@given(kinds, spaces, seeds)
def test_float32_follows_float64(kind: str, space: Any, seed: int) -> None:
    """Away from steps float32 keeps 1e-4 of the oracle. Source: the same formulas in float64."""
    image = np.random.default_rng(seed).uniform(0.02, 2, (3, 9, 9))
    e = rc.EXTRACTORS[kind](space=space)  # type: ignore[call-arg]
    exact = x.raw_matte(e, image, None, context(noise=NOISY))
    single = x.raw_matte(e, image.astype(np.float32), None, context(noise=NOISY))
    assert np.allclose(single, exact, atol=1e-4)


@SETTINGS
@given(kinds, seeds)
def test_inverting_comes_before_refinement(kind: str, seed: int) -> None:
    """1 - alpha, then levels, then shapes. Common practice, no source."""
    image = picture(seed)
    plain = rc.EXTRACTORS[kind]()
    levels = rc.Refine(levels=rc.Levels(clear_below=0.25, solid_above=0.75))
    inverted = rc.EXTRACTORS[kind](inverted=True, refine=levels)
    raw = x.raw_matte(plain, image, None, context())
    assert np.array_equal(x.raw_matte(inverted, image, None, context()), 1 - raw)
    mask = np.linspace(0, 1, raw.size, dtype=np.float32).reshape(raw.shape)
    expected = np.clip((1 - raw - 0.25) / 0.5, 0, 1) * mask
    got = x.finish(x.raw_matte(inverted, image, None, context()), inverted, mask)
    assert np.allclose(got, expected, atol=1e-6)
    soft = inverted.model_copy(update={"refine": rc.Refine(soften_px=1.0, levels=levels.levels)})
    assert np.array_equal(x.finish(raw, soft), raw), "levels happen in the stage, not twice"


def test_swapping_primaries_swaps_channels() -> None:
    """A blue shot is a green shot with its channels exchanged. Common practice, no source."""
    image = picture(3)
    for kind in ("colour_difference", "chroma_distance"):
        e = rc.EXTRACTORS[kind]()
        green = x.raw_matte(e, image, None, context("green"))
        blue = x.raw_matte(e, image[[0, 2, 1]], None, context("blue"))
        assert np.allclose(green, blue, atol=1e-6)
