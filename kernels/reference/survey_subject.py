"""Measuring the subject against the backing: edge width, separation, spill, local foreground."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from kernels.recipe import Noise, Primary
from kernels.reference.backing_find import channel_index, gaussian
from kernels.reference.backing_fit import pull_push, resized
from kernels.reference.colour import delta_e_2000, lab_from_acescg
from kernels.reference.noise import covariance_at

Array = NDArray[Any]
Mask = NDArray[np.bool_]
PROFILE_PX = 12.0
PROFILE_STEP = 0.25
PROFILES = 1500
SIGMOID_10_90 = 2.5631
"""Width from 10 to 90 % of a step blurred by a unit Gaussian. Source: the normal distribution."""


def excess_share(image: Array, clean: Array, primary: Primary) -> Array:
    """Return e(p)/e(c), (h, w): the share of the backing's excess seen at each pixel, unclamped.

    e(x) = x_k - max(x_i, x_j). One minus this is the colour-difference matte.
    Source: Smith & Blinn 1996.
    """
    k, i, j = channel_index(primary)
    e_p = image[k] - np.maximum(image[i], image[j])
    e_c = clean[k] - np.maximum(clean[i], clean[j])
    return np.asarray(e_p / np.maximum(e_c, 1e-6))


@dataclass(frozen=True, eq=False)
class Regions:
    """Trusted areas at working size, (h, w) bool each, and a local foreground colour (3, h, w).

    screen: backing without doubt. subject: solid without doubt. edge: between. visible_screen:
    where the frame shows screen at all (the backing's mask, holes of marks filled).
    """

    screen: Mask
    subject: Mask
    edge: Mask
    visible_screen: Mask
    alpha: Array
    foreground: Array


def regions(small: Array, clean: Array, mask: Mask, marks: Mask, primary: Primary) -> Regions:
    """Part a working-size picture (3, h, w) into screen, subject and the edge between them."""
    alpha = np.clip(1 - gaussian(excess_share(small, clean, primary).astype(np.float32), 0.8), 0, 1)
    square = np.ones((3, 3), np.uint8)
    visible = cv2.morphologyEx((mask | marks).astype(np.uint8), cv2.MORPH_CLOSE, square) > 0
    outside = (~visible).astype(np.uint8)
    solid = cv2.morphologyEx(outside, cv2.MORPH_OPEN, np.ones((5, 5), np.uint8)) > 0
    subject = cv2.erode(solid.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    screen = cv2.erode(visible.astype(np.uint8), square) > 0
    wide = np.ones((7, 7), np.uint8)
    edge = (cv2.dilate(visible.astype(np.uint8), wide) > 0) & (cv2.dilate(outside, wide) > 0)
    edge &= ~marks & (alpha > 0.02) & (alpha < 0.98)
    trust = subject.astype(np.float32) if subject.any() else outside.astype(np.float32)
    foreground = np.stack([pull_push(plane, trust, 1.5) for plane in small])
    return Regions(screen & mask, subject, edge, visible, alpha, foreground)


@dataclass(frozen=True)
class EdgeWidth:
    """Width from 10 to 90 % of solid edges in px: the typical one, the sharpest tenth, count."""

    median_px: float
    sharp_px: float
    profiles: int


def edge_width(image: Array, clean: Array, primary: Primary, seed: int = 0) -> EdgeWidth | None:
    """Measure the 10-90 % width of the subject's edges in source pixels.

    image, clean: (3, H, W) working-linear. Profiles of the unclamped colour-difference matte are
    taken across its half-way contour wherever backing lies on one side and solid subject on the
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
    chosen = np.random.default_rng(seed).permutation(ys.size)[: 4 * PROFILES]
    ys, xs = ys[chosen], xs[chosen]
    nx, ny = dx[ys, xs] / slope[ys, xs], dy[ys, xs] / slope[ys, xs]
    offsets = np.arange(-PROFILE_PX, PROFILE_PX + 1e-6, PROFILE_STEP, dtype=np.float32)
    chosen = _clean_steps(_sampled(matte, xs, ys, nx, ny, offsets))
    profiles = _mixing(*(_sampled(plane, *(v[chosen] for v in (xs, ys, nx, ny)), offsets)[:PROFILES]
                         for plane in np.asarray(image, np.float32)))
    if len(profiles) < 40:
        return None
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
        total += cv2.remap(plane, map_x.astype(np.float32), map_y.astype(np.float32),
                           cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return total / 3


def _mixing(*channels: Array) -> Array:
    """Return, (n, t), how far each sample is from the clear end's colour to the solid end's."""
    n = int(3 / PROFILE_STEP)
    stack = np.stack(channels)
    low = stack[..., :n].mean(axis=2, keepdims=True)
    high = stack[..., -n:].mean(axis=2, keepdims=True)
    along = high - low
    return np.asarray(((stack - low) * along).sum(axis=0)
                      / np.maximum((along**2).sum(axis=0), 1e-9))


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


@dataclass(frozen=True)
class Separation:
    """How far the subject's colours are from the backing's.

    matte: what the colour difference gives for the least separated twentieth of the solid subject
    (1 is best). delta_e: CIE 2000 difference of that twentieth. sigma: median distance in units
    of noise. spill: mean share of the backing's excess found on the subject near the screen.
    """

    matte: float
    delta_e: float
    sigma: float
    spill: float
    where: tuple[float, float, float, float] | None


def separation(small: Array, clean: Array, areas: Regions, noise: Noise,
               primary: Primary) -> Separation | None:
    """Measure separation and spill over the solid subject of a working-size picture."""
    subject = areas.subject
    if subject.sum() < 60:
        return None
    share = excess_share(small, clean, primary)
    inside = share[subject]
    lab = lab_from_acescg(np.maximum(small[:, subject], 0))
    screen = lab_from_acescg(np.maximum(clean[:, subject], 1e-6))
    distance = delta_e_2000(lab, screen)
    d = (small - clean)[:, subject].T.astype(np.float64)
    s = covariance_at(noise, small[:, subject].T) + 1e-14 * np.eye(3)
    sigma = np.sqrt(np.maximum((d * np.linalg.solve(s, d[..., None])[..., 0]).sum(axis=1), 0))
    near = cv2.dilate(areas.visible_screen.astype(np.uint8),
                      np.ones((25, 25), np.uint8)) > 0
    rim = near & subject
    spill = float(np.clip(share[rim], 0, 1).mean()) if rim.any() else 0.0
    low = subject & (share > np.percentile(inside, 95))
    return Separation(
        matte=float(1 - np.percentile(inside, 95)),
        delta_e=float(np.percentile(distance, 5)),
        sigma=float(np.median(sigma)),
        spill=spill,
        where=bounds(low),
    )


def bounds(mask: Mask) -> tuple[float, float, float, float] | None:
    """Return the box of the largest connected part of `mask` as shares of the frame."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8))
    if count <= 1:
        return None
    n = 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    x, y, w, h = (int(v) for v in stats[n, :4])
    height, width = labels.shape
    return x / width, y / height, (x + w) / width, (y + h) / height


def shrink_to(mask: Mask, height: int, width: int) -> Mask:
    """Return a mask at another size (a pixel is in when half of it is)."""
    return np.asarray(resized(mask.astype(np.float32), height, width) > 0.5)


def subject_weights(
    small: Array, fit_colour: tuple[float, float, float], areas: Regions, primary: Primary,
    prior: float = 0.5,
) -> tuple[float, float]:
    """Return weights w_i, w_j for which x_k - (w_i x_i + w_j x_j) is nearest 0 on the subject.

    A colour difference with e(F) = 0 reads the coverage of a pixel exactly, so the weights are
    fitted to the solid subject's colours near the screen, spill and all: least absolute deviations
    by reweighting, held towards 0.5 and 0.5 (exact for greys) by `prior`. Returns that where there
    is no subject. small: (3, h, w) working-linear. Source: Smith & Blinn 1996, section "Petro
    Vlahos' solutions", for the form; the fit is our own.
    """
    near = cv2.dilate(areas.visible_screen.astype(np.uint8), np.ones((25, 25), np.uint8)) > 0
    rim = areas.subject & near
    if rim.sum() < 60:
        return 0.5, 0.5
    k, i, j = channel_index(primary)
    scale = fit_colour[k] - max(fit_colour[i], fit_colour[j])
    subject = small[:, rim].astype(np.float64) / max(scale, 1e-6)
    a, b = subject[[i, j]], subject[k]
    weight = np.ones(b.size)
    w = np.array([0.5, 0.5])
    hold = prior * b.size
    for _ in range(15):
        normal = (a * weight) @ a.T + hold * np.eye(2)
        w = np.linalg.solve(normal, (a * weight) @ b + hold * 0.5)
        w = np.clip(w, 0.0, 1.2)
        weight = 0.05 / np.maximum(np.abs(b - w @ a), 0.05)
    return float(w[0]), float(w[1])
