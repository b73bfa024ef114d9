"""Unmixing against hand-worked mattes, triangulation, the Cramér–Rao bound and invariants."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import pytest

from kernels.recipe import Noise
from kernels.reference.unmix import UnmixSettings, local, regional, unmix
from kernels.reference.unmix.chroma import recorded
from kernels.reference.unmix.despill import despilled, own_hue
from kernels.reference.unmix.filters import enlarged, gaussian, pull, push, reduced
from kernels.reference.unmix.method import HALO_PX
from kernels.reference.unmix.mixture import solve
from kernels.reference.unmix.natural import balanced_alpha, natural_alpha
from kernels.reference.unmix.pooling import pooled
from kernels.reference.unmix.signals import signals

GREEN = np.array([0.06, 0.34, 0.08], np.float32)
GREY = np.array([0.42, 0.42, 0.42], np.float32)
QUIET = Noise(gain=(1e-5, 1e-5, 1e-5), offset=(1e-6, 1e-6, 1e-6))
NOISY = Noise(gain=(1e-4, 1e-4, 1e-4), offset=(1e-5, 1e-5, 1e-5))
LOUD = Noise(gain=(2e-3, 2e-3, 2e-3), offset=(1e-4, 1e-4, 1e-4))
SETTINGS = UnmixSettings(primary="green")


def flat(colour: Any, h: int, w: int) -> Any:
    return np.broadcast_to(np.asarray(colour, np.float32)[:, None, None], (3, h, w)).copy()


def disc(h: int, w: int, blur_px: float) -> Any:
    """A solid disc with a soft rim."""
    y, x = np.mgrid[:h, :w]
    inside = np.hypot(y - h / 2, x - w / 2) < 0.3 * min(h, w)
    return cv2.GaussianBlur(inside.astype(np.float32), (0, 0), blur_px)


def shot(alpha: Any, colour: Any, noise: Noise = QUIET, seed: int = 1) -> tuple[Any, Any]:
    """A plate of one colour over an even screen, and that screen."""
    clean = flat(GREEN, *alpha.shape)
    light = alpha * flat(colour, *alpha.shape) + (1 - alpha) * clean
    gain, offset = np.array(noise.gain)[:, None, None], np.array(noise.offset)[:, None, None]
    grain = np.random.default_rng(seed).normal(size=light.shape)
    return (light + np.sqrt(gain * light + offset) * grain).astype(np.float32), clean


def test_grey_over_green_is_read_exactly() -> None:
    """Source: Smith & Blinn 1996, grey foreground: alpha = 1 - e'(p)/e'(c), by hand .35 here."""
    clean = flat(GREEN, 3, 3)
    plate = 0.35 * flat(GREY, 3, 3) + 0.65 * clean
    assert np.allclose(balanced_alpha(plate, clean, "green"), 0.35, atol=1e-6)
    assert np.allclose(natural_alpha(plate, clean, "green"), 0.35, atol=0.004)


def test_known_colour_is_solved_exactly() -> None:
    """Source: least squares of p = aF + (1-a)c worked by hand: exact for exact F, c and p."""
    alpha = np.linspace(0, 1, 35, dtype=np.float32).reshape(5, 7)
    clean, colour = flat(GREEN, 5, 7), flat([0.5, 0.2, 0.1], 5, 7)
    plate = alpha * colour + (1 - alpha) * clean
    found = solve(signals(plate, clean, QUIET, SETTINGS), colour, 0.0, 0.0, 0.0)
    assert np.abs(found.alpha - alpha).max() < 1e-4


def test_least_squares_meets_the_bound() -> None:
    """Source: Cramér–Rao for a linear Gaussian model (Kay 1993, 3.8): the error of alpha with known
    F and c is 1/sqrt(d S^-1 d) within 10 %.
    """
    alpha = np.tile(np.linspace(0.2, 0.8, 120, dtype=np.float32), (80, 1))
    plate, clean = shot(alpha, GREY, NOISY)
    s = signals(plate, clean, NOISY, UnmixSettings(primary="green"))
    assert np.array_equal(s.plate, plate), "the screen is bright enough for no pooling"
    found = solve(s, flat(GREY, 80, 120), 0.0, 0.0, 0.0)
    d = (GREY - GREEN)[:, None, None]
    light = alpha * GREY[:, None, None] + (1 - alpha) * GREEN[:, None, None]
    bound = 1 / np.sqrt((d * d / (np.array(NOISY.gain)[:, None, None] * light + 1e-5)).sum(axis=0))
    error = float(np.sqrt(((found.alpha - alpha) ** 2).mean()))
    assert error == pytest.approx(float(np.sqrt((bound**2).mean())), rel=0.1)


@pytest.mark.parametrize("blur_px", [1.0, 4.0, 8.0])
def test_soft_edges_stay_soft(blur_px: float) -> None:
    """Source: the compositing equation; a blurred disc of known coverage. Within three times the
    bound of a pixel by itself, and solid and bare parts are clean.
    """
    alpha = disc(121, 163, blur_px)
    plate, clean = shot(alpha, [0.45, 0.25, 0.15], NOISY)
    result = unmix(plate, clean, NOISY, SETTINGS)
    edge = (alpha > 0.02) & (alpha < 0.98)
    assert np.sqrt(((result.alpha - alpha)[edge] ** 2).mean()) < 0.06
    assert np.abs(result.alpha - alpha)[alpha < 1e-4].mean() < 5e-4
    assert np.abs(result.alpha - alpha)[alpha > 0.9999].mean() < 5e-3


def test_expected_error_is_of_the_size_of_the_error() -> None:
    """Source: definition of a standard deviation: most errors stay within three of it."""
    alpha = disc(121, 163, 3.0)
    plate, clean = shot(alpha, [0.45, 0.25, 0.15], NOISY)
    result = unmix(plate, clean, NOISY, SETTINGS)
    edge = (alpha > 0.1) & (alpha < 0.9)
    within = np.abs(result.alpha - alpha)[edge] < 3 * result.sigma_alpha[edge] + 0.01
    assert within.mean() > 0.95


def test_agrees_with_triangulation() -> None:
    """Source: Smith & Blinn 1996, triangulation: alpha from one subject over two screens."""
    alpha = disc(101, 131, 2.0)
    colour = flat([0.4, 0.28, 0.2], 101, 131)
    first, second = flat(GREEN, 101, 131), flat([0.05, 0.1, 0.4], 101, 131)
    over_first = alpha * colour + (1 - alpha) * first
    over_second = alpha * colour + (1 - alpha) * second
    gap = first - second
    oracle = 1 - ((over_first - over_second) * gap).sum(axis=0) / (gap * gap).sum(axis=0)
    result = unmix(over_first, first, QUIET, SETTINGS)
    assert np.abs(result.alpha - oracle).mean() < 0.004
    assert np.abs(result.alpha - oracle).max() < 0.15


def test_bare_screen_is_nothing_and_a_full_frame_is_solid() -> None:
    """Source: the compositing equation at alpha 0 and 1; common practice, no source."""
    plate, clean = shot(np.zeros((61, 83), np.float32), GREY, NOISY)
    assert unmix(plate, clean, NOISY, SETTINGS).alpha.max() < 0.02
    plate, clean = shot(np.ones((61, 83), np.float32), [0.5, 0.3, 0.2], NOISY)
    result = unmix(plate, clean, NOISY, SETTINGS)
    assert result.alpha.mean() > 0.995
    assert np.abs(result.colour - plate).mean() < 0.01


def test_mist_of_a_given_colour_is_least_squares() -> None:
    """Source: per-pixel least squares with the true colour; thin mist is not cut by a threshold."""
    y, x = np.mgrid[:120, :160]
    alpha = (0.5 * np.exp(-((y - 60) ** 2 + (x - 80) ** 2) / 900)).astype(np.float32)
    plate, clean = shot(alpha, [0.8, 0.8, 0.8], QUIET)
    given = unmix(plate, clean, QUIET, UnmixSettings(primary="green", haze_colour=(0.8, 0.8, 0.8)))
    found = unmix(plate, clean, QUIET, SETTINGS)
    thin = (alpha > 0.05) & (alpha < 0.15)
    assert np.abs(given.alpha - alpha)[thin].mean() < 0.01
    assert np.abs(found.alpha - alpha)[thin].mean() < 0.02


@pytest.mark.parametrize("size", [(1, 1), (1, 7), (7, 1), (2, 3), (13, 17), (31, 23), (101, 47)])
@pytest.mark.parametrize("chroma", ["4:4:4", "4:2:2", "4:2:0"])
def test_awkward_sizes(size: tuple[int, int], chroma: Any) -> None:
    """Our own rule, no outside source: any size gives finite planes of that size within 0..1."""
    plate, clean = shot(disc(*size, 1.0), GREY, NOISY)
    result = unmix(plate, clean, NOISY, UnmixSettings(primary="green", chroma=chroma))
    assert result.alpha.shape == result.sigma_alpha.shape == result.sure.shape == size
    assert result.colour.shape == result.despilled.shape == (3, *size)
    for plane in (result.alpha, result.colour, result.despilled, result.sigma_alpha, result.sure):
        assert np.isfinite(plane).all()
    assert result.alpha.min() >= 0
    assert result.alpha.max() <= 1


def test_nan_and_infinity_do_no_harm_elsewhere() -> None:
    """Our own rule, no outside source: bad pixels leave far ones within a thousandth."""
    alpha = disc(121, 163, 2.0)
    plate, clean = shot(alpha, [0.45, 0.25, 0.15])
    whole = unmix(plate, clean, QUIET, SETTINGS).alpha
    plate[:, 5, 5], plate[0, 6, 9], plate[1, 5, 8] = np.nan, np.inf, -np.inf
    spoilt = unmix(plate, clean, QUIET, SETTINGS)
    assert np.isfinite(spoilt.alpha).all()
    assert np.isfinite(spoilt.colour).all()
    assert np.abs(spoilt.alpha - whole)[60:, 60:].mean() < 1e-3


@pytest.mark.parametrize("width", [163, 1301])
@pytest.mark.parametrize("chroma", ["4:4:4", "4:2:0"])
def test_a_part_of_the_frame_equals_the_whole(width: int, chroma: Any) -> None:
    """Our own rule, no outside source: with its halo a region agrees to 1e-5 with the frame,
    also where low light makes pooling reach far."""
    settings = UnmixSettings(primary="green", chroma=chroma)
    height = 140
    plate, clean = shot(disc(height, width, 3.0), [0.45, 0.25, 0.15], LOUD)
    region = regional(plate, clean, LOUD, settings)
    whole = local(plate, clean, LOUD, settings, region)
    top, left, h, w = 20, 36, 40, 52
    y, x = max(top - HALO_PX, 0), max(left - HALO_PX, 0)
    part = np.s_[:, y : top + h + HALO_PX, x : left + w + HALO_PX]
    tile = local(plate[part], clean[part], LOUD, settings, region, y, x)
    inner = np.s_[top - y : top - y + h, left - x : left - x + w]
    at = np.s_[top : top + h, left : left + w]
    assert np.abs(tile.alpha[inner] - whole.alpha[at]).max() < 1e-5
    for name in ("colour", "despilled"):
        tiled, full = getattr(tile, name), getattr(whole, name)
        assert np.abs(tiled[:, inner[0], inner[1]] - full[:, at[0], at[1]]).max() < 1e-4


def test_despill_leaves_what_has_no_spill_and_takes_a_known_share() -> None:
    """Source: worked by hand: F + .2 c of a grey F goes back to F at kappa .2, if c's other
    channels are black; a grey F stays as it is, and amount 0 is the identity.
    """
    clean = flat([0.0, 0.4, 0.0], 4, 5)
    colour = flat(GREY, 4, 5)
    zero = np.zeros((4, 5), np.float32)
    assert np.array_equal(despilled(colour, clean, zero, 1.0, "green"), colour)
    spilled = colour + 0.2 * clean
    assert np.allclose(despilled(spilled, clean, zero, 1.0, "green"), colour, atol=1e-6)
    assert np.array_equal(despilled(spilled, clean, zero, 0.0, "green"), spilled)


def test_a_surface_of_the_screens_hue_keeps_it() -> None:
    """Source: worked by hand: the hue of an even olive surface is its own ratio, ln(.3 / .24)."""
    colour = flat([0.24, 0.30, 0.08], 96, 96)
    hue = own_hue(colour, np.ones((96, 96), np.float32), "green")
    assert hue[48, 48] == pytest.approx(np.log(0.30 / 0.24), abs=0.03)
    grey = own_hue(flat(GREY, 96, 96), np.ones((96, 96), np.float32), "green")
    assert np.abs(grey).max() < 1e-6


def test_pooling_keeps_edges_and_lowers_noise() -> None:
    """Source: variance of a Gaussian mean of white noise, 1 / (4 pi s^2); a step stays a step."""
    h, w = 80, 100
    alpha = np.zeros((h, w), np.float32)
    alpha[:, 50:] = 1
    loud = Noise(gain=(0, 0, 0), offset=(6e-3, 6e-3, 6e-3))
    plate, clean = shot(alpha, [0.9, 0.2, 0.2], loud)
    variance = np.full_like(plate, 6e-3)
    mean, left = pooled(plate, variance, np.full((h, w), 3.0, np.float32))
    light = alpha * flat([0.9, 0.2, 0.2], h, w) + (1 - alpha) * clean
    assert np.var((mean - light)[:, :, 15:35]) < 0.25 * 6e-3
    assert left[:, :, 15:35].mean() < 0.3 * 6e-3
    assert np.abs((mean - light)[0, :, 49:51]).mean() < 0.2
    same, _ = pooled(plate, variance, np.full((h, w), 30.0, np.float32))
    assert same is plate


def test_pull_push_keeps_what_is_sure_and_fills_the_rest() -> None:
    """Source: Gortler et al. 1996: known places keep their value; an even colour fills evenly."""
    rng = np.random.default_rng(3)
    colour = rng.random((3, 37, 53)).astype(np.float32)
    weight = (rng.random((37, 53)) < 0.1).astype(np.float32)
    filled = push(pull(colour, weight, 8))
    assert np.abs((filled - colour)[:, weight > 0]).max() < 1e-5
    even = push(pull(flat([0.1, 0.2, 0.3], 37, 53), weight, 8))
    assert np.allclose(even, flat([0.1, 0.2, 0.3], 37, 53), atol=1e-5)


def test_reduced_and_enlarged_keep_even_planes_and_means() -> None:
    """Source: a mean over squares worked by hand."""
    plane = np.arange(24, dtype=np.float32).reshape(4, 6)
    assert reduced(plane, 2)[0, 0] == pytest.approx((0 + 1 + 6 + 7) / 4)
    assert np.allclose(enlarged(np.full((2, 3), 0.7, np.float32), 2, 4, 6), 0.7)
    assert gaussian(np.full((9, 9), 0.3, np.float32), 2.0) == pytest.approx(0.3, abs=1e-6)


def test_luma_of_white_and_grey_is_their_level() -> None:
    """Source: ITU-R BT.709-6: neutral colours have equal channels and no colour difference."""
    found = recorded(flat([0.5, 0.5, 0.5], 2, 2))
    assert np.allclose(found[0], 0.5 ** (1 / 2.4), atol=2e-3)
    assert np.abs(found[1:]).max() < 2e-3
