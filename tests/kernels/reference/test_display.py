"""Look, display encoding, colour tables and 8 bit against standards and libraries."""

from __future__ import annotations

import warnings
from typing import Any

import numpy as np
import PyOpenColorIO as ocio
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from scipy.interpolate import RegularGridInterpolator

from kernels.engine import DisplayTable, Look
from kernels.reference import display as d

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # the library announces at import that plotting is missing
    import colour as colour_science

WILD = np.random.default_rng(1).uniform(-0.5, 4, (3, 40, 30)).astype(np.float32)


def graded(image: Any, transform: Any) -> Any:
    """An image through OpenColorIO's CPU path."""
    processor = ocio.Config.CreateRaw().getProcessor(transform).getDefaultCPUProcessor()
    pixels = np.ascontiguousarray(np.moveaxis(image, 0, -1), dtype=np.float32)
    processor.applyRGB(pixels)
    return np.moveaxis(pixels, -1, 0)


# ---------------------------------------------------------------- look


def test_cdl_worked_by_hand() -> None:
    """Source: ASC CDL 1.2: (in slope + offset)^power, then saturation about Rec. 709 luma."""
    p = Look(
        exposure_stops=1.0,
        slope=(1.0, 0.5, 2.0),
        offset=(0.1, 0.0, -0.3),
        power=(2.0, 1.0, 0.5),
        saturation=0.5,
    )
    image = np.array([0.2, 0.4, 0.1]).reshape(3, 1, 1)
    after = np.array([0.5**2, 0.4, 2 * 0.2 - 0.3])
    after[2] **= 0.5
    luma = 0.2126 * after[0] + 0.7152 * after[1] + 0.0722 * after[2]
    got = d.look(image, p).ravel()
    assert got == pytest.approx(luma + 0.5 * (after - luma))


@pytest.mark.parametrize("saturation", [1.0, 0.0, 1.7])
def test_cdl_meets_opencolorio(saturation: float) -> None:
    """Source: OpenColorIO 2, CDLTransform in the style without clamps."""
    p = Look(
        slope=(1.2, 0.9, 1.5),
        offset=(0.02, -0.1, 0.0),
        power=(0.8, 1.0, 1.3),
        saturation=saturation,
    )
    transform = ocio.CDLTransform(
        slope=list(p.slope), offset=list(p.offset), power=list(p.power), sat=p.saturation
    )
    transform.setStyle(ocio.CDL_NO_CLAMP)
    # the library's power is a fast approximation: its own error is some 1e-5 of the value
    np.testing.assert_allclose(d.look(WILD, p), graded(WILD, transform), rtol=1e-4, atol=1e-4)


def test_no_look_is_the_identity() -> None:
    """Source: the identity setting."""
    assert d.look(WILD, Look()) is WILD
    assert d.pick_channel(WILD, "colour", (0.3, 0.6, 0.1)) is WILD


def test_channels_are_shown_as_grey() -> None:
    """Source: worked by hand."""
    for index, name in enumerate(("red", "green", "blue")):
        got = d.pick_channel(WILD, name, (0.2, 0.7, 0.1))
        np.testing.assert_array_equal(got, np.stack([WILD[index]] * 3))
    grey = d.pick_channel(WILD, "luminance", (0.2, 0.7, 0.1))
    expected = 0.2 * WILD[0] + 0.7 * WILD[1] + 0.1 * WILD[2]
    np.testing.assert_allclose(grey, np.stack([expected] * 3), rtol=1e-5, atol=1e-6)


# ---------------------------------------------------------------- display encoding


def test_srgb_curve() -> None:
    """Source: IEC 61966-2-1, and colour-science 0.4, eotf_inverse_sRGB and eotf_sRGB."""
    x = np.linspace(0, 1, 1001)
    code = colour_science.models.eotf_inverse_sRGB(x)
    np.testing.assert_allclose(d.srgb_encode(x), code, atol=1e-12)
    np.testing.assert_allclose(d.linear_from_srgb(x), colour_science.models.eotf_sRGB(x))
    np.testing.assert_allclose(d.linear_from_srgb(d.srgb_encode(x)), x, atol=1e-7)
    assert d.srgb_encode(np.array([-1.0, 7.0])) == pytest.approx([0, 1])
    # 18 % grey is code value 118
    assert d.to_8bit(d.srgb_encode(np.full((1, 1), 0.18)))[0, 0, 0] == 118


def test_matrix_to_rec709() -> None:
    """Source: OpenColorIO's built-in studio config; colour-science 0.4, Bradford adaptation."""
    config = ocio.Config.CreateFromFile("ocio://studio-config-latest")
    processor = config.getProcessor("ACEScg", "Linear Rec.709 (sRGB)").getDefaultCPUProcessor()
    columns = np.array([processor.applyRGB(list(row)) for row in np.eye(3)]).T
    np.testing.assert_allclose(d.REC709_FROM_ACESCG, columns, atol=2e-7)
    spaces = colour_science.RGB_COLOURSPACES
    oracle = colour_science.matrix_RGB_to_RGB(spaces["ACEScg"], spaces["sRGB"], "Bradford")
    np.testing.assert_allclose(d.REC709_FROM_ACESCG, oracle, atol=3e-4)  # rounded chromaticities


def test_srgb_display() -> None:
    """Source: worked by hand: matrix, clamp, curve; greys stay grey."""
    linear = np.einsum("ij,jhw->ihw", d.REC709_FROM_ACESCG, WILD.astype(np.float64))
    expected = colour_science.models.eotf_inverse_sRGB(np.clip(linear, 0, 1))
    np.testing.assert_allclose(d.srgb_display(WILD), expected, atol=2e-6)
    grey = d.srgb_display(np.full((3, 1, 1), 0.18))
    assert grey.ravel() == pytest.approx([0.4613561] * 3, abs=1e-6)


def table_of(shaper_size: int = 33, size: int = 9, seed: int = 2) -> DisplayTable:
    rng = np.random.default_rng(seed)
    shaper = np.sort(rng.uniform(-0.05, 1.05, shaper_size)).astype(np.float32)
    cube = rng.uniform(0, 1, (size, size, size, 3)).astype(np.float32)
    return DisplayTable(shaper, -0.02, -6.0, 4.0, cube, "random")


def test_display_table_is_trilinear_behind_its_shaper() -> None:
    """Source: numpy.interp and SciPy's RegularGridInterpolator."""
    table = table_of()
    image = np.random.default_rng(3).uniform(-1, 30, (3, 50, 40))
    image[:, 0, :3] = -0.02, 0, 1
    image[:, 1] = 1e6
    stops = np.log2(np.maximum(image + 0.02, 2.0**-6))
    shaped = np.interp(stops, np.linspace(-6, 4, 33), table.shaper.astype(np.float64))
    axis = np.linspace(0, 1, 9)
    grid = RegularGridInterpolator((axis,) * 3, table.table.astype(np.float64))
    oracle = np.moveaxis(grid(np.moveaxis(np.clip(shaped, 0, 1), 0, -1)), -1, 0)
    np.testing.assert_allclose(d.apply_display(image, table), oracle, atol=1e-6)
    single = d.apply_display(image.astype(np.float32), table)
    assert single.dtype == np.float32
    np.testing.assert_allclose(single, oracle, atol=2e-5)


def test_a_baked_display_meets_opencolorio() -> None:
    """Source: OpenColorIO's CPU path of the studio config's default display and view."""
    config = ocio.Config.CreateFromFile("ocio://studio-config-latest")
    display = config.getDefaultDisplay()
    transform = ocio.DisplayViewTransform("ACEScg", display, config.getDefaultView(display))
    processor = config.getProcessor(transform).getDefaultCPUProcessor()
    size, toe, low, high = 81, -0.01, -7.0, 7.0
    axis = (2.0 ** np.linspace(low, high, size) + toe).astype(np.float32)
    cube = np.ascontiguousarray(np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1))
    processor.applyRGB(cube)
    shaper = np.linspace(0, 1, 2, dtype=np.float32)
    table = DisplayTable(shaper, toe, low, high, np.clip(cube, 0, 1), "studio")
    rng = np.random.default_rng(4)
    image = (rng.uniform(0.02, 1, (3, 60, 60)) ** 2 * 4).astype(np.float32)
    exact = np.ascontiguousarray(np.moveaxis(image, 0, -1))
    processor.applyRGB(exact)
    error = np.abs(d.apply_display(image, table) - np.moveaxis(np.clip(exact, 0, 1), -1, 0)) * 255
    assert error.mean() < 0.5
    assert np.quantile(error, 0.99) < 3


@given(hnp.arrays(np.float32, (3, 4, 5), elements=st.floats(-(2.0**100), 2.0**100, width=32)))
def test_any_finite_value_has_a_display_value(image: Any) -> None:
    """Source: display-encoded values are 0..1 for every finite input."""
    for got in (d.srgb_display(image), d.apply_display(image, table_of())):
        assert np.isfinite(got).all()
        assert got.min() >= 0
        assert got.max() <= 1


# ---------------------------------------------------------------- 8 bit and tables


def test_8bit_rounds_to_the_nearest_code() -> None:
    """Source: worked by hand: floor(255 x + 0.5)."""
    x = np.array([[-1.0, 0.0, 0.499 / 255, 0.501 / 255, 0.5, 254.6 / 255, 1.0, 9.0, np.nan]])
    code = d.to_8bit(x)
    assert code.shape == (1, 9, 3)
    assert code.dtype == np.uint8
    assert code[0, :, 1].tolist() == [0, 0, 0, 1, 128, 255, 255, 255, 0]
    colours = d.to_8bit(np.array([0.0, 0.2, 1.0]).reshape(3, 1, 1))
    assert colours[0, 0].tolist() == [0, 51, 255]
    assert colours.flags.c_contiguous


def test_every_code_survives() -> None:
    """Source: worked by hand: code / 255 gives the code back."""
    codes = np.arange(256)
    got = d.to_8bit((codes / 255).astype(np.float32)[None])
    assert got[0, :, 0].tolist() == codes.tolist()


def lab_of(srgb: Any) -> Any:
    linear = colour_science.models.eotf_sRGB(np.asarray(srgb, dtype=np.float64))
    return colour_science.XYZ_to_Lab(colour_science.sRGB_to_XYZ(linear, apply_cctf_decoding=False))


def seen_with(srgb: Any, deficiency: str) -> Any:
    """sRGB as people without one kind of cone see it (matrix on linear light)."""
    linear = colour_science.models.eotf_sRGB(np.asarray(srgb, dtype=np.float64))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the library says that its tritan model is approximate
        matrix = colour_science.blindness.matrix_cvd_Machado2009(deficiency, 1.0)
    return colour_science.models.eotf_inverse_sRGB(np.clip(linear @ matrix.T, 0, 1))


def test_false_colours_are_perceptually_even() -> None:
    """Source: colour-science 0.4: CIE L*a*b* and CAM02-UCS lightness of the table's colours."""
    table = d.false_colour_table()
    assert table.shape == (256, 3)
    lab = lab_of(table)
    steps = np.diff(lab, axis=0)
    assert steps[:, 0].min() > 0.27
    assert steps[:, 0].max() < 0.34
    lengths = np.linalg.norm(steps, axis=1)
    assert lengths.max() / lengths.min() < 1.15
    jab = colour_science.convert(table.astype(np.float64), "Output-Referred RGB", "CAM02UCS")
    assert np.all(np.diff(np.asarray(jab)[:, 0]) > 0)


@pytest.mark.parametrize("deficiency", ["Protanomaly", "Deuteranomaly", "Tritanomaly"])
def test_false_colours_with_other_colour_vision(deficiency: str) -> None:
    """Source: Machado et al. 2009, severity 1, through colour-science 0.4."""
    seen = lab_of(seen_with(d.false_colour_table(), deficiency))
    assert np.all(np.diff(seen[:, 0]) > 0)


def test_palette_stays_apart_with_other_colour_vision() -> None:
    """Source: Okabe & Ito 2008, their printed 8-bit values; Machado et al. 2009."""
    printed = ["e69f00", "56b4e9", "009e73", "f0e442", "0072b2", "d55e00", "cc79a7"]
    codes = [[int(text[n : n + 2], 16) for n in (0, 2, 4)] for text in printed]
    np.testing.assert_array_equal(np.round(d.PALETTE * 255), codes)
    for deficiency in ("Protanomaly", "Deuteranomaly"):
        lab = lab_of(seen_with(d.PALETTE, deficiency))
        far = np.linalg.norm(lab[:, None] - lab[None], axis=-1)[~np.eye(7, dtype=bool)]
        assert far.min() > 10


def test_false_colour_interpolates_its_table() -> None:
    """Source: numpy.interp; outside 0..1 the ends are held."""
    table = d.false_colour_table().astype(np.float64)
    x = np.array([[-0.5, 0.0, 0.3141, 0.5, 0.9999, 1.0, 3.0]])
    got = d.false_colour(x)
    assert got.shape == (3, 1, 7)
    for channel in range(3):
        oracle = np.interp(np.clip(x[0], 0, 1) * 255, np.arange(256), table[:, channel])
        np.testing.assert_allclose(got[channel, 0], oracle, atol=1e-12)
