"""Exact area coverage: level sets and fibres counted on 8 × 8 samples a pixel."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]
Points = NDArray[np.float64]

GRID = 2
"""Layers are painted on GRID × GRID cells a pixel; each cell holds 4 × 4 samples."""
SAMPLES = 8
_PER_CELL = SAMPLES // GRID
_SHIFT = 4


def covered(field: Image) -> Image:
    """Share of each cell where `field` > 0, 0 to 1, same shape.

    `field` is sampled at the cells' centres and interpolated bilinearly to 4 × 4 samples a cell.
    """
    height, width = field.shape
    size = (width * _PER_CELL, height * _PER_CELL)
    fine = cv2.resize(field, size, interpolation=cv2.INTER_LINEAR)
    inside = np.where(fine > 0, np.float32(1), np.float32(0))
    return np.asarray(cv2.resize(inside, (width, height), interpolation=cv2.INTER_AREA), np.float32)


def filled(polygons: list[Points], shape: tuple[int, int]) -> Image:
    """Share of each cell that the union of polygons covers; corners (n, 2) x, y in cells.

    Samples that an outline passes through count as inside: it is up to half a sample generous.
    """
    height, width = shape
    samples = np.zeros((height * _PER_CELL, width * _PER_CELL), np.uint8)
    for polygon in polygons:
        corners = np.round((polygon * _PER_CELL - 0.5) * (1 << _SHIFT)).astype(np.int32)
        cv2.fillPoly(samples, [corners], 255, lineType=cv2.LINE_8, shift=_SHIFT)
    share = cv2.resize(samples.astype(np.float32), (width, height), interpolation=cv2.INTER_AREA)
    return np.asarray(share / 255, np.float32)


@dataclass(frozen=True)
class Fibres:
    """n fibres of m points: `points` (n, m, 2) in cells, `width` (n, m) too, colours (n, m, 3).

    They are opaque and painted in their order, the last on top.
    """

    points: Points
    width: NDArray[np.float64]
    clean: NDArray[np.float64]
    spill: NDArray[np.float64]


def painted_fibres(fibres: Fibres, shape: tuple[int, int]) -> tuple[Image, Image, Image]:
    """Premultiplied clean and spill (3, h, w) and coverage (h, w) of fibres, on cells.

    Each segment's number is drawn on the sample grid, so that what is in front hides what is behind
    sample by sample; colours are summed over the samples.
    """
    height, width = shape
    samples = np.zeros((height * _PER_CELL, width * _PER_CELL), np.int32)
    fixed = np.round((fibres.points * _PER_CELL - 0.5) * (1 << _SHIFT)).astype(np.int64)
    thick = np.maximum(np.round(fibres.width * _PER_CELL), 1).astype(int)
    count, length = fixed.shape[:2]
    low, high = fixed.min(axis=1), fixed.max(axis=1)
    seen = (high >= 0).all(axis=1) & (low[:, 0] < samples.shape[1] << _SHIFT)
    seen &= low[:, 1] < samples.shape[0] << _SHIFT
    for i in np.flatnonzero(seen):
        path, widths = fixed[i].tolist(), thick[i].tolist()
        for j in range(length - 1):
            number = int(i) * length + j + 1
            cv2.line(samples, path[j], path[j + 1], number, widths[j], cv2.LINE_8, _SHIFT)
    return _summed(samples, fibres, (count, length), shape)


def _summed(
    samples: NDArray[np.int32], fibres: Fibres, size: tuple[int, int], shape: tuple[int, int]
) -> tuple[Image, Image, Image]:
    rows, columns = np.nonzero(samples)
    number = samples[rows, columns] - 1
    cell = (rows // _PER_CELL) * shape[1] + columns // _PER_CELL
    cells, share = shape[0] * shape[1], 1 / _PER_CELL**2

    def total(weights: NDArray[np.float64] | None) -> Image:
        summed = np.bincount(cell, weights, cells) * share
        return np.asarray(summed.reshape(shape), np.float32)

    colours = []
    for values in (fibres.clean, fibres.spill):
        flat = values.reshape(size[0] * size[1], 3)
        colours.append(np.stack([total(flat[number, c]) for c in range(3)]))
    return colours[0], colours[1], total(None)
