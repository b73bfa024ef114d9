"""Survey reports as one HTML file: no scripts, no outside files, made to be printed."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined, Template
from markupsafe import Markup

from server.survey.limits import COMMON, TABLE, Threshold
from server.survey.maps import MapPicture
from server.survey.survey import SurveyResult
from server.survey.verdict import CAUTION, EXIT_CODES, values_of
from server.takes.charts import gauge, legend, line
from server.takes.log import PICTURED, TREND, TakeEntry
from server.words import counted


@dataclass(frozen=True)
class Row:
    """One line of a report's table of measures."""

    title: str
    value: str
    limits: str
    gauge: str
    source: str
    state: str


@lru_cache(maxsize=4)
def _template(name: str) -> Template:
    environment = Environment(
        loader=PackageLoader("server.takes", "templates"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=StrictUndefined,
    )
    environment.filters |= {"sentence": _sentence, "first_up": _first_up, "held": _held}
    return environment.get_template(name)


def _first_up(text: str) -> str:
    return text[:1].upper() + text[1:]


def _held(text: str) -> str:
    """A number and its percent sign stay on one line."""
    return text.replace(" %", "\u00a0%")


def _sentence(text: str) -> str:
    return _held(_first_up(text)) + ("" if text.endswith(".") else ".")


def survey_report(results: Sequence[SurveyResult], *, at: datetime | None = None) -> str:
    """Return the report on one or several surveyed shots as HTML. at: when it was made."""
    shots = [
        {
            "result": result,
            "verdict": result.verdict,
            "rows": measure_rows(result),
            "facts": facts(result),
            "maps": [{"map": m, "unit": _map_unit(m), "legend": _bar(m)} for m in result.maps],
            "lines": frame_lines(result),
            "boxed": _numbers(result),
        }
        for result in results
    ]
    return _template("survey.html").render(
        shots=shots, made=_moment(at), caution=CAUTION, common=COMMON
    )


def takes_report(
    entries: Sequence[TakeEntry], title: str, *, missing: str = "", at: datetime | None = None
) -> str:
    """Return the report on a day's takes as HTML: list, thumbnails, trend of each measure.

    missing: what to tell of takes that are not in the list.
    """
    trends = []
    for name in TREND:
        values = [entry.values[name] for entry in entries]
        if any(value is not None for value in values):
            row = next(r for r in TABLE if r.measure == name)
            trends.append(
                {
                    "title": row.title,
                    "unit": unit_of(row),
                    "chart": line(
                        [scaled(v, row) for v in values],
                        limit=scaled(row.work, row),
                        names=[str(entry.id) for entry in entries],
                        along="take",
                    ),
                }
            )
    return _template("takes.html").render(
        entries=entries,
        title=title,
        trends=trends,
        made=_moment(at),
        summary=_summary(entries),
        missing=missing,
        pictures=_pictures(entries),
        dated=len({entry.surveyed_at[:10] for entry in entries}) > 1,
    )


def _summary(entries: Sequence[TakeEntry]) -> str:
    """Return how many takes came out how: '3 takes: 2 keyable, 1 relight.'"""
    if not entries:
        return "No takes."
    counts = Counter(entry.verdict for entry in entries)
    parts = [f"{counts[name]} {name}" for name in EXIT_CODES if counts[name]]
    takes = counted(len(entries), "take")
    return f"{takes}: {', '.join(parts)}."


def _pictures(entries: Sequence[TakeEntry]) -> str:
    """Return what to tell when not every take of the list comes with its picture."""
    shown = sum(1 for entry in entries if entry.thumbnail)
    if shown == len(entries) or shown < PICTURED:
        return ""
    return (
        f"So that this file stays small, only the newest {shown} takes have their pictures here; "
        "the list and the trends are whole, and so are the take log and its tables."
    )


def _map_unit(m: MapPicture) -> str:
    return f"% {m.unit}" if m.unit.startswith("of ") else m.unit


def _bar(m: MapPicture) -> Markup:
    return legend(m.low, m.high, _map_unit(m), percent=m.unit.startswith("of "))


def _moment(at: datetime | None) -> str:
    return (at or datetime.now(UTC)).astimezone().strftime("%Y-%m-%d %H:%M")


def scaled(value: float | None, row: Threshold) -> float | None:
    """Return a value as it is shown: shares in percent."""
    return None if value is None else 100 * value if row.percent else value


def unit_of(row: Threshold) -> str:
    """Return the unit that goes with `scaled`."""
    return f"% {row.unit}".strip() if row.percent else row.unit


def number(value: float | None, row: Threshold) -> str:
    """Return a value in its unit with as many decimals as its limit asks for, a real minus sign."""
    if value is None:
        return ""
    work = abs(scaled(row.work, row) or 1.0)
    decimals = min(max(1 - math.floor(math.log10(work)), 1), 3)
    text = f"{value:.{decimals}f}"
    return text.replace("-", "" if float(text) == 0 else "\u2212")


def measure_rows(result: SurveyResult) -> list[Row]:
    """Return every measured value against its limits, in the order of the table."""
    values = values_of(result.measures)
    rows = []
    for row in TABLE:
        value = values[row.measure]
        if value is None or row.measure in ("level_high", "chroma_loss"):
            continue
        severity = row.severity(value)
        limits = f"needs work {'above' if row.rising else 'below'} {_limit(row.work, row)}"
        if row.relight is not None:
            side = "above" if row.rising else "below"
            limits += f", relight {side} {_limit(row.relight, row)}"
        rows.append(
            Row(
                title=row.title,
                value=f"{number(scaled(value, row), row)} {unit_of(row)}".strip(),
                limits=limits,
                gauge=gauge(row, value),
                source=row.source,
                state="poor"
                if severity >= 2 and row.relight is not None
                else "work"
                if severity >= 1
                else "good",
            )
        )
    return rows


def _limit(value: float, row: Threshold) -> str:
    return f"{scaled(value, row):.3g}".replace("-", "\u2212")


def read_as(result: SurveyResult) -> str:
    """Return the colour space that a shot was read in and how that was decided."""
    decided = f" ({result.colourspace_decided})" if result.colourspace_decided else ""
    return result.colourspace + decided


def facts(result: SurveyResult) -> list[tuple[str, str]]:
    """Return what has no limit but is worth knowing."""
    m = result.measures
    out = [
        ("frames looked at", result.sampling),
        (
            "picture",
            f"{result.width} x {result.height}, {result.fps:g} frames a second, "
            f"{read_as(result)}" + (f", {result.bits} bit" if result.bits else ""),
        ),
        ("chroma", m.chroma + (f", codec blocks of {m.block_px} px" if m.block_px else "")),
        (
            "brighter than 1",
            f"{100 * m.over_range_share:.2g} % of the picture, up to {m.largest_value:.3g}",
        ),
    ]
    if m.screen:
        out.insert(
            1,
            (
                "screen",
                f"{m.primary}, {100 * m.screen_share:.0f} % of the frame, "
                f"{counted(m.markers, 'marker')}",
            ),
        )
    if m.level_code is not None and m.screen:
        out.append(("screen's code value", f"{m.level_code:.0f} in the key channel"))
    if m.evenness_near_stops is not None:
        out.append(("evenness near the subject", f"{m.evenness_near_stops:.2f} stops"))
    if m.snr_db is not None:
        red, green, blue = m.snr_db
        out.append(("signal to noise", f"red {red:.1f}, green {green:.1f}, blue {blue:.1f} dB"))
    if m.separation_delta_e is not None:
        out.append(("nearest subject colours", f"CIE 2000 difference {m.separation_delta_e:.1f}"))
    notes = [*result.remarks, result.curve_note]
    out += [("note", note) for note in notes if note]
    return out


def frame_lines(result: SurveyResult) -> list[dict[str, Any]]:
    """Return charts of what changes over the sampled frames; none for a single frame."""
    if len(result.frames) < 3:
        return []
    charts = []
    for name in ("evenness_stops", "level_low", "alpha_noise_edge", "spill"):
        row = next(r for r in TABLE if r.measure == name)
        values = [scaled(values_of(f.measures)[name], row) for f in result.per_frame]
        if sum(v is not None for v in values) >= 3:
            chart = line(
                values,
                limit=scaled(row.work, row),
                names=[str(f) for f in result.frames],
                along="frame",
            )
            charts.append({"title": row.title, "unit": unit_of(row), "chart": chart})
    return charts


def _numbers(result: SurveyResult) -> dict[str, int]:
    """Return the number of each reason that has a place in the thumbnail, by measure."""
    reasons = enumerate(result.verdict.reasons, start=1)
    return {reason.measure: n for n, reason in reasons if reason.box is not None}
