"""Matte and picture errors on arrays small enough to work by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from kernels import metrics as m

A = np.array([[0.0, 0.5, 1.0], [0.25, 0.75, 1.0]], dtype=np.float32)
B = np.array([[0.0, 0.25, 1.0], [0.25, 1.0, 0.5]], dtype=np.float32)


def test_sad_and_mse_by_hand() -> None:
    """Source: Rhemann et al. 2009, definitions, worked by hand."""
    assert m.sad(A, B) == pytest.approx(0.25 + 0.25 + 0.5)
    assert m.mse(A, B) == pytest.approx((0.0625 + 0.0625 + 0.25) / 6)
    assert m.rms(A, B) == pytest.approx(math.sqrt(0.375 / 6))
    mask = np.array([[False, True, False], [False, False, True]])
    assert m.sad(A, B, mask) == pytest.approx(0.75)
    assert m.mean_error(A, B, mask) == pytest.approx(0.375)
    assert m.mean_error(A, B, np.zeros((2, 3), bool)) == 0.0
    assert m.sad(A, A) == m.mse(A, A) == m.gradient_error(A, A) == m.connectivity_error(A, A) == 0


def test_values_outside_zero_to_one_count_in_full() -> None:
    """Common practice, no source."""
    assert m.sad(np.array([[1.5, -0.5]]), np.array([[1.0, 0.0]])) == pytest.approx(1.0)


def test_gradient_of_a_ramp_and_of_a_flat_matte() -> None:
    """Source: Rhemann et al. 2009: unit-norm Gaussian derivative, worked out on a straight ramp."""
    ramp = np.tile(np.arange(40) * 0.02, (40, 1))
    x = np.arange(-4, 5, dtype=np.float64)
    gauss = np.exp(-(x**2) / (2 * 1.4**2))
    kernel = np.outer(gauss, x * gauss)
    expected = 0.02 * (kernel * x[None, :]).sum() / np.sqrt((kernel**2).sum())
    got = m.gradient_magnitude(ramp)
    np.testing.assert_allclose(got[10:30, 10:30], expected, rtol=1e-3)
    np.testing.assert_allclose(m.gradient_magnitude(ramp.T), got.T, atol=1e-12)
    flat = np.full((40, 40), 0.3)
    inner = np.zeros((40, 40), bool)
    inner[10:30, 10:30] = True
    assert m.gradient_error(ramp, flat, inner) == pytest.approx(400 * expected**2, rel=1e-3)


def test_connectivity_of_an_island_by_hand() -> None:
    """Source: Rhemann et al. 2009, eq. 2 and 3, worked by hand.

    A solid block is the largest region at every level. A lone pixel of 0.45 in the estimate has
    l = 0, so d = 0.45 >= 0.15 and φ = 0.55; the truth is 0 there, φ = 1: the error is 0.45. A lone
    pixel of 0.1 is below θ and costs nothing.
    """
    truth = np.zeros((6, 9))
    truth[1:4, 1:4] = 1
    estimate = truth.copy()
    estimate[2, 7] = 0.45
    estimate[5, 8] = 0.1
    assert m.connectivity_error(estimate, truth) == pytest.approx(0.45)


def test_connectivity_of_a_dim_but_connected_pixel_by_hand() -> None:
    """Source: Rhemann et al. 2009, worked by hand.

    A pixel beside the block is 0.8 in truth and 0.52 in the estimate. It belongs to the largest
    region of both up to 0.5, so l = 0.5: d* = 0.3 counts (φ* = 0.7), d = 0.02 does not (φ = 1).
    """
    truth = np.zeros((5, 6))
    truth[1:4, 1:4] = 1
    estimate = truth.copy()
    truth[2, 4], estimate[2, 4] = 0.8, 0.52
    assert m.connectivity_error(estimate, truth) == pytest.approx(0.3)


def test_connectivity_uses_four_neighbours() -> None:
    """Source: Rhemann et al. 2009, only the largest region counts; four neighbours are common.

    The lone pixel is no part of the block, so l = 0 and all of the difference counts. Were it,
    l would be 0.6 and both distances below θ: no error.
    """
    truth = np.zeros((6, 6))
    truth[1:4, 1:4] = 1
    estimate = truth.copy()
    estimate[4, 4], truth[4, 4] = 0.6, 0.7  # touches the block by a corner only
    assert m.connectivity_error(estimate, truth) == pytest.approx(0.1)


def test_psnr_by_hand() -> None:
    """Source: the definition: a constant error of 0.1 is 20 dB at peak 1."""
    image = np.zeros((3, 4, 5))
    assert m.psnr(image + 0.1, image) == pytest.approx(20.0)
    assert m.psnr(image + 0.1, image, peak=10.0) == pytest.approx(40.0)
    assert m.psnr(image, image) == math.inf
    mask = np.zeros((4, 5), bool)
    mask[1, 1] = True
    image[:, 1, 1] = 2.0
    assert m.psnr(image + 0.01, image, mask) == pytest.approx(40.0)


def test_foreground_difference_is_weighted_by_coverage() -> None:
    """Source: Sharma, Wu & Dalal 2005 through kernels.reference.colour; weights worked by hand."""
    truth = np.full((3, 1, 3), 0.18)
    other = truth.copy()
    other[:, 0, 1] = 0.36
    other[:, 0, 2] = 9.0  # not covered: must not count
    alpha = np.array([[1.0, 0.5, 0.0]])
    both = m.foreground_delta_e(other, truth, alpha)
    alone = m.foreground_delta_e(other, truth, np.array([[0.0, 1.0, 0.0]]))
    assert alone > 5
    assert both == pytest.approx(alone * 0.5 / 1.5, rel=1e-9)
    assert m.foreground_delta_e(truth, truth, alpha) == 0
    assert m.foreground_delta_e(other, truth, np.zeros((1, 3))) == 0


def test_scores_are_in_the_units_tables_print() -> None:
    """Common practice, no source."""
    truth = np.zeros((4, 4))
    truth[:2] = 1
    core = truth == 1
    edge = np.zeros((4, 4), bool)
    edge[1:3] = True
    scores = m.score_matte(truth * 0.5, truth, edge, core, ~core)
    assert scores.sad == pytest.approx(0.004)
    assert scores.core == pytest.approx(0.5)
    assert scores.screen == 0
    assert scores.edge_rms == pytest.approx(math.sqrt(0.125))
    assert set(scores.as_dict()) >= {"sad", "mse", "gradient", "connectivity"}


def test_unequal_shapes_are_refused() -> None:
    """Common practice, no source."""
    for function in (m.sad, m.mse, m.mean_error, m.gradient_error, m.connectivity_error):
        with pytest.raises(ValueError, match="equal shapes"):
            function(A, B[:, :2])
