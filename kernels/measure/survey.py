"""The survey of one frame: everything that says whether, and how well, a screen can be keyed.

`measure_frame` takes a working-linear picture and, where the input's own encoding is known, the
same picture encoded; it returns plain numbers and small maps. Verdicts are drawn elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict
from scipy.ndimage import distance_transform_edt

from kernels.measure.codec_marks import ChromaFormat, block_edges, chroma_format
from kernels.measure.edges import edge_width
from kernels.measure.first_key import key_bias, matte_noise_dark
from kernels.measure.light import (
    block_means,
    clipped_pixels,
    snr_db,
    spread_stops,
    uncovered_border,
)
from kernels.measure.marks import Marks, find_marks
from kernels.measure.noise import MeasuredNoise, expected_sigma_alpha, measure_noise
from kernels.measure.screen_find import channel_index
from kernels.measure.screen_fit import ScreenFit, fit_picture, working_size
from kernels.measure.screen_surface import resized
from kernels.measure.subject import (
    Regions,
    bounds,
    regions,
    separation,
    shrink_to,
)
from kernels.recipe import Noise, Primary

Array = NDArray[Any]
Mask = NDArray[np.bool_]
Box = tuple[float, float, float, float]
NEAR_SUBJECT = 0.1
"""The part of the screen near the subject: within this share of the frame's width."""
GREY = 0.18


class Measures(BaseModel):
    """The numbers of one frame. None: not to be had.

    Shares are 0..1; boxes are shares of the frame. Stops are of working-linear light, None when
    the transfer curve is unknown.
    """

    model_config = ConfigDict(extra="forbid")

    screen: bool
    primary: Primary | None = None
    screen_share: float = 0.0
    uncovered: float | None = None
    screen_colour: tuple[float, float, float] | None = None
    evenness_stops: float | None = None
    evenness_near_stops: float | None = None
    dark_box: Box | None = None
    bright_box: Box | None = None
    level_stops: float | None = None
    level_code: float | None = None
    saturation: float | None = None
    purity: float | None = None
    clipped_share: float = 0.0
    clipped_box: Box | None = None
    noise_sigma: tuple[float, float, float] | None = None
    noise: Noise | None = None
    snr_db: tuple[float, float, float] | None = None
    separation_matte: float | None = None
    separation_delta_e: float | None = None
    separation_sigma: float | None = None
    separation_box: Box | None = None
    spill: float | None = None
    edge_px: float | None = None
    edge_sharp_px: float | None = None
    edge_width: float | None = None
    alpha_noise_edge: float | None = None
    alpha_noise_screen: float | None = None
    matte_noise: float | None = None
    matte_noise_dark: float | None = None
    key_bias: float | None = None
    edge_share: float | None = None
    chroma: ChromaFormat = "unknown"
    block_px: int = 0
    block_step_codes: float = 0.0
    markers: int = 0
    crease_share: float = 0.0
    crease_box: Box | None = None
    motion_px: float | None = None
    camera_px: float | None = None
    over_range_share: float = 0.0
    largest_value: float = 0.0


@dataclass(frozen=True, eq=False)
class FrameSurvey:
    """The measures of one frame with what later steps need, all at working size.

    small: (3, h, w). evenness: (h, w) stops from the median, NaN off the screen. alpha_noise:
    (h, w) expected standard deviation of the matte, NaN where nothing is to be keyed.
    """

    measures: Measures
    small: Array
    fit: ScreenFit | None = None
    noise: MeasuredNoise | None = None
    marks: Marks | None = None
    areas: Regions | None = None
    evenness: Array = field(default_factory=lambda: np.zeros((0, 0), np.float32))
    alpha_noise: Array = field(default_factory=lambda: np.zeros((0, 0), np.float32))


def measure_frame(
    image: Array,
    encoded: Array | None = None,
    *,
    bits: int | None = None,
    known_curve: bool = True,
    primary: Primary | None = None,
    detail: bool = True,
) -> FrameSurvey:
    """Survey one picture.

    image: (3, H, W) float32 working-linear, finite, any range. encoded: the same in the input's
    own encoding, 0..1 nominal, for clipping, code values and the codec's marks. bits: of the
    input. known_curve: False leaves out every figure in stops. primary: None finds it. detail:
    False leaves out edge width and codec marks. Each measure's own function names its source.
    """
    image = np.asarray(image, np.float32)
    height, width = image.shape[1:]
    small = resized(image, *working_size(height, width))
    base = Measures(
        screen=False,
        over_range_share=float((small > 1.0).any(axis=0).mean()),
        largest_value=float(image.max(initial=0.0)),
    )
    if encoded is not None and detail:
        base.chroma = chroma_format(_middle(encoded))
        base.block_px, base.block_step_codes = block_edges(_middle(encoded))
    fit = fit_picture(image, primary)
    if fit is None:
        return FrameSurvey(base, small)
    return _measure_screen(image, encoded, bits, known_curve, detail, small, fit, base)


def _middle(picture: Array) -> Array:
    """Return the middle 1024x768 pixels, starting at multiples of 16 so that grids stay in step."""
    h, w = picture.shape[1:]
    y = max(0, (h - 768) // 2) // 16 * 16
    x = max(0, (w - 1024) // 2) // 16 * 16
    return picture[:, y : y + 768, x : x + 1024]


def _measure_screen(
    image: Array,
    encoded: Array | None,
    bits: int | None,
    known_curve: bool,
    detail: bool,
    small: Array,
    fit: ScreenFit,
    m: Measures,
) -> FrameSurvey:
    height, width = image.shape[1:]
    clean = fit.clean_at(height, width)
    full_mask = fit.mask_at(height, width)
    marks = find_marks(small, fit)
    areas = regions(small, fit.clean, fit.mask, marks.marker_mask, fit.primary)
    noise = measure_noise(image, clean, full_mask & ~shrink_to(fit.creases, height, width))
    clipped = clipped_pixels(image, encoded, fit.primary)
    m.screen, m.primary, m.screen_share = True, fit.primary, float(fit.mask.mean())
    m.screen_colour = fit.colour
    m.uncovered = uncovered_border(areas)
    _screen(m, fit, image, encoded, full_mask, bits, known_curve)
    _clipping(m, clipped, areas)
    m.noise_sigma, m.noise = noise.sigma, noise.model
    m.snr_db = snr_db(noise)
    usable = full_mask & ~clipped & ~shrink_to(marks.marker_mask | marks.crease_mask, height, width)
    evenness = _evenness(m, image, usable, areas, noise, fit.primary, known_curve)
    m.markers = len(marks.markers)
    m.crease_share = float(marks.crease_mask.sum() / max(fit.mask.sum(), 1))
    m.crease_box = bounds(marks.crease_mask)
    _subject(m, small, fit, areas, noise)
    m.edge_share = float(areas.edge.mean())
    m.key_bias = key_bias(small, fit.clean, fit.colour, areas, fit.primary)
    m.matte_noise_dark = matte_noise_dark(fit.clean, fit.colour, areas, noise.model, fit.primary)
    alpha_noise = _alpha_noise(m, fit, areas, noise)
    if detail:
        width_px = edge_width(image, clean, fit.primary)
        if width_px is not None:
            m.edge_px, m.edge_sharp_px = width_px.median_px, width_px.sharp_px
            m.edge_width = width_px.median_px / width
    return FrameSurvey(m, small, fit, noise, marks, areas, evenness, alpha_noise)


def _screen(
    m: Measures,
    fit: ScreenFit,
    image: Array,
    encoded: Array | None,
    mask: Mask,
    bits: int | None,
    known_curve: bool,
) -> None:
    k, i, j = channel_index(fit.primary)
    level = [float(np.mean(plane[mask][::7])) for plane in image]
    if known_curve:
        m.level_stops = float(np.log2(max(level[k], 1e-6) / GREY))
    if encoded is not None:
        m.level_code = float(np.median(encoded[k][mask][::7])) * (2 ** (bits or 8) - 1)
    m.saturation = float(1 - min(level) / max(max(level), 1e-6))
    m.purity = float((level[k] - max(level[i], level[j])) / max(level[k], 1e-6))


def _clipping(m: Measures, clipped: Mask, areas: Regions) -> None:
    """Share of the visible screen that is clipped; clipped pixels beside it belong to it."""
    h, w = areas.visible_screen.shape
    share = resized(clipped.astype(np.float32), h, w)
    whole = areas.visible_screen | ((share > 0.5) & (areas.alpha < 0.9))
    inside = share * whole
    m.clipped_share = float(inside.sum() / max(whole.sum(), 1))
    m.clipped_box = bounds((inside > 0.5) & whole)


def _evenness(
    m: Measures,
    image: Array,
    usable: Mask,
    areas: Regions,
    noise: MeasuredNoise,
    primary: Primary,
    known_curve: bool,
) -> Array:
    k, _, _ = channel_index(primary)
    h, w = areas.alpha.shape
    mean, covered, size = block_means(image[k], usable)
    enough = covered > 0.5
    if enough.sum() < 4:
        return np.full((h, w), np.nan, np.float32)
    sigma_stops = noise.sigma[k] / max(noise.level[k], 1e-9) / size / np.log(2)
    middle = float(np.median(mean[enough]))
    stops = np.log2(np.maximum(mean, 1e-9) / middle)
    near = _near_subject(areas, mean.shape) & enough
    if known_curve:
        m.evenness_stops = spread_stops(stops[enough], sigma_stops)
        m.evenness_near_stops = spread_stops(stops[near], sigma_stops) if near.sum() > 8 else None
    low, high = np.percentile(stops[enough], [5, 95])
    if high - low > 0.15:
        m.dark_box = bounds(enough & (stops <= low))
        m.bright_box = bounds(enough & (stops >= high))
    plane = np.where(enough, stops, np.nan).astype(np.float32)
    rows = np.minimum(np.arange(h) * mean.shape[0] // h, mean.shape[0] - 1)
    columns = np.minimum(np.arange(w) * mean.shape[1] // w, mean.shape[1] - 1)
    return np.asarray(plane[rows][:, columns])


def _near_subject(areas: Regions, shape: tuple[int, ...]) -> Mask:
    if not areas.subject.any():
        return np.zeros(shape, bool)
    distance = distance_transform_edt(~areas.subject)
    near = distance < NEAR_SUBJECT * areas.subject.shape[1]
    return shrink_to(np.asarray(near), *shape[:2])


def _subject(
    m: Measures, small: Array, fit: ScreenFit, areas: Regions, noise: MeasuredNoise
) -> None:
    apart = separation(small, fit.clean, areas, noise.model, fit.primary)
    if apart is None:
        return
    m.separation_matte, m.separation_delta_e = apart.matte, apart.delta_e
    m.separation_sigma, m.separation_box, m.spill = apart.sigma, apart.where, apart.spill


def _alpha_noise(m: Measures, fit: ScreenFit, areas: Regions, noise: MeasuredNoise) -> Array:
    """Map the expected alpha noise and note its medians; also the plain matte's own noise."""
    k, i, j = channel_index(fit.primary)
    c = fit.clean
    relative = float(np.mean(fit.sigma_log))
    sigma = expected_sigma_alpha(areas.foreground, c, areas.alpha, noise.model, relative)
    interest = areas.visible_screen | areas.edge
    plane = np.where(interest, np.minimum(sigma, 1.0), np.nan).astype(np.float32)
    if areas.edge.any():
        m.alpha_noise_edge = float(np.median(np.minimum(sigma[areas.edge], 1.0)))
    if areas.screen.any():
        m.alpha_noise_screen = float(np.median(np.minimum(sigma[areas.screen], 1.0)))
    excess = fit.colour[k] - max(fit.colour[i], fit.colour[j])
    other = i if fit.colour[i] >= fit.colour[j] else j
    rho = noise.model.correlation[{(0, 1): 0, (0, 2): 1, (1, 2): 2}[(min(k, other), max(k, other))]]
    a, b = noise.sigma[k], noise.sigma[other]
    m.matte_noise = float(np.sqrt(max(a * a + b * b - 2 * rho * a * b, 0)) / max(excess, 1e-6))
    return plane
