"""Denoising: its parts by hand and by published figures, its pictures against another library's."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from skimage.metrics import peak_signal_noise_ratio, structural_similarity
from skimage.restoration import denoise_nl_means

from demo_media import TruthShot, truth_shot
from kernels.cpu import denoise as fast_denoise
from kernels.measure.noise import measure_noise
from kernels.plan import build_plan
from kernels.recipe import ColourDifference, Denoise, Noise, Recipe, Screen
from kernels.reference import denoise as subject
from kernels.reference import execute

Array = NDArray[np.float32]
NOISE = Noise(gain=(2e-4, 3e-4, 2e-4), offset=(1e-5, 1e-5, 2e-5), correlation=(0.3, 0.1, 0.2))


def plain(frames: list[Array], noise: Noise, settings: Denoise) -> Array:
    """The definition written out for one pixel after the other."""
    to = subject.stabiliser(noise)
    _, height, width = frames[0].shape
    guides = [np.pad(subject.guide_of(f, to), ((0, 0), (9, 9), (9, 9)), "reflect") for f in frames]
    padded = [np.pad(f, ((0, 0), (9, 9), (9, 9)), "reflect") for f in frames]
    out = np.zeros_like(frames[0])
    for y in range(height):
        for x in range(width):
            here = guides[0][:, y + 8 : y + 11, x + 8 : x + 11]
            total, share = frames[0][:, y, x].astype(np.float64), 1.0
            for n, guide in enumerate(guides):
                reach = 3 if n else 5
                for v in range(y - reach, y + reach + 1):
                    for u in range(x - reach, x + reach + 1):
                        if n == 0 and (v, u) == (y, x):
                            continue
                        there = guide[:, v + 8 : v + 11, u + 8 : u + 11]
                        distance = float(((there - here) ** 2).mean()) / 2
                        over = max(distance / float(settings.strength) ** 2 - 1, 0)  # type: ignore[arg-type]
                        total = total + np.exp(-over) * padded[n][:, v + 9, u + 9]
                        share += np.exp(-over)
            out[:, y, x] = total / share
    return out


def test_the_averages_are_what_the_definition_says() -> None:
    """Source: Buades, Coll & Morel 2011, the definition of non-local means, written out."""
    rng = np.random.default_rng(1)
    frames = [(0.3 + 0.02 * rng.random((3, 12, 17))).astype(np.float32) for _ in range(2)]
    settings = Denoise(strength=0.8)
    expected = plain(frames, NOISE, settings)
    assert np.abs(expected - frames[0]).max() > 1e-3
    np.testing.assert_allclose(subject.denoise(frames, NOISE, settings), expected, atol=2e-6)


@pytest.mark.parametrize("level", [2.0, 5.0, 20.0, 300.0])
def test_noise_is_made_the_same_at_every_level(level: float) -> None:
    """Source: Makitalo & Foi 2013, section II: the generalised Anscombe transform of a Poisson
    count plus Gaussian noise has a variance of about 1 (Anscombe 1948: from a mean of 4 up within
    a few percent)."""
    rng = np.random.default_rng(int(level))
    gain, sigma = 0.01, 0.004
    x = gain * rng.poisson(level, 400_000) + rng.normal(0, sigma, 400_000)
    spread = float(subject.stabilise(x, gain, sigma**2).std())
    assert spread == pytest.approx(1.0, abs=0.06 if level < 4 else 0.02)
    assert float((x / sigma).std()) > 3  # it was not before


def test_without_gain_noise_is_only_scaled() -> None:
    """Source: by hand, x / sigma."""
    x = np.linspace(-1, 4, 50)
    np.testing.assert_allclose(subject.stabilise(x, 0.0, 0.01), x / 0.1, rtol=1e-9)


@given(
    st.floats(0, 1e-2),
    st.floats(1e-8, 1e-2),
    st.floats(-2, 100),
    st.floats(1e-4, 10),
    st.booleans(),
)
def test_stabilising_keeps_order_and_is_straight_below_zero(
    gain: float, offset: float, x: float, step: float, negative: bool
) -> None:
    """Source: the transform's derivative 1 / sqrt(variance) is positive; below 0 it is constant."""
    x = -abs(x) - step if negative else x
    low, high = subject.stabilise(np.array([x, x + step]), gain, offset)
    assert high > low
    if negative:
        slope = (high - low) / step
        assert slope == pytest.approx(1 / np.sqrt(0.375 * gain**2 + offset), rel=1e-6)


def test_correlated_noise_becomes_white() -> None:
    """Source: the covariance of a linear map, M C M^T, is the identity for M = C^-1/2."""
    rng = np.random.default_rng(5)
    rho = np.array([[1, 0.3, 0.1], [0.3, 1, 0.2], [0.1, 0.2, 1]])
    level = np.array([0.2, 0.4, 0.1])
    sigma = np.sqrt(np.array(NOISE.gain) * level + np.array(NOISE.offset))
    x = np.linalg.cholesky(rho * np.outer(sigma, sigma)) @ rng.standard_normal((3, 200_000))
    guide = subject.guide_of((x + level[:, None]).reshape(3, 400, 500), subject.stabiliser(NOISE))
    assert np.abs(np.cov(guide.reshape(3, -1)) - np.eye(3)).max() < 0.04


def test_borders_are_mirrored() -> None:
    """Source: NumPy's `pad` with mode reflect."""
    for count in (1, 2, 3, 9):
        row = np.arange(count)
        expected = np.pad(row, 6, "reflect") if count > 1 else np.zeros(13, int)
        assert subject.mirrored(count, 6).tolist() == expected.tolist()


@settings(max_examples=60, deadline=None)
@given(st.integers(1, 23), st.integers(1, 23), st.integers(0, 2), st.integers(0, 99))
def test_the_cpu_engine_agrees(height: int, width: int, others: int, seed: int) -> None:
    """Source: `reference.denoise`, on sizes from a pixel up, with and without neighbours."""
    rng = np.random.default_rng(seed)
    frames = [
        (0.2 + 0.03 * rng.random((3, height, width))).astype(np.float32) for _ in range(1 + others)
    ]
    settings = Denoise(strength=1.1, keep_luminance=0.3)
    weights = (0.27, 0.67, 0.06)
    with ThreadPoolExecutor(2) as pool:
        fast = fast_denoise.denoise(frames, NOISE, settings, weights, pool)
    np.testing.assert_allclose(
        fast, subject.denoise(frames, NOISE, settings, weights), rtol=0, atol=2e-6
    )


def test_settings_at_zero_change_nothing_and_luminance_can_stay() -> None:
    """Source: the definitions: strength 0 is the identity; all luminance kept is the plate's."""
    rng = np.random.default_rng(8)
    plate = (0.2 + 0.03 * rng.random((3, 20, 30))).astype(np.float32)
    assert np.array_equal(subject.denoise([plate], NOISE, Denoise(strength=0.0)), plate)
    weights = (0.25, 0.65, 0.10)
    kept = subject.denoise([plate], NOISE, Denoise(keep_luminance=1.0), weights)
    before, after = (np.tensordot(weights, image, 1) for image in (plate, kept))
    np.testing.assert_allclose(after, before, atol=1e-6)
    assert np.abs(kept - plate).max() > 1e-3


def test_values_outside_the_range_survive() -> None:
    """Source: an average of equal values is that value; nothing is clipped on the way."""
    for value in (-0.3, 0.0, 1.62, 40.0):
        flat = np.full((3, 14, 15), value, np.float32)
        np.testing.assert_allclose(subject.denoise([flat], NOISE, Denoise()), flat, rtol=1e-5)


def test_nothing_measured_and_sizes_that_differ_are_refused() -> None:
    """Common practice, no source: without a noise model there is nothing to go by."""
    frame = np.zeros((3, 4, 4), np.float32)
    with pytest.raises(ValueError, match="no noise"):
        subject.denoise([frame], Noise(), Denoise())
    with pytest.raises(ValueError, match="size"):
        subject.denoise([frame, np.zeros((3, 4, 5), np.float32)], NOISE, Denoise())


# ---------------------------------------------------------------- pictures


@cache
def shot(seed: int) -> TruthShot:
    return truth_shot(seed, width=480, height=270)


@cache
def measured(seed: int) -> Noise:
    s = shot(seed)
    return measure_noise(s.plate, s.clean_plate, s.screen_mask).model


@cache
def smooth(seed: int, strength: float = 0.8) -> Array:
    settings = Denoise(strength=strength)
    with ThreadPoolExecutor(2) as pool:
        return fast_denoise.denoise([shot(seed).plate], measured(seed), settings, (1, 1, 1), pool)


def quality(truth: Array, image: Array) -> tuple[float, float]:
    held = [np.clip(i, 0, 1) for i in (truth, image)]
    return (
        float(peak_signal_noise_ratio(*held, data_range=1)),
        float(structural_similarity(*held, channel_axis=0, data_range=1)),
    )


@pytest.mark.parametrize("seed", [101, 102, 103, 106, 107, 109])
def test_it_is_at_least_as_good_as_another_librarys(seed: int) -> None:
    """Source: scikit-image, `denoise_nl_means` (patch 5, distance 6, h 0.8 sigma, its noise known)
    on the same noisy frame: PSNR and SSIM against the noise-free light. Strength 1, the measured
    noise, as the other takes its sigma; the default, 0.8, is gentler to hair."""
    s = shot(seed)
    sigma = float(np.mean(measure_noise(s.plate, s.clean_plate, s.screen_mask).sigma))
    options = {"patch_size": 5, "patch_distance": 6, "fast_mode": True, "channel_axis": 0}
    other = denoise_nl_means(s.plate, h=0.8 * sigma, sigma=sigma, **options)
    theirs, ours = quality(s.light, other), quality(s.light, smooth(seed, 1.0))
    noisy = quality(s.light, s.plate)
    assert ours[0] >= theirs[0]
    assert ours[1] >= theirs[1]
    assert ours[0] > noisy[0]
    assert ours[1] > noisy[1]


def test_neighbouring_frames_help() -> None:
    """Source: the mean of n independent samples has a variance n times smaller."""
    light = np.broadcast_to(np.linspace(0.1, 0.5, 96, dtype=np.float32), (3, 64, 96))
    rng = np.random.default_rng(2)
    noise = Noise(gain=(1e-6,) * 3, offset=(4e-4,) * 3)
    frames = [(light + rng.normal(0, 0.02, light.shape)).astype(np.float32) for _ in range(3)]
    one, three = (subject.denoise(frames[:n], noise, Denoise()) - light for n in (1, 3))
    assert three.std() < 0.85 * one.std() < 0.4 * 0.02


def test_a_denoised_pass_gives_a_cleaner_matte_at_equal_edge_detail() -> None:
    """Common practice, no source: keying the denoised pass leaves less noise in core and screen
    than keying the plate, at equal edge detail. Measured against exact truth."""
    for seed in (101, 102, 103):
        s = shot(seed)
        recipe = Recipe(
            screen=Screen(primary=s.primary, noise=measured(seed)),
            extractors=[ColourDifference(id="a")],
        )
        mattes = []
        for image in (s.plate, smooth(seed)):
            planes = {"plate": s.plate, "clean": s.clean_plate, "denoised": image}
            plan = build_plan(recipe, 1, planes)
            mattes.append(execute.planes(plan, planes, ["alpha"])["alpha"])
        plain_, cleaned = (np.abs(m - s.alpha) for m in mattes)
        back, edge = s.screen_mask, s.edge_mask
        assert cleaned[back].mean() < 0.5 * plain_[back].mean()
        assert mattes[1][s.core_mask].std() <= mattes[0][s.core_mask].std()
        assert cleaned[edge].mean() < 1.02 * plain_[edge].mean()
