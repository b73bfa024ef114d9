"""The expected alpha noise, predicted from the plate alone, against a real estimate's error."""

from __future__ import annotations

import numpy as np
import pytest

from kernels.measure.noise import covariance_at, expected_sigma_alpha
from kernels.measure.survey import measure_frame
from kernels.recipe import Noise
from tests.server.survey.screens import GREEN, flat, noisy, with_disc

F = (0.4, 0.25, 0.18)


def least_squares(plate: np.ndarray, f: np.ndarray, c: np.ndarray, noise: Noise) -> np.ndarray:
    """Per-pixel weighted least squares with true F and c, S at the middle level."""
    d = f - c
    weight = np.linalg.solve(covariance_at(noise, (f + c) / 2), d)
    return np.asarray(np.tensordot(weight, plate - c[:, None, None], axes=1) / (weight @ d))


@pytest.mark.parametrize(("a", "b"), [(1e-4, 1e-5), (5e-4, 5e-5), (2e-5, 4e-4)])
def test_the_bound_is_met_by_per_pixel_least_squares(a: float, b: float) -> None:
    """Per-pixel least squares with true F and c, within 10 %.

    Source: the Cramer-Rao bound in the general Gaussian case, Kay 1993, section 3.9.
    """
    light, alpha = with_disc(flat(), 4.0, F)
    plate = noisy(light, a, b)
    survey = measure_frame(plate, detail=False)
    assert survey.noise is not None
    middle = (alpha > 0.3) & (alpha < 0.7)
    f, c = np.array(F), np.array(GREEN)
    truth = Noise(gain=(a, a, a), offset=(b, b, b))
    error = (least_squares(plate, f, c, truth) - alpha)[middle]
    predicted = survey.measures.alpha_noise_edge
    assert predicted == pytest.approx(error.std(), rel=0.1)


def test_predicted_noise_by_hand() -> None:
    """Source: the formula worked by hand: equal independent noise gives sigma / |F - c|."""
    noise = Noise(gain=(0.0, 0.0, 0.0), offset=(1e-4, 1e-4, 1e-4))
    f, c = np.array([0.5, 0.2, 0.2]), np.array([0.2, 0.6, 0.2])
    assert expected_sigma_alpha(f, c, np.float64(0.5), noise) == pytest.approx(0.01 / 0.5, rel=1e-6)
    clean = expected_sigma_alpha(f, c, np.float64(0.0), noise, clean_relative=0.05)
    assert clean > expected_sigma_alpha(f, c, np.float64(1.0), noise, clean_relative=0.05)
    assert np.isinf(expected_sigma_alpha(c, c, np.float64(0.5), noise))


def test_correlation_counts() -> None:
    """Source: the formula worked by hand for two fully correlated channels."""
    noise = Noise(offset=(1e-4, 1e-4, 1e-4), correlation=(0.9, 0.0, 0.0))
    f = np.array([0.3, 0.3, 0.2])
    along = expected_sigma_alpha(f, np.array([0.2, 0.2, 0.2]), np.float64(0.5), noise)
    across = expected_sigma_alpha(f, np.array([0.2, 0.4, 0.2]), np.float64(0.5), noise)
    assert along == pytest.approx(0.01 * np.sqrt(1.9) / (np.sqrt(2) * 0.1), rel=1e-6)
    assert across == pytest.approx(0.01 * np.sqrt(0.1) / (np.sqrt(2) * 0.1), rel=1e-6)


@pytest.mark.parametrize("gain", [1e-5, 1e-3, 0.04])
@pytest.mark.parametrize("alpha", [0.1, 0.5, 0.9])
def test_the_term_left_out_matters_as_little_as_is_said(gain: float, alpha: float) -> None:
    """With tr((S^-1 S')^2) / 2 in the information sigma falls by at most g / 4x, x the least level.

    Source: the Cramer-Rao bound in the general Gaussian case, Kay 1993, section 3.9, equation 3.32
    from memory; S' by differences of the covariance itself.
    """
    noise = Noise(gain=(gain, gain, gain))
    f, c = np.array(F), np.array(GREEN)
    sigma = float(expected_sigma_alpha(f, c, np.float64(alpha), noise))

    def covariance(a: float) -> np.ndarray:
        return np.asarray(covariance_at(noise, a * f + (1 - a) * c))

    change = (covariance(alpha + 1e-4) - covariance(alpha - 1e-4)) / 2e-4
    turned = np.linalg.solve(covariance(alpha), change)
    whole = 1 / np.sqrt(1 / sigma**2 + 0.5 * np.trace(turned @ turned))
    level = (alpha * f + (1 - alpha) * c).min()
    assert 0 < 1 - whole / sigma <= gain / (4 * level) * (1 + 1e-6)
