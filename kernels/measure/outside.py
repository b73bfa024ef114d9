"""What lies outside the screen's cloth, and the subject's shadows on it: areas to propose.

Masks are (h, w) at working size. Polygons are lists of (x, y) in shares of the frame.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from kernels.measure.screen_find import channel_index, gaussian, robust_sigma
from kernels.recipe import Primary

Array = NDArray[Any]
Mask = NDArray[np.bool_]
Polygon = list[tuple[float, float]]

WHOLE = 0.985
"""A screen whose hull covers this much of the frame has no outside worth a shape."""
BORDER = 0.08
"""How far into the hull a thing at its border may reach, as a share of the frame's width: what
reaches further in is the subject, or is held by it."""
STILL = 6.0
"""Mean squared change over time, in units of the noise's variance, under which a thing is still."""
SMALLEST = 0.002
"""Parts under this share of the frame are left alone."""
OUTLINE_PX = 1.5
SHADED, DARKEST = 0.08, -1.6
"""Depth of a shadow in ln: from 8 %, to a fifth of the light."""


def hull_of(mask: Mask) -> Mask:
    """Return the filled convex hull of a mask's larger parts, run out to the frame's lower edge.

    What stands below the screen is where subjects rest, so it is never taken for its outside.
    """
    out = np.zeros(mask.shape, np.uint8)
    opened = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, np.ones((5, 5), np.uint8))
    points = np.argwhere(opened > 0)[:, ::-1].astype(np.int32)
    if len(points) >= 3:
        cv2.fillConvexPoly(out, cv2.convexHull(points), 1)
    return np.asarray(np.maximum.accumulate(out, axis=0) > 0)


def changes(smalls: Sequence[Array], variance: Array | float) -> Mask:
    """Return what moves: the spread over time of pictures (3, h, w) exceeds their noise's."""
    if len(smalls) < 2:
        return np.zeros(smalls[0].shape[1:], np.bool_)
    soft = np.stack([[gaussian(plane, 1.0) for plane in small] for small in smalls])
    spread = (soft.var(axis=0) / np.maximum(variance, 1e-9)).mean(axis=0)
    return np.asarray(gaussian(spread.astype(np.float32), 1.5) > STILL)


def outside_always(screen: Sequence[Mask]) -> Mask:
    """Return what lies outside the cloth in every frame by itself, for a camera that moves."""
    still = np.zeros(screen[0].shape, np.bool_)
    return np.asarray(np.all([outside_cloth([mask], still) for mask in screen], axis=0))


def outside_cloth(screen: Sequence[Mask], moving: Mask) -> Mask:
    """Return what lies outside the cloth, over all frames; the subject is kept out of it.

    screen: of each frame, markers filled. moving: where the picture moves, the camera at rest.
    Outside is what the convex hull of all screen leaves, and
    still things at its border. A part that reaches further than BORDER into the hull, or that
    moves, is the subject: it keeps a margin of its own free of the proposal.
    """
    seen = np.any(np.stack(screen), axis=0)
    hull = hull_of(seen)
    h, w = hull.shape
    if hull.mean() >= WHOLE:
        return np.zeros((h, w), np.bool_)
    reach = max(2, round(BORDER * w))
    depth = np.asarray(cv2.distanceTransform(hull.astype(np.uint8), cv2.DIST_L2, 5))
    subject = _subject(~seen & hull, depth, moving, reach)
    outside = ~seen & (~hull | (depth < reach)) & ~subject
    free = cv2.dilate((subject | (moving & ~seen)).astype(np.uint8), _disc(max(3, w // 60))) > 0
    free |= _below_contact(outside, free)
    outside &= ~free
    outside = _joined_to(np.asarray(outside), ~hull & ~free)
    return _without_small(outside)


def _subject(held: Mask, depth: Array, moving: Mask, reach: int) -> Mask:
    """Return the parts of what is not screen inside the hull that reach deep, or move.

    Without the strip along the hull's edge, through which the cloth's surroundings hang together
    with them; they get it back as far as it is next to them.
    """
    half = reach // 2
    inner = (held & ((depth > half) | moving)).astype(np.uint8)
    count, labels = cv2.connectedComponents(inner, connectivity=4)
    keep = np.zeros(count, np.bool_)
    for n in range(1, count):
        part = labels == n
        keep[n] = part.sum() >= 12 and (
            (depth[part] > reach).mean() > 0.1 or moving[part].mean() > 0.25
        )
    keep[0] = False
    core = keep[labels].astype(np.uint8)
    return np.asarray((cv2.dilate(core, _disc(half + 2)) > 0) & held)


def _below_contact(outside: Mask, subject: Mask) -> Mask:
    """Return, in either half of the frame, the rows from where the subject meets the outside on.

    A table or an arm that leaves the cloth goes on in front of what is there.
    """
    out = np.zeros(outside.shape, np.bool_)
    middle = outside.shape[1] // 2
    for half in (np.s_[:, :middle], np.s_[:, middle:]):
        rows = np.flatnonzero((outside[half] & subject[half]).any(axis=1))
        if len(rows):
            out[rows[0] :, half[1]] = True
    return out


def _joined_to(mask: Mask, seeds: Mask) -> Mask:
    """Return the connected parts of a mask that touch `seeds`."""
    count, labels = cv2.connectedComponents(mask.astype(np.uint8), connectivity=8)
    touched = np.zeros(count, np.bool_)
    touched[np.unique(labels[seeds & mask])] = True
    touched[0] = False
    return np.asarray(touched[labels])


def _without_small(mask: Mask) -> Mask:
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8))
    keep = stats[:, cv2.CC_STAT_AREA] >= SMALLEST * mask.size
    keep[0] = False
    return np.asarray(keep[labels]) if count > 1 else mask & False


def _disc(radius: int) -> NDArray[np.uint8]:
    side = 2 * radius + 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side)), np.uint8)


def shadows(small: Array, clean: Array, screen: Mask, primary: Primary) -> Mask:
    """Return the pixels (h, w) where the screen lies in a shadow that the clean plate has not.

    They have the clean plate's colour ratios, are SHADED below its level, hang together over
    SMALLEST of the frame and border both on bare screen and on what is neither: the subject.
    small, clean: (3, h, w). screen: pixels that show it. Dark things full of spill look alike, so
    this is for proposing. Source: a shadow multiplies light by one factor; the limits are our own.
    """
    h, w = screen.shape
    if screen.sum() < 400:
        return np.zeros((h, w), np.bool_)
    k, i, j = channel_index(primary)
    log = np.log(np.maximum(np.stack([gaussian(p, 2.0) for p in small]), 1e-5))
    ratio = log - np.log(np.maximum(clean, 1e-5))
    level = ratio[k]
    spread = robust_sigma(level[screen])
    tint = np.maximum(np.abs(ratio[i] - level), np.abs(ratio[j] - level))
    same = tint < 0.04 + 0.3 * np.abs(level)
    fine = np.abs(level - gaussian(level.astype(np.float32), 3.0)) < 0.08
    dark = same & fine & (level < -max(SHADED, 3.0 * spread)) & (level > DARKEST)
    dark = cv2.morphologyEx(dark.astype(np.uint8), cv2.MORPH_OPEN, _disc(2)) > 0
    rest = cv2.erode((~screen & ~dark).astype(np.uint8), _disc(2)) > 0
    near = cv2.dilate(rest.astype(np.uint8), _disc(max(6, w // 50))) > 0
    beside = cv2.dilate((screen & ~dark).astype(np.uint8), _disc(3)) > 0
    found = _joined_to(np.asarray(dark), near)
    return _without_small(_joined_to(found, beside))


def outlines(mask: Mask, never: Mask, most: int = 8) -> list[Polygon]:
    """Return polygons over a mask's parts, largest first, that cover next to nothing of `never`.

    A ring round the frame has no outline of its own, so every quadrant is outlined by itself, with
    a little overlap; at most 200 corners each.
    """
    h, w = mask.shape
    polygons: list[tuple[float, Polygon]] = []
    for rows in (slice(0, h // 2 + 4), slice(h // 2 - 4, h)):
        for columns in (slice(0, w // 2 + 4), slice(w // 2 - 4, w)):
            quadrant = np.zeros((h, w), np.uint8)
            quadrant[rows, columns] = mask[rows, columns]
            polygons += _outlined(quadrant, never)
    polygons.sort(key=lambda item: -item[0])
    return [polygon for _, polygon in polygons[:most]]


def _outlined(mask: NDArray[np.uint8], never: Mask) -> list[tuple[float, Polygon]]:
    """Return (area, polygon) of each part of a mask that is no ring round something else."""
    h, w = mask.shape
    padded = cv2.copyMakeBorder(mask, 1, 1, 1, 1, cv2.BORDER_CONSTANT)
    contours, _ = cv2.findContours(padded, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    out = []
    for contour in contours:
        step = OUTLINE_PX
        corners = cv2.approxPolyDP(contour, step, True)[:, 0]
        while len(corners) > 200:
            step *= 1.5
            corners = cv2.approxPolyDP(contour, step, True)[:, 0]
        if len(corners) < 3:
            continue
        filled = np.zeros((h + 2, w + 2), np.uint8)
        cv2.fillPoly(filled, [corners.reshape(-1, 1, 2)], 1)
        inside = filled[1:-1, 1:-1] > 0
        area = float(inside.sum())
        if area < SMALLEST * mask.size or (inside & never).sum() > 0.01 * area:
            continue
        out.append((area, [(_edge(int(x) - 1, w), _edge(int(y) - 1, h)) for x, y in corners]))
    return out


def _edge(at: int, size: int) -> float:
    """Return a pixel's place as a share of the frame, run out to the border where it lies on it."""
    if at <= 0:
        return -0.01
    return 1.01 if at >= size - 1 else (at + 0.5) / size
