"""How a set-up's key turns out: surveyed, keyed by what is suggested, compared with exact truth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import spearmanr

from kernels.cpu.engine import CpuEngine
from kernels.inputs import gather
from kernels.measure.motion import measure_motion
from kernels.measure.survey import FrameSurvey, Measures, measure_frame
from kernels.plan import build_plan
from server.keying.arrange import arrange
from server.keying.clean_plates import frame_plate
from server.keying.suggest import combine
from server.survey.summary import summarise
from server.survey.verdict import Verdict, judge
from tests.server.survey.setups import Look, Setup, make

MOVING_FRAMES = (0, 7, 14)
"""Frames of a set-up whose camera moves; one frame tells all of the others."""


@dataclass(frozen=True)
class Outcome:
    """sad: of the suggested key where a screen should be, the frames' mean; NaN without a key."""

    look: Look
    sad: float
    measures: Measures
    verdict: Verdict


def turn_out(look: Look, engine: CpuEngine) -> Outcome:
    """Survey a set-up, suggest a key, key it, and measure the key against the truth.

    Keyed by the arrangement of three colour differences, to whose errors the score was fitted; it
    has not been fitted anew to `unmix`.
    """
    frames = MOVING_FRAMES if look.moves else (0,)
    made = {frame: make(look, frame=frame) for frame in frames}
    surveys = {frame: _surveyed(setup) for frame, setup in made.items()}
    if look.moves:
        _note_motion(surveys[0], _surveyed(make(look, frame=1)))
    measures = summarise([survey.measures for survey in surveys.values()])
    found = combine(surveys, *made[0].alpha.shape)
    sad = float("nan")
    if found is not None:
        recipe = arrange(found.findings, clean_plate="c.exr", arrangement="three")
        plan = build_plan(recipe, 0, {"plate", "clean", "background"})
        sads = []
        for setup in made.values():
            own = frame_plate(setup.plate, found.fit.primary) if found.findings.moving else None
            clean = found.clean if own is None else own
            inputs = gather(engine, recipe, 0, plate=setup.plate, clean=clean)
            alpha = engine.planes(plan, inputs, ["alpha"])["alpha"]
            engine.forget(inputs.key)
            sads.append(np.abs(alpha - setup.alpha)[setup.counted].sum())
        sad = float(np.mean(sads))
    return Outcome(look, sad, measures, judge(measures))


def _surveyed(setup: Setup) -> FrameSurvey:
    return measure_frame(setup.plate, np.sqrt(np.maximum(setup.plate, 0)))


def _note_motion(first: FrameSurvey, second: FrameSurvey) -> None:
    if first.fit is None or second.fit is None or first.areas is None:
        return
    masks = first.fit.mask, second.fit.mask
    motion = measure_motion(
        first.small, second.small, masks, first.areas.edge, first.fit.primary, first.fit.step
    )
    first.measures.motion_px, first.measures.camera_px = motion.subject_px, motion.camera_px


def keyed(outcomes: list[Outcome]) -> list[Outcome]:
    """Return those that could be keyed, the best key first."""
    return sorted((o for o in outcomes if not np.isnan(o.sad)), key=lambda o: o.sad)


def rank(outcomes: list[Outcome]) -> float:
    """Return Spearman's correlation of the survey's score and how well the key turned out."""
    there = keyed(outcomes)
    return float(spearmanr([-o.sad for o in there], [o.verdict.score for o in there]).statistic)


def table(outcomes: list[Outcome]) -> str:
    """Return a line for each outcome, the best key first."""
    lines = []
    for o in [*keyed(outcomes), *(o for o in outcomes if np.isnan(o.sad))]:
        reasons = ", ".join(
            f"{r.measure} {r.value:.3g} ({r.weight:.3g})" for r in o.verdict.reasons
        )
        score = f"{o.verdict.score:5.1f} {o.verdict.name:18}"
        lines.append(f"{o.sad:8.0f} {score} {o.look.name:20} {reasons}")
    return "\n".join(lines)
