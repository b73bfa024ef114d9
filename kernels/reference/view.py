"""What a view shows: its measure per pixel, pooled to the size on the wire, then made a picture.

Three steps, in this order: `view_source` (full resolution, pointwise), `pool_view` (area average or
extremum), `finish_view` (display encoding or colour table, 8 bit). A view changes no result.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kernels.plan import AP1_WEIGHTS, Context, Plan, enabled
from kernels.reference.background import noise_sigma
from kernels.reference.colour import luminance
from kernels.reference.combine import Combined, combine_all
from kernels.reference.despill import flat_screen
from kernels.reference.display import (
    PALETTE,
    apply_display,
    false_colour,
    linear_from_srgb,
    look,
    pick_channel,
    srgb_display,
    srgb_encode,
    to_8bit,
)
from kernels.reference.pool import Box, Pooling, downscale_area, pool_extremum
from kernels.views import VIEW_TABLE, Finish, Stress, View

Array = NDArray[Any]

EVENNESS_STOPS = 1.0
"""The evenness table runs from this many stops under the screen's level to as many over."""
NOISE_RANGE = 0.1
"""The alpha noise table runs from 0 to this."""
DIM = 0.35
"""Brightness of the grey picture where a measure says nothing."""
DECIDES_FROM = 1 / 512
"""A smaller change of the combined matte decides nothing."""


# ---------------------------------------------------------------- pooling


def pooling_of(view: View) -> Pooling:
    """How a view is pooled: a stressed matte by extremum, everything else by mean."""
    if view.name != "matte" or view.stress.preset == "off":
        return "mean"
    return "max" if view.stress.preset == "screen" else "min"


def pool_view(source: Array, view: View, box: Box | None = None) -> Array:
    """`view_source` at the size on the wire; box: the part shown, in pixels of `source`."""
    h, w = source.shape[-2:]
    box = (0, 0, w, h) if box is None else box
    pooling = pooling_of(view)
    if pooling == "mean":
        return downscale_area(source, box, view.width, view.height)
    return pool_extremum(source, box, view.width, view.height, pooling)


# ---------------------------------------------------------------- measures


def stress(matte: Array, p: Stress) -> Array:
    """Gain and gamma that expose noise, per pixel, (h, w) to 0..1; `off` is the identity.

    screen: clamp(gain alpha, 0, 1)^(1/gamma). core: 1 - clamp(gain (1 - alpha), 0, 1)^(1/gamma).
    """
    if p.preset == "off":
        return matte
    one = matte.dtype.type
    x = matte if p.preset == "screen" else 1 - matte
    x = np.clip(x * one(p.gain), 0, 1)
    if p.gamma != 1.0:
        x = x ** one(1 / p.gamma)
    return np.asarray(x if p.preset == "screen" else 1 - x)


def evenness(image: Array, ctx: Context, level: float | None = None) -> Array:
    """Stops of the primary over the screen's level, where the pixel is screen, (3, h, w).

    Planes: w log2(p_k / level), w, luminance. level: the screen's (a median measured before), the
    flat screen's primary if None. w is 1 where the pixel has at least half the screen's excess
    share (p_k - max(p_i, p_j)) / p_k and a sixteenth of its level, whatever any extractor says.
    """
    k, (i, j) = ctx.k, ctx.others
    c = ctx.screen
    level = c[k] if level is None else level
    share = (c[k] - max(c[i], c[j])) / max(c[k], 1e-6)
    primary, one = image[k], image.dtype.type
    excess = primary - np.maximum(image[i], image[j])
    is_screen = (excess >= one(0.5 * share) * primary) & (primary >= one(max(level, 1e-6) / 16))
    if level <= 0 or share <= 0:
        is_screen = np.zeros(primary.shape, dtype=bool)
    stops = np.log2(np.where(is_screen, primary, one(1)) / one(max(level, 1e-6)))
    w = is_screen.astype(image.dtype)
    return np.stack([stops * w, w, luminance(image, ctx.weights)])


def correlation_inverse(correlation: Sequence[float]) -> Array:
    """Inverse of the correlation matrix of red, green, blue, (3, 3) float64.

    correlation: red-green, red-blue, green-blue. Eigenvalues are held at 1e-3 at least.
    """
    rg, rb, gb = correlation
    values, vectors = np.linalg.eigh(np.array([[1, rg, rb], [rg, 1, gb], [rb, gb, 1]], float))
    return np.asarray((vectors / np.maximum(values, 1e-3)) @ vectors.T)


def alpha_noise(image: Array, despilled: Array, clean: Array, ctx: Context) -> Array:
    """Expected noise of the matte at each pixel, (3, h, w): w sigma_alpha, w, luminance.

    sigma_alpha = 1 / sqrt((F - c)^T S^-1 (F - c)), at most 1, S the measured covariance at the
    pixel's level, F taken to be the despilled pixel. w is 0 when no noise was measured.
    Source: the Cramer-Rao bound in the general Gaussian case, Kay 1993, section 3.9, for known F
    and c, without the term of S's change with alpha (`measure.noise` says how little that is).
    """
    one = image.dtype.type
    measured = any((*ctx.noise.gain, *ctx.noise.offset))
    u = (despilled - clean) / np.maximum(noise_sigma(image, ctx.noise), one(1e-6))
    m = correlation_inverse(ctx.noise.correlation).astype(image.dtype)
    diagonal = m[0, 0] * u[0] * u[0] + m[1, 1] * u[1] * u[1] + m[2, 2] * u[2] * u[2]
    cross = m[0, 1] * u[0] * u[1] + m[0, 2] * u[0] * u[2] + m[1, 2] * u[1] * u[2]
    sigma = one(1) / np.sqrt(np.maximum(diagonal + one(2) * cross, one(1)))
    w = np.full_like(sigma, 1 if measured else 0)
    return np.stack([sigma * w, w, luminance(image, ctx.weights)])


def alpha_error(image: Array, error: Array | None, ctx: Context) -> Array:
    """Expected error of the matte, (3, h, w): w error, w, luminance; w is 0 if none is known."""
    w = np.full(image.shape[-2:], 0 if error is None else 1, image.dtype)
    error = w if error is None else error
    return np.stack([error * w, w, luminance(image, ctx.weights)])


def deciding_index(mattes: Sequence[Combined]) -> Array:
    """Which combine changed the combined matte most, (h, w) int: position in the list, -1 for none.

    mattes: (finished matte, extractor[, mask]), at least one, as `extract.combine_all` takes them.
    The first one changes it from 0. Of equal changes the last counts; changes under 1/512 never do.
    """
    first = mattes[0][0]
    index = np.full(first.shape, -1)
    largest = np.full_like(first, DECIDES_FROM)
    before: Array = np.zeros_like(first)
    for n in range(len(mattes)):
        after = combine_all(mattes[: n + 1])
        change = np.abs(after - before)
        index = np.where(change >= largest, n, index)
        largest = np.maximum(change, largest)
        before = after
    return index


def deciding(mattes: Sequence[Combined], alpha: Array) -> Array:
    """Linear light of the deciding extractor's palette colour times 0.15 + 0.85 alpha, (3, h, w).

    Colours repeat after seven extractors; where none decides it is a dark grey.
    """
    index = deciding_index(mattes) if mattes else np.full(alpha.shape, -1)
    colours = linear_from_srgb(PALETTE.astype(alpha.dtype))
    one = alpha.dtype.type
    shown = np.moveaxis(colours[index % len(colours)], -1, 0) * (one(0.15) + one(0.85) * alpha)
    return np.asarray(np.where(index >= 0, shown, one(0.02)))


# ---------------------------------------------------------------- a view, whole


def view_needs(plan: Plan, view: View) -> tuple[str, ...]:
    """Names of the planes that `view_source` reads; `denoised` and `clean` may be missing."""
    if view.name == "matte" and view.extractor:
        return (f"matte:{view.extractor}",)
    needs: list[str] = []
    for plane in VIEW_TABLE[view.name].planes:
        if plane == "mattes":
            needs += [f"matte:{e.id}" for _, e in enabled(plan.recipe)]
        else:
            needs.append(plane)
    return tuple(needs)


def view_source(
    plan: Plan, view: View, planes: Mapping[str, Array], level: float | None = None
) -> Array:
    """The view per full-resolution pixel: (h, w) for a matte, else (3, h, w). Pointwise.

    planes: inputs `plate denoised clean` and `mask:<id>`, results `alpha despilled foreground
    composite` and the finished mattes `matte:<id>` (see `view_needs`). Without a denoised pass
    the plate is taken, without a clean plate the flat screen. Pictures are scene-linear; evenness
    and alpha noise are a weighted measure, its weight and luminance; deciding is linear light of
    sRGB primaries.
    level: the screen's median primary for evenness.
    """
    ctx = plan.context
    match view.name:
        case "matte":
            matte = planes[f"matte:{view.extractor}" if view.extractor else "alpha"]
            return stress(matte, view.stress)
        case "spill":
            return np.asarray(np.maximum(planes["plate"] - planes["despilled"], 0))
        case "evenness":
            return evenness(planes.get("denoised", planes["plate"]), ctx, level)
        case "alpha_noise":
            return alpha_noise(planes["plate"], planes["despilled"], _clean(planes, ctx), ctx)
        case "alpha_error":
            known = planes.get("error") if plan.error_from else None
            return alpha_error(planes["plate"], known, ctx)
        case "deciding":
            mattes: list[Combined] = [
                (planes[f"matte:{e.id}"], e, planes.get(f"mask:{e.id}"))
                for _, e in enabled(plan.recipe)
            ]
            return deciding(mattes, planes["alpha"])
        case "denoised":
            return planes.get("denoised", planes["plate"])
        case "clean_plate":
            return np.broadcast_to(_clean(planes, ctx), planes["plate"].shape)
        case _:
            return planes[VIEW_TABLE[view.name].planes[0]]


def _clean(planes: Mapping[str, Array], ctx: Context) -> Array:
    clean = planes.get("clean")
    return flat_screen(ctx, planes["plate"]) if clean is None else clean


def finish_view(
    pooled: Array, view: View, weights: Sequence[float] = AP1_WEIGHTS
) -> NDArray[np.uint8]:
    """The 8-bit picture, (height, width, 3), of `pool_view`'s result.

    Mattes are shown raw. Pictures: look, channel, then the display transform (sRGB without one).
    Measures: colour table weighted with a dim grey picture where the measure says nothing.
    """
    how = VIEW_TABLE[view.name].finish
    if how == "matte":
        return to_8bit(pooled)
    if how == "deciding":
        return to_8bit(srgb_encode(pooled))
    if how != "picture":
        return to_8bit(_measured(pooled, how))
    image = pick_channel(look(pooled, view.look), view.channel, weights)
    return to_8bit(
        srgb_display(image) if view.display is None else apply_display(image, view.display)
    )


def _measured(pooled: Array, how: Finish) -> Array:
    total, w, grey = pooled
    measure = total / np.maximum(w, pooled.dtype.type(1e-6))
    if how == "evenness":
        measure = (measure + EVENNESS_STOPS) / (2 * EVENNESS_STOPS)
    else:
        measure = measure / NOISE_RANGE
    dim = pooled.dtype.type(DIM) * srgb_encode(grey)
    return np.asarray(w * false_colour(measure) + (1 - w) * dim)


__all__ = [
    "alpha_error",
    "alpha_noise",
    "deciding",
    "deciding_index",
    "downscale_area",
    "evenness",
    "finish_view",
    "pool_extremum",
    "pool_view",
    "pooling_of",
    "stress",
    "view_needs",
    "view_source",
]
