"""Premultiplied layers of the harbour's shots, put one over another, and made into a frame."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]
Labels = NDArray[np.uint8]

GRID = 8
"""Samples a pixel and direction from which coverage is averaged."""


@dataclass
class Pane:
    """Something before the wall, premultiplied: own colour and spill (3, h, w), alpha (h, w).

    `glow` is light that is added without covering anything. `label` marks its pixels.
    """

    own: Image
    spill: Image
    alpha: Image
    glow: Image | None = None
    label: Labels | int = 0
    label_from: float = 0.3


class Stack:
    """What has been put before the wall so far."""

    def __init__(self, width: int, height: int) -> None:
        self.own = np.zeros((3, height, width), np.float32)
        self.spill = np.zeros((3, height, width), np.float32)
        self.alpha = np.zeros((height, width), np.float32)
        self.glow = np.zeros((3, height, width), np.float32)
        self.labels = np.zeros((height, width), np.uint8)

    def put(self, pane: Pane) -> None:
        """Lay `pane` over the stack (source over, Porter and Duff 1984); its glow is on top."""
        through = 1 - pane.alpha
        self.own = pane.own + through * self.own
        self.spill = pane.spill + through * self.spill
        self.alpha = pane.alpha + through * self.alpha
        self.glow = through * self.glow
        if pane.glow is not None:
            self.glow = self.glow + pane.glow
        where = pane.alpha > pane.label_from
        named = np.broadcast_to(np.asarray(pane.label, np.uint8), where.shape)
        self.labels = np.where(where, named, self.labels).astype(np.uint8)

    def blurred(self, kernel: Image) -> None:
        """Put everything so far out of focus with a lens's disc."""
        for name in ("own", "spill", "glow"):
            planes = [_convolve(p, kernel) for p in getattr(self, name)]
            setattr(self, name, np.maximum(np.stack(planes), 0))
        self.alpha = np.clip(_convolve(self.alpha, kernel), 0, 1)

    def straight(self) -> tuple[Image, Image, Image]:
        """Alpha, straight colour with spill, and without; the nearest colour where nothing is."""
        alpha = np.where(self.alpha < 2e-4, 0, np.minimum(self.alpha, 1)).astype(np.float32)
        safe = np.where(alpha > 0, alpha, 1)
        full = np.where(alpha > 0, (self.own + self.spill) / safe, 0)
        clean = np.where(alpha > 0, self.own / safe, 0)
        empty = (alpha < 0.02).astype(np.uint8)
        if empty.all():
            return alpha, full.astype(np.float32), clean.astype(np.float32)
        _, nearest = cv2.distanceTransformWithLabels(
            empty, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
        )
        sources = np.flatnonzero(empty.ravel() == 0)
        order = np.zeros(int(nearest.max()) + 1, np.int64)
        order[nearest.ravel()[sources]] = sources
        pick = order[nearest]
        for image in (full, clean):
            carried = image.reshape(3, -1)[:, pick]
            image[:] = np.where(alpha > 0, image, carried)
        return alpha, full.astype(np.float32), clean.astype(np.float32)


def _convolve(plane: Image, kernel: Image) -> Image:
    return np.asarray(cv2.filter2D(plane, -1, kernel, borderType=cv2.BORDER_REPLICATE), np.float32)


def lens_disc(radius_px: float) -> Image:
    """A disc of `radius_px`, anti-aliased, a little brighter at its rim, adding up to 1."""
    reach = int(np.ceil(radius_px)) + 1
    fine = (np.arange((2 * reach + 1) * GRID) + 0.5) / GRID - reach - 0.5
    d = np.hypot(fine[:, None], fine[None, :])
    samples = np.where(d <= radius_px, 1 + 0.35 * (d / radius_px) ** 4, 0)
    size = 2 * reach + 1
    kernel = samples.reshape(size, GRID, size, GRID).mean(axis=(1, 3))
    return np.asarray(kernel / kernel.sum(), np.float32)


def coverage(distance: Image, move: NDArray[np.float64], width: int, height: int) -> Image:
    """Share of every pixel inside the zero line of `distance` (in pixels), GRID² samples a pixel.

    `move` (2, 3) maps picture coordinates to the distance map's, both with pixel 0's centre at 0.
    """
    out = np.zeros((height, width), np.float32)
    centre = np.array([[1 / GRID, 0, 0.5 / GRID - 0.5], [0, 1 / GRID, 0.5 / GRID - 0.5], [0, 0, 1]])
    near = cv2.warpAffine(
        distance,
        move,
        (width, height),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=99.0,
    )
    rows = np.flatnonzero((near < 2).any(axis=1))
    if not rows.size:
        return out
    for top in range(int(rows[0]), int(rows[-1]) + 1, 64):
        tall = min(64, int(rows[-1]) + 1 - top)
        shift = np.array([[1, 0, 0], [0, 1, top], [0, 0, 1]], np.float64)
        full = np.vstack([move, [0, 0, 1]]) @ shift @ centre
        fine = cv2.warpAffine(
            distance,
            full[:2],
            (width * GRID, tall * GRID),
            flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=99.0,
        )
        inside = (fine <= 0).astype(np.float32)
        out[top : top + tall] = cv2.resize(inside, (width, tall), interpolation=cv2.INTER_AREA)
    return out
