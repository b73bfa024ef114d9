"""Placing the background and its grain."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage, stats
from skimage.transform import AffineTransform, warp

from kernels.recipe import Background, Noise
from kernels.reference import background as b

PICTURE = np.random.default_rng(1).uniform(-0.1, 3, (3, 24, 36)).astype(np.float32)


def picture(**settings_: Any) -> Background:
    return Background(kind="picture", **settings_)


def test_a_picture_of_the_frames_size_is_itself() -> None:
    """Source: the identity setting."""
    np.testing.assert_array_equal(b.place(PICTURE, picture(), 36, 24), PICTURE)
    double = b.place(PICTURE.astype(np.float64), picture(), 36, 24)
    assert double.dtype == np.float64


def test_moves_go_right_and_down_and_the_border_is_held() -> None:
    """Source: array slicing."""
    got = b.place(PICTURE, picture(move_x_px=5.0, move_y_px=2.0), 36, 24)
    np.testing.assert_allclose(got[:, 2:, 5:], PICTURE[:, :-2, :-5], atol=1e-5)
    np.testing.assert_allclose(got[:, 2:, 0], PICTURE[:, :-2, 0], atol=1e-5)


@pytest.mark.parametrize("turn", [90.0, -270.0])
def test_a_quarter_turn_is_clockwise(turn: float) -> None:
    """Source: numpy.rot90."""
    square = PICTURE[:, :24, :24]
    got = b.place(square, picture(rotate_deg=turn), 24, 24)
    np.testing.assert_allclose(got, np.rot90(square, k=-1, axes=(1, 2)), atol=1e-5)


@given(st.floats(-20, 20), st.floats(-20, 20), st.floats(1, 4), st.floats(-180, 180))
@settings(max_examples=25, deadline=None)
def test_any_placement_meets_a_general_warp(x: float, y: float, scale: float, turn: float) -> None:
    """Source: scikit-image, transform.warp, order 1, border held."""
    p = picture(move_x_px=x, move_y_px=y, scale=scale, rotate_deg=turn)
    source = PICTURE.astype(np.float64)
    got = b.place(source, p, 50, 30)
    cover = max(50 / 36, 30 / 24) * scale
    centre = AffineTransform(translation=(-35 / 2, -23 / 2))
    turned = AffineTransform(scale=(cover, cover), rotation=math.radians(turn))
    placed = AffineTransform(translation=(49 / 2 + x, 29 / 2 + y))
    inverse = (centre + turned + placed).inverse
    for plane, expected in zip(source, got, strict=True):
        oracle = warp(
            plane,
            inverse,
            output_shape=(30, 50),
            order=1,
            mode="edge",
            clip=False,
            preserve_range=True,
        )
        np.testing.assert_allclose(expected, oracle, atol=1e-9)


def test_it_covers_the_frame_with_its_centre_in_the_middle() -> None:
    """Source: worked by hand: 36 x 24 in 72 x 24 is scaled by 2, rows 6 to 18 are seen."""
    rows = np.repeat(np.arange(24.0)[None, :, None], 3, axis=0) * np.ones((1, 1, 36))
    got = b.place(rows, picture(), 72, 24)
    np.testing.assert_allclose(got[0, :, 0], 6 + (np.arange(24) + 0.5) / 2 - 0.5, atol=1e-12)


def test_shrinking_averages_whole_blocks() -> None:
    """Source: exact block means; a one-pixel checkerboard becomes its mean, not a pattern."""
    small = b.place(PICTURE, picture(), 9, 6)
    blocks = PICTURE.astype(np.float64).reshape(3, 6, 4, 9, 4).mean(axis=(2, 4))
    np.testing.assert_allclose(small, blocks, rtol=1e-6)
    checks = np.indices((64, 64)).sum(axis=0) % 2 * np.ones((3, 1, 1))
    got = b.place(checks, picture(scale=0.3), 48, 48)
    assert np.abs(got[:, 20:28, 20:28] - 0.5).max() < 0.35
    np.testing.assert_allclose(b.place(checks, picture(scale=0.5), 64, 64)[:, 20:40, 20:40], 0.5)


def test_block_means_at_a_cut_border() -> None:
    """Source: numpy means of the pieces."""
    got = b.block_mean(PICTURE[:, :7, :10], 4)
    assert got.shape == (3, 2, 3)
    np.testing.assert_allclose(got[:, 1, 2], PICTURE[:, 4:7, 8:10].mean(axis=(1, 2)), rtol=1e-6)


@pytest.mark.parametrize("size", [(1, 1), (1, 5), (7, 1), (2, 2), (13, 31)])
@pytest.mark.parametrize("kind", ["picture", "colour", "ramp", "checker"])
def test_awkward_sizes(kind: Any, size: tuple[int, int]) -> None:
    """Source: every size from one pixel up is legal."""
    source = np.full((3, size[1], size[0]), 0.3, np.float32)
    for given_, width, height in ((source, 11, 7), (PICTURE, *size), (None, *size)):
        p = Background(kind=kind, rotate_deg=33.0, scale=0.7, defocus_px=1.5)
        got = b.place(given_, p, width, height)
        assert got.shape == (3, height, width)
        assert got.dtype == np.float32
        assert np.isfinite(got).all()


def test_exposure_and_colour() -> None:
    """Source: worked by hand: two stops under is a quarter."""
    p = Background(kind="colour", colour=(0.4, -0.2, 4.0), exposure_stops=-2.0)
    got = b.place(None, p, 4, 3)
    np.testing.assert_allclose(got, np.array([0.1, -0.05, 1.0])[:, None, None] + np.zeros((3, 4)))
    assert np.all(b.place(None, picture(), 4, 3) == 0)


def test_defocus_is_a_gaussian() -> None:
    """Source: SciPy's gaussian_filter, border held, cut at three standard deviations."""
    got = b.place(PICTURE.astype(np.float64), picture(defocus_px=2.0), 36, 24)
    for plane, expected in zip(PICTURE.astype(np.float64), got, strict=True):
        oracle = ndimage.gaussian_filter(plane, 2.0, mode="nearest", truncate=3.0)
        np.testing.assert_allclose(expected, oracle, atol=1e-6)


def test_ramp_and_checker() -> None:
    """Source: worked by hand: a linear ramp; squares a twelfth of the height, two greys."""
    ramp = b.place(None, Background(kind="ramp"), 8, 4)
    np.testing.assert_allclose(ramp[0, 2], (np.arange(8) + 0.5) / 8, atol=1e-7)
    checker = b.place(None, Background(kind="checker"), 480, 240)
    low, high = b.CHECKER_LEVELS
    centres = checker[1, 10::20, 10::20]
    expected = np.where(np.indices(centres.shape).sum(axis=0) % 2, low, high)
    np.testing.assert_allclose(centres, expected, atol=1e-6)
    assert checker.min() >= low - 1e-6
    assert checker.max() <= high + 1e-6


# ---------------------------------------------------------------- grain


def test_the_hash_gives_published_values() -> None:
    """Source: MurmurHash3 x86 32 of the empty key with seeds 1 and 0xffffffff."""
    got = b._mix(np.array([0, 1, 0xFFFFFFFF], dtype=np.uint32))
    assert [int(h) for h in got] == [0, 0x514E28B7, 0x81F16F39]


def test_grain_is_near_gaussian_and_independent() -> None:
    """Source: scipy.stats, and moments worked by hand: sum of eight uniform bytes."""
    z = b.grain(600, 400, 1001).astype(np.float64)
    assert abs(z.mean()) < 0.005
    assert z.var() == pytest.approx(1, abs=0.01)
    assert abs(stats.skew(z, axis=None)) < 0.01
    assert stats.kurtosis(z, axis=None) == pytest.approx(-0.15, abs=0.03)
    assert stats.kstest(z.ravel(), "norm").statistic < 0.01
    later = b.grain(600, 400, 1002).astype(np.float64)
    pairs = [
        (z[0], z[1]),
        (z[0], z[2]),
        (z[1], z[2]),
        (z, later),
        (z[:, :, 1:], z[:, :, :-1]),
        (z[:, 1:], z[:, :-1]),
        (z[:, 1:, 1:], z[:, :-1, :-1]),
        (z[0, 1:], z[1, :-1]),
        (z[0, :, 1:], z[1, :, :-1]),
        (z[1:], later[:-1]),
    ]
    for first, second in pairs:
        assert abs(np.mean(first * second)) < 0.01
    spectrum = np.abs(np.fft.rfft2(z[0])) ** 2 / z[0].size
    assert spectrum.max() < 20


@given(st.integers(-5000, 9000), st.integers(-50, 9000), st.integers(0, 2**33), st.integers(1, 9))
@settings(max_examples=30, deadline=None)
def test_grain_depends_on_the_place_in_the_frame_only(x: int, y: int, frame: int, w: int) -> None:
    """Source: tiles agree to the last bit."""
    whole = b.grain(w + 3, 7, frame, x, y)
    np.testing.assert_array_equal(b.grain(w, 4, frame, x + 2, y + 3), whole[:, 3:7, 2 : w + 2])


def test_regrain_has_the_plates_variance_and_correlation() -> None:
    """Source: the noise model, variance = gain level + offset, and the correlations asked for."""
    noise = Noise(gain=(2e-3, 1e-3, 4e-3), offset=(1e-4, 2e-4, 0.0), correlation=(0.5, -0.3, 0.2))
    level = np.array([0.2, 0.5, 1.5])
    flat = np.broadcast_to(level[:, None, None], (3, 300, 400))
    added = (b.regrain(flat, noise, 1.5, 7) - flat).reshape(3, -1)
    expected = 1.5**2 * (np.array(noise.gain) * level + np.array(noise.offset))
    np.testing.assert_allclose(added.var(axis=1), expected, rtol=0.02)
    got = np.corrcoef(added)
    assert [got[0, 1], got[0, 2], got[1, 2]] == pytest.approx([0.5, -0.3, 0.2], abs=0.01)


def test_regrain_identity_and_dark_values() -> None:
    """Source: the identity setting; variance never below 0."""
    noise = Noise(gain=(1e-3,) * 3, offset=(-1e-3,) * 3)
    assert b.regrain(PICTURE, noise, 0.0, 1) is PICTURE
    assert b.regrain(PICTURE, Noise(), 1.0, 1) is PICTURE
    got = b.regrain(PICTURE, noise, 1.0, 1)
    assert got.dtype == np.float32
    np.testing.assert_array_equal(got[PICTURE <= 1], PICTURE[PICTURE <= 1])
    assert not np.array_equal(got, PICTURE)


@given(st.tuples(*[st.floats(-1.5, 1.5)] * 3))
def test_correlation_root(correlation: tuple[float, float, float]) -> None:
    """Source: numpy.linalg.cholesky where the correlations are possible."""
    root = b.correlation_root(Noise(correlation=correlation))
    np.testing.assert_allclose((root**2).sum(axis=1), 1, atol=1e-9)
    rg, rb, gb = correlation
    matrix = np.array([[1, rg, rb], [rg, 1, gb], [rb, gb, 1]])
    if np.linalg.eigvalsh(matrix).min() > 1e-3:
        np.testing.assert_allclose(root, np.linalg.cholesky(matrix), atol=1e-9)
