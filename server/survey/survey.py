"""The survey of a shot: sampled frames measured, summed up, judged and pictured."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field

from kernels.errors import VerdigrisError
from kernels.measure.motion import measure_motion
from kernels.measure.screen_find import find_screen
from kernels.measure.screen_fit import working_size
from kernels.measure.screen_surface import resized
from kernels.measure.survey import FrameSurvey, Measures, measure_frame
from server.media import Frame, Shot
from server.survey.maps import MapPicture, display_codes, jpeg_text, map_picture, marked
from server.survey.summary import summarise
from server.survey.verdict import Verdict, judge

Array = NDArray[Any]
Progress = Callable[[int, int], None]
FRAMES = 9
"""Frames looked at when none are named: spread evenly over the shot."""
MOTION_PAIRS = 2
EVENNESS_RANGE = 1.0
NOISE_RANGE = 0.1
RESULT_VERSION = 1


class SurveyError(VerdigrisError):
    """A shot cannot be surveyed."""


class FrameResult(BaseModel):
    """The measures of one frame."""

    model_config = ConfigDict(extra="forbid")

    frame: int
    measures: Measures


class SurveyResult(BaseModel):
    """Everything a survey found, as plain data.

    measures: of the whole shot: medians over the frames, worst cases where a moment is enough
    (clipping, motion, over-range). sampling: which frames were looked at, in words. thumbnail:
    base64 JPEG of the frame `shown_frame`, which the maps are of too; places are marked with their
    reason's number. colourspace_decided: how it was decided, in words. remarks: what to know of how
    the files were read. curve_known: False leaves out figures in stops, `curve_note` says why.
    """

    model_config = ConfigDict(extra="forbid")

    version: int = RESULT_VERSION
    name: str
    spec: str
    width: int
    height: int
    fps: float
    colourspace: str
    colourspace_decided: str = ""
    curve_known: bool
    curve_note: str = ""
    remarks: list[str] = Field(default_factory=list)
    bits: int | None = None
    frames_total: int
    frames: list[int]
    sampling: str
    measures: Measures
    per_frame: list[FrameResult]
    verdict: Verdict
    maps: list[MapPicture]
    thumbnail: str
    shown_frame: int | None = None
    seconds: float


@dataclass(frozen=True)
class Surveyed:
    """A result with the frames' own surveys, for what builds on them in the same process."""

    result: SurveyResult
    frames: dict[int, FrameSurvey]


def sample_frames(shot: Shot, count: int = FRAMES) -> list[int]:
    """Return up to `count` existing frames, evenly over the shot, first and last included."""
    gone = set(shot.missing_frames)
    there = [frame for frame in shot.frames if frame not in gone]
    if not there:
        raise SurveyError(f"'{shot.spec}' has no frames to look at; check the folder and the range")
    if len(there) <= count:
        return there
    places = np.linspace(0, len(there) - 1, count)
    return [there[round(float(place))] for place in places]


def curve_known(shot: Shot) -> tuple[bool, str]:
    """Tell whether figures in stops mean anything, and if not, why."""
    linear_by_format = shot.source_path(shot.frames[0]).suffix.lower() == ".exr"
    if shot.colourspace_origin == "assumed" and not linear_by_format:
        return False, (
            f"the files do not say how they are encoded and '{shot.colourspace}' is assumed, so "
            "there are no figures in stops; name the colour space to get them"
        )
    return True, ""


def survey_shot(
    shot: Shot,
    frames: Sequence[int] | None = None,
    progress: Progress | None = None,
    *,
    threads: int = 2,
) -> SurveyResult:
    """Survey a shot and return the result.

    frames: those to look at; by default nine spread over the shot. progress: called with (done,
    total). Reading goes on while frames are measured. Raises MediaError for frames that cannot be
    read, SurveyError for a shot without frames.
    """
    return survey_frames(shot, frames, progress, threads=threads).result


def survey_frames(
    shot: Shot,
    frames: Sequence[int] | None = None,
    progress: Progress | None = None,
    *,
    threads: int = 2,
) -> Surveyed:
    """Survey a shot; also return what was found in each frame."""
    start = time.perf_counter()
    chosen = list(frames) if frames is not None else sample_frames(shot)
    if not chosen:
        raise SurveyError("no frames were named to survey; name at least one")
    known, note = curve_known(shot)
    found = _measure_all(shot, chosen, known, progress, threads)
    _add_motion(shot, found)
    summary = summarise([found[frame].measures for frame in chosen], shot.chroma)
    verdict = judge(summary)
    shown_frame = _picture_frame(chosen, found)
    shown = found[shown_frame]
    places = {n: r.box for n, r in enumerate(verdict.reasons, start=1) if r.box is not None}
    result = SurveyResult(
        name=shot.name,
        spec=shot.spec,
        width=shot.width,
        height=shot.height,
        fps=float(shot.fps),
        colourspace=shot.colourspace,
        colourspace_decided=shot.colourspace_decided,
        remarks=list(shot.remarks),
        curve_known=known,
        curve_note=note,
        bits=shot.encoded_bits,
        frames_total=len(shot.frames),
        frames=chosen,
        sampling=_sampling(shot, chosen),
        measures=summary,
        per_frame=[FrameResult(frame=f, measures=found[f].measures) for f in chosen],
        verdict=verdict,
        maps=_maps(shown),
        thumbnail=jpeg_text(marked(display_codes(shown.small, shot.colour), places)),
        shown_frame=shown_frame,
        seconds=round(time.perf_counter() - start, 3),
    )
    return Surveyed(result, found)


def _measure_all(
    shot: Shot, chosen: list[int], known: bool, progress: Progress | None, threads: int
) -> dict[int, FrameSurvey]:
    """Read frames one after another while up to `threads` of them are measured."""
    found: dict[int, FrameSurvey] = {}
    detailed = set(chosen[:: max(1, len(chosen) // 3)])
    with ThreadPoolExecutor(max_workers=max(1, threads)) as pool:
        waiting = []
        for frame in chosen:
            picture = shot.read(frame)
            waiting.append((frame, pool.submit(_measure, shot, picture, known, frame in detailed)))
            while len(waiting) > threads or (waiting and waiting[0][1].done()):
                done, future = waiting.pop(0)
                found[done] = future.result()
                _tell(progress, len(found), len(chosen))
        for done, future in waiting:
            found[done] = future.result()
            _tell(progress, len(found), len(chosen))
    return found


def _tell(progress: Progress | None, done: int, total: int) -> None:
    if progress is not None:
        progress(done, total)


def _measure(shot: Shot, picture: Frame, known: bool, detail: bool) -> FrameSurvey:
    """Measure one frame; the encoded picture is made only where it is looked at."""
    encoded = shot.colour.from_working(picture.pixels, shot.colourspace)
    survey = measure_frame(
        picture.pixels, encoded, bits=shot.encoded_bits, known_curve=known, detail=detail
    )
    if shot.chroma is not None:
        survey.measures.chroma = shot.chroma
    return survey


def _add_motion(shot: Shot, found: dict[int, FrameSurvey]) -> None:
    """Measure motion at a few sampled frames by reading the frames after them."""
    pairs = [f for f, s in found.items() if s.fit is not None and has_next(shot, f)]
    for frame in pairs[:: max(1, len(pairs) // MOTION_PAIRS)][:MOTION_PAIRS]:
        note_motion(shot, frame, found[frame], found.get(frame + 1))


def has_next(shot: Shot, frame: int) -> bool:
    """Tell whether the frame after `frame` exists."""
    return frame + 1 in shot.frames and frame + 1 not in shot.missing_frames


def note_motion(
    shot: Shot, frame: int, here: FrameSurvey, there: FrameSurvey | None = None
) -> None:
    """Measure motion from a surveyed frame to the next and note it in its measures.

    there: the next frame's survey; without it the frame is read and only fitted.
    """
    if here.fit is None or here.areas is None:
        return
    if there is not None:
        small, mask = there.small, there.fit.mask if there.fit is not None else None
    else:
        pixels = shot.read(frame + 1).pixels
        small = resized(pixels, *working_size(*pixels.shape[1:]))
        found = find_screen(small, (here.fit.primary,))
        mask = found.mask if found is not None else None
    masks = (here.fit.mask, np.zeros_like(here.fit.mask) if mask is None else mask)
    motion = measure_motion(
        here.small, small, masks, here.areas.edge, here.fit.primary, here.fit.step
    )
    here.measures.motion_px, here.measures.camera_px = motion.subject_px, motion.camera_px


def _picture_frame(chosen: list[int], found: dict[int, FrameSurvey]) -> int:
    """Return the frame to show: the middle one of those with a screen, else the middle one."""
    seen = [frame for frame in chosen if found[frame].fit is not None] or chosen
    return seen[len(seen) // 2]


def _maps(survey: FrameSurvey) -> list[MapPicture]:
    if survey.fit is None:
        return []
    return [
        map_picture(
            "evenness",
            "Evenness of the screen, from its middle level",
            "stops",
            survey.evenness,
            -EVENNESS_RANGE,
            EVENNESS_RANGE,
        ),
        map_picture(
            "alpha_noise",
            "Expected alpha noise",
            "of full alpha",
            survey.alpha_noise,
            0.0,
            NOISE_RANGE,
        ),
    ]


def _sampling(shot: Shot, chosen: list[int]) -> str:
    total = len(shot.frames)
    if len(chosen) == 1:
        return f"frame {chosen[0]} of {total}"
    listed = ", ".join(str(frame) for frame in chosen)
    return f"{len(chosen)} of {total} frames: {listed}; motion from neighbouring frames"
