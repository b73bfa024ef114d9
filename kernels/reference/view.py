"""What a view shows: its measure per pixel, pooled to the size on the wire, then made a picture.

Three steps, in this order: `view_source` (full resolution, pointwise), `pool_view` (area average or
extremum), `finish_view` (display encoding or colour table, 8 bit). A view changes no result.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from kernels.plan import AP1_WEIGHTS, Context, Plan, ViewName, enabled
from kernels.recipe import ExtractorBase
from kernels.reference.backdrop import noise_sigma
from kernels.reference.colour import luminance
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
from kernels.reference.extract import join_all
from kernels.reference.neutralise import flat_backing

if TYPE_CHECKING:
    from kernels.engine import Stress, View

Array = NDArray[Any]
Box = tuple[float, float, float, float]
Pooling = Literal["mean", "max", "min"]

TOUCH = 1e-4
"""A box that reaches less than this into a pixel does not touch it."""
EVENNESS_STOPS = 1.0
"""The evenness table runs from this many stops under the backing's level to as many over."""
NOISE_RANGE = 0.1
"""The alpha noise table runs from 0 to this."""
DIM = 0.35
"""Brightness of the grey picture where a measure says nothing."""
DECIDES_FROM = 1 / 512
"""A smaller change of the joined matte decides nothing."""


# ---------------------------------------------------------------- pooling


def box_edges(start: float, stop: float, count: int) -> Array:
    """The count + 1 borders of `count` equal boxes over start..stop, float64."""
    return start + (stop - start) * (np.arange(count + 1) / count)


def pixel_ranges(start: float, stop: float, count: int, size: int) -> tuple[Array, Array]:
    """First and past-last pixel that each of `count` boxes over start..stop touches.

    floor(a + 1e-4) and ceil(b - 1e-4), at least one pixel, held inside 0..size. Where boxes are
    smaller than a pixel: the pixel that holds the box's centre, so that pixels show as squares.
    """
    edges = box_edges(start, stop, count)
    if count > stop - start:
        first = np.floor((edges[:-1] + edges[1:]) / 2)
        end = first + 1
    else:
        first, end = np.floor(edges[:-1] + TOUCH), np.ceil(edges[1:] - TOUCH)
    first = np.clip(first, 0, size - 1).astype(np.int64)
    return first, np.clip(np.maximum(end, first + 1), 1, size).astype(np.int64)


def _weights(start: float, stop: float, count: int, size: int, dtype: Any) -> Any:
    """Sparse (count, size) matrix of each box's shares of the pixels it touches; rows sum to 1."""
    first, end = pixel_ranges(start, stop, count, size)
    edges = box_edges(start, stop, count)
    spans = end - first
    rows = np.repeat(np.arange(count), spans)
    pointers = np.concatenate([[0], np.cumsum(spans)])
    columns = np.arange(pointers[-1]) - np.repeat(pointers[:-1] - first, spans)
    if count > stop - start:
        share = np.ones(len(rows))
    else:
        share = np.minimum(edges[rows + 1], columns + 1) - np.maximum(edges[rows], columns)
        share = np.where(np.repeat(spans, spans) == 1, 1.0, np.maximum(share, 0))
    share = share / np.repeat(np.add.reduceat(share, pointers[:-1]), spans)
    return sparse.csr_matrix((share.astype(dtype), columns, pointers), shape=(count, size))


def downscale_area(planes: Array, box: Box, width: int, height: int) -> Array:
    """Exact area average of `box` in width x height boxes, (..., h, w) to (..., height, width).

    box: (x0, y0, x1, y1) in pixels of `planes`, fractions allowed. An axis that is enlarged takes
    the nearest pixel. Values below 0 and above 1 survive.
    Source: the mean over an area; OpenImageIO's `resize` with a box filter gives the same.
    """
    h, w = planes.shape[-2:]
    if box == (0, 0, w, h) and (width, height) == (w, h):
        return planes
    across = _weights(box[0], box[2], width, w, planes.dtype)
    down = _weights(box[1], box[3], height, h, planes.dtype)
    flat = planes.reshape(-1, h, w)
    out = [(across @ (down @ plane).T).T for plane in flat]
    return np.ascontiguousarray(np.stack(out)).reshape(*planes.shape[:-2], height, width)


def pool_extremum(plane: Array, box: Box, width: int, height: int, which: Pooling) -> Array:
    """Largest (`max`) or smallest (`min`) of all pixels that each box touches, (..., h, w).

    A pixel between two boxes counts for both, so that a single pixel never disappears.
    """
    best = np.maximum if which == "max" else np.minimum
    for axis, start, stop, count in ((-1, box[0], box[2], width), (-2, box[1], box[3], height)):
        first, end = pixel_ranges(start, stop, count, plane.shape[axis])
        out = np.take(plane, first, axis=axis)
        for step in range(1, int((end - first).max())):
            out = best(out, np.take(plane, np.minimum(first + step, end - 1), axis=axis))
        plane = out
    return plane


def pooling_of(view: View) -> Pooling:
    """How a view is pooled: a stressed matte by extremum, everything else by mean."""
    if view.name != "matte" or view.stress.preset == "off":
        return "mean"
    return "max" if view.stress.preset == "backing" else "min"


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

    backing: clamp(gain alpha, 0, 1)^(1/gamma). core: 1 - clamp(gain (1 - alpha), 0, 1)^(1/gamma).
    """
    if p.preset == "off":
        return matte
    one = matte.dtype.type
    x = matte if p.preset == "backing" else 1 - matte
    x = np.clip(x * one(p.gain), 0, 1)
    if p.gamma != 1.0:
        x = x ** one(1 / p.gamma)
    return np.asarray(x if p.preset == "backing" else 1 - x)


def evenness(image: Array, ctx: Context, level: float | None = None) -> Array:
    """Stops of the primary over the backing's level, where the pixel is backing, (3, h, w).

    Planes: w log2(p_k / level), w, luminance. level: the backing's (a median measured before), the
    flat backing's primary if None. w is 1 where the pixel has at least half the backing's excess
    share (p_k - max(p_i, p_j)) / p_k and a sixteenth of its level, whatever any extractor says.
    """
    k, (i, j) = ctx.k, ctx.others
    c = ctx.backing
    level = c[k] if level is None else level
    share = (c[k] - max(c[i], c[j])) / max(c[k], 1e-6)
    primary, one = image[k], image.dtype.type
    excess = primary - np.maximum(image[i], image[j])
    is_backing = (excess >= one(0.5 * share) * primary) & (primary >= one(max(level, 1e-6) / 16))
    if level <= 0 or share <= 0:
        is_backing = np.zeros(primary.shape, dtype=bool)
    stops = np.log2(np.where(is_backing, primary, one(1)) / one(max(level, 1e-6)))
    w = is_backing.astype(image.dtype)
    return np.stack([stops * w, w, luminance(image, ctx.weights)])


def correlation_inverse(correlation: Sequence[float]) -> Array:
    """Inverse of the correlation matrix of red, green, blue, (3, 3) float64.

    correlation: red-green, red-blue, green-blue. Eigenvalues are held at 1e-3 at least.
    """
    rg, rb, gb = correlation
    values, vectors = np.linalg.eigh(np.array([[1, rg, rb], [rg, 1, gb], [rb, gb, 1]], float))
    return np.asarray((vectors / np.maximum(values, 1e-3)) @ vectors.T)


def alpha_noise(image: Array, neutralised: Array, clean: Array, ctx: Context) -> Array:
    """Expected noise of the matte at each pixel, (3, h, w): w sigma_alpha, w, luminance.

    sigma_alpha = 1 / sqrt((F - c)^T S^-1 (F - c)), at most 1, S the measured covariance at the
    pixel's level, F taken to be the neutralised pixel. w is 0 when no noise was measured.
    Source: the Cramer-Rao bound of the mixing share for Gaussian noise and known F and c.
    """
    one = image.dtype.type
    measured = any((*ctx.noise.gain, *ctx.noise.offset))
    u = (neutralised - clean) / np.maximum(noise_sigma(image, ctx.noise), one(1e-6))
    m = correlation_inverse(ctx.noise.correlation).astype(image.dtype)
    diagonal = m[0, 0] * u[0] * u[0] + m[1, 1] * u[1] * u[1] + m[2, 2] * u[2] * u[2]
    cross = m[0, 1] * u[0] * u[1] + m[0, 2] * u[0] * u[2] + m[1, 2] * u[1] * u[2]
    sigma = one(1) / np.sqrt(np.maximum(diagonal + one(2) * cross, one(1)))
    w = np.full_like(sigma, 1 if measured else 0)
    return np.stack([sigma * w, w, luminance(image, ctx.weights)])


def deciding_index(mattes: Sequence[tuple[Array, ExtractorBase]]) -> Array:
    """Which join changed the joined matte most, (h, w) int: position in the list, -1 for none.

    The first one changes it from 0. Of equal changes the last counts.
    """
    shape = mattes[0][0].shape if mattes else (0, 0)
    index = np.full(shape, -1)
    largest = np.full(shape, DECIDES_FROM)
    before: Array = np.zeros(shape)
    for n in range(len(mattes)):
        after = join_all(mattes[: n + 1])
        change = np.abs(after - before)
        index = np.where(change >= largest, n, index)
        largest = np.maximum(change, largest)
        before = after
    return index


def deciding(mattes: Sequence[tuple[Array, ExtractorBase]], alpha: Array) -> Array:
    """Linear light of the deciding extractor's palette colour times 0.15 + 0.85 alpha, (3, h, w).

    Colours repeat after seven extractors; where none decides it is a dark grey.
    """
    index = deciding_index(mattes) if mattes else np.full(alpha.shape, -1)
    colours = linear_from_srgb(PALETTE.astype(alpha.dtype))
    one = alpha.dtype.type
    shown = np.moveaxis(colours[index % len(colours)], -1, 0) * (one(0.15) + one(0.85) * alpha)
    return np.asarray(np.where(index >= 0, shown, one(0.02)))


# ---------------------------------------------------------------- a view, whole

_PICTURES: dict[ViewName, str] = {
    "plate": "plate",
    "denoised": "denoised",
    "clean_plate": "clean",
    "neutralised": "neutralised",
    "cutout": "cutout",
    "composite": "composite",
}


def view_needs(plan: Plan, view: View) -> tuple[str, ...]:
    """Names of the planes that `view_source` reads; `denoised` and `clean` may be missing."""
    match view.name:
        case "matte":
            return (f"matte:{view.extractor}",) if view.extractor else ("alpha",)
        case "spill":
            return ("plate", "neutralised")
        case "evenness":
            return ("plate", "denoised")
        case "alpha_noise":
            return ("plate", "neutralised", "clean")
        case "deciding":
            ids = [f"matte:{e.id}" for _, e in enabled(plan.recipe)]
            return ("alpha", *ids)
        case "denoised":
            return ("denoised", "plate")
        case "clean_plate":
            return ("clean", "plate")
        case _:
            return (_PICTURES[view.name],)


def view_source(
    plan: Plan, view: View, planes: Mapping[str, Array], level: float | None = None
) -> Array:
    """The view per full-resolution pixel: (h, w) for a matte, else (3, h, w). Pointwise.

    planes: inputs `plate denoised clean`, results `alpha neutralised cutout composite` and the
    finished mattes `matte:<id>` (see `view_needs`). Without a denoised pass the plate is taken,
    without a clean plate the flat backing. Pictures are scene-linear; evenness and alpha noise are
    a weighted measure, its weight and luminance; deciding is linear light of sRGB primaries.
    level: the backing's median primary for evenness.
    """
    ctx = plan.context
    match view.name:
        case "matte":
            matte = planes[f"matte:{view.extractor}" if view.extractor else "alpha"]
            return stress(matte, view.stress)
        case "spill":
            return np.asarray(np.maximum(planes["plate"] - planes["neutralised"], 0))
        case "evenness":
            return evenness(planes.get("denoised", planes["plate"]), ctx, level)
        case "alpha_noise":
            return alpha_noise(planes["plate"], planes["neutralised"], _clean(planes, ctx), ctx)
        case "deciding":
            mattes = [(planes[f"matte:{e.id}"], e) for _, e in enabled(plan.recipe)]
            return deciding(mattes, planes["alpha"])
        case "denoised":
            return planes.get("denoised", planes["plate"])
        case "clean_plate":
            return np.broadcast_to(_clean(planes, ctx), planes["plate"].shape)
        case _:
            return planes[_PICTURES[view.name]]


def _clean(planes: Mapping[str, Array], ctx: Context) -> Array:
    clean = planes.get("clean")
    return flat_backing(ctx, planes["plate"]) if clean is None else clean


def finish_view(
    pooled: Array, view: View, weights: Sequence[float] = AP1_WEIGHTS
) -> NDArray[np.uint8]:
    """The 8-bit picture, (height, width, 3), of `pool_view`'s result.

    Mattes are shown raw. Pictures: look, channel, then the display transform (sRGB without one).
    Measures: colour table weighted with a dim grey picture where the measure says nothing.
    """
    if view.name == "matte":
        return to_8bit(pooled)
    if view.name == "deciding":
        return to_8bit(srgb_encode(pooled))
    if view.name in ("evenness", "alpha_noise"):
        return to_8bit(_measured(pooled, view.name))
    image = pick_channel(look(pooled, view.look), view.channel, weights)
    return to_8bit(
        srgb_display(image) if view.display is None else apply_display(image, view.display)
    )


def _measured(pooled: Array, name: ViewName) -> Array:
    total, w, grey = pooled
    measure = total / np.maximum(w, pooled.dtype.type(1e-6))
    if name == "evenness":
        measure = (measure + EVENNESS_STOPS) / (2 * EVENNESS_STOPS)
    else:
        measure = measure / NOISE_RANGE
    dim = pooled.dtype.type(DIM) * srgb_encode(grey)
    return np.asarray(w * false_colour(measure) + (1 - w) * dim)
