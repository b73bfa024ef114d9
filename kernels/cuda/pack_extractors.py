"""An extractor's code and values, in the order that `extract.cuh` reads them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from kernels.cuda.sources import constants, served_kinds
from kernels.plan import Context, num
from kernels.recipe import (
    ChromaDistance,
    ColourDifference,
    ExtractorBase,
    HueBand,
    Noise,
    PlateDifference,
    Unmix,
    ValueBand,
)
from kernels.reference import extract

C = constants()
STEEPEST = 3e38
TINY = 1e-37
"""Stands in for the number below 0, whose products with any inverse are 0."""

CHANNELS = ("red", "green", "blue", "luminance", "largest", "smallest", "saturation")
NORMS = ("largest", "euclidean", "delta_e_2000")
COMBINES = {
    name: C[f"COMBINE_{name.upper()}"]
    for name in ("max", "min", "union", "multiply", "subtract", "difference", "average")
}


def extractor_code(e: ExtractorBase) -> int:
    """Return the structure of an extractor, without what depends on the planes there are.

    Raises TypeError for a kind that the kernels have no code for.
    """
    kind: str = getattr(e, "kind")  # noqa: B009  (every kind has it, the base does not)
    code = C.get(f"KIND_{kind.upper()}", -1)
    if code not in served_kinds():
        raise TypeError(f"the kernels have no extractor of kind '{kind}'")
    code |= COMBINES[e.combined_by] << C["COMBINE_SHIFT"]
    if getattr(e, "space", "") == "log":
        code |= C["SPACE_LOG"]
    mode = 0
    match e:
        case ValueBand():
            mode = CHANNELS.index(e.channel)
            code |= C["OPEN_LOW"] if e.low_out is None or e.low_in is None else 0
            code |= C["OPEN_HIGH"] if e.high_in is None or e.high_out is None else 0
        case PlateDifference():
            mode = NORMS.index(e.norm)
            code |= C["RELATIVE"] if e.relative else 0
            code |= C["FLOOR_IN_SIGMA"] if e.floor_in == "sigma" else 0
        case ColourDifference():
            mode = 1 if e.excess == "balance" else 0
    return code | mode << C["MODE_SHIFT"]


def extractor_values(e: ExtractorBase, ctx: Context) -> tuple[float, ...]:
    """Return the values of an extractor; those that follow a flat screen are worked out here."""
    match e:
        case ValueBand():
            return (
                *ramp_values(e.low_out or 0.0, e.low_in or 0.0, closed=True),
                *ramp_values(e.high_in or 0.0, e.high_out or 0.0),
            )
        case HueBand():
            spread, floor = num(e.spread_deg), num(e.saturation_floor)
            return (
                num(e.hue_deg) % 360,
                *ramp_values(spread, spread + num(e.fade_deg)),
                *ramp_values(floor, floor + num(e.saturation_soft)),
            )
        case PlateDifference():
            unit = _figures(e, ctx)[0] if e.floor_in == "sigma" else 1.0
            low, high = num(e.floor), num(e.full)
            return (*ramp_values(low * unit, high * unit), low, high)
        case ColourDifference():
            first, second = (num(e.lean), 0.0) if e.excess == "lean" else extract.weights(e)
            trust, excess = _figures(e, ctx)
            return (first, second, trust / excess if trust > 0 else 0.0)
        case ChromaDistance():
            return (*ramp_values(e.inner, e.outer), num(e.luminance_weight))
        case Unmix():
            return ()
        case _:
            raise TypeError(f"no such extractor: {type(e).__name__}")


@dataclass(frozen=True)
class Line:
    """A matte that is straight between its ends: clamp(slope (x - pivot) + rest, 0, 1)."""

    pivot: float
    slope: float
    rest: float

    def values(self) -> tuple[float, float, float]:
        """Return the three numbers."""
        return self.pivot, self.slope, self.rest


def extractor_line(e: ExtractorBase) -> Line | None:
    """Return the line of an extractor's matte over what it looks at; None where there is none.

    That is the value of a band with one open end, the distance of a plate difference with fixed
    thresholds, the excess of a colour difference in parts of the screen's.
    """
    match e:
        case ValueBand():
            low_open = e.low_out is None or e.low_in is None
            high_open = e.high_in is None or e.high_out is None
            if high_open and not low_open:
                return Line(*ramp_values(e.low_out, e.low_in, closed=True), 0.0)
            if low_open and not high_open:
                pivot, inverse = ramp_values(e.high_in, e.high_out)
                return Line(pivot, -inverse, 1.0)
        case PlateDifference() if e.floor_in == "value":
            return Line(*ramp_values(e.floor, e.full), 0.0)
        case ColourDifference():
            return Line(0.0, -num(e.gain), 1.0)
    return None


def levelled(line: Line | None, inverted: bool, black: float, inverse: float) -> Line | None:
    """Return the line with the matte's inversion and levels; None where one line cannot be both.

    clamp(levels(clamp(y))) is clamp(levels(y)) where the levels take 0..1 to 0..1 or beyond.
    """
    if line is None or black < 0 or (1 - black) * inverse < 1:
        return None
    sign, offset = (-1.0, 1.0) if inverted else (1.0, 0.0)
    slope = sign * line.slope * inverse
    rest = (sign * line.rest + offset - black) * inverse
    if slope == 0:
        return Line(0.0, 0.0, rest)
    # About where it is 0, so that a steep line keeps what x - pivot has exactly.
    zero = line.pivot - rest / slope
    pivot = _single(zero)
    slope = min(max(slope, -STEEPEST), STEEPEST)
    return Line(pivot, slope, slope * (pivot - zero))


def ramp_values(low: Any, high: Any, *, closed: bool = False) -> tuple[float, float]:
    """Return a ramp's low end and the inverse of its width: see `extract.ramp`.

    A step has the largest inverse there is; a closed one begins just below its end.
    """
    a, b = _single(num(low)), _single(num(high))
    width = b - a
    if width > 0:
        return a, min(1.0 / width, STEEPEST)
    if not closed:
        return a, STEEPEST
    below = float(np.nextafter(np.float32(a), np.float32(-np.inf))) if a != 0 else -TINY
    return below, STEEPEST


def _single(x: float) -> float:
    """Return a threshold as float32 holds it."""
    return float(np.float32(min(max(x, -extract.BOUND), extract.BOUND)))


@lru_cache(maxsize=256)
def _flat_figures(plain: str, kind: str, *context: Any) -> tuple[float, float]:
    """Return what a flat screen allows to work out once, by the reference's own functions.

    plain: the extractor as JSON without what is dragged most. plate_difference: the distance of
    c + sigma(c) from c, 0. colour_difference: trust in the screen's
    excess, and that excess.
    """
    primary, screen, gain, offset = context
    ctx = Context(primary, screen, Noise(gain=gain, offset=offset))
    flat = extract.flat_screen(ctx)
    if kind == "plate_difference":
        p = PlateDifference.model_validate_json(plain)
        noisy = flat + extract.screen_sigma(flat, ctx)
        return float(extract._distance(noisy, flat, p)[0, 0]), 0.0
    e = ColourDifference.model_validate_json(plain)
    trust = float(extract.screen_trust(flat, e, ctx)[0, 0])
    return trust, float(extract.excess(extract.in_space(flat, e.space), e, ctx)[0, 0])


def _figures(e: PlateDifference | ColourDifference, ctx: Context) -> tuple[float, float]:
    plain = e.model_dump_json(include=_DECIDING)
    noise = ctx.noise
    return _flat_figures(
        plain, e.kind, ctx.primary, tuple(ctx.screen), tuple(noise.gain), tuple(noise.offset)
    )


_DECIDING = {
    *("space", "norm", "relative", "excess", "lean"),
    *("comparison_level", "red_blue_balance"),
}
