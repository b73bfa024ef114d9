"""From measures to a verdict: one table of thresholds, reasons in order of weight, remedies."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict

from kernels.measure.survey import Box, Measures
from server.survey.limits import COMMON, TABLE, Threshold
from server.survey.outlook import CHROMA_LOSS, PARTS, expected_error, main_part, score

VerdictName = Literal["keyable", "keyable with work", "relight", "no screen found"]
EXIT_CODES: dict[VerdictName, int] = {
    "keyable": 0,
    "keyable with work": 3,
    "relight": 4,
    "no screen found": 5,
}
CAUTION = (
    "Moving, rigging or re-aiming lights, flags and screens is work for qualified crew under the "
    "local rules for electrical safety and work at height: ask the gaffer and the key grip."
)


class Reason(BaseModel):
    """One reason for a verdict, ready to be read. box: where, in shares of the frame."""

    model_config = ConfigDict(extra="forbid")

    measure: str
    title: str
    value: float
    unit: str
    threshold: float
    severity: float
    weight: float
    text: str
    remedy: str
    source: str
    box: Box | None = None


class Verdict(BaseModel):
    """The answer. score: 100 is best; how a first key is expected to turn out, then all wishes."""

    model_config = ConfigDict(extra="forbid")

    name: VerdictName
    score: float
    reasons: list[Reason]
    caution: str = CAUTION


CARRIES = 0.15
"""Noise of the matte on the darkest screen up to which a fitted plate carries uneven light."""
_BOXES = {
    "evenness_stops": "dark_box",
    "clipped_share": "clipped_box",
    "separation_matte": "separation_box",
    "crease_share": "crease_box",
}


def values_of(m: Measures) -> dict[str, float | None]:
    """Return the values that the table looks at."""
    k = ("red", "green", "blue").index(m.primary) if m.primary else 1
    return {
        "evenness_stops": m.evenness_stops,
        "level_low": m.level_stops,
        "level_high": m.level_stops,
        "purity": m.purity,
        "clipped_share": m.clipped_share,
        "snr_key_db": m.snr_db[k] if m.snr_db else None,
        "matte_noise": m.matte_noise,
        "alpha_noise_edge": m.alpha_noise_edge,
        "separation_matte": m.separation_matte,
        "spill": m.spill,
        "chroma_loss": CHROMA_LOSS[m.chroma],
        "block_step_codes": m.block_step_codes if m.block_px else 0.0,
        "crease_share": m.crease_share,
        "uncovered": m.uncovered,
        "edge_width": m.edge_width,
        "motion_px": m.motion_px,
        "camera_px": m.camera_px,
        "key_bias": m.key_bias if m.separation_matte is not None else None,
        "expected_error": expected_error(m),
    }


def judge(m: Measures) -> Verdict:
    """Return the verdict on the measures of a shot."""
    if not m.screen:
        return _no_screen(m)
    values = values_of(m)
    reasons, penalty = [], 0.0
    needs_light, needs_work = False, False
    for row in TABLE:
        value = values[row.measure]
        if value is None:
            continue
        severity = row.severity(value)
        penalty += row.weight * severity
        if severity >= 1.0:
            reasons.append(_reason(row, value, severity, m))
            needs_work |= row.weight >= 2.0
            needs_light |= _wants_light(row, severity, m)
    reasons = _without_repeats(reasons, m)
    reasons.sort(key=lambda reason: -reason.weight)
    name: VerdictName = (
        "relight" if needs_light else "keyable with work" if needs_work else ("keyable")
    )
    return Verdict(name=name, score=round(score(m, penalty), 1), reasons=reasons)


def _without_repeats(reasons: list[Reason], m: Measures) -> list[Reason]:
    """Leave the expected error out where what costs most has a reason of its own."""
    own = PARTS[main_part(m)][0]
    given = {reason.measure for reason in reasons}
    return [r for r in reasons if r.measure != "expected_error" or own not in given]


def _wants_light(row: Threshold, severity: float, m: Measures) -> bool:
    """Tell whether a reason asks for relighting.

    Uneven light does so near the subject only, and not where a fitted plate is seen to carry it.
    """
    if row.relight is None or severity < 2.0:
        return False
    if row.measure != "evenness_stops":
        return True
    near = m.evenness_near_stops if m.evenness_near_stops is not None else m.evenness_stops
    return near is not None and near > row.relight and not _carried(m)


def _carried(m: Measures) -> bool:
    """Tell whether the screen's darkest part is clean enough for a fitted plate to carry it."""
    return m.matte_noise_dark is not None and m.matte_noise_dark <= CARRIES


def _reason(row: Threshold, value: float, severity: float, m: Measures) -> Reason:
    limit = row.relight if row.relight is not None and severity >= 2.0 else row.work
    box: Box | None = getattr(m, _BOXES[row.measure]) if row.measure in _BOXES else None
    return Reason(
        measure=row.measure,
        title=row.title,
        value=value,
        unit=row.unit,
        threshold=limit,
        severity=severity,
        weight=row.weight * severity,
        text=_sentence(row, value, limit, m, box),
        remedy=PARTS[main_part(m)][1] if row.measure == "expected_error" else row.remedy,
        source=row.source,
        box=box,
    )


def _sentence(row: Threshold, value: float, limit: float, m: Measures, box: Box | None) -> str:
    where = f", {place(box)}" if box is not None else ""
    if row.measure == "chroma_loss":
        return f"the recording is {m.chroma}"
    over = "over" if row.rising else "under"
    shown, bound = _beside(value, limit, percent=row.percent)
    unit = f" {row.unit}" if row.unit else ""
    return (
        f"{row.title}: {shown}{unit}, {over} the limit of {bound}{where}{_besides(row, limit, m)}"
    )


def _beside(value: float, limit: float, *, percent: bool) -> tuple[str, str]:
    """Return a value and its limit as text, with as many digits as tell them apart."""
    if percent:
        value, limit = 100 * value, 100 * limit
    bound = f"{limit:.3g}"
    shown = f"{value:.2f}" if abs(value) < 1 and not percent else f"{value:.3g}"
    for digits in range(4, 10):
        if float(shown) != float(bound):
            break
        shown = f"{value:.{digits}g}"
    return (f"{shown} %", f"{bound} %") if percent else (shown, bound)


def _besides(row: Threshold, limit: float, m: Measures) -> str:
    """Return what else is to be said of a reason, where its number alone would mislead."""
    if row.measure == "expected_error":
        return f"; most of it from {main_part(m)}"
    if row.measure != "evenness_stops" or limit != row.relight or not _carried(m):
        return ""
    dark = 100 * (m.matte_noise_dark or 0.0)
    return (
        "; common practice would relight, but a clean plate fitted to the screen carries this: the "
        f"matte's noise on its darkest part is {dark:.2g} % of full alpha, under the "
        f"{100 * CARRIES:.0f} % from which keys were seen to suffer"
    )


def place(box: Box) -> str:
    """Return where a box lies, in words: 'upper left', 'right', 'middle', 'all over'."""
    x0, y0, x1, y1 = box
    if x1 - x0 > 0.8 and y1 - y0 > 0.8:
        return "all over"
    x, y = (x0 + x1) / 2, (y0 + y1) / 2
    across = "left" if x < 0.4 else "right" if x > 0.6 else ""
    down = "upper" if y < 0.4 else "lower" if y > 0.6 else ""
    if across and down:
        return f"{down} {across}"
    return across or ({"upper": "top", "lower": "bottom"}.get(down) or "middle")


def _no_screen(m: Measures) -> Verdict:
    reason = Reason(
        measure="screen",
        title="screen",
        value=m.screen_share,
        unit="of the frame",
        threshold=0.02,
        severity=3.0,
        weight=100.0,
        text="no evenly coloured red, green or blue area of 2 % of the frame or more was found",
        remedy="check that this is the right shot and its colour space, that the screen is lit "
        "and fills the part behind the subject",
        source=COMMON,
    )
    return Verdict(name="no screen found", score=0.0, reasons=[reason])
