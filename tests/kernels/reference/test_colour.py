"""Colour arithmetic against printed values and independent libraries."""

from __future__ import annotations

import colorsys
import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kernels.reference import colour as c

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # the library announces at import that plotting is missing
    import colour as colour_science

# L1 a1 b1 L2 a2 b2 ΔE00, as printed in table 1 of the paper.
SHARMA_WU_DALAL = """
50.0000 2.6772 -79.7751 50.0000 0.0000 -82.7485 2.0425
50.0000 3.1571 -77.2803 50.0000 0.0000 -82.7485 2.8615
50.0000 2.8361 -74.0200 50.0000 0.0000 -82.7485 3.4412
50.0000 -1.3802 -84.2814 50.0000 0.0000 -82.7485 1.0000
50.0000 -1.1848 -84.8006 50.0000 0.0000 -82.7485 1.0000
50.0000 -0.9009 -85.5211 50.0000 0.0000 -82.7485 1.0000
50.0000 0.0000 0.0000 50.0000 -1.0000 2.0000 2.3669
50.0000 -1.0000 2.0000 50.0000 0.0000 0.0000 2.3669
50.0000 2.4900 -0.0010 50.0000 -2.4900 0.0009 7.1792
50.0000 2.4900 -0.0010 50.0000 -2.4900 0.0010 7.1792
50.0000 2.4900 -0.0010 50.0000 -2.4900 0.0011 7.2195
50.0000 2.4900 -0.0010 50.0000 -2.4900 0.0012 7.2195
50.0000 -0.0010 2.4900 50.0000 0.0009 -2.4900 4.8045
50.0000 -0.0010 2.4900 50.0000 0.0010 -2.4900 4.8045
50.0000 -0.0010 2.4900 50.0000 0.0011 -2.4900 4.7461
50.0000 2.5000 0.0000 50.0000 0.0000 -2.5000 4.3065
50.0000 2.5000 0.0000 73.0000 25.0000 -18.0000 27.1492
50.0000 2.5000 0.0000 61.0000 -5.0000 29.0000 22.8977
50.0000 2.5000 0.0000 56.0000 -27.0000 -3.0000 31.9030
50.0000 2.5000 0.0000 58.0000 24.0000 15.0000 19.4535
50.0000 2.5000 0.0000 50.0000 3.1736 0.5854 1.0000
50.0000 2.5000 0.0000 50.0000 3.2972 0.0000 1.0000
50.0000 2.5000 0.0000 50.0000 1.8634 0.5757 1.0000
50.0000 2.5000 0.0000 50.0000 3.2592 0.3350 1.0000
60.2574 -34.0099 36.2677 60.4626 -34.1751 39.4387 1.2644
63.0109 -31.0961 -5.8663 62.8187 -29.7946 -4.0864 1.2630
61.2901 3.7196 -5.3901 61.4292 2.2480 -4.9620 1.8731
35.0831 -44.1164 3.7933 35.0232 -40.0716 1.5901 1.8645
22.7233 20.0904 -46.6940 23.0331 14.9730 -42.5619 2.0373
36.4612 47.8580 18.3852 36.2715 50.5065 21.2231 1.4146
90.8027 -2.0831 1.4410 91.1528 -1.6435 0.0447 1.4441
90.9257 -0.5406 -0.9208 88.6381 -0.8985 -0.7239 1.5381
6.7747 -0.2908 -2.4247 5.8714 -0.0985 -2.2286 0.6377
2.0776 0.0795 -1.1350 0.9033 -0.0636 -0.5514 0.9082
"""
PAIRS = np.array([line.split() for line in SHARMA_WU_DALAL.strip().splitlines()], dtype=np.float64)
unit = st.floats(0.0, 1.0, width=32)


def test_delta_e_2000_meets_the_34_published_pairs() -> None:
    """Source: Sharma, Wu & Dalal 2005, table 1; and colour-science 0.4."""
    assert PAIRS.shape == (34, 7)
    got = c.delta_e_2000(PAIRS[:, :3].T, PAIRS[:, 3:6].T)
    np.testing.assert_allclose(got, PAIRS[:, 6], atol=5.1e-5)
    np.testing.assert_allclose(c.delta_e_2000(PAIRS[:, 3:6].T, PAIRS[:, :3].T), got, atol=1e-9)
    oracle = colour_science.difference.delta_E_CIE2000(PAIRS[:, :3], PAIRS[:, 3:6])
    np.testing.assert_allclose(got, oracle, atol=1e-9)


def test_delta_e_2000_on_random_colours_and_equal_colours() -> None:
    """Source: colour-science 0.4, delta_E_CIE2000."""
    rng = np.random.default_rng(3)
    lab = rng.uniform([[0], [-90], [-90]], [[110], [90], [90]], (3, 500))
    other = lab + rng.normal(0, 8, lab.shape)
    oracle = colour_science.difference.delta_E_CIE2000(lab.T, other.T)
    np.testing.assert_allclose(c.delta_e_2000(lab, other), oracle, atol=1e-8)
    assert np.all(c.delta_e_2000(lab, lab) == 0)
    grey = np.array([[50.0], [0.0], [0.0]], dtype=np.float32)
    assert c.delta_e_2000(grey, grey).dtype == np.float32


@pytest.mark.parametrize(
    ("linear", "encoded"),
    [
        (0.18, 0.4135884),  # S-2016-001, table of reference values: mid grey
        (1.0, 0.5547945),
        (0.0, 0.0729055341958355),
        (0.0078125, 0.155251141552511),
        (65504.0, 1.4679964),
    ],
)
def test_acescct_at_printed_points(linear: float, encoded: float) -> None:
    """Source: S-2016-001, section 4.4 and its table of reference values."""
    assert c.acescct_from_linear(np.float64(linear)) == pytest.approx(encoded, abs=1e-6)
    assert c.linear_from_acescct(np.float64(encoded)) == pytest.approx(linear, rel=1e-5, abs=1e-9)


def test_acescct_against_colour_science_and_round_trip() -> None:
    """Source: colour-science 0.4, log_encoding_ACEScct; S-2016-001 for the toe below zero."""
    x = np.concatenate([np.linspace(-0.3, 0.05, 301), np.geomspace(1e-4, 6e4, 400)])
    got = c.acescct_from_linear(x)
    with np.errstate(invalid="ignore"):  # the library takes the logarithm of the toe as well
        oracle = colour_science.models.log_encoding_ACEScct(x)
    np.testing.assert_allclose(got, oracle, atol=1e-12)
    np.testing.assert_allclose(c.linear_from_acescct(got), x, rtol=1e-9, atol=1e-12)
    assert np.all(np.diff(c.acescct_from_linear(np.sort(x))) >= 0)
    single = c.linear_from_acescct(c.acescct_from_linear(x.astype(np.float32)))
    assert single.dtype == np.float32
    np.testing.assert_allclose(single, x, rtol=2e-5, atol=2e-7)


@settings(deadline=None, max_examples=200)
@given(st.tuples(unit, unit, unit))
def test_hue_saturation_value_agree_with_colorsys(rgb: tuple[float, float, float]) -> None:
    """Source: Python's colorsys."""
    hue, sat, value = c.hsv_from_rgb(np.array(rgb, dtype=np.float64))
    expected = colorsys.rgb_to_hsv(*rgb)
    around = abs((hue / 360 - expected[0] + 0.5) % 1 - 0.5)
    assert around < 1e-9
    assert value == expected[2]
    if value > 1e-6:
        assert sat == pytest.approx(expected[1], abs=1e-9)
        back = c.rgb_from_hsv(np.array([hue, sat, value]))
        np.testing.assert_allclose(back, rgb, atol=1e-9)


def test_hue_and_saturation_outside_zero_to_one() -> None:
    """Source: the formula worked by hand."""
    rgb = np.array([[2.0, -0.1, 0.0], [2.0, 0.3, 0.0], [0.5, -0.1, 0.0]], dtype=np.float32)
    np.testing.assert_allclose(c.hue_degrees(rgb), [60, 120, 0])
    np.testing.assert_allclose(c.saturation(rgb), [0.75, 0.4 / 0.3, 0], rtol=1e-6)
    assert c.hue_degrees(np.array([1.0, 0.0, 1e-9])) == pytest.approx(360, abs=1e-3)
    assert np.all(c.hue_degrees(np.random.default_rng(0).random((3, 999), np.float32)) < 360)


def test_luminance_weights_and_lab_of_the_working_space() -> None:
    """Source: S-2014-004; colour-science 0.4 (ACEScg matrix, XYZ_to_Lab)."""
    space = colour_science.RGB_COLOURSPACES["ACEScg"]
    np.testing.assert_allclose(c.LUMINANCE_WEIGHTS, space.matrix_RGB_to_XYZ[1], atol=5e-8)
    assert sum(c.LUMINANCE_WEIGHTS) == pytest.approx(1, abs=1e-9)
    rgb = np.random.default_rng(1).uniform(-0.05, 3, (3, 200))
    xyz = rgb.T @ space.matrix_RGB_to_XYZ.T
    np.testing.assert_allclose(c.xyz_from_acescg(rgb), xyz.T, atol=1e-7)
    oracle = colour_science.XYZ_to_Lab(xyz, space.whitepoint)
    np.testing.assert_allclose(c.lab_from_acescg(rgb), oracle.T, atol=1e-3)
    np.testing.assert_allclose(c.lab_from_acescg(np.ones(3)), [100, 0, 0], atol=1e-9)
    np.testing.assert_allclose(c.luminance(np.array([4.0, -1.0, 0.0])), 4 * 0.2722287 - 0.6740818)


def test_shapes_and_types_follow_the_input() -> None:
    """Common practice, no source."""
    for dtype in (np.float32, np.float64):
        rgb = np.full((3, 1, 7), 0.25, dtype=dtype)
        for function in (c.luminance, c.hue_degrees, c.saturation):
            assert function(rgb).shape == (1, 7)
            assert function(rgb).dtype == dtype
        for function in (c.acescct_from_linear, c.linear_from_acescct, c.lab_from_acescg):
            assert function(rgb).shape == (3, 1, 7)
            assert function(rgb).dtype == dtype
    assert c.luminance(np.ones((3, 2), np.float16)).dtype == np.float32
