"""Measuring the subject against the screen: trusted areas, separation, spill, its own colours."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from kernels.measure.noise import covariance_at
from kernels.measure.screen_find import channel_index, gaussian
from kernels.measure.screen_surface import pull_push, resized
from kernels.recipe import Noise, Primary
from kernels.reference.colour import delta_e_2000, lab_from_acescg

Array = NDArray[Any]
Mask = NDArray[np.bool_]
BRIGHTEST = 3.0
"""Most that a subject's pixel may count, in units of the screen's excess."""


def excess_share(image: Array, clean: Array, primary: Primary) -> Array:
    """Return e(p)/e(c), (h, w): the share of the screen's excess seen at each pixel, unclamped.

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

    screen: screen without doubt. subject: solid without doubt. edge: between. visible_screen:
    where the frame shows screen at all (the screen's mask, holes of marks filled).
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
    share = excess_share(small, clean, primary)
    core = subject & _smooth(share) & (share < 0.5)
    core = cv2.erode(core.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    sources = [area for area in (core, subject, outside > 0) if area.sum() >= 20]
    trust = (sources[0] if sources else outside > 0).astype(np.float32)
    foreground = np.stack([pull_push(plane, trust, 1.5) for plane in small])
    return Regions(screen & mask, subject, edge, visible, alpha, foreground)


@dataclass(frozen=True)
class Separation:
    """How far the subject's colours are from the screen's.

    matte: what the colour difference gives for the least separated tenth of the solid subject
    (1 is best). delta_e: CIE 2000 difference of the nearest twentieth. sigma: median distance in
    units of noise. spill: what the key channel exceeds the average of the others by on the subject
    near the screen, over what it does on the screen. Only places count where the matte is smooth:
    where it changes from pixel to pixel the screen is seen between hair, no matter of colour.
    """

    matte: float
    delta_e: float
    sigma: float
    spill: float
    where: tuple[float, float, float, float] | None


def separation(
    small: Array, clean: Array, areas: Regions, noise: Noise, primary: Primary
) -> Separation | None:
    """Measure separation and spill over the solid subject of a working-size picture."""
    share = excess_share(small, clean, primary)
    deep = cv2.erode(areas.subject.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
    subject = deep & _smooth(share)
    if subject.sum() < 60:
        return None
    inside = share[subject]
    every = max(1, inside.size // 12_000)
    colours, behind = small[:, subject][:, ::every], clean[:, subject][:, ::every]
    distance = delta_e_2000(
        lab_from_acescg(np.maximum(colours, 0)), lab_from_acescg(np.maximum(behind, 1e-6))
    )
    d = (colours - behind).T.astype(np.float64)
    s = covariance_at(noise, colours.T) + 1e-14 * np.eye(3)
    sigma = np.sqrt(np.maximum((d * np.linalg.solve(s, d[..., None])[..., 0]).sum(axis=1), 0))
    reach = 2 * max(12, round(0.06 * share.shape[1])) + 1
    near = cv2.dilate(areas.visible_screen.astype(np.uint8), np.ones((reach, reach), np.uint8)) > 0
    rim = near & subject if (near & subject).sum() > 60 else subject
    spill = float(
        np.clip(_mean_excess(small, primary)[rim] / _mean_excess(clean, primary)[rim], 0, 1).mean()
    )
    among = np.where(subject, share, share[subject].min())[deep]
    least = float(np.percentile(among, 90))
    low = subject & (share >= least)
    return Separation(
        matte=1 - least,
        delta_e=float(np.percentile(distance, 5)),
        sigma=float(np.median(sigma)),
        spill=spill,
        where=bounds(low),
    )


def _mean_excess(image: Array, primary: Primary) -> Array:
    """Return x_k - (x_i + x_j)/2, what a despiller held to the average takes out."""
    k, i, j = channel_index(primary)
    return np.asarray(image[k] - 0.5 * (image[i] + image[j]))


def _smooth(share: Array, size: int = 7, limit: float = 0.08) -> Mask:
    """Return where `share` varies by less than `limit` over a window beyond the picture's noise.

    The noise is taken from the smoothest tenth of the windows.
    """
    plane = np.clip(share, -1, 1).astype(np.float32)
    mean = cv2.blur(plane, (size, size))
    variance = np.maximum(cv2.blur(plane * plane, (size, size)) - mean * mean, 0)
    floor = float(np.percentile(variance, 10))
    inside = np.sqrt(np.maximum(variance - 1.5 * floor, 0)) < limit
    return np.asarray(cv2.erode(inside.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0)


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
    small: Array,
    fit_colour: tuple[float, float, float],
    areas: Regions,
    primary: Primary,
    prior: float = 0.5,
) -> tuple[float, float]:
    """Return weights w_i, w_j for which x_k - (w_i x_i + w_j x_j) is nearest 0 on the subject.

    A colour difference with e(F) = 0 reads the coverage of a pixel exactly, so the weights are
    fitted to the solid subject's colours near the screen, spill and all: least absolute deviations
    by reweighting, held towards 0.5 and 0.5 (exact for greys) by `prior`. Returns that where there
    is no subject. Pixels brighter than BRIGHTEST times the screen's excess count as if they were no
    brighter: a rim light's few would else outweigh the rest. small: (3, h, w) working-linear.
    Source: Smith & Blinn 1996 for the form, in which a foreground with a linear relation of its
    channels is solved; the fit is our own.
    """
    near = cv2.dilate(areas.visible_screen.astype(np.uint8), np.ones((25, 25), np.uint8)) > 0
    rim = areas.subject & near
    if rim.sum() < 60:
        return 0.5, 0.5
    k, i, j = channel_index(primary)
    scale = fit_colour[k] - max(fit_colour[i], fit_colour[j])
    subject = small[:, rim].astype(np.float64) / max(scale, 1e-6)
    subject /= np.maximum(np.abs(subject).max(axis=0) / BRIGHTEST, 1.0)
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
