"""Exact alpha from two screens, and the noise bound of per-pixel estimates."""

from __future__ import annotations

import numpy as np
import pytest

from demo_media import baselines, truth_shot
from demo_media.camera import Noise, demosaic, expose, mosaic
from kernels.metrics import rms, sad
from kernels.plan import Context
from kernels.recipe import ColourDifference
from kernels.recipe import Noise as RecipeNoise
from kernels.reference.extract import colour_difference


@pytest.mark.parametrize("kind", ["hair", "smoke", "motion", "overrange"])
def test_two_screens_give_the_exact_alpha_and_foreground(kind: str) -> None:
    """Source: Smith & Blinn 1996, triangulation, theorem 4.

    The same subject over two noiseless screens: alpha = 1 - Σ(p1 - p2)(c1 - c2) / Σ(c1 - c2)².
    """
    shot = truth_shot(11, width=320, height=180, kind=kind)
    first = shot.clean_plate.astype(np.float64)
    second = first[[2, 0, 1]] * 0.7 + 0.02
    alpha, colour = shot.alpha.astype(np.float64), shot.foreground.astype(np.float64)
    p1, p2 = (alpha * colour + (1 - alpha) * c for c in (first, second))
    difference = first - second
    got = 1 - ((p1 - p2) * difference).sum(0) / (difference**2).sum(0)
    np.testing.assert_allclose(got, alpha, atol=1e-9)
    covered = alpha > 0.05
    straight = (p1 - (1 - got) * first) / np.maximum(got, 1e-3)
    np.testing.assert_allclose(straight[:, covered], colour[:, covered], atol=1e-7)
    np.testing.assert_allclose(p1, shot.light, atol=1e-6)


def test_colour_difference_is_exact_where_the_subject_has_no_excess() -> None:
    """Source: Smith & Blinn 1996: one screen suffices for a subject with e(F) = 0.

    The true foreground is made grey, so the weighted colour difference must return the very alpha
    that triangulation gives.
    """
    shot = truth_shot(10, width=320, height=180)
    grey = np.broadcast_to(shot.foreground.mean(axis=0), shot.foreground.shape)
    light = shot.alpha * grey + (1 - shot.alpha) * shot.clean_plate
    extractor = ColourDifference(excess="balance")
    context = Context("green", (0.1, 0.3, 0.1), RecipeNoise())
    got = colour_difference(light, shot.clean_plate, extractor, context)
    np.testing.assert_allclose(got, shot.alpha, atol=2e-5)


@pytest.mark.parametrize("alpha", [0.15, 0.5, 0.85])
def test_cramer_rao_bound_from_the_plate_meets_the_error_of_least_squares(alpha: float) -> None:
    """Source: Cramér 1946, Rao 1945; the compositing equation of Chuang et al. 2001.

    Three patches of one mosaicked, matrixed, noisy plate: F, c, and their mixture. σ_α predicted
    from F, c and the covariance *measured in the plate* is the actual error of per-pixel least
    squares within 10 %.
    """
    subject, screen = np.array([0.45, 0.28, 0.16]), np.array([0.165, 0.36, 0.125])
    noise = Noise(slope=(1.2e-4, 0.8e-4, 1.4e-4), floor=(8e-6, 5e-6, 8e-6))
    light = np.empty((3, 160, 480), np.float32)
    for index, share in enumerate((1.0, alpha, 0.0)):
        colour = share * subject + (1 - share) * screen
        light[:, :, 160 * index : 160 * (index + 1)] = colour[:, None, None]
    plate = expose(light, noise, np.random.default_rng(5)).astype(np.float64)
    patches = [plate[:, 8:-8, 160 * i + 8 : 160 * (i + 1) - 8].reshape(3, -1) for i in range(3)]
    f, c = patches[0].mean(axis=1), patches[2].mean(axis=1)
    inverse = np.linalg.inv(np.cov(patches[1]))
    information = (f - c) @ inverse @ (f - c)
    predicted = 1 / np.sqrt(information)
    estimate = (f - c) @ inverse @ (patches[1] - c[:, None]) / information
    actual = np.sqrt(((estimate - alpha) ** 2).mean())
    assert actual == pytest.approx(predicted, rel=0.10)
    mixed = (alpha * subject + (1 - alpha) * screen).astype(np.float32)
    known = np.linalg.inv(noise.covariance(mixed))
    assert 1 / np.sqrt((subject - screen) @ known @ (subject - screen)) == pytest.approx(
        actual, rel=0.10
    )


def test_least_squares_baseline_reaches_its_bound_on_soft_smoke() -> None:
    """Source: Cramér 1946, Rao 1945. Smoke has no hard edge for the mosaic to spoil."""
    shot = truth_shot(2, width=480, height=270)
    soft = shot.edge_mask & (shot.alpha > 0.1) & (shot.alpha < 0.9)
    smooth = np.abs(shot.light - demosaic(mosaic(shot.light))).max(axis=0) < 0.003
    soft &= smooth
    assert soft.sum() > 1000
    bound = np.sqrt((baselines.cramer_rao_sigma(shot)[soft].astype(float) ** 2).mean())
    error = rms(baselines.least_squares(shot), shot.alpha, soft)
    assert 0.85 * bound < error < 1.35 * bound


def test_noise_free_least_squares_is_exact() -> None:
    """Source: the compositing equation, worked by hand."""
    from dataclasses import replace

    shot = truth_shot(1, width=320, height=180)
    ideal = replace(shot, plate=shot.light)
    np.testing.assert_allclose(baselines.least_squares(ideal), shot.alpha, atol=2e-4)


def test_a_clean_plate_beats_one_flat_colour_on_an_uneven_screen() -> None:
    """Common practice, no source."""
    shot = truth_shot(5, width=320, height=180)
    flat = sad(baselines.flat_colour_difference(shot), shot.alpha)
    clean = sad(baselines.clean_plate_colour_difference(shot), shot.alpha)
    assert clean < 0.6 * flat


def test_closed_form_with_an_oracle_trimap_keeps_what_is_known() -> None:
    """Source: Levin, Lischinski & Weiss 2008, through PyMatting (a general matting library)."""
    pytest.importorskip("pymatting", reason="the optional matting library is not installed")
    shot = truth_shot(1, width=320, height=180)
    alpha = baselines.closed_form(shot, longest_px=240)
    assert np.abs(alpha - shot.alpha)[shot.core_mask].mean() < 0.01
    assert np.abs(alpha - shot.alpha)[shot.screen_mask].mean() < 0.01
    assert rms(alpha, shot.alpha, shot.edge_mask) < 0.25
