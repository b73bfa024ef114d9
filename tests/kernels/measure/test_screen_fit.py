"""The fitted clean plate against the true one."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from demo_media import truth_shot
from kernels.measure.screen_find import channel_index, robust_sigma
from kernels.measure.screen_fit import fit_picture, merge_fits, working_size
from kernels.measure.screen_surface import log_surface, pull_push, resized
from kernels.measure.survey import measure_frame
from tests.server.survey.screens import flat, noisy, ramped, with_disc


def small_of(image: np.ndarray) -> np.ndarray:
    return resized(image, *working_size(*image.shape[1:]))


@pytest.mark.parametrize("seed", [0, 1, 5, 6, 8, 9, 103, 105, 108])
def test_the_fit_is_within_one_and_a_half_percent_near_edges(seed: int) -> None:
    """Source: the truth shots' exact clean plate; the key channel, the median over the band."""
    shot = truth_shot(seed)
    fit = fit_picture(shot.plate)
    assert fit is not None
    assert fit.primary == shot.primary
    band = cv2.dilate((shot.alpha > 0.05).astype(np.uint8), np.ones((15, 15), np.uint8)) > 0
    band &= shot.alpha < 0.98
    k, _, _ = channel_index(fit.primary)
    clean = fit.clean_at(*shot.alpha.shape)
    error = (clean / shot.clean_plate - 1)[k][band]
    assert abs(float(np.median(error))) < 0.01
    assert float(np.median(np.abs(error))) < 0.015
    flat_error = np.median(clean[k]) / shot.clean_plate[k][band] - 1
    assert np.median(np.abs(error)) < 0.5 * np.median(np.abs(flat_error))


def test_frames_show_each_other_what_they_cover() -> None:
    """Common practice, no source: merged over frames the plate is known where each hides some."""
    screen = ramped(1.0)
    y, x = np.mgrid[0:540, 0:960].astype(np.float32)
    screen = screen * (1 - 0.2 * np.exp(-((x - 480) ** 2 + (y - 300) ** 2) / (2 * 60**2)))
    screen = screen.astype(np.float32)
    pictures = []
    for dx in (-220, 0, 220):
        image, alpha = with_disc(screen, 1.0, radius=0.3)
        paint = np.roll(image, dx, axis=2)
        pictures.append(
            noisy(
                np.where(np.roll(alpha, dx, axis=1) > 0.001, paint, screen),
                2e-5,
                2e-6,
                seed=dx + 300,
            )
        )
    fits = [fit_picture(p) for p in pictures]
    kept = [f for f in fits if f is not None]
    assert len(kept) == 3
    merged = merge_fits([small_of(p) for p in pictures], kept)
    true = small_of(screen)
    hidden = ~kept[1].mask
    alone = np.abs(kept[1].clean / true - 1)[1][hidden].max()
    together = np.abs(merged.clean / true - 1)[1][hidden]
    assert np.percentile(together, 99) < 0.02
    assert together.max() < 0.5 * alone
    assert np.median(merged.confidence[hidden]) == 1
    assert merged.confidence[hidden].mean() > 0.9 > 0.5 > kept[1].confidence[hidden].mean()


def test_a_polynomial_is_found_through_outliers() -> None:
    """Source: an exact surface of degree 2 with part of it spoiled (Tukey's biweight)."""
    y, x = np.meshgrid(np.linspace(-1, 1, 180), np.linspace(-1, 1, 320), indexing="ij")
    truth = -1.0 - 0.4 * x**2 + 0.2 * x * y - 0.3 * y
    rng = np.random.default_rng(0)
    spoiled = truth + rng.normal(0, 0.01, truth.shape)
    spoiled[60:120, 100:160] -= 1.0
    found = log_surface(np.stack([spoiled] * 3).astype(np.float32), np.ones(truth.shape, bool))
    assert np.abs(found[0] - truth).max() < 0.01


def test_pull_push_keeps_what_is_known_and_fills_the_rest() -> None:
    """Source: Gortler et al. 1996: a constant stays, a filled value lies between its known ones."""
    values = np.full((90, 150), 0.3, np.float32)
    weights = np.zeros_like(values)
    weights[:, :40] = 1
    np.testing.assert_allclose(pull_push(values, weights), 0.3, atol=1e-5)
    values[:, 75:] = 0.7
    weights[:, 110:] = 1
    filled = pull_push(values, weights)
    assert np.abs(filled[:, :30] - 0.3).max() < 0.01
    assert np.abs(filled[:, 120:] - 0.7).max() < 0.01
    middle = filled[45, 45:105]
    assert middle.min() > 0.29
    assert middle.max() < 0.71


def test_hair_stays_out_and_a_crease_stays_in() -> None:
    """Common practice, no source: dark strands by the subject are no screen, a long fold is."""
    image, _ = with_disc(flat(), 1.0, radius=0.25)
    clean = flat()
    for target in (image, clean):
        target[:, :, 120:126] *= 0.75
    for n in range(12):
        angle = -np.pi * (0.15 + 0.7 * n / 11)
        start = (480 + int(130 * np.cos(angle)), 324 + int(130 * np.sin(angle)))
        stop = (480 + int(190 * np.cos(angle)), 324 + int(190 * np.sin(angle)))
        for plane, tone in zip(image, (0.04, 0.04, 0.04), strict=True):
            cv2.line(plane, start, stop, tone, 2, cv2.LINE_AA)
    fit = fit_picture(noisy(image, 2e-5, 2e-6))
    assert fit is not None
    plate = fit.clean_at(540, 960)
    assert np.abs(plate[1, 60:480, 122:124] / clean[1, 60:480, 122:124] - 1).mean() < 0.08
    around = np.abs(plate[1, 100:200, 380:580] / 0.36 - 1)
    assert np.percentile(around, 99) < 0.02


def test_robust_sigma_is_that_of_a_normal_distribution() -> None:
    """Source: the normal distribution's quartile, 0.6745."""
    x = np.random.default_rng(1).normal(3, 0.5, 200_000)
    assert robust_sigma(x) == pytest.approx(0.5, rel=0.01)
    assert robust_sigma(np.array([])) == 0


def test_everything_is_deterministic() -> None:
    """Common practice, no source."""
    image, _ = with_disc(ramped(0.5), 1.0)
    plate = noisy(image, 1e-4, 1e-5)
    first, second = (measure_frame(plate.copy()).measures for _ in range(2))
    assert first == second
