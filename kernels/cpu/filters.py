"""The cpu engine's neighbourhood operations: OpenCV in place of SciPy, tiles over threads.

Each stands in for the function of the same name in `reference.refine` and says how close it is.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from kernels.plan import gauss_radius, num
from kernels.recipe import Refine
from kernels.reference import refine as reference
from kernels.reference.combine import mix
from kernels.reference.octagon import oblong_parts, octagon_arms
from kernels.stages import radii_px

Array = NDArray[Any]

BAND_ROWS = 64


class FastNeighbourhood:
    """Implements `reference.execute.Neighbourhood`; float64 goes through the reference."""

    def __init__(self, pool: Executor, threads: int) -> None:
        self._pool = pool
        self._threads = threads

    def refine(
        self, matte: Array, settings: Refine, guide: Array, pixel_aspect: float = 1.0
    ) -> Array:
        """Return a matte after its whole refinement; within 1e-5 of the reference."""
        if matte.dtype == np.float64:
            return reference.refine(matte, settings, guide, pixel_aspect)
        m = self._despeckle(matte, settings, pixel_aspect)
        radius = num(settings.guide.radius_px)
        if radius > 0:
            m = guided(m, guide, radius, num(settings.guide.smoothness), pixel_aspect)
        levelled = reference.levels(
            m, num(settings.levels.clear_below), num(settings.levels.solid_above)
        )
        protect = settings.protect_edges
        m = protect_edges(m, levelled, num(protect.distance_px), num(protect.amount), pixel_aspect)
        m = choke(m, num(settings.choke_px), pixel_aspect)
        return self.blur(m, num(settings.soften_px), pixel_aspect)

    def blur(self, planes: Array, sigma_px: float, pixel_aspect: float = 1.0) -> Array:
        """Return planes after a Gaussian; float32 sums, within 2e-6 of the largest value."""
        if planes.dtype == np.float64:
            return reference.blur(planes, sigma_px, pixel_aspect)
        if not any(gauss_radius(sigma) for sigma in radii_px(sigma_px, pixel_aspect)):
            return planes
        if planes.ndim == 2:
            return blur(planes, sigma_px, pixel_aspect)
        return np.stack(
            list(self._pool.map(lambda plane: blur(plane, sigma_px, pixel_aspect), planes))
        )

    def _despeckle(self, matte: Array, settings: Refine, pixel_aspect: float) -> Array:
        holes, specks = num(settings.despeckle.holes_px), num(settings.despeckle.specks_px)
        if holes == 0 and specks == 0:
            return matte
        halo = int(np.ceil(holes)) + int(np.ceil(specks))
        return self._banded(
            matte, halo, lambda part: reference.despeckle(part, holes, specks, pixel_aspect)
        )

    def _banded(self, plane: Array, halo: int, work: Callable[[Array], Array]) -> Array:
        """Run an operation of bounded halo on bands of rows over the threads; same bits."""
        height = plane.shape[0]
        out = np.empty_like(plane)

        def run(first: int) -> None:
            end = min(first + BAND_ROWS, height)
            top, bottom = max(0, first - halo), min(height, end + halo)
            out[first:end] = work(plane[top:bottom])[first - top : end - top]

        list(self._pool.map(run, range(0, height, BAND_ROWS)))
        return out


def blur(plane: Array, sigma_px: float, pixel_aspect: float = 1.0) -> Array:
    """Return a plane after the reference's sampled Gaussian, by separable float32 filtering."""
    across, down = (
        reference.gauss_weights(sigma).astype(np.float32)
        for sigma in radii_px(sigma_px, pixel_aspect)
    )
    source = np.ascontiguousarray(plane, np.float32)
    return np.asarray(
        cv2.sepFilter2D(source, cv2.CV_32F, across, down, borderType=cv2.BORDER_REPLICATE)
    )


def box_mean(plane: Array, radii: tuple[int, int], count: Array) -> Array:
    """Return the mean over boxes that end at the frame; float64. count: `box_count`."""
    size = (2 * radii[0] + 1, 2 * radii[1] + 1)
    total = cv2.boxFilter(plane, cv2.CV_64F, size, normalize=False, borderType=cv2.BORDER_CONSTANT)
    return np.asarray(total / count)


def box_count(height: int, width: int, radii: tuple[int, int]) -> Array:
    """Return how many pixels of the frame each box holds, (height, width) float64."""

    def along(size: int, radius: int) -> Array:
        at = np.arange(size)
        return (np.minimum(at + radius, size - 1) - np.maximum(at - radius, 0) + 1).astype(float)

    return np.asarray(along(height, radii[1])[:, None] * along(width, radii[0])[None, :])


def guided(
    m: Array, guide: Array, radius_px: float, smoothness: float, pixel_aspect: float = 1.0
) -> Array:
    """Return `reference.guide`, the same float64 sums by running boxes; within 1e-6."""
    r = reference.guide_radii(radius_px, pixel_aspect)
    i, p = guide.astype(np.float64), m.astype(np.float64)
    count = box_count(m.shape[0], m.shape[1], r)
    mean_i, mean_p = box_mean(i, r, count), box_mean(p, r, count)
    variance = np.maximum(box_mean(i * i, r, count) - mean_i * mean_i, 0)
    a = (box_mean(i * p, r, count) - mean_i * mean_p) / (variance + smoothness)
    b = mean_p - a * mean_i
    return np.clip(box_mean(a, r, count) * i + box_mean(b, r, count), 0, 1).astype(m.dtype)


CROSS = np.array([[0, 1, 0], [1, 1, 1], [0, 1, 0]], np.uint8)


def erode(m: Array, radius_px: float, pixel_aspect: float = 1.0) -> Array:
    """Return `reference.erode`: only comparisons and mixes, so the same bits."""
    across, down = radii_px(radius_px, pixel_aspect)
    if across != down:
        return _erode_oblong(np.ascontiguousarray(m, np.float32), across, down)
    whole = int(radius_px)
    share = radius_px - whole
    out: Any = np.ascontiguousarray(m, np.float32)
    if whole // 2:
        out = _square(out, whole // 2)
    if whole - whole // 2:
        out = cv2.erode(out, CROSS, iterations=whole - whole // 2)
    if share == 0:
        return np.asarray(out)
    following = cv2.erode(out, CROSS) if whole % 2 == 0 else _square(out, 1)
    return mix(np.asarray(out), np.asarray(following), share)


def _erode_oblong(m: Array, across_px: float, down_px: float) -> Array:
    (across, down, _), *further = oblong_parts(across_px, down_px)
    out = _oblong(m, across, down)
    for across, down, share in further:
        out = mix(out, _oblong(m, across, down), share)
    return out


def _oblong(m: Array, across: int, down: int) -> Array:
    out: Any = cv2.erode(m, np.ones((down // 2 * 2 + 1, across // 2 * 2 + 1), np.uint8))
    for arm_across, arm_down in octagon_arms(across, down):
        cross = np.zeros((2 * arm_down + 1, 2 * arm_across + 1), np.uint8)
        cross[arm_down, :] = cross[:, arm_across] = 1
        out = cv2.erode(out, cross)
    return np.asarray(out)


def _square(m: Array, radius: int) -> Array:
    side = 2 * radius + 1
    return np.asarray(cv2.erode(m, np.ones((side, side), np.uint8)))


def choke(m: Array, px: float, pixel_aspect: float = 1.0) -> Array:
    """Return `reference.choke`."""
    if px == 0:
        return m
    return erode(m, px, pixel_aspect) if px > 0 else -erode(-m, -px, pixel_aspect)


def protect_edges(
    before: Array, levelled: Array, px: float, amount: float = 1.0, pixel_aspect: float = 1.0
) -> Array:
    """Return `reference.protect_edges` with OpenCV's minima; the box mean is the reference's."""
    if px <= 0 or amount <= 0:
        return levelled
    extent = -_square(-levelled, 1) - _square(levelled, 1)
    edge = np.maximum(4 * levelled * (1 - levelled), extent)
    grown = -erode(-edge, px / 2, pixel_aspect)
    near = reference.box_mean(grown, *radii_px(px / 2, pixel_aspect)) * (amount * min(px, 1.0))
    return mix(levelled, before, np.clip(near, 0, 1).astype(levelled.dtype))
