"""Tracking markers and creases on the screen."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from kernels.measure.screen_find import channel_index, robust_sigma
from kernels.measure.screen_fit import ScreenFit

Array = NDArray[Any]
Mask = NDArray[np.bool_]
LARGEST_MARKER = 0.05
"""Largest side of a marker as a share of the frame's width."""


@dataclass(frozen=True, eq=False)
class Marks:
    """Markers and creases at working size.

    markers: (n, 4) boxes x0 y0 x1 y1 in shares of the frame. marker_mask, crease_mask: (h, w).
    """

    markers: Array
    marker_mask: Mask
    crease_mask: Mask


def find_marks(small: Array, fit: ScreenFit) -> Marks:
    """Find markers (compact other-coloured spots inside the screen) and creases (thin lines).

    A spot with nothing but screen round it is a marker; one near the subject counts when it has
    the size of such a marker and screen at its own border.
    """
    h, w = fit.mask.shape
    spots = _spots(small, fit)
    sure = [s for s in spots if s.alone]
    chosen = list(sure)
    if sure:
        area = float(np.median([s.area for s in sure]))
        step = float(np.median([s.step for s in sure]))
        chosen += [
            s
            for s in spots
            if not s.alone and 0.6 < s.area / area < 1.6 and abs(s.step - step) < 0.3 * abs(step)
        ]
    mask = np.zeros((h, w), np.uint8)
    for spot in chosen:
        mask |= spot.part
    grown = cv2.dilate(mask, np.ones((3, 3), np.uint8)) > 0
    boxes = [(s.x / w, s.y / h, (s.x + s.width) / w, (s.y + s.height) / h) for s in chosen]
    return Marks(np.array(boxes).reshape(-1, 4), grown, fit.creases & ~grown)


@dataclass(frozen=True, eq=False)
class _Spot:
    """A hole in the screen's mask. step: its largest mean ln ratio to the clean plate."""

    x: int
    y: int
    width: int
    height: int
    area: int
    step: float
    alone: bool
    part: NDArray[np.uint8]


def _spots(small: Array, fit: ScreenFit) -> list[_Spot]:
    """Return compact holes that stand out and have screen at their border."""
    h, w = fit.mask.shape
    k, _, _ = channel_index(fit.primary)
    level = np.log(np.maximum(small[k], 1e-5) / np.maximum(fit.clean[k], 1e-5))
    limit = max(0.1, 4.0 * robust_sigma(level[fit.mask]))
    hole = (~fit.mask).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(hole, connectivity=8)
    spots = []
    for n in range(1, count):
        x, y, bw, bh, area = (int(v) for v in stats[n])
        if x <= 1 or y <= 1 or x + bw >= w - 1 or y + bh >= h - 1 or area < 8:
            continue
        if max(bw, bh) > max(LARGEST_MARKER * w, 6) or max(bw, bh) > 5 * min(bw, bh):
            continue
        part = labels == n
        if _backed(fit.mask, part, (x, y, bw, bh), 3) < 0.9:
            continue
        ratio = np.log(np.maximum(small[:, part], 1e-5) / np.maximum(fit.clean[:, part], 1e-5))
        mean = ratio.mean(axis=1)
        step = float(mean[np.argmax(np.abs(mean))])
        if abs(step) < limit:
            continue
        alone = _backed(fit.mask, part, (x, y, bw, bh), max(8, 2 * max(bw, bh))) >= 0.97
        spots.append(_Spot(x, y, bw, bh, area, step, alone, part.astype(np.uint8)))
    return spots


def _backed(mask: Mask, part: Mask, box: tuple[int, int, int, int], far: int) -> float:
    """Return the share of screen in the frame of width `far` round a spot."""
    x, y, w, h = box
    ring = np.s_[max(0, y - far) : y + h + far, max(0, x - far) : x + w + far]
    around = ~part[ring]
    return float(mask[ring][around].mean()) if around.any() else 0.0
