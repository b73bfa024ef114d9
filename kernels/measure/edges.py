"""The width of the subject's edges, from profiles of the picture across them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from kernels.measure.screen_find import gaussian
from kernels.measure.subject import excess_share
from kernels.recipe import Primary

Array = NDArray[Any]
Mask = NDArray[np.bool_]
PROFILE_PX = 12.0
PROFILE_STEP = 0.25
PROFILES = 1500


@dataclass(frozen=True)
class EdgeWidth:
    """Width from 10 to 90 % of solid edges in px: the typical one, the sharpest tenth, count."""

    median_px: float
    sharp_px: float
    profiles: int


def edge_width(image: Array, clean: Array, primary: Primary, seed: int = 0) -> EdgeWidth | None:
    """Measure the 10-90 % width of the subject's edges in source pixels.

    image, clean: (3, H, W) working-linear. Profiles of the unclamped colour-difference matte are
    taken across its half-way contour wherever screen lies on one side and solid subject on the
    other. Along each, the share of the solid end's colour (the projection on the line between the
    colours of both ends, which is linear in coverage where the matte is not) is aligned at 50 %
    and pooled: the median profile gives the typical width. Rims thinner than the profile are left
    out. None when fewer than 40 profiles are clean.
    Source: the 10-90 % rise distance of ISO 12233's edge method, in spirit.
    """
    matte = (1 - excess_share(image, clean, primary)).astype(np.float32)
    soft = gaussian(matte, 1.0)
    dy, dx = _gradient(gaussian(matte, 2.0))
    slope = np.hypot(dx, dy)
    near = (np.abs(soft - 0.5) < 0.18) & (slope > 0.01)
    ys, xs = np.nonzero(near)
    if ys.size < 40:
        return None
    some = np.random.default_rng(seed).permutation(ys.size)[: 4 * PROFILES]
    ys, xs = ys[some], xs[some]
    nx, ny = dx[ys, xs] / slope[ys, xs], dy[ys, xs] / slope[ys, xs]
    offsets = np.arange(-PROFILE_PX, PROFILE_PX + 1e-6, PROFILE_STEP, dtype=np.float32)
    clean_steps = _clean_steps(_sampled(matte, xs, ys, nx, ny, offsets))
    if clean_steps.sum() < 40:
        return None
    lines: list[Array] = [xs, ys, nx, ny]
    px, py, along_x, along_y = (line[clean_steps][:PROFILES] for line in lines)
    planes = image.astype(np.float32)
    profiles = _mixing([_sampled(p, px, py, along_x, along_y, offsets) for p in planes])
    aligned = _aligned(profiles)
    typical = _rise(np.median(aligned, axis=0))
    groups = [_rise(np.median(g, axis=0)) for g in _by_slope(aligned)]
    return EdgeWidth(typical, min([*groups, typical]), len(profiles))


def _gradient(plane: Array) -> tuple[Array, Array]:
    dx = cv2.Scharr(plane, cv2.CV_32F, 1, 0) / 32.0
    dy = cv2.Scharr(plane, cv2.CV_32F, 0, 1) / 32.0
    return np.asarray(dy), np.asarray(dx)


def _sampled(plane: Array, xs: Array, ys: Array, nx: Array, ny: Array, offsets: Array) -> Array:
    """Sample `plane` along normals; the mean of three parallel lines 1 px apart, bicubic."""
    total = np.zeros((len(xs), len(offsets)), np.float32)
    for beside in (-1.0, 0.0, 1.0):
        map_x = (xs - beside * ny)[:, None] + nx[:, None] * offsets
        map_y = (ys + beside * nx)[:, None] + ny[:, None] * offsets
        total += cv2.remap(
            plane,
            map_x.astype(np.float32),
            map_y.astype(np.float32),
            cv2.INTER_CUBIC,
            borderMode=cv2.BORDER_REPLICATE,
        )
    return total / 3


def _mixing(channels: Sequence[Array]) -> Array:
    """Return, (n, t), how far each sample is from the clear end's colour to the solid end's."""
    n = int(3 / PROFILE_STEP)
    stack = np.stack(channels)
    low = stack[..., :n].mean(axis=2, keepdims=True)
    high = stack[..., -n:].mean(axis=2, keepdims=True)
    along = high - low
    return np.asarray(
        ((stack - low) * along).sum(axis=0) / np.maximum((along**2).sum(axis=0), 1e-9)
    )


def _clean_steps(profiles: Array) -> Mask:
    """Keep profiles that go once from a flat clear end to a flat solid one."""
    n = int(3 / PROFILE_STEP)
    low, high = profiles[:, :n], profiles[:, -n:]
    rises = high.mean(axis=1) - low.mean(axis=1)
    flat = (np.ptp(low, axis=1) < 0.35) & (np.ptp(high, axis=1) < 0.45)
    return np.asarray((np.abs(low.mean(axis=1)) < 0.08) & (rises > 0.6) & flat)


def _aligned(profiles: Array) -> Array:
    """Scale each profile from 0 to 1 between its ends and move its 50 % crossing to the middle."""
    n = int(3 / PROFILE_STEP)
    low = profiles[:, :n].mean(axis=1, keepdims=True)
    high = profiles[:, -n:].mean(axis=1, keepdims=True)
    scaled = (profiles - low) / np.maximum(high - low, 1e-3)
    smooth = cv2.blur(scaled, (int(1.0 / PROFILE_STEP) + 1, 1))
    middle = scaled.shape[1] // 2
    columns = np.arange(scaled.shape[1])
    crossing = np.argmin(np.abs(smooth - 0.5) + 0.01 * np.abs(columns - middle) / middle, axis=1)
    index = np.clip(columns[None, :] + (crossing - middle)[:, None], 0, scaled.shape[1] - 1)
    return np.asarray(np.take_along_axis(scaled, index, axis=1))


def _by_slope(aligned: Array) -> list[Array]:
    """Return the steepest quarter of the profiles as a group, if it is large enough."""
    if len(aligned) < 160:
        return []
    middle = aligned.shape[1] // 2
    reach = int(1.5 / PROFILE_STEP)
    steep = aligned[:, middle + reach] - aligned[:, middle - reach]
    return [aligned[np.argsort(-steep)[: len(aligned) // 4]]]


def _rise(profile: Array) -> float:
    """Distance in px between the 10 % and the 90 % crossing of one rising profile."""
    rising = np.maximum.accumulate(profile)
    positions = np.arange(len(rising)) * PROFILE_STEP
    x10 = float(np.interp(0.1, rising, positions))
    x90 = float(np.interp(0.9, rising, positions))
    return x90 - x10
