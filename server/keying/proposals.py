"""Shapes that a starting recipe proposes: markers, what lies outside the cloth, shadows."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kernels.measure.outside import changes, outlines, outside_always, outside_cloth, shadows
from kernels.measure.screen_fit import ScreenFit
from kernels.measure.survey import FrameSurvey
from server.keying.clean_plates import clearance, stands_alone
from server.keying.findings import Outline

Array = NDArray[Any]
Found = tuple[Array, Array]


def outside_of(surveys: Sequence[FrameSurvey], moving: bool) -> Found | None:
    """Return what lies outside the cloth, and what never does, (h, w) each, if all is known."""
    seen = [s.areas.visible_screen for s in surveys if s.areas is not None]
    noise = next((s.noise for s in surveys if s.noise is not None), None)
    if len(seen) < len(surveys) or noise is None:
        return None
    smalls = [s.small for s in surveys]
    variance = np.reshape(np.square(noise.sigma), (3, 1, 1)) / 12.6
    found = outside_always(seen) if moving else outside_cloth(seen, changes(smalls, variance))
    return found, np.any(np.stack(seen), axis=0)


def shaded_of(surveys: Sequence[FrameSurvey], fit: ScreenFit) -> Found | None:
    """Return where the subject's shadow lies in every frame, and what is none in any, (h, w)."""
    known = [(s.small, s.areas.visible_screen) for s in surveys if s.areas is not None]
    if not known:
        return None
    found = np.all([shadows(small, fit.clean, seen, fit.primary) for small, seen in known], axis=0)
    return found, np.zeros(found.shape, np.bool_)


def outlined(found: Found | None, height: int, width: int) -> tuple[Outline, ...]:
    """Return the outlines of what was found as polygons in full-size pixels."""
    if found is None:
        return ()
    return tuple(
        tuple((round(x * width, 1), round(y * height, 1)) for x, y in polygon)
        for polygon in outlines(*found)
    )


def lone_markers(
    surveys: Sequence[FrameSurvey], height: int, width: int
) -> tuple[tuple[float, float, float, float], ...]:
    """Return boxes, in full-size pixels, round markers that can be thrown away without a look.

    They stand at one place in every frame (the camera rests), and nothing but screen comes within
    6 % of the frame's width of them in any.
    """
    h, w = surveys[0].small.shape[1:]
    distance = np.full((h, w), np.inf, np.float32)
    for survey in surveys:
        if survey.areas is None or survey.marks is None:
            return ()
        distance = np.minimum(distance, clearance(survey.areas.visible_screen, survey.marks))
    boxes = []
    for box in surveys[0].marks.markers if surveys[0].marks is not None else ():
        centre = (box[:2] + box[2:]) / 2
        others = [s.marks.markers for s in surveys[1:] if s.marks is not None]
        if not all(_has(markers, centre, w) for markers in others):
            continue
        if not stands_alone(box, distance):
            continue
        half = 0.6 * (box[2:] - box[:2]) + 1.0 / w
        x0, y0 = (centre - half) * (width, height)
        x1, y1 = (centre + half) * (width, height)
        boxes.append((float(x0), float(y0), float(x1), float(y1)))
    return tuple(sorted(boxes))


def _has(markers: Array, centre: Array, w: int) -> bool:
    """Tell whether a marker lies within 1.5 working pixels of `centre`."""
    if len(markers) == 0:
        return False
    middles = (markers[:, :2] + markers[:, 2:]) / 2
    return bool((np.abs(middles - centre).max(axis=1) * w).min() < 1.5)
