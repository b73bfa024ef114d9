"""Motion between two neighbouring frames: the subject's, and the camera's from the screen itself.

The camera is followed by what lies on the screen (cloth, creases, markers) and by nothing else: the
subject moves by itself. Where the screen is too plain to tell, there is no figure.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft2, next_fast_len, rfft2

from kernels.measure.screen_find import FINEST_LEVEL, channel_index, gaussian, robust_sigma
from kernels.measure.screen_surface import shrunk
from kernels.recipe import Primary

Array = NDArray[Any]
Mask = NDArray[np.bool_]
FARTHEST = 0.12
"""Largest shift looked for, as a share of the frame's width."""
SUREST = 9.0
"""A shift counts when its correlation stands this many robust deviations above all others'."""
RIVAL = 0.9
"""Of peaks this near the highest the smallest shift is meant: markers in rows repeat themselves."""
FAINTEST = 1e-5
"""Deviation of ln p_k under which a texture is rounding."""
LARGEST_HOLE, NEAR_SUBJECT = 0.05, 0.03
"""Holes in the screen up to this share of the width are things on it, markers, unless they lie this
near to something larger: then they belong to the subject."""


@dataclass(frozen=True)
class Motion:
    """Motion between two frames in source px a frame. None: the pictures do not show it.

    subject_px: 90th percentile at the subject's edges. camera_px: shift of the screen's texture.
    """

    subject_px: float | None
    camera_px: float | None


def measure_motion(
    first: Array,
    second: Array,
    masks: tuple[Mask, Mask],
    edge: Mask,
    primary: Primary,
    step: float,
) -> Motion:
    """Measure motion from two working-size pictures (3, h, w) and their screens' masks (h, w).

    edge: (h, w), where the subject's edges are in the first. step: source px per pixel.
    """
    shift = screen_shift(first, second, masks, primary)
    camera = None if shift is None else float(np.hypot(*shift)) * step
    speed = edge_speed(first, second, edge)
    return Motion(None if speed is None else speed * step, camera)


# ---------------------------------------------------------------- the camera


def screen_shift(
    first: Array, second: Array, masks: tuple[Mask, Mask], primary: Primary
) -> tuple[float, float] | None:
    """Return the shift (x, y) in pixels of the screen's texture from the first picture (3, h, w).

    Cross-correlation over the pixels that show the screen in both frames, for every shift up to
    FARTHEST, in units of its own spread; the peak is refined by parabolas. None when no shift
    stands out; (0, 0) where resting explains the pictures as well as the best shift does, as it
    may along a crease. Source: Padfield 2012, "Masked object registration in the Fourier domain",
    for the masked correlation; the test of significance is our own.
    """
    k, _, _ = channel_index(primary)
    screens = [_screen_without_subject(mask) for mask in masks]
    if min(float(screen.mean()) for screen in screens) < 0.01:
        return None
    textures = [_texture(p[k], m) for p, m in zip((first, second), screens, strict=True)]
    if min(float(texture.std()) for texture in textures) < FAINTEST:
        return None
    reach = max(4, round(FARTHEST * first.shape[2]))
    score = _correlation(textures, screens, reach)
    if score is None:
        return None
    spread = robust_sigma(score[score != 0])
    best = float(score.max())
    if best <= 0 or best < SUREST * spread:
        return None
    if float(score[reach, reach]) > best - spread:
        return 0.0, 0.0
    peaks = score >= np.maximum(cv2.dilate(score, np.ones((5, 5), np.uint8)), RIVAL * best)
    places = np.argwhere(peaks)
    y, x = places[np.argmin(np.hypot(*(places - reach).T))]
    return float(_vertex(score[y], x) - reach), float(_vertex(score[:, x], y) - reach)


def _screen_without_subject(mask: Mask) -> Mask:
    """Return the screen drawn in from the subject, small holes far from it (markers) filled."""
    w = mask.shape[1]
    count, labels, stats, _ = cv2.connectedComponentsWithStats((~mask).astype(np.uint8))
    small = np.maximum(stats[:, 2], stats[:, 3]) <= LARGEST_HOLE * w
    small[0] = True
    subject = ~small[labels] if count > 1 else np.zeros_like(mask)
    reach = 2 * max(2, round(NEAR_SUBJECT * w)) + 1
    near = cv2.dilate(subject.astype(np.uint8), np.ones((reach, reach), np.uint8)) > 0
    return shrunk(mask | ~near, max(2, round(0.008 * w)))


def _texture(plane: Array, screen: Mask) -> Array:
    """Return ln of `plane` without its local mean, cut at 5 deviations, 0 off the screen."""
    log = np.log(np.maximum(plane, FINEST_LEVEL)).astype(np.float32)
    weight = screen.astype(np.float32)
    fine, wide = (
        gaussian(log * weight, s) / np.maximum(gaussian(weight, s), 1e-3) for s in (0.7, 6.0)
    )
    left = fine - wide
    most = 5.0 * max(robust_sigma(left[screen]), 1e-6)
    return np.asarray(np.where(screen, np.clip(left, -most, most), 0), np.float32)


def _correlation(textures: list[Array], screens: list[Mask], reach: int) -> Array | None:
    """Return (2 reach + 1)² correlations times the root of the pixels in common; 0 for too few."""
    h, w = screens[0].shape
    size = next_fast_len(h + reach, real=True), next_fast_len(w + reach, real=True)
    t, t2, m = (
        [rfft2(plane, size) for plane in planes]
        for planes in (
            textures,
            [texture * texture for texture in textures],
            [screen.astype(np.float32) for screen in screens],
        )
    )

    def over_shifts(a: Array, b: Array) -> Array:
        whole = irfft2(np.conj(a) * b, size)
        rows = np.arange(-reach, reach + 1)
        return np.asarray(whole[np.ix_(rows % size[0], rows % size[1])])

    common = over_shifts(m[0], m[1])
    energy = over_shifts(t2[0], m[1]), over_shifts(m[0], t2[1])
    enough = common > 0.4 * min(screen.sum() for screen in screens)
    if not enough.any() or min(float(e[enough].max()) for e in energy) <= 1e-9:
        return None
    safe = np.sqrt(np.maximum(energy[0], 1e-12) * np.maximum(energy[1], 1e-12))
    found = over_shifts(t[0], t[1]) / safe * np.sqrt(np.maximum(common, 0))
    return np.where(enough, found, 0).astype(np.float32)


def _vertex(line: Array, at: int) -> float:
    """Return where the parabola through three values about `at` is highest."""
    if not 0 < at < len(line) - 1:
        return float(at)
    a, b, c = (float(v) for v in line[at - 1 : at + 2])
    bend = a - 2 * b + c
    return float(at) if bend >= 0 else at + 0.5 * (a - c) / bend


# ---------------------------------------------------------------- the subject


def edge_speed(first: Array, second: Array, edge: Mask) -> float | None:
    """Return the 90th percentile of the speed at the subject's edges in px, None without any.

    Dense optical flow (Farneback 2003) there and back; only places where both agree count.
    """
    a, b = (_eight_bit(picture) for picture in (first, second))
    there, back = (
        cv2.calcOpticalFlowFarneback(p, q, None, 0.5, 4, 21, 2, 5, 1.1, 0)  # type: ignore[call-overload]
        for p, q in ((a, b), (b, a))
    )
    y, x = np.mgrid[0 : a.shape[0], 0 : a.shape[1]].astype(np.float32)
    returned = cv2.remap(back, x + there[..., 0], y + there[..., 1], cv2.INTER_LINEAR)
    speed = np.hypot(there[..., 0], there[..., 1])
    apart = np.hypot(*np.moveaxis(there + returned, -1, 0))
    sure = edge & (apart < 0.5 + 0.25 * speed)
    return float(np.percentile(speed[sure], 90)) if sure.sum() >= 20 else None


def _eight_bit(picture: Array) -> NDArray[np.uint8]:
    grey = np.maximum(picture.mean(axis=0), 0)
    top = max(float(np.percentile(grey, 99)), 1e-6)
    return np.asarray(255 * np.clip(grey / top, 0, 1) ** 0.5, np.uint8)
