"""Pooling full-resolution planes to the size on the wire: area average, nearest, extremum."""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

Array = NDArray[Any]
Box = tuple[float, float, float, float]
Pooling = Literal["mean", "max", "min"]

TOUCH = 1e-4
"""A box that reaches less than this into a pixel does not touch it."""


def box_edges(start: float, stop: float, count: int) -> Array:
    """The count + 1 borders of `count` equal boxes over start..stop, float64."""
    return start + (stop - start) * (np.arange(count + 1) / count)


def pixel_ranges(start: float, stop: float, count: int, size: int) -> tuple[Array, Array]:
    """First and past-last pixel that each of `count` boxes over start..stop touches.

    floor(a + 1e-4) and ceil(b - 1e-4), at least one pixel, held inside 0..size. Where boxes are
    smaller than a pixel: the pixel that holds the box's centre, so that pixels show as squares.
    """
    edges = box_edges(start, stop, count)
    if count > stop - start:
        first = np.floor((edges[:-1] + edges[1:]) / 2)
        end = first + 1
    else:
        first, end = np.floor(edges[:-1] + TOUCH), np.ceil(edges[1:] - TOUCH)
    first = np.clip(first, 0, size - 1).astype(np.int64)
    return first, np.clip(np.maximum(end, first + 1), 1, size).astype(np.int64)


def _weights(start: float, stop: float, count: int, size: int, dtype: Any) -> Any:
    """Sparse (count, size) matrix of each box's shares of the pixels it touches; rows sum to 1."""
    first, end = pixel_ranges(start, stop, count, size)
    edges = box_edges(start, stop, count)
    spans = end - first
    rows = np.repeat(np.arange(count), spans)
    pointers = np.concatenate([[0], np.cumsum(spans)])
    columns = np.arange(pointers[-1]) - np.repeat(pointers[:-1] - first, spans)
    if count > stop - start:
        share = np.ones(len(rows))
    else:
        share = np.minimum(edges[rows + 1], columns + 1) - np.maximum(edges[rows], columns)
        share = np.where(np.repeat(spans, spans) == 1, 1.0, np.maximum(share, 0))
    share = share / np.repeat(np.add.reduceat(share, pointers[:-1]), spans)
    return sparse.csr_matrix((share.astype(dtype), columns, pointers), shape=(count, size))


def downscale_area(planes: Array, box: Box, width: int, height: int) -> Array:
    """Exact area average of `box` in width x height boxes, (..., h, w) to (..., height, width).

    box: (x0, y0, x1, y1) in pixels of `planes`, fractions allowed. An axis that is enlarged takes
    the nearest pixel. Values below 0 and above 1 survive.
    Source: the mean over an area; OpenImageIO's `resize` with a box filter gives the same.
    """
    h, w = planes.shape[-2:]
    if box == (0, 0, w, h) and (width, height) == (w, h):
        return planes
    across = _weights(box[0], box[2], width, w, planes.dtype)
    down = _weights(box[1], box[3], height, h, planes.dtype)
    flat = planes.reshape(-1, h, w)
    out = [(across @ (down @ plane).T).T for plane in flat]
    return np.ascontiguousarray(np.stack(out)).reshape(*planes.shape[:-2], height, width)


def pool_extremum(plane: Array, box: Box, width: int, height: int, which: Pooling) -> Array:
    """Largest (`max`) or smallest (`min`) of all pixels that each box touches, (..., h, w).

    A pixel between two boxes counts for both, so that a single pixel never disappears.
    """
    best = np.maximum if which == "max" else np.minimum
    for axis, start, stop, count in ((-1, box[0], box[2], width), (-2, box[1], box[3], height)):
        first, end = pixel_ranges(start, stop, count, plane.shape[axis])
        out = np.take(plane, first, axis=axis)
        for step in range(1, int((end - first).max())):
            out = best(out, np.take(plane, np.minimum(first + step, end - 1), axis=axis))
        plane = out
    return plane
