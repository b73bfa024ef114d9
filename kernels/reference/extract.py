"""Extractors: from the plate's colours to mattes (`kernels.reference.combine` combines them).

All functions are pointwise: a tile gives the same bits as the whole frame. Images are scene-linear
``(3, h, w)`` in the working space, of any finite value (below 0 and above 1 too); an extractor
whose `space` is `log` takes their ACEScct values itself. Mattes are ``(h, w)`` in 0..1. float64 in
gives float64 out, everything else float32. `clean` is the screen at every pixel, ``(3, h, w)``, or
the flat colour ``(3, 1, 1)``. Sums run over red, green, blue in that order.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kernels.plan import Context, num, refine_is_pointwise
from kernels.recipe import (
    ChromaDistance,
    ColourDifference,
    ExtractorBase,
    HueBand,
    PlateDifference,
    Refine,
    ValueBand,
    weights_of,
)
from kernels.reference import colour
from kernels.reference.combine import combine, combine_all, mix

__all__ = [
    "chroma_distance",
    "colour_difference",
    "combine",
    "combine_all",
    "count_no_screen",
    "excess",
    "excess_sigma",
    "finish",
    "flat_screen",
    "hue_band",
    "in_space",
    "mix",
    "no_screen",
    "plate_difference",
    "pointwise_levels",
    "ramp",
    "raw_matte",
    "screen_sigma",
    "screen_trust",
    "value_band",
    "weights",
]

Array = NDArray[Any]

RELATIVE_FLOOR = 1e-6
"""Smallest |c| a relative difference divides by."""
EXCESS_FLOOR = 1e-6
"""An excess of the screen up to this is no screen, whatever the noise."""
LOST_SIGMAS, SEEN_SIGMAS = 0.5, 2.0
"""An excess of the screen up to the first in its standard deviations is no screen, from the second
on it is divided by as it is. At the second a matte's noise is half of full coverage: what is pooled
later can still tell screen from subject there."""
BOUND = 1e30
"""Thresholds are held to ± this, so that any finite number can be given in float32."""


def ramp(x: Array, a: float | Array, b: float | Array, *, closed: bool = False) -> Array:
    """Straight rise from 0 at `a` to 1 at `b`: clamp((x − a) / (b − a), 0, 1).

    x: any shape and range. a, b: numbers or arrays that broadcast to x. Where b <= a it is a step
    at a: 1 for x > a (`closed`: for x >= a), so it never divides by zero, and raising a or b never
    raises the result. Common practice, no source.
    """
    x = colour.as_float(x)
    low, high = _threshold(a, x.dtype), _threshold(b, x.dtype)
    width = high - low
    step = width <= 0
    with np.errstate(over="ignore"):
        rise = np.clip((x - low) / np.where(step, x.dtype.type(1), width), 0, 1)
    hard = x >= low if closed else x > low
    return np.where(step, hard.astype(x.dtype), rise)


def _threshold(value: float | Array, dtype: Any) -> Array:
    return np.asarray(np.clip(value, -BOUND, BOUND), dtype=dtype)


def in_space(image: Array, space: str) -> Array:
    """Return scene-linear `image` as it is (`linear`) or as ACEScct values (`log`)."""
    return colour.acescct_from_linear(image) if space == "log" else colour.as_float(image)


def flat_screen(ctx: Context, dtype: Any = np.float32) -> Array:
    """Return the recipe's screen colour as a (3, 1, 1) image."""
    return np.asarray(ctx.screen, dtype=dtype).reshape(3, 1, 1)


def screen_sigma(clean: Array, ctx: Context) -> Array:
    """Standard deviation of the plate's noise at the screen: √max(gain·max(c, 0) + offset, 0).

    Linear (3, h, w) to (3, h, w). The Poisson–Gaussian model of a camera, fitted by the survey.
    """
    gain = np.asarray(ctx.noise.gain, dtype=clean.dtype).reshape(3, 1, 1)
    offset = np.asarray(ctx.noise.offset, dtype=clean.dtype).reshape(3, 1, 1)
    return colour.as_float(np.sqrt(np.maximum(gain * np.maximum(clean, 0) + offset, 0)))


# ---------------------------------------------------------------- bands


def value_band(image: Array, p: ValueBand, ctx: Context) -> Array:
    """α = min(ramp(v; low_out, low_in), 1 − ramp(v; high_in, high_out)).

    v: a channel, luminance (`ctx.weights`), the largest or smallest channel, or saturation
    (max − min)/max(max, 1e-6), of linear or ACEScct values. The ends belong to the band: v equal to
    low_in or high_in gives 1, also where the pair is equal. Open ends take everything on their
    side. (3, h, w) to (h, w). Common practice, no source.
    """
    v = _banded_value(in_space(image, p.space), p, ctx)
    alpha = np.ones_like(v)
    if p.low_out is not None and p.low_in is not None:
        alpha = ramp(v, num(p.low_out), num(p.low_in), closed=True)
    if p.high_in is not None and p.high_out is not None:
        alpha = np.minimum(alpha, 1 - ramp(v, num(p.high_in), num(p.high_out)))
    return alpha


def _banded_value(x: Array, p: ValueBand, ctx: Context) -> Array:
    match p.channel:
        case "luminance":
            return colour.luminance(x, ctx.weights)
        case "largest":
            return colour.as_float(x.max(axis=0))
        case "smallest":
            return colour.as_float(x.min(axis=0))
        case "saturation":
            return colour.saturation(x)
        case _:
            return colour.as_float(x[("red", "green", "blue").index(p.channel)])


def hue_band(image: Array, p: HueBand, ctx: Context) -> Array:
    """α = (1 − ramp(|h − hue|; spread, spread + fade)) · ramp(s; floor, floor + soft).

    h, s: HSV hue in degrees and saturation of the linear or ACEScct values (they differ; default
    linear). |h − hue| is measured the short way round the circle. A grey has no hue and is
    never taken. (3, h, w) to (h, w). Source: Smith 1978 for hue and saturation.
    """
    x = in_space(image, p.space)
    away = np.abs(colour.hue_degrees(x) - x.dtype.type(num(p.hue_deg) % 360))
    away = np.minimum(away, 360 - away)
    spread = num(p.spread_deg)
    floor = num(p.saturation_floor)
    alpha = 1 - ramp(away, spread, spread + num(p.fade_deg))
    return alpha * ramp(colour.saturation(x), floor, floor + num(p.saturation_soft))


# ---------------------------------------------------------------- differences


def plate_difference(image: Array, clean: Array, p: PlateDifference, ctx: Context) -> Array:
    """α = ramp(d; floor, full), d = norm(p − c).

    norm: largest |channel|, Euclidean, or ΔE*ab 2000 (Sharma, Wu & Dalal 2005). `relative` divides
    p − c by max(|c|, 1e-6) a channel first. ΔE always goes from linear by XYZ to L*a*b*: `space`
    and `relative` have no effect on it. `floor_in = sigma` multiplies floor and full by the
    distance of c + σ(c) from c in the same norm and space; with no noise measured every difference
    is solid. A `full` under `floor` counts as equal to it. (3, h, w) and (3, h, w) or (3, 1, 1) to
    (h, w). Common practice, no source.
    """
    image = colour.as_float(image)
    clean = clean.astype(image.dtype, copy=False)
    d = _distance(image, clean, p)
    if p.floor_in == "value":
        return ramp(d, num(p.floor), num(p.full))
    unit = _distance(clean + screen_sigma(clean, ctx), clean, p)
    return ramp(d, num(p.floor) * unit, num(p.full) * unit)


def _distance(x: Array, c: Array, p: PlateDifference) -> Array:
    if p.norm == "delta_e_2000":
        return colour.delta_e_2000(colour.lab_from_acescg(x), colour.lab_from_acescg(c))
    c = in_space(c, p.space)
    d = in_space(x, p.space) - c
    if p.relative:
        d = d / np.maximum(np.abs(c), c.dtype.type(RELATIVE_FLOOR))
    if p.norm == "largest":
        return colour.as_float(np.abs(d).max(axis=0))
    return _length(d[0], d[1], d[2])


def _length(*parts: Array) -> Array:
    total = parts[0] * parts[0]
    for part in parts[1:]:
        total = total + part * part
    return colour.as_float(np.sqrt(total))


def weights(p: ColourDifference) -> tuple[float, float]:
    """The balanced mix's weights of the first and second other channel: level·(1 ± balance)/2."""
    return weights_of(num(p.comparison_level), num(p.red_blue_balance))


def excess(image: Array, p: ColourDifference, ctx: Context) -> Array:
    """How far the screen's primary exceeds the other two channels i, j, in the values given.

    lean: e = x_k − ((1 − lean)·min(x_i, x_j) + lean·max(x_i, x_j)); balance: e = x_k − (w_i·x_i +
    w_j·x_j), w of `weights`. Any range, negative for colours away from the screen. (3, ...) to
    (...). Source: Smith & Blinn 1996, "Blue screen matting", for linear weights.
    """
    k, (i, j) = ctx.k, ctx.others
    if p.excess == "balance":
        w_i, w_j = weights(p)
        other = w_i * image[i] + w_j * image[j]
    else:
        lean = num(p.lean)
        smaller, larger = np.minimum(image[i], image[j]), np.maximum(image[i], image[j])
        other = (1 - lean) * smaller + lean * larger
    return colour.as_float(image[k] - other)


def excess_sigma(clean: Array, p: ColourDifference, ctx: Context) -> Array:
    """Standard deviation of e(c), from the noise at linear `clean`, correlations left out.

    In log, σ of a channel is the difference of the ACEScct values of c + σ and c. (3, h, w) to
    (h, w).
    """
    sigma = screen_sigma(clean, ctx)
    if p.space == "log":
        sigma = in_space(clean + sigma, "log") - in_space(clean, "log")
    k, (i, j) = ctx.k, ctx.others
    if p.excess == "balance":
        w_first, w_second = weights(p)
        return _length(sigma[k], w_first * sigma[i], w_second * sigma[j])
    lean = num(p.lean)
    first_larger = clean[i] >= clean[j]
    w_i = np.where(first_larger, clean.dtype.type(lean), clean.dtype.type(1 - lean))
    return _length(sigma[k], w_i * sigma[i], (1 - w_i) * sigma[j])


def screen_trust(clean: Array, p: ColourDifference, ctx: Context) -> Array:
    """How far the screen's excess stands out of its noise: ramp(e(c); 0.5 σ_e, 2 σ_e).

    0 where e(c) <= 1e-6, whatever the noise. It follows the noise continuously, so that a little
    more of it in the recipe never turns bare screen solid at once. (3, h, w) to (h, w) in 0..1.
    Our own rule, no outside source.
    """
    e = excess(in_space(clean, p.space), p, ctx)
    sigma = excess_sigma(clean, p, ctx)
    trust = ramp(e, LOST_SIGMAS * sigma, SEEN_SIGMAS * sigma)
    return np.where(e <= EXCESS_FLOOR, e.dtype.type(0), trust)


def no_screen(clean: Array, p: ColourDifference, ctx: Context) -> NDArray[np.bool_]:
    """Where the screen has no usable excess: `screen_trust` is 0. (3, h, w) to (h, w)."""
    return np.asarray(screen_trust(clean, p, ctx) <= 0, dtype=np.bool_)


def count_no_screen(clean: Array, p: ColourDifference, ctx: Context) -> int:
    """Number of pixels of `clean` on which `colour_difference` gives 1 for want of a screen."""
    return int(np.count_nonzero(no_screen(colour.as_float(clean), p, ctx)))


def colour_difference(image: Array, clean: Array, p: ColourDifference, ctx: Context) -> Array:
    """α = clamp(1 − gain·t·e(p)/e(c), 0, 1), e = `excess`, t = `screen_trust` of the screen.

    t is 1 but where the screen is so dim that its excess nears its noise; 0 makes the matte solid.

    Exact wherever e(F) = 0 and p = αF + (1 − α)c, with gain 1, linear values and the balance form
    (or a lean whose larger channel is the same in F and c). `no_screen` says where t is 0.
    (3, h, w) and (3, h, w) or (3, 1, 1) to (h, w).
    Source: US patent 3,595,987, Vlahos 1971, for a matte by comparison with the other channels;
    Smith & Blinn 1996.
    """
    image = colour.as_float(image)
    clean = clean.astype(image.dtype, copy=False)
    trust = screen_trust(clean, p, ctx)
    e_c = excess(in_space(clean, p.space), p, ctx)
    e_c = np.where(trust > 0, e_c, image.dtype.type(1))
    share = trust * (excess(in_space(image, p.space), p, ctx) / e_c)
    return np.asarray(np.clip(1 - num(p.gain) * share, 0, 1))


def chroma_distance(image: Array, clean: Array, p: ChromaDistance, ctx: Context) -> Array:
    """α = t²(3 − 2t), t = ramp(d; inner, outer), d = chroma distance of p from c.

    In the opponent plane u = x_k − (x_i + x_j)/2, v = (√3/2)(x_i − x_j) of the ACEScct (default) or
    linear values, d = √(Δu² + Δv²) + luminance_weight·|Δ(x_r + x_g + x_b)/3|. In log a change of
    exposure moves all three channels alike, so u and v stay. (3, h, w) and (3, h, w) or (3, 1, 1)
    to (h, w). Common practice, no source.
    """
    image = colour.as_float(image)
    delta = in_space(image, p.space) - in_space(clean.astype(image.dtype, copy=False), p.space)
    k, (i, j) = ctx.k, ctx.others
    u = delta[k] - (delta[i] + delta[j]) * image.dtype.type(0.5)
    v = (delta[i] - delta[j]) * image.dtype.type(math.sqrt(0.75))
    mean = (delta[0] + delta[1] + delta[2]) * image.dtype.type(1 / 3)
    d = _length(u, v) + num(p.luminance_weight) * np.abs(mean)
    t = ramp(d, num(p.inner), num(p.outer))
    return colour.as_float(t * t * (3 - 2 * t))


def raw_matte(extractor: ExtractorBase, image: Array, clean: Array | None, ctx: Context) -> Array:
    """An extractor's matte before refinement, inverted (1 − α) if it says so.

    image: the pass it reads, linear (3, h, w). clean: the clean plate, or None for the flat screen
    colour. Inverting comes before refinement, so that choke always draws the used matte's edge in.
    """
    image = colour.as_float(image)
    screen = flat_screen(ctx, image.dtype) if clean is None else clean.astype(image.dtype)
    match extractor:
        case ValueBand():
            alpha = value_band(image, extractor, ctx)
        case HueBand():
            alpha = hue_band(image, extractor, ctx)
        case PlateDifference():
            alpha = plate_difference(image, screen, extractor, ctx)
        case ColourDifference():
            alpha = colour_difference(image, screen, extractor, ctx)
        case ChromaDistance():
            alpha = chroma_distance(image, screen, extractor, ctx)
        case _:
            raise TypeError(f"no such extractor: {type(extractor).__name__}")
    return 1 - alpha if extractor.inverted else alpha


def pointwise_levels(matte: Array, refine: Refine) -> Array:
    """Levels of a matte whose refinement needs no neighbours; other mattes come back as they are.

    A matte that went through `refine.refine` has had its levels there.
    """
    if not refine_is_pointwise(refine):
        return matte
    return ramp(matte, num(refine.levels.clear_below), num(refine.levels.solid_above))


def finish(matte: Array, extractor: ExtractorBase, mask: Array | None = None) -> Array:
    """What follows a raw matte, or a refined one: levels if nothing else is refined, then shapes.

    mask: the extractor's shapes, (h, w) in 0..1; the matte is multiplied by it.
    """
    matte = pointwise_levels(matte, extractor.refine)
    return matte if mask is None else matte * mask.astype(matte.dtype, copy=False)
