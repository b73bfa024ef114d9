"""Tracking markers and creases on the backing, and motion between two frames."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from kernels.reference.backing_find import channel_index, gaussian, robust_sigma
from kernels.reference.backing_fit import BackingFit

Array = NDArray[Any]
Mask = NDArray[np.bool_]
LARGEST_MARKER = 0.05
"""Largest side of a marker as a share of the frame's width."""
CREASE_STEP = 0.025
"""Smallest relative step in level that counts as a crease."""


@dataclass(frozen=True, eq=False)
class Marks:
    """Markers and creases at working size.

    markers: (n, 4) boxes x0 y0 x1 y1 in shares of the frame. marker_mask, crease_mask: (h, w).
    """

    markers: Array
    marker_mask: Mask
    crease_mask: Mask


def find_marks(small: Array, fit: BackingFit) -> Marks:
    """Find markers (compact other-coloured spots inside the backing) and creases (thin lines)."""
    h, w = fit.mask.shape
    marker_mask = np.zeros((h, w), bool)
    boxes = []
    hole = cv2.morphologyEx((~fit.mask).astype(np.uint8), cv2.MORPH_OPEN, np.ones((2, 2), np.uint8))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(hole, connectivity=8)
    for n in range(1, count):
        x, y, bw, bh, area = (int(v) for v in stats[n])
        if x <= 1 or y <= 1 or x + bw >= w - 1 or y + bh >= h - 1:
            continue
        if max(bw, bh) > max(LARGEST_MARKER * w, 6) or area < 4 or max(bw, bh) > 5 * min(bw, bh):
            continue
        if not _stands_out(small, fit, labels == n, (x, y, bw, bh)):
            continue
        marker_mask |= labels == n
        boxes.append((x / w, y / h, (x + bw) / w, (y + bh) / h))
    grown = cv2.dilate(marker_mask.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    return Marks(np.array(boxes).reshape(-1, 4), grown, _creases(small, fit, grown))


def _stands_out(small: Array, fit: BackingFit, part: Mask, box: tuple[int, int, int, int]) -> bool:
    """Tell whether a spot differs from the backing and has backing all around it."""
    x, y, w, h = box
    ring = np.s_[max(0, y - 3): y + h + 3, max(0, x - 3): x + w + 3]
    around = ~part[ring]
    if fit.mask[ring][around].mean() < 0.6:
        return False
    inside = np.log(np.maximum(small[:, part], 1e-5) / np.maximum(fit.clean[:, part], 1e-5))
    return bool(np.abs(inside.mean(axis=1)).max() > 0.1)


def _creases(small: Array, fit: BackingFit, markers: Mask) -> Mask:
    """Thin elongated steps in level, over a smooth surrounding of the backing."""
    k, _, _ = channel_index(fit.primary)
    inside = fit.mask & ~markers
    weight = inside.astype(np.float32)
    log = np.where(inside, np.log(np.maximum(small[k], 1e-5)), 0).astype(np.float32)
    fine = gaussian(log, 1.0) / np.maximum(gaussian(weight, 1.0), 1e-3)
    wide = gaussian(log, 9.0) / np.maximum(gaussian(weight, 9.0), 1e-3)
    deep = cv2.erode(inside.astype(np.uint8), np.ones((7, 7), np.uint8)) > 0
    if deep.sum() < 100:
        return np.zeros_like(inside)
    step = np.where(deep, fine - wide, 0)
    limit = max(CREASE_STEP, 4.0 * robust_sigma(step[deep]))
    strong = (np.abs(step) > limit).astype(np.uint8)
    strong = cv2.morphologyEx(strong, cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(strong, connectivity=8)
    longest = np.maximum(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT])
    long = longest > 0.06 * inside.shape[1]
    thin = stats[:, cv2.CC_STAT_AREA] < 0.35 * longest.astype(np.float64) ** 2
    keep = long & thin
    keep[0] = False
    return np.asarray(keep[labels]) if count > 1 else np.zeros_like(inside)


@dataclass(frozen=True)
class Motion:
    """Motion between two neighbouring frames in source px a frame.

    subject_px: 90th percentile at the subject's edges. camera_px: shift of the backing's markers,
    None when there is nothing on the backing to follow.
    """

    subject_px: float
    camera_px: float | None


def measure_motion(first: Array, second: Array, marks: tuple[Marks, Marks], edge: Mask,
                   step: float, frames_apart: int = 1) -> Motion:
    """Measure motion from two working-size pictures (3, h, w) and their marks.

    Dense optical flow (Farneback 2003) at the edges; nearest markers for the camera.
    """
    a, b = (_eight_bit(picture) for picture in (first, second))
    flow = cv2.calcOpticalFlowFarneback(a, b, None, 0.5, 4, 21, 2, 5, 1.1, 0)  # type: ignore[call-overload]
    speed = np.hypot(flow[..., 0], flow[..., 1]) * step / frames_apart
    subject = float(np.percentile(speed[edge], 90)) if edge.any() else 0.0
    h, w = edge.shape
    shift = _marker_shift(marks[0].markers, marks[1].markers, w, h)
    return Motion(subject, None if shift is None else shift * step / frames_apart)


def _eight_bit(picture: Array) -> NDArray[np.uint8]:
    grey = np.maximum(picture.mean(axis=0), 0)
    top = max(float(np.percentile(grey, 99)), 1e-6)
    return np.asarray(255 * np.clip(grey / top, 0, 1) ** 0.5, np.uint8)


def _marker_shift(first: Array, second: Array, w: int, h: int) -> float | None:
    if len(first) < 2 or len(second) < 2:
        return None
    size = np.array([w, h])
    a = (first[:, :2] + first[:, 2:]) / 2 * size
    b = (second[:, :2] + second[:, 2:]) / 2 * size
    d = np.linalg.norm(a[:, None] - b[None], axis=2).min(axis=1)
    return float(np.median(d))
