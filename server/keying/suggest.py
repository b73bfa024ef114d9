"""A starting recipe for a shot, made from measurements alone."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kernels.errors import VerdigrisError
from kernels.measure.screen_find import channel_index
from kernels.measure.screen_fit import ScreenFit, merge_fits
from kernels.measure.screen_surface import resized
from kernels.measure.subject import subject_weights
from kernels.measure.survey import FrameSurvey, Measures, measure_frame
from kernels.recipe import Noise, Recipe
from server.keying.arrange import arrange
from server.keying.choose import Choice, choose
from server.keying.clean_plates import (
    GivenPlate,
    numbered,
    write_clean_plate,
    write_clean_plates,
)
from server.keying.findings import Chroma, Findings
from server.keying.proposals import lone_markers, outlined, outside_of, shaded_of
from server.media import Shot
from server.survey.summary import summarise
from server.survey.survey import has_next, note_motion, sample_frames

Array = NDArray[Any]
Progress = Callable[[int, int], None]
FRAMES = 5
CAMERA_RESTS_PX = 1.5
"""Marker motion a frame under which the camera counts as locked off."""
WANDERS, WANDERS_BY_NOISE = 0.015, 0.35
"""Relative difference of a frame's fit from the merged one from which the light on the screen moves
in the picture; and the same in units of the plate's noise. Resting screens stay under 0.9 % and
0.25, panned ones come to 3.6 % and more (measured on generated shots)."""
LEVELS = 4.0
"""Two stops: the most by which the light may differ between a shot and a clean plate given."""
SHADES: dict[str, Chroma] = {"4:2:0": "4:2:0", "4:2:2": "4:2:2"}


class SuggestError(VerdigrisError):
    """No starting recipe can be made for a shot."""


@dataclass(frozen=True, eq=False)
class Suggestion:
    """What was found. clean: (3, H, W) float32 working-linear, the built clean plate.

    When the screen moves in the picture (findings.moving) it is the middle frame's, `frame`.
    """

    findings: Findings
    clean: Array
    fit: ScreenFit
    measures: Measures
    frame: int = 0


def suggest(
    shot: Shot,
    progress: Progress | None = None,
    *,
    clean_plate: str | Path | None = None,
    clean_plate_name: str | None = None,
    given: GivenPlate | None = None,
    frames: Sequence[int] | None = None,
) -> Recipe:
    """Measure a shot and return a starting recipe; deterministic.

    given: a clean plate to key with; none is built then. clean_plate: EXR file to write the built
    clean plate to; the recipe refers to it by `clean_plate_name` (the file's name by default: a
    name beside the recipe or under a media root). When the screen moves in the picture, every frame
    gets its own clean plate in a folder of that name instead. Without either the recipe keys one
    flat colour. Raises SuggestError when there is no screen, or not the plate's.
    """
    found = suggest_shot(shot, progress, given=given, frames=frames)
    if given is not None:
        levels = found.findings.drift.values()
        if not all(1 / LEVELS <= level <= LEVELS for level in levels):
            raise SuggestError(
                f"the clean plate '{given.shot.spec}' does not show the screen of '{shot.spec}' in "
                "anything like its light: give another, or none to have one fitted"
            )
        return _proven(
            choice_for(shot, found, given),
            found.findings,
            clean_plate=given.name,
            name=shot.name,
            clean_colourspace=given.colourspace,
            given=True,
        )
    choice = choice_for(shot, found, flat=clean_plate is None)
    name = ""
    if clean_plate is not None:
        path = Path(clean_plate)
        name = clean_plate_name or path.name
        if found.findings.moving:
            write_clean_plates(shot, found.findings.primary, path, _after(progress, FRAMES + 1))
            name = numbered(name)
        else:
            write_clean_plate(shot, found.clean, path)
    return _proven(
        choice,
        found.findings,
        clean_plate=name,
        name=shot.name,
        clean_colourspace=shot.working_space if name else "",
    )


def choice_for(
    shot: Shot, found: Suggestion, given: GivenPlate | None = None, *, flat: bool = False
) -> Choice:
    """Judge the arrangements on the frame of the clean plate, and on the next where all rests.

    flat: one colour is keyed, not the clean plate.
    """
    frames = [found.frame]
    if not found.findings.moving and has_next(shot, found.frame):
        frames.append(found.frame + 1)
    plates = [shot.read(frame).pixels for frame in frames]
    if given is None:
        clean = found.clean
        if flat:
            colour = np.reshape(found.findings.colour, (3, 1, 1)).astype(np.float32)
            clean = np.broadcast_to(colour, clean.shape).copy()
        return choose(found.findings, plates, [clean] * len(frames))
    pictures = given.pictures(shot, frames)
    return choose(found.findings, plates, [pictures[frame] for frame in frames])


def _proven(choice: Choice, found: Findings, **options: Any) -> Recipe:
    """Return the arrangement that was chosen, with the choice among its notes."""
    recipe = arrange(found, arrangement=choice.taken, **options)
    recipe.notes = {"arrangement": choice.note} | recipe.notes
    return recipe


def _after(progress: Progress | None, steps: int) -> Progress | None:
    """Return a progress that counts on from `steps` steps already done."""
    if progress is None:
        return None
    told = progress
    return lambda done, total: told(steps + done, steps + total)


def suggest_shot(
    shot: Shot,
    progress: Progress | None = None,
    *,
    given: GivenPlate | None = None,
    frames: Sequence[int] | None = None,
) -> Suggestion:
    """Measure sampled frames of a shot, merge its screen and return what was found.

    given: the clean plate that gains are to follow the light from, instead of the merged one.
    """
    chosen = list(frames) if frames is not None else sample_frames(shot, FRAMES)
    plates = None if given is None else given.pictures(shot, chosen)
    surveys: dict[int, FrameSurvey] = {}
    for done, frame in enumerate(chosen, start=1):
        surveys[frame] = measure_frame(shot.read(frame).pixels, detail=False)
        if done == 1 and has_next(shot, frame):
            note_motion(shot, frame, surveys[frame])
        if progress is not None:
            progress(done, len(chosen) + 1)
    suggestion = combine(surveys, shot.height, shot.width, shot.chroma, plates)
    if suggestion is None:
        raise SuggestError(
            f"no screen was found in '{shot.spec}': check the shot and its colour space, or start "
            "from a plain recipe with 'verdigris recipe new'"
        )
    if progress is not None:
        progress(len(chosen) + 1, len(chosen) + 1)
    return suggestion


def combine(
    surveys: dict[int, FrameSurvey],
    height: int,
    width: int,
    chroma: str | None = None,
    plates: dict[int, Array] | None = None,
) -> Suggestion | None:
    """Merge the surveys of frames into findings and a clean plate; None when there is no screen.

    plates: (3, height, width) each, by frame: clean plates that the key will use instead.
    """
    summary = summarise([survey.measures for survey in surveys.values()])
    if not summary.screen or summary.primary is None:
        return None
    kept = {
        f: s for f, s in surveys.items() if s.fit is not None and s.fit.primary == summary.primary
    }
    fits = [s.fit for s in kept.values() if s.fit is not None]
    fit = merge_fits([s.small for s in kept.values()], fits)
    moving = len(fits) > 1 and (
        (summary.camera_px or 0.0) > CAMERA_RESTS_PX or _wanders(list(kept.values()), fits, fit)
    )
    if moving:
        fit = fits[len(fits) // 2]
    weights = [
        subject_weights(s.small, fit.colour, s.areas, summary.primary)
        for s in kept.values()
        if s.areas is not None
    ]
    first, second = (float(v) for v in np.median(np.array(weights), axis=0))
    findings = Findings(
        primary=summary.primary,
        colour=_rounded(fit.colour),
        noise=_noise(list(kept.values())),
        weights=(round(first, 4), round(second, 4)),
        drift=dict.fromkeys(kept, 1.0)
        if moving and plates is None
        else _drift(kept, fit, plates or {}),
        spill=summary.spill or 0.0,
        separation=1.0 if summary.separation_matte is None else summary.separation_matte,
        over_range=summary.over_range_share,
        markers=summary.markers,
        garbage=() if moving else lone_markers(list(kept.values()), height, width),
        outside=outlined(outside_of(list(kept.values()), moving), height, width),
        shaded=() if moving else outlined(shaded_of(list(kept.values()), fit), height, width),
        screen_share=summary.screen_share,
        camera_px=summary.camera_px,
        moving=moving,
        chroma=SHADES.get(chroma or "", "4:4:4"),
        frames=len(kept),
        width=width,
    )
    middle = list(kept)[len(kept) // 2]
    return Suggestion(findings, fit.clean_at(height, width), fit, summary, middle)


def _wanders(surveys: Sequence[FrameSurvey], fits: Sequence[ScreenFit], merged: ScreenFit) -> bool:
    """Tell whether the light on the screen moves in the picture from frame to frame.

    Each frame's own fit is compared with the merged one, its level aside, where it saw the screen:
    the tenth that differs most must differ by more than WANDERS and than the noise can make it.
    This sees a moving camera also where the screen is too plain to follow.
    """
    k, _, _ = channel_index(merged.primary)
    for survey, fit in zip(surveys, fits, strict=True):
        apart = np.log(np.maximum(fit.clean[k], 1e-6) / np.maximum(merged.clean[k], 1e-6))
        apart = apart[fit.mask]
        if apart.size < 64 or survey.noise is None:
            continue
        relative = survey.noise.sigma[k] / max(survey.noise.level[k], 1e-6)
        far = float(np.percentile(np.abs(apart - np.median(apart)), 90))
        if far > max(WANDERS, WANDERS_BY_NOISE * relative):
            return True
    return False


def _rounded(values: Sequence[float] | Array) -> tuple[float, float, float]:
    """Return values at six digits: a recipe is read by people."""
    a, b, c = (float(f"{float(v):.6g}") for v in values)
    return a, b, c


def _noise(surveys: Sequence[FrameSurvey]) -> Noise:
    """Return the median of the frames' noise models."""
    return median_noise([s.noise.model for s in surveys if s.noise is not None])


def median_noise(models: Sequence[Noise]) -> Noise:
    """Return the median of noise models, value by value."""
    return Noise(
        gain=_rounded(np.median([m.gain for m in models], axis=0)),
        offset=_rounded(np.median([m.offset for m in models], axis=0)),
        correlation=_rounded(np.median([m.correlation for m in models], axis=0)),
    )


def _drift(
    surveys: dict[int, FrameSurvey], merged: ScreenFit, plates: dict[int, Array]
) -> dict[int, float]:
    """Return each frame's excess over the clean plate, relative to it, where both are seen.

    The clean plate is the frame's of `plates`, else the merged one.
    """
    k, i, j = channel_index(merged.primary)
    drift = {}
    for frame, survey in surveys.items():
        if survey.fit is None:
            continue
        clean, plate = survey.fit.clean, merged.clean
        if frame in plates:
            plate = resized(np.asarray(plates[frame], np.float32), *survey.fit.mask.shape)
        base = plate[k] - np.maximum(plate[i], plate[j])
        here = clean[k] - np.maximum(clean[i], clean[j])
        seen = survey.fit.mask
        ratio = here[seen] / np.maximum(base[seen], 1e-6)
        drift[frame] = round(float(np.median(ratio)), 4)
    return drift


def from_picture(plate: Array) -> tuple[Recipe, Array] | None:
    """Return the starting recipe and the built clean plate of one picture (3, H, W), if any."""
    found = combine({0: measure_frame(plate, detail=False)}, *plate.shape[1:])
    if found is None:
        return None
    choice = choose(found.findings, [plate], [found.clean])
    return _proven(choice, found.findings, clean_plate="built"), found.clean
