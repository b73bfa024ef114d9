"""Fitting the screen: a smooth clean plate from one picture or merged over several.

ln c of each channel is a robust polynomial over the frame (degrees 1 and 2 free, 3 and 4 held by
a prior), times the local mean of what the polynomial leaves over, carried under the subject by
pull-push. Merging takes the median over frames of every pixel that shows the screen.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from kernels.measure.screen_find import (
    FINEST_LEVEL,
    Found,
    channel_index,
    find_screen,
    gaussian,
    robust_sigma,
)
from kernels.measure.screen_surface import log_surface, pull_push, resized, shrunk
from kernels.recipe import Primary

Array = NDArray[Any]
Mask = NDArray[np.bool_]
WORKING_WIDTH = 640
FOLD = 0.08
"""Mean level in ln up to which a line from the subject is a fold: on generated screens folds come
to 0.03 to 0.07, strands of hair to 0.1 and more."""


@dataclass(frozen=True, eq=False)
class ScreenFit:
    """The fitted screen of one picture, at working size.

    primary: of the screen. colour: median of the fit over the screen. clean: (3, h, w) float32
    working-linear, everywhere. mask: (h, w) pixels that show the screen. creases: (h, w) pixels of
    the screen on long thin steps in level. confidence: (h, w), 1 where the screen was seen,
    falling to 0 where it was guessed. step: source pixels per pixel. sigma_log: relative error of
    the fit per channel where the screen was seen.
    """

    primary: Primary
    colour: tuple[float, float, float]
    clean: Array
    mask: Mask
    creases: Mask
    confidence: Array
    step: float
    sigma_log: tuple[float, float, float]

    def clean_at(self, height: int, width: int) -> Array:
        """Return the clean plate (3, height, width) float32, bilinear between working pixels."""
        return resized(self.clean, height, width)

    def mask_at(self, height: int, width: int) -> Mask:
        """Return the screen's mask at another size."""
        plane = cv2.resize(
            self.mask.astype(np.float32), (width, height), interpolation=cv2.INTER_LINEAR
        )
        return np.asarray(plane > 0.5)


def working_size(height: int, width: int) -> tuple[int, int]:
    """Return (h, w) of the reduced picture in which the screen is found and fitted."""
    w = min(width, WORKING_WIDTH)
    return max(1, round(height * w / width)), w


def fit_picture(image: Array, primary: Primary | None = None) -> ScreenFit | None:
    """Find and fit the screen of a full-size picture (3, H, W) working-linear.

    Returns None when no screen is seen. Values outside 0..1 survive; not finite is not allowed.
    """
    height, width = image.shape[1:]
    small = resized(np.asarray(image, np.float32), *working_size(height, width))
    found = find_screen(small) if primary is None else find_screen(small, (primary,))
    return fit_screen(small, found, width / small.shape[2]) if found is not None else None


def fit_screen(small: Array, found: Found, step: float = 1.0) -> ScreenFit:
    """Fit a smooth clean plate to the pixels of `small` (3, h, w) that show the screen."""
    log = np.log(np.maximum(small, FINEST_LEVEL * 0.05)).astype(np.float32)
    mask = found.mask
    surface = log_surface(log, mask)
    for _ in range(2):
        mask = _gate(log - surface, found, mask, _noise_scale(surface, found))
        surface = log_surface(log, mask)
    k, _, _ = channel_index(found.primary)
    odd = odd_levels((log[k] - surface[k]) / _noise_scale(surface, found), mask)
    creases = crease_lines(odd, mask, log[k] - surface[k])
    mask = _without_specks(mask & ~(odd & ~creases))
    return finish_fit(log, surface, mask, creases, found.primary, step)


def merge_fits(smalls: Sequence[Array], fits: Sequence[ScreenFit]) -> ScreenFit:
    """Merge pictures of one screen, (3, h, w) each with its fit, into one clean plate.

    Every pixel takes the median over the frames in which it shows the screen: what a subject
    covers in one frame is seen in another. Common practice, no source.
    """
    if len(fits) == 1:
        return fits[0]
    seen = np.stack([shrunk(fit.mask, 2) for fit in fits])
    count = seen.sum(axis=0)
    stack = np.stack([np.log(np.maximum(s, FINEST_LEVEL * 0.05)) for s in smalls])
    stack = np.where(seen[:, None], stack, np.nan).astype(np.float32)
    log = np.full(stack.shape[1:], 0.0, np.float32)
    some = count > 0
    log[:, some] = np.nanmedian(stack[:, :, some], axis=0)
    surface = log_surface(log, some)
    creases = np.median(np.stack([fit.creases for fit in fits]), axis=0) > 0.5
    return finish_fit(log, surface, some, creases, fits[0].primary, fits[0].step, shrink_px=0)


def _noise_scale(surface: Array, found: Found) -> Array:
    """Return (h, w): relative noise of shot noise at each place, 1 at the screen's middle level."""
    k, _, _ = channel_index(found.primary)
    middle = float(np.median(surface[k][found.mask]))
    return np.asarray(np.clip(np.exp((middle - surface[k]) / 2), 1.0, 4.0))


def local_mean(plane: Array, mask: Mask, sigma_px: float | None = None) -> Array:
    """Return the Gaussian mean of `plane` (h, w) over `mask`; a 64th of the width by default."""
    size = max(mask.shape[1] / 64, 3.0) if sigma_px is None else sigma_px
    held = np.where(mask, plane, 0).astype(np.float32)
    weight = gaussian(mask.astype(np.float32), size)
    return np.asarray(gaussian(held, size) / np.maximum(weight, 1e-3))


def odd_levels(residual: Array, mask: Mask) -> Mask:
    """Return the screen's pixels whose level leaves its surroundings: creases and thin hair.

    Dark hair keeps the screen's colour ratios, so only its level gives it away. residual: (h, w)
    of ln p_k over the surface. Limit: 3.5 deviations, at least 3 %.
    """
    fine = local_mean(residual, mask, 1.0)
    inside = np.asarray(mask)
    for _ in range(2):
        wide = local_mean(residual, inside)
        limit = max(0.03, 3.5 * robust_sigma((fine - wide)[mask]))
        odd = mask & (np.abs(fine - wide) > limit)
        inside = mask & ~odd
    return np.asarray(odd)


def crease_lines(odd: Mask, mask: Mask, level: Array) -> Mask:
    """Return the parts of `odd` that are long thin lines away from the subject.

    A line that begins at the subject is a strand of hair unless its mean level, (h, w) in ln over
    the surface, is nearly the screen's: a fold has a bright flank beside its dark one.
    """
    square = np.ones((3, 3), np.uint8)
    outside = cv2.morphologyEx((~mask).astype(np.uint8), cv2.MORPH_OPEN, np.ones((9, 9), np.uint8))
    reach = max(3, round(mask.shape[1] * 0.03))
    near = cv2.dilate(outside, np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)) > 0
    combined = cv2.morphologyEx((odd & ~near).astype(np.uint8), cv2.MORPH_CLOSE, square)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(combined, connectivity=8)
    longest = np.maximum(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT])
    thin = stats[:, cv2.CC_STAT_AREA] < 0.25 * longest.astype(np.float64) ** 2
    keep = (longest > 0.12 * mask.shape[1]) & thin
    at_it = cv2.dilate(near.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    for n in np.unique(labels[at_it]):
        keep[n] &= abs(float(level[labels == n].mean())) < FOLD
    keep[0] = False
    return np.asarray(keep[labels]) if count > 1 else np.zeros_like(mask)


def _without_specks(mask: Mask) -> Mask:
    """Fill holes of up to 5 pixels and drop spots of up to 5 pixels: noise, not things."""
    out = mask.copy()
    for value in (False, True):
        count, labels, stats, _ = cv2.connectedComponentsWithStats((out == value).astype(np.uint8))
        small = stats[:, cv2.CC_STAT_AREA] <= 5
        small[0] = False
        if count > 1:
            out[small[labels]] = not value
    return out


def finish_fit(
    log: Array,
    surface: Array,
    mask: Mask,
    creases: Mask,
    primary: Primary,
    step: float,
    shrink_px: int = 2,
) -> ScreenFit:
    """Add the local mean of what the surface leaves over, and measure the fit's own error."""
    sure = shrunk(mask, shrink_px)
    if sure.sum() < 64:
        sure = mask
    residual = log - surface
    kept = sure.copy()
    for channel in residual:
        apart = channel - local_mean(channel, sure)
        kept &= np.abs(apart) < 4.0 * max(robust_sigma(apart[sure]), 1e-3)
    trust = kept.astype(np.float32)
    filled = np.stack([pull_push(channel, trust) for channel in residual])
    if creases.any():
        grown = gaussian(cv2.dilate(creases.astype(np.float32), np.ones((3, 3), np.uint8)), 1.0)
        trust = np.maximum(trust, creases)
        fine = np.stack([pull_push(channel, trust, 0.7) for channel in residual])
        filled = filled + grown * (fine - filled)
    clean = np.exp(surface + filled).astype(np.float32)
    left = residual - filled
    sigma_log = [robust_sigma(channel[kept]) / 4.0 for channel in left]
    confidence = np.clip(gaussian(trust, 3.0) * 1.25, 0, 1)
    colour = [float(np.median(plane[mask])) for plane in clean]
    return ScreenFit(
        primary=primary,
        colour=(colour[0], colour[1], colour[2]),
        clean=clean,
        mask=mask,
        creases=creases,
        confidence=confidence.astype(np.float32),
        step=step,
        sigma_log=(sigma_log[0], sigma_log[1], sigma_log[2]),
    )


def _gate(residual: Array, found: Found, mask: Mask, scale: Array) -> Mask:
    """Return the pixels whose colour ratios and level fit the surface; haze lies on one side.

    scale: (h, w), relative noise there over that at the middle of the screen.
    """
    k, i, j = channel_index(found.primary)
    soft = np.stack([gaussian(channel, 1.2) for channel in residual])
    keep = np.abs(soft[k]) < 0.8
    for other in (i, j):
        ratio = (soft[other] - soft[k]) / scale
        inside = ratio[mask]
        centre = float(np.median(inside))
        low_side = centre - inside[inside < centre]
        sigma = 1.4826 * float(np.median(low_side)) if low_side.size else 0.01
        sigma = float(np.clip(sigma, 0.004, 0.15))
        keep &= (ratio - centre < 3.0 * sigma + 0.004) & (ratio - centre > -6.0 * sigma - 0.03)
    solid = cv2.morphologyEx(keep.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)) > 0
    return solid if solid.sum() > 0.25 * mask.sum() else mask
