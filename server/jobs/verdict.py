"""From measures to a verdict: one table of thresholds, reasons in order of weight, remedies."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from pydantic import BaseModel, ConfigDict

from kernels.reference.survey import Box, Measures

VerdictName = Literal["keyable", "keyable with work", "relight", "no screen found"]
EXIT_CODES: dict[VerdictName, int] = {
    "keyable": 0, "keyable with work": 3, "relight": 4, "no screen found": 5,
}
COMMON = "common practice, no source"
CAUTION = (
    "Moving, rigging or re-aiming lights, flags and screens is work for qualified crew under the "
    "local rules for electrical safety and work at height: ask the gaffer and the key grip."
)


@dataclass(frozen=True)
class Threshold:
    """One row: from which value a measure costs work, and from which only light can help.

    work, relight: values in `unit` (None: this measure alone never asks for it). rising: larger
    values are worse. weight: of the score's penalty when the work value is reached.
    """

    measure: str
    title: str
    unit: str
    work: float
    relight: float | None
    rising: bool
    weight: float
    remedy: str
    source: str = COMMON
    percent: bool = False

    def severity(self, value: float) -> float:
        """0 where nothing is to be wished, 1 at work, 2 at relight, at most 3.

        The best value lies half the way from relight to work beyond work, never below 0 for a
        rising measure of which 0 is the best.
        """
        sign = 1.0 if self.rising else -1.0
        far = self.relight if self.relight is not None else _beyond(self)
        span = sign * (far - self.work)
        above = sign * (value - self.work)
        if above >= 0:
            return min(1.0 + above / span, 3.0)
        room = min(0.5 * span, self.work) if self.rising and self.work > 0 else 0.5 * span
        return max(0.0, 1.0 + above / room)


def _beyond(row: Threshold) -> float:
    """Return where the severity of a measure without a relight value would reach 2."""
    step = max(abs(row.work), 1e-3)
    return row.work + step if row.rising else row.work - step


TABLE: tuple[Threshold, ...] = (
    Threshold("evenness_stops", "evenness of the screen", "stops", 0.75, 1.5, True, 5.0,
              "even the screen out: more light on the dark side, less on the bright one, screen "
              "lights further back and flagged off the subject",
              "Common practice, no source: even within about half a stop keys well, over about one "
              "stop wants relighting; fitted clean plates carry half a stop more"),
    Threshold("level_low", "exposure of the screen", "stops from 18 % grey", -2.0, -3.5, False,
              6.0, "put more light on the screen, or open up if the subject allows it"),
    Threshold("level_high", "exposure of the screen", "stops from 18 % grey", 1.5, 2.5, True, 6.0,
              "take light off the screen: a screen brighter than the subject spills and clips"),
    Threshold("purity", "purity of the screen's colour", "of its key channel", 0.36, 0.2, False,
              8.0, "use a purer screen or lamps that suit its paint, and keep the subject's light "
                   "and daylight off it", percent=True),
    Threshold("clipped_share", "clipped screen", "of the screen", 0.01, 0.15, True, 8.0,
              "close down or take light off the clipped part: clipped screen has no colour left",
              percent=True),
    Threshold("snr_key_db", "signal to noise in the key channel", "dB", 28.0, 20.0, False, 8.0,
              "more light on the screen and a lower gain setting on the camera; else denoise"),
    Threshold("alpha_noise_edge", "expected noise of the matte on edges", "of full coverage", 0.08,
              None, True, 8.0, "more light on the screen, a lower gain setting, or denoise before "
              "keying",
              "Cramer-Rao bound of a per-pixel unbiased estimate (Kay 1993); the limit itself is "
              "common practice, no source", percent=True),
    Threshold("separation_matte", "separation of the subject's colours from the screen", "matte",
              0.45, None, False, 10.0, "change what is near the screen's hue (costume, props), or "
              "use the other screen colour; else mark it with a holdout (glass and smoke read "
              "like this too)", percent=True),
    Threshold("spill", "screen light on the subject", "of the screen's excess", 0.3, None, True,
              6.0, "move the subject further off the screen, flag the screen's edges off, or light "
              "less of it", percent=True),
    Threshold("chroma_loss", "chroma subsampling", "", 1.0, None, True, 1.5,
              "record 4:2:2 or 4:4:4: 4:2:0 halves the colour's resolution on edges"),
    Threshold("block_step_codes", "codec blocks", "8-bit codes", 1.0, None, True, 2.0,
              "record at a higher bit rate or intra-frame"),
    Threshold("crease_share", "creases", "of the screen", 0.03, None, True, 2.0,
              "stretch or steam the screen", percent=True),
    Threshold("uncovered", "picture not backed by the screen", "of the frame's border", 0.45, None,
              True, 2.0, "widen the screen or frame tighter; else draw garbage shapes outside it",
              percent=True),
    Threshold("edge_px", "width of the subject's edges (10-90 %)", "px", 10.0, None, True, 2.0,
              "more depth of field or a shorter shutter where soft edges aren't wanted"),
    Threshold("motion_px", "motion", "px a frame", 24.0, None, True, 1.5,
              "a shorter shutter, or accept that motion blur needs work at its edges"),
    Threshold("camera_px", "camera motion", "px a frame", 4.0, None, True, 1.0,
              "shoot a clean plate with the same move, or lock the camera off"),
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
    """The answer. score: 100 is the best screen, falling with every weighted severity."""

    model_config = ConfigDict(extra="forbid")

    name: VerdictName
    score: float
    reasons: list[Reason]
    caution: str = CAUTION


_CHROMA_LOSS = {"4:4:4": 0.0, "4:2:2": 0.4, "4:2:0": 1.0, "unknown": 0.0}
_BOXES = {
    "evenness_stops": "dark_box", "clipped_share": "clipped_box",
    "separation_matte": "separation_box", "crease_share": "crease_box",
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
        "alpha_noise_edge": m.alpha_noise_edge,
        "separation_matte": m.separation_matte,
        "spill": m.spill,
        "chroma_loss": _CHROMA_LOSS[m.chroma],
        "block_step_codes": m.block_step_codes if m.block_px else 0.0,
        "crease_share": m.crease_share,
        "uncovered": m.uncovered,
        "edge_px": m.edge_px,
        "motion_px": m.motion_px,
        "camera_px": m.camera_px,
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
            needs_light |= row.relight is not None and severity >= 2.0
    reasons.sort(key=lambda reason: -reason.weight)
    name: VerdictName = "relight" if needs_light else "keyable with work" if needs_work else (
        "keyable")
    return Verdict(name=name, score=round(100.0 * 2.0 ** (-penalty / 20.0), 1), reasons=reasons)


def _reason(row: Threshold, value: float, severity: float, m: Measures) -> Reason:
    light = row.relight is not None and severity >= 2.0
    limit = row.relight if light and row.relight is not None else row.work
    box: Box | None = getattr(m, _BOXES[row.measure]) if row.measure in _BOXES else None
    return Reason(
        measure=row.measure, title=row.title, value=value, unit=row.unit, threshold=limit,
        severity=severity, weight=row.weight * severity, text=_sentence(row, value, limit, m, box),
        remedy=row.remedy, source=row.source, box=box,
    )


def _sentence(row: Threshold, value: float, limit: float, m: Measures, box: Box | None) -> str:
    where = f", {place(box)}" if box is not None else ""
    if row.measure == "chroma_loss":
        return f"the recording is {m.chroma}"
    over = "over" if row.rising else "under"
    shown, bound = (f"{100 * value:.3g} %", f"{100 * limit:.3g} %") if row.percent else (
        f"{value:.3g}", f"{limit:.3g}")
    unit = f" {row.unit}" if row.unit else ""
    return f"{row.title}: {shown}{unit}, {over} the limit of {bound}{where}"


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
        measure="screen", title="screen", value=m.screen_share, unit="of the frame",
        threshold=0.02, severity=3.0, weight=100.0,
        text="no evenly coloured red, green or blue area of 2 % of the frame or more was found",
        remedy="check that this is the right shot and its colour space, that the screen is lit "
        "and fills the part behind the subject",
        source=COMMON,
    )
    return Verdict(name="no screen found", score=0.0, reasons=[reason])
