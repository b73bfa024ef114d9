"""Unmixing on compiled kernels against the reference: parity, threads, parts, awkward input."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import pytest

from kernels.cpu import unmix as compiled_unmix
from kernels.cpu.library import Library
from kernels.cpu.unmix import MOST_CANDIDATES, NAMES, Unmixer
from kernels.cuda.sources import layout
from kernels.recipe import Noise
from kernels.reference import unmix as reference
from kernels.reference.unmix import UnmixResult, UnmixSettings
from kernels.reference.unmix.mixture import mixture
from kernels.reference.unmix.signals import signals

SCREENS = {"green": (0.06, 0.34, 0.08), "blue": (0.04, 0.10, 0.36), "red": (0.4, 0.07, 0.06)}
QUIET = Noise(gain=(1e-5, 1e-5, 1e-5), offset=(1e-6, 1e-6, 1e-6))
LOUD = Noise(gain=(2e-3, 2e-3, 2e-3), offset=(1e-4, 1e-4, 1e-4))
PLANES = ("alpha", "colour", "despilled", "sigma_alpha", "sure")


@pytest.fixture(scope="session")
def unmixer(compiled: Library) -> Iterator[Unmixer]:
    """The compiled form on two threads."""
    made = Unmixer(compiled, 2)
    yield made
    made.close()


def shot(
    h: int, w: int, primary: str, noise: Noise, seed: int, *, lamp: float = 0.0
) -> tuple[Any, Any]:
    """A disc, strands and a veil over an uneven screen: a plate, and the screen."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:h, :w].astype(np.float32)
    colour = np.asarray(SCREENS[primary], np.float32)[:, None, None]
    clean = colour * (1.0 + 0.2 * np.sin(x / 50.0) * np.cos(y / 70.0))
    inside = np.hypot(y - h / 2, x - w / 3) < 0.3 * min(h, w)
    alpha = cv2.GaussianBlur(inside.astype(np.float32), (0, 0), 2.0)
    strands = (np.abs(np.sin((x + 0.3 * y) / 7.0)) < 0.12) & (x > w / 2) & (y < h / 2)
    alpha = np.maximum(alpha, 0.8 * cv2.GaussianBlur(strands.astype(np.float32), (0, 0), 0.6))
    veil = 0.4 * np.exp(-(((x - 0.75 * w) / (0.2 * w)) ** 2 + ((y - 0.75 * h) / (0.2 * h)) ** 2))
    alpha = np.maximum(alpha, veil.astype(np.float32))
    hue = np.stack([0.3 + 0.2 * np.sin(x / 17), 0.25 + 0.0 * x, 0.2 + 0.1 * np.cos(y / 13)])
    light = alpha * hue + (1 - alpha) * clean
    light[:, : h // 5, : w // 8] += lamp
    gain, offset = (np.asarray(v)[:, None, None] for v in (noise.gain, noise.offset))
    grain = np.sqrt(np.maximum(gain * light, 0) + offset) * rng.normal(size=light.shape)
    return (light + grain).astype(np.float32), clean.astype(np.float32)


def agrees(found: UnmixResult, wanted: UnmixResult, *, often: float, always: float) -> None:
    """Compare what is seen: all planes where alpha is above 0, and alpha everywhere.

    often: holds for all but a thousandth of the values. always: for all of them.
    """
    shown = wanted.alpha > 0
    for name in PLANES:
        a, b = getattr(found, name), getattr(wanted, name)
        assert a.shape == b.shape
        assert a.dtype == np.float32
        assert np.isfinite(a).all(), name
        off = np.abs(a - b) / np.maximum(np.abs(b), 1.0)
        off = off[..., shown] if name in ("colour", "despilled") else off
        if off.size:
            assert np.quantile(off, 0.999) <= often, name
            assert off.max() <= always, name


@pytest.mark.parametrize(
    ("size", "primary", "noise", "chroma"),
    [
        ((57, 83), "green", QUIET, "4:4:4"),
        ((131, 163), "blue", LOUD, "4:2:0"),
        ((100, 145), "green", LOUD, "4:2:2"),
        ((61, 97), "red", QUIET, "4:2:0"),
        ((16, 333), "green", QUIET, "4:4:4"),
        ((71, 16), "blue", QUIET, "4:4:4"),
        ((150, 701), "green", LOUD, "4:2:0"),
        ((90, 1301), "blue", QUIET, "4:4:4"),
    ],
)
def test_agrees_with_the_reference(
    unmixer: Unmixer, size: tuple[int, int], primary: Any, noise: Noise, chroma: Any
) -> None:
    """Our own rule, no outside source: the reference's results in other sums, reduced 1, 2, 4."""
    plate, clean = shot(*size, primary, noise, seed=sum(size))
    settings = UnmixSettings(primary=primary, chroma=chroma)
    wanted = reference.unmix(plate, clean, noise, settings)
    assert wanted.alpha.min() < 0.1
    assert wanted.alpha.max() > 0.9
    agrees(unmixer.unmix(plate, clean, noise, settings), wanted, often=5e-4, always=0.02)


def test_settings_are_heard(unmixer: Unmixer) -> None:
    """Our own rule, no outside source: every control off its default, as the reference has it."""
    plate, clean = shot(90, 120, "green", QUIET, 5)
    settings = UnmixSettings(
        reach_px=10,
        shading=0.5,
        solidity=-0.7,
        noise_trust=2.0,
        clean_error=0.02,
        haze_colour=(0.5, 0.4, 0.3),
        despill=0.6,
    )
    wanted = reference.unmix(plate, clean, QUIET, settings)
    found = unmixer.unmix(plate, clean, QUIET, settings)
    agrees(found, wanted, often=5e-4, always=0.02)
    plain = reference.unmix(plate, clean, QUIET, UnmixSettings())
    assert np.abs(plain.alpha - found.alpha).max() > 0.05


def test_bright_and_broken_values(unmixer: Unmixer) -> None:
    """Our own rule, no outside source: NaN counts as 0, Inf as 1e4; lamps of 6 and of 3000."""
    plate, clean = shot(90, 140, "green", QUIET, 7, lamp=6.0)
    plate[:, 40, 60] = np.nan
    plate[1, 50, 70:74] = np.inf
    plate[2, 60, 20] = -np.inf
    plate[:, 70, 100] = 3000.0
    clean[0, 30, 30] = np.nan
    settings = UnmixSettings()
    wanted = reference.unmix(plate, clean, QUIET, settings)
    agrees(unmixer.unmix(plate, clean, QUIET, settings), wanted, often=1e-3, always=0.02)


def test_black_stays_a_number(unmixer: Unmixer) -> None:
    """Our own rule, no outside source: a subject of nothing but zeros is solid and finite, in the
    reference too; a black plate before a black screen is finite.
    """
    plate, clean = shot(90, 140, "green", QUIET, 7)
    plate[:, 10:80, 20:90] = 0
    wanted = reference.unmix(plate, clean, QUIET, UnmixSettings())
    found = unmixer.unmix(plate, clean, QUIET, UnmixSettings())
    agrees(found, wanted, often=1e-3, always=0.02)
    assert found.alpha[20:70, 30:80].min() > 0.99
    nothing = np.zeros((3, 40, 50), np.float32)
    found = unmixer.unmix(nothing, nothing, QUIET, UnmixSettings())
    assert all(np.isfinite(getattr(found, name)).all() for name in PLANES)


def test_threads_change_no_bit(compiled: Library) -> None:
    """Our own rule, no outside source: bit for bit the same on one, two and five threads."""
    plate, clean = shot(123, 211, "green", LOUD, 3)
    settings = UnmixSettings(chroma="4:2:0")
    results = []
    for threads in (1, 2, 5):
        made = Unmixer(compiled, threads)
        results.append(made.unmix(plate, clean, LOUD, settings))
        made.close()
    for other in results[1:]:
        for name in PLANES:
            assert np.array_equal(getattr(results[0], name), getattr(other, name)), name


def test_parts_are_the_whole(unmixer: Unmixer, monkeypatch: pytest.MonkeyPatch) -> None:
    """Our own rule, no outside source: parts that overlap by the halo join without a seam."""
    plate, clean = shot(330, 200, "green", QUIET, 4)
    region = unmixer.regional(plate, clean, QUIET, UnmixSettings())
    whole = unmixer.local(plate, clean, QUIET, UnmixSettings(), region)
    monkeypatch.setattr(compiled_unmix, "LARGEST_PART", 200 * 210)
    parts = unmixer.local(plate, clean, QUIET, UnmixSettings(), region)
    assert np.abs(parts.alpha - whole.alpha).max() < 1e-5
    shown = whole.alpha > 0
    assert np.abs(parts.despilled - whole.despilled)[:, shown].max() < 1e-4


def test_a_part_by_itself(unmixer: Unmixer) -> None:
    """Our own rule, no outside source: a part at odd places, with the frame's regional planes."""
    plate, clean = shot(150, 701, "green", QUIET, 6)
    region = reference.regional(plate, clean, QUIET, UnmixSettings())
    cut = (slice(None), slice(31, 140), slice(47, 402))
    given = (plate[cut], clean[cut], QUIET, UnmixSettings(), region, 31, 47)
    agrees(unmixer.local(*given), reference.local(*given), often=5e-4, always=0.02)


def test_the_mixture_is_as_exact_as_numpy(unmixer: Unmixer) -> None:
    """Source: the same formulas in float64. The compiled mixture errs no more than twice what
    NumPy in float32 does, or 1e-5.
    """
    plate, clean = shot(64, 96, "green", QUIET, 8)
    settings = UnmixSettings()
    region = unmixer.regional(plate, clean, QUIET, settings)
    s = signals(plate, clean * region.light, QUIET, settings)
    wide = [replace(f, colour=f.colour.astype(float), log_prior=f.log_prior.astype(float))
            for f in region.found]  # fmt: skip
    exact = mixture(
        replace(s, **{n: getattr(s, n).astype(float) for n in vars(s)}),
        wide,
        settings.shading,
        settings.clean_error,
    )
    plain = mixture(s, region.found, settings.shading, settings.clean_error)
    found = unmixer.local(plate, clean, QUIET, settings, region).debug["mix"]
    solved = (found > 0) & (found < 1)
    error = np.abs(found - exact.alpha)[solved].max()
    assert error <= max(2 * np.abs(plain.alpha - exact.alpha)[solved].max(), 1e-5)


def test_narrow_pictures_go_through_the_reference(unmixer: Unmixer) -> None:
    """Our own rule, no outside source: fewer columns than a group of pixels has."""
    plate, clean = shot(40, 11, "green", QUIET, 9)
    wanted = reference.unmix(plate, clean, QUIET, UnmixSettings())
    found = unmixer.unmix(plate, clean, QUIET, UnmixSettings())
    assert all(np.array_equal(getattr(found, n), getattr(wanted, n)) for n in PLANES)


def test_changed_priors_are_taken(unmixer: Unmixer) -> None:
    """Our own rule, no outside source: candidates that a caller made are read, not old memory."""
    plate, clean = shot(60, 80, "green", QUIET, 10)
    settings = UnmixSettings()
    region = unmixer.regional(plate, clean, QUIET, settings)
    changed = replace(region, found=[replace(f, log_prior=-2.0) for f in region.found[:5]])
    wanted = reference.local(plate, clean, QUIET, settings, changed)
    agrees(unmixer.local(plate, clean, QUIET, settings, changed), wanted, often=5e-4, always=0.02)


def test_candidates_are_the_reference_s() -> None:
    """Our own rule, no outside source: names and spreads in the reference's order."""
    plate, clean = shot(60, 80, "green", QUIET, 11)
    found = reference.regional(plate, clean, QUIET, UnmixSettings()).found
    assert [(f.name, f.tightness) for f in found] == list(NAMES)
    assert layout("unmix", "MixtureArgs")["tightness"].shape == (MOST_CANDIDATES,)
