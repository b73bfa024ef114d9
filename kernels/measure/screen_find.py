"""Finding the screen: which primary the screen has, and which pixels show it.

All functions take a working-linear picture (3, h, w), usually reduced to about 640 pixels wide.
Nothing is given by hand. The idea: a lit screen is the densest, most saturated cluster of the
picture in the plane of the ratios p_i/p_k and p_j/p_k; haze and spill mix it with other light, so
they lie on the less saturated side, and the cluster's own spread is read from the other side.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from kernels.recipe import Primary

Array = NDArray[Any]
PRIMARIES: tuple[Primary, ...] = ("red", "green", "blue")

CANDIDATE_PURITY = 0.22
"""A pixel may be screen when (p_k - max(p_i, p_j)) / p_k exceeds this."""
RED_PURITY = 0.6
"""The same for red: skin, wood and tungsten light are redder than they are green or blue."""
FINEST_LEVEL = 1e-3
"""Working-linear value of p_k under which a pixel tells nothing."""
SMALLEST_SHARE = 0.02
"""Share of the frame under which a coherent coloured area is not a screen."""
WIDEST_SPREAD, WIDE_SHARE = 0.06, 0.15
"""An area whose colour ratios spread wider than this is a screen only if it is large: then noise
or clipping spreads them; small ones are things that happen to be coloured."""
ROUGHEST_SCREEN = 0.16
"""Largest typical local deviation of ln p_k, noise taken off: foliage is rougher than this."""


@dataclass(frozen=True, eq=False)
class Found:
    """Where the screen is.

    primary: of the screen. mask: (h, w) bool, pixels that show it. ratio: p_i/p_k and p_j/p_k at
    the peak, `spread` their deviation. share: of the frame. roughness: local deviation of ln p_k.
    """

    primary: Primary
    mask: NDArray[np.bool_]
    ratio: tuple[float, float]
    spread: tuple[float, float]
    share: float
    roughness: float

    @property
    def quality(self) -> float:
        """Larger for larger, purer and smoother areas; 0 when it is no screen."""
        if self.share < SMALLEST_SHARE or self.roughness > ROUGHEST_SCREEN:
            return 0.0
        if max(self.spread) > WIDEST_SPREAD and self.share < WIDE_SHARE:
            return 0.0
        return self.share * max(0.0, 1.0 - max(self.ratio)) / (1.0 + 4.0 * self.roughness)


def channel_index(primary: Primary) -> tuple[int, int, int]:
    """Return the channels (k, i, j): the primary and the two others in order."""
    k = PRIMARIES.index(primary)
    i, j = (c for c in range(3) if c != k)
    return k, i, j


def robust_sigma(values: Array) -> float:
    """Standard deviation of a Gaussian core: 1.4826 times the median absolute deviation."""
    if values.size == 0:
        return 0.0
    return float(1.4826 * np.median(np.abs(values - np.median(values))))


def gaussian(plane: Array, sigma_px: float) -> Array:
    """Blur of one (h, w) plane, borders repeated."""
    return np.asarray(cv2.GaussianBlur(plane, (0, 0), sigma_px, borderType=cv2.BORDER_REPLICATE))


def find_screen(image: Array, primaries: Sequence[Primary] = PRIMARIES) -> Found | None:
    """Return the screen of `image`, or None when no coloured screen is seen.

    image: (3, h, w) working-linear, any range (negative light counts as none). primaries: those to
    consider. Our own method, no outside source; its thresholds: common practice, no source.
    """
    soft = np.stack([gaussian(np.maximum(plane, 0), 1.2) for plane in image])
    best: Found | None = None
    for primary in primaries:
        found = _find_one(image, soft, primary)
        if found is not None and (best is None or found.quality > best.quality):
            best = found
    return best if best is not None and best.quality > 0 else None


def _find_one(image: Array, soft: Array, primary: Primary) -> Found | None:
    k, i, j = channel_index(primary)
    p = soft[k]
    purity = RED_PURITY if primary == "red" else CANDIDATE_PURITY
    candidate = (p - np.maximum(soft[i], soft[j]) > purity * p) & (p > FINEST_LEVEL)
    if candidate.mean() < SMALLEST_SHARE:
        return None
    safe = np.maximum(p, FINEST_LEVEL)
    ratio = np.stack([soft[i] / safe, soft[j] / safe])
    bright = candidate & (p > 0.15 * np.percentile(p[candidate], 90))
    peak = _saturated_peak(ratio[:, bright])
    spread = _saturated_spread(ratio[:, bright], peak)
    mask = bright & _within(ratio, peak, spread[:, None, None] * _dimmer(p, bright), 4.0)
    mask = _coherent(mask)
    if not mask.any():
        return None
    return Found(
        primary=primary,
        mask=mask,
        ratio=(float(peak[0]), float(peak[1])),
        spread=(float(spread[0]), float(spread[1])),
        share=float(mask.mean()),
        roughness=_roughness(image[k], mask),
    )


def _saturated_peak(ratio: Array) -> Array:
    """Return the most saturated dense peak of the histogram of (2, n) ratios."""
    bins, top = 100, 0.8
    counts, _, _ = np.histogram2d(
        np.clip(ratio[0], 0, top - 1e-6),
        np.clip(ratio[1], 0, top - 1e-6),
        bins=bins,
        range=((0, top), (0, top)),
    )
    density = gaussian(counts, 1.5)
    around = cv2.dilate(density, np.ones((5, 5), np.uint8))
    peaks = np.argwhere((density >= around) & (density > 0.3 * density.max()))
    lowest = peaks[np.argmin(peaks.sum(axis=1))]
    centre = (lowest + 0.5) * top / bins
    near = np.abs(ratio - centre[:, None]).max(axis=0) < 2.5 * top / bins
    return np.asarray(ratio[:, near].mean(axis=1) if near.any() else centre)


def _saturated_spread(ratio: Array, peak: Array) -> Array:
    """Return the deviation of the ratios about the peak, seen from the saturated side only."""
    spread = []
    for axis in range(2):
        offset = peak[axis] - ratio[axis]
        side = offset[(offset > 0) & (offset < 0.3)]
        spread.append(1.4826 * float(np.median(side)) if side.size > 20 else 0.01)
    return np.asarray(np.clip(np.asarray(spread), 0.004, 0.08))


def _dimmer(p: Array, bright: NDArray[np.bool_]) -> Array:
    """Return a factor (h, w) by which ratios spread more where the screen is dimmer."""
    middle = float(np.median(p[bright]))
    return np.asarray(np.clip(np.sqrt(middle / np.maximum(p, FINEST_LEVEL)), 1.0, 3.0))


def _within(ratio: Array, peak: Array, spread: Array, width: float) -> NDArray[np.bool_]:
    d = (ratio - peak[:, None, None]) / spread
    above = np.maximum(d, 0)
    below = np.maximum(-d, 0) * 0.7
    return np.asarray(np.maximum(above, below).max(axis=0) < width)


def _coherent(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Keep areas that survive a small opening: single green pixels are not a screen."""
    solid = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(solid, connectivity=4)
    if count <= 1:
        return np.zeros_like(mask)
    areas = stats[:, cv2.CC_STAT_AREA].copy()
    areas[0] = 0
    keep = areas >= max(0.02 * areas.max(), 12)
    keep[0] = False
    return np.asarray(keep[labels])


def _roughness(plane: Array, mask: NDArray[np.bool_]) -> float:
    """Typical deviation of ln p_k from its surroundings over scales that noise does not have."""
    log = np.log(np.maximum(gaussian(np.maximum(plane, 0), 2.0), FINEST_LEVEL)).astype(np.float32)
    weight = mask.astype(np.float32)
    inside = cv2.erode(mask.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
    if inside.sum() < 50:
        return 1.0
    held = np.where(mask, log, 0).astype(np.float32)
    mean = gaussian(held, 8.0) / np.maximum(gaussian(weight, 8.0), 1e-3)
    return robust_sigma((log - mean)[inside])
