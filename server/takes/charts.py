"""Small SVG charts for the reports: gauges against limits, lines over takes, scale bars."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from markupsafe import Markup

from server.survey.limits import Threshold
from server.survey.maps import scale_colours

WIDTH, HEIGHT = 132, 16
QUIET, LIMIT = "#55615a", "#8c4a26"
DOTTED = 250
"""Values up to which each has its dot; more would run together, so only lone ones have."""


def gauge(row: Threshold, value: float) -> Markup:
    """Return where a value lies between good (left) and poor (right) as an SVG.

    The left half is good, then work, then relight when the measure has such a limit.
    """
    place = min(row.severity(value) / 3.0, 1.0) * WIDTH
    third = WIDTH / 3
    zones = [(0.0, third, "#dfe7e1"), (third, third, "#ecd9a8")]
    zones.append((2 * third, third, "#dfa48e" if row.relight is not None else "#ecd9a8"))
    body = "".join(
        f'<rect x="{x:.1f}" y="5" width="{w:.1f}" height="6" fill="{c}"/>' for x, w, c in zones
    )
    body += (
        f'<line x1="{place:.1f}" x2="{place:.1f}" y1="1" y2="15" stroke="#1d2521" '
        'stroke-width="2.5" stroke-linecap="round"/>'
    )
    return _svg(WIDTH, HEIGHT, body, "from good on the left to poor on the right")


def ticks(low: float, high: float, most: int = 4) -> list[float]:
    """Return round numbers that lie evenly from at or below `low` to at or above `high`.

    Steps are 1, 2 or 5 times a power of ten; at most `most` steps, or one more.
    """
    span = (high - low) or abs(high) or 1.0
    rough = span / most
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * k for k in (1, 2, 5, 10) if power * k >= rough * 0.999)
    first = math.floor(low / step + 1e-9)
    last = max(math.ceil(high / step - 1e-9), first + 1)
    return [round(n * step, 12) for n in range(first, last + 1)]


def line(
    values: Sequence[float | None],
    limit: float | None = None,
    *,
    names: Sequence[str] = (),
    along: str = "",
) -> Markup:
    """Return values in order as an SVG: axes, a line with dots, gaps where there is no value.

    limit: drawn dashed. names: of the places along the x axis (as many as values). along: what
    the x axis counts.
    """
    width, height, left, right, top, foot = 320, 140, 40, 12, 18, 34
    known = [v for v in values if v is not None]
    bounds = [*known, *([] if limit is None else [limit])]
    marks = ticks(min(bounds), max(bounds))
    low, high = marks[0], marks[-1]

    def y_of(v: float) -> float:
        return top + (height - top - foot) * (high - v) / (high - low)

    def x_of(n: int) -> float:
        if len(values) == 1:
            return (left + width - right) / 2
        return left + 8 + (width - left - right - 16) * n / (len(values) - 1)

    body = _scale(marks, y_of, (left, width - right))
    body += _places(names or [str(n + 1) for n in range(len(values))], x_of, height - foot)
    if along:
        middle = (left + width - right) / 2
        body += _label(middle, height - 4, along, "middle", QUIET)
    if limit is not None:
        body += (
            f'<line x1="{left}" x2="{width - right}" y1="{y_of(limit):.1f}" '
            f'y2="{y_of(limit):.1f}" stroke="{LIMIT}" stroke-width="1.4" stroke-dasharray="5 3"/>'
        )
    path, dots = _path([None if v is None else (x_of(n), y_of(v)) for n, v in enumerate(values)])
    body += path
    if limit is not None:
        words = f"limit {limit:.3g}".replace("-", "\u2212")
        first, last = (abs(y_of(v) - y_of(limit) + 9) for v in (known[0], known[-1]))
        x, anchor = (left + 2, "start") if first > last else (width - right, "end")
        body += _label(x, y_of(limit) - 5, words, anchor, LIMIT, halo=True)
    body += dots
    label = f"values from {min(known):.3g} to {max(known):.3g}"
    return _svg(width, height, body, label)


def _scale(marks: Sequence[float], y_of: Callable[[float], float], ends: tuple[int, int]) -> str:
    """Return the grid lines and numbers of the y axis."""
    body = ""
    for mark in marks:
        y = y_of(mark)
        body += (
            f'<line x1="{ends[0]}" x2="{ends[1]}" y1="{y:.1f}" y2="{y:.1f}" stroke="#d9ded8"/>'
            + _label(ends[0] - 6, y + 4, f"{mark:.4g}".replace("-", "\u2212"), "end", QUIET)
        )
    return body


def _places(names: Sequence[str], x_of: Callable[[int], float], y: float) -> str:
    """Return the names along the x axis: as many as fit, the first and the last among them."""
    room = 264 / (max((len(name) for name in names), default=1) * 6.2 + 8)
    every = max(1, math.ceil((len(names) - 1) / max(1, int(room) - 1)))
    shown = {n for n in range(0, len(names), every) if len(names) - 1 - n >= every}
    return "".join(
        _label(x_of(n), y + 14, names[n], "middle", QUIET) for n in sorted({*shown, len(names) - 1})
    )


def _label(x: float, y: float, text: str, anchor: str, colour: str, *, halo: bool = False) -> str:
    ring = 'paint-order="stroke" stroke="#fff" stroke-width="4" ' if halo else ""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" {ring}fill="{colour}">'
        f"{_text(text)}</text>"
    )


def _path(points: Sequence[tuple[float, float] | None]) -> tuple[str, str]:
    parts, pen = [], "M"
    dots = ""
    many = len(points) > DOTTED
    for before, point, after in zip([None, *points], points, [*points[1:], None], strict=False):
        if point is None:
            pen = "M"
            continue
        parts.append(f"{pen}{point[0]:.1f} {point[1]:.1f}")
        pen = "L"
        if many and (before or after):
            continue
        dots += f'<circle cx="{point[0]:.1f}" cy="{point[1]:.1f}" r="2.6" fill="#24614b"/>'
    path = f'<path d="{" ".join(parts)}" fill="none" stroke="#24614b" stroke-width="1.6"/>'
    return path, dots


def legend(low: float, high: float, unit: str, percent: bool = False) -> Markup:
    """Return the labelled bar of the false-colour scale from `low` to `high`.

    percent: the values are shares and are shown in percent.
    """
    colours = scale_colours(48)
    left, wide = 14, 240
    step = wide / len(colours)
    body = "".join(
        f'<rect x="{left + n * step:.2f}" y="0" width="{step + 0.5:.2f}" height="12" fill="{c}"/>'
        for n, c in enumerate(colours)
    )
    for n in range(5):
        value, x = low + (high - low) * n / 4, left + wide * n / 4
        body += f'<line x1="{x:.1f}" x2="{x:.1f}" y1="12" y2="16" stroke="{QUIET}"/>'
        body += _label(x, 28, scale_number(value, low < 0, percent), "middle", "#1d2521")
    return _svg(wide + 2 * left, 32, body, f"scale from {low:g} to {high:g} {unit}")


def scale_number(value: float, signed: bool, percent: bool) -> str:
    """Return a number for a scale: signed where the scale has both signs, percent of a share."""
    shown = 100 * value if percent else value
    text = f"{shown:+.3g}" if signed and shown else f"{shown:.3g}"
    return text.replace("-", "\u2212")


def _text(text: str) -> str:
    return str(Markup.escape(text))


def _svg(width: int, height: int, body: str, label: str) -> Markup:
    return Markup(
        f'<svg role="img" aria-label="{_text(label)}" width="{width}" height="{height}" '
        f'viewBox="0 0 {width} {height}" font-size="11" font-family="inherit">{body}</svg>'
    )
