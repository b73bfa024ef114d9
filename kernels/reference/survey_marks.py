"""Tracking markers and creases on the backing, and motion between two frames."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from kernels.reference.backing_find import channel_index, robust_sigma
from kernels.reference.backing_fit import BackingFit

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


def find_marks(small: Array, fit: BackingFit) -> Marks:
    """Find markers (compact other-coloured spots inside the backing) and creases (thin lines)."""
    h, w = fit.mask.shape
    marker_mask = np.zeros((h, w), bool)
    boxes = []
    hole = (~fit.mask).astype(np.uint8)
    k, _, _ = channel_index(fit.primary)
    level = np.log(np.maximum(small[k], 1e-5) / np.maximum(fit.clean[k], 1e-5))
    noise = robust_sigma(level[fit.mask])
    count, labels, stats, _ = cv2.connectedComponentsWithStats(hole, connectivity=8)
    for n in range(1, count):
        x, y, bw, bh, area = (int(v) for v in stats[n])
        if x <= 1 or y <= 1 or x + bw >= w - 1 or y + bh >= h - 1:
            continue
        if max(bw, bh) > max(LARGEST_MARKER * w, 6) or area < 8 or max(bw, bh) > 5 * min(bw, bh):
            continue
        if not _stands_out(small, fit, labels == n, (x, y, bw, bh), noise):
            continue
        marker_mask |= labels == n
        boxes.append((x / w, y / h, (x + bw) / w, (y + bh) / h))
    grown = cv2.dilate(marker_mask.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    return Marks(np.array(boxes).reshape(-1, 4), grown, fit.creases & ~grown)


def _stands_out(small: Array, fit: BackingFit, part: Mask, box: tuple[int, int, int, int],
                noise: float) -> bool:
    """Tell whether a spot differs from the backing and has backing all around it."""
    x, y, w, h = box
    far = max(8, 2 * max(w, h))
    ring = np.s_[max(0, y - far): y + h + far, max(0, x - far): x + w + far]
    around = ~part[ring]
    if fit.mask[ring][around].mean() < 0.97:
        return False
    inside = np.log(np.maximum(small[:, part], 1e-5) / np.maximum(fit.clean[:, part], 1e-5))
    return bool(np.abs(inside.mean(axis=1)).max() > max(0.1, 4.0 * noise))


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
