"""Small SVG charts for the reports: gauges against limits, lines over takes, scale bars."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from server.jobs.limits import Threshold
from server.jobs.pictures import scale_colours

WIDTH, HEIGHT = 180, 16


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


def line(values: Sequence[float | None], limit: float | None = None) -> Markup:
    """Return values in order as an SVG line with dots; gaps where there is no value."""
    width, height, pad = 320, 72, 8
    known = [v for v in values if v is not None]
    low, high = min(known), max(known)
    if limit is not None:
        low, high = min(low, limit), max(high, limit)
    span = (high - low) or max(abs(high), 1e-9)
    low, span = low - 0.1 * span, 1.2 * span

    def at(n: int, v: float) -> tuple[float, float]:
        x = pad + (width - 70 - 2 * pad) * n / max(len(values) - 1, 1)
        return x, height - pad - (height - 2 * pad) * (v - low) / span

    body = ""
    if limit is not None:
        _, y = at(0, limit)
        words = y + 12 if y < height / 2 else y - 4
        body += (
            f'<line x1="{pad}" x2="{width - 66}" y1="{y:.1f}" y2="{y:.1f}" stroke="#a4572d" '
            'stroke-dasharray="4 3"/>'
            f'<text x="{pad}" y="{words:.1f}" fill="#8c4a26">limit {limit:.3g}</text>'
        )
    body += _path([None if v is None else at(n, v) for n, v in enumerate(values)])
    x, y = at(len(values) - 1, known[-1])
    body += f'<text x="{x + 8:.1f}" y="{y + 4:.1f}" fill="#1d2521">{known[-1]:.3g}</text>'
    label = f"values from {min(known):.3g} to {max(known):.3g}"
    return _svg(width, height, body, label)


def _path(points: Sequence[tuple[float, float] | None]) -> str:
    parts, pen = [], "M"
    dots = ""
    for point in points:
        if point is None:
            pen = "M"
            continue
        parts.append(f"{pen}{point[0]:.1f} {point[1]:.1f}")
        pen = "L"
        dots += f'<circle cx="{point[0]:.1f}" cy="{point[1]:.1f}" r="2.6" fill="#24614b"/>'
    path = f'<path d="{" ".join(parts)}" fill="none" stroke="#24614b" stroke-width="1.6"/>'
    return path + dots


def legend(low: float, high: float, unit: str) -> Markup:
    """Return the labelled bar of the false-colour scale from `low` to `high`."""
    colours = scale_colours(24)
    step = 240 / len(colours)
    body = "".join(
        f'<rect x="{n * step:.1f}" y="0" width="{step + 0.5:.1f}" height="12" fill="{c}"/>'
        for n, c in enumerate(colours)
    )
    middle = (low + high) / 2
    for x, value, anchor in ((0, low, "start"), (120, middle, "middle"), (240, high, "end")):
        body += f'<text x="{x}" y="26" text-anchor="{anchor}" fill="#1d2521">{value:.2g}</text>'
    return _svg(240, 30, body, f"scale from {low:g} to {high:g} {unit}")


def _text(text: str) -> str:
    return str(Markup.escape(text))


def _svg(width: int, height: int, body: str, label: str) -> Markup:
    return Markup(
        f'<svg role="img" aria-label="{_text(label)}" width="{width}" height="{height}" '
        f'viewBox="0 0 {width} {height}" font-size="11" font-family="inherit">{body}</svg>'
    )
