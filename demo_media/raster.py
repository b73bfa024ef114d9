"""Area coverage of shapes by supersampling, and the layered canvas they are painted on.

Everything here is premultiplied. A canvas keeps the subject's colour in two parts, so that the
truth knows both: `clean` is the subject under its own lights, `spill` what the screen adds to it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]
Points = NDArray[np.float64]
Box = tuple[int, int, int, int]

SUPERSAMPLE = 8
_SHIFT = 4  # binary places of the sub-sample coordinates handed to the rasteriser
_BAND_BYTES = 96 * 2**20


def clip_box(box: tuple[float, float, float, float], width: int, height: int) -> Box | None:
    """Whole-pixel half-open box inside the frame, or None when it is empty."""
    x0, y0 = max(int(np.floor(box[0])), 0), max(int(np.floor(box[1])), 0)
    x1, y1 = min(int(np.ceil(box[2])), width), min(int(np.ceil(box[3])), height)
    return (x0, y0, x1, y1) if x1 > x0 and y1 > y0 else None


def bounds(polygons: Sequence[Points], margin: float = 2.0) -> tuple[float, float, float, float]:
    """Bounding box of polygons, widened by `margin` pixels."""
    points = np.concatenate(polygons)
    low, high = points.min(axis=0) - margin, points.max(axis=0) + margin
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def _fixed(points: Points, origin: tuple[float, float], factor: int) -> NDArray[np.int32]:
    """Pixel coordinates to the rasteriser's fixed point; its sample (0, 0) has its centre there."""
    scaled = ((points - np.asarray(origin)) * factor - 0.5) * (1 << _SHIFT)
    return np.asarray(np.round(scaled), np.int32)


def area_average(samples: Image, factor: int) -> Image:
    """Mean over factor × factor blocks: (h·f, w·f[, channels]) to (h, w[, channels])."""
    height, width = samples.shape[0] // factor, samples.shape[1] // factor
    return np.asarray(cv2.resize(samples, (width, height), interpolation=cv2.INTER_AREA))


def _bands(box: Box, bytes_per_sample: int, factor: int) -> list[tuple[int, int]]:
    row_bytes = (box[2] - box[0]) * factor * factor * bytes_per_sample
    rows = max(1, _BAND_BYTES // max(row_bytes, 1))
    return [(y, min(y + rows, box[3])) for y in range(box[1], box[3], rows)]


def polygon_coverage(polygons: Sequence[Points], box: Box, factor: int = SUPERSAMPLE) -> Image:
    """Share of each pixel's area that the union of `polygons` covers, 0 to 1.

    Polygons are (n, 2) arrays of x, y in pixels; the result has the shape of `box`. Measured on a
    grid of factor × factor samples a pixel; samples that an outline passes through count as inside,
    so an outline is half a sample generous.
    """
    out = np.zeros((box[3] - box[1], box[2] - box[0]), np.float32)
    for top, bottom in _bands(box, 4, factor):
        samples = np.zeros(((bottom - top) * factor, (box[2] - box[0]) * factor), np.float32)
        for polygon in polygons:
            corners = _fixed(polygon, (box[0], top), factor)
            cv2.fillPoly(samples, [corners], 1.0, lineType=cv2.LINE_8, shift=_SHIFT)
        out[top - box[1] : bottom - box[1]] = area_average(samples, factor)
    return out


@dataclass(frozen=True)
class Strand:
    """One fibre: a polyline (n, 2) with a width in pixels and two colours at every point."""

    points: Points
    width_px: NDArray[np.float64]
    clean: NDArray[np.float64]
    spill: NDArray[np.float64]


@dataclass
class Layer:
    """A premultiplied piece of picture at `box`: clean and spill (3, h, w), alpha (h, w)."""

    box: Box
    clean: Image
    spill: Image
    alpha: Image


@dataclass
class Canvas:
    """The subject painted so far, premultiplied, over nothing."""

    clean: Image
    spill: Image
    alpha: Image

    @classmethod
    def empty(cls, width: int, height: int) -> Canvas:
        return cls(
            np.zeros((3, height, width), np.float32),
            np.zeros((3, height, width), np.float32),
            np.zeros((height, width), np.float32),
        )

    @property
    def width(self) -> int:
        return int(self.alpha.shape[1])

    @property
    def height(self) -> int:
        return int(self.alpha.shape[0])

    def over(self, layer: Layer) -> None:
        """Paint `layer` on top: S + (1 − α_S)·D for colours and alpha (Porter & Duff 1984)."""
        x0, y0, x1, y1 = layer.box
        through = 1 - layer.alpha
        for mine, theirs in ((self.clean, layer.clean), (self.spill, layer.spill)):
            mine[:, y0:y1, x0:x1] = theirs + through * mine[:, y0:y1, x0:x1]
        self.alpha[y0:y1, x0:x1] = layer.alpha + through * self.alpha[y0:y1, x0:x1]

    def occlude(
        self, layer: Layer, *, shift: tuple[int, int], blur_px: float, amount: float
    ) -> None:
        """Darken what is already painted by the soft shadow of a layer about to be painted."""
        reach = int(3 * blur_px) + max(abs(shift[0]), abs(shift[1])) + 1
        box = clip_box(
            (
                layer.box[0] - reach,
                layer.box[1] - reach,
                layer.box[2] + reach,
                layer.box[3] + reach,
            ),
            self.width,
            self.height,
        )
        if box is None:
            return
        shade = np.zeros((box[3] - box[1], box[2] - box[0]), np.float32)
        ox, oy = layer.box[0] - box[0], layer.box[1] - box[1]
        shade[oy : oy + layer.alpha.shape[0], ox : ox + layer.alpha.shape[1]] = layer.alpha
        move = np.array([[1, 0, shift[0]], [0, 1, shift[1]]], np.float64)
        shade = np.asarray(cv2.warpAffine(shade, move, (shade.shape[1], shade.shape[0])))
        shade = np.asarray(cv2.GaussianBlur(shade, (0, 0), blur_px))
        keep = 1 - np.float32(amount) * shade
        self.clean[:, box[1] : box[3], box[0] : box[2]] *= keep
        self.spill[:, box[1] : box[3], box[0] : box[2]] *= keep


def strand_layer(strands: Sequence[Strand], width: int, height: int) -> Layer | None:
    """Paint strands in order on a SUPERSAMPLE grid and average: exact coverage and colour."""
    if not strands:
        return None
    reach = max(float(s.width_px.max()) for s in strands) + 2
    box = clip_box(bounds([s.points for s in strands], reach), width, height)
    if box is None:
        return None
    shape = (box[3] - box[1], box[2] - box[0])
    clean, spill = np.zeros((3, *shape), np.float32), np.zeros((3, *shape), np.float32)
    alpha = np.zeros(shape, np.float32)
    spans = [
        (float(s.points[:, 1].min()) - reach, float(s.points[:, 1].max()) + reach) for s in strands
    ]
    for top, bottom in _bands(box, 16, SUPERSAMPLE):
        inside = [s for s, (a, b) in zip(strands, spans, strict=True) if b > top and a < bottom]
        rows = slice(top - box[1], bottom - box[1])
        for target, which in ((clean, "clean"), (spill, "spill")):
            averaged = _paint_band(inside, which, box, top, bottom)
            target[:, rows] = np.moveaxis(averaged[..., :3], -1, 0)
            alpha[rows] = averaged[..., 3]
    return Layer(box, clean, spill, alpha)


def _paint_band(strands: Sequence[Strand], which: str, box: Box, top: int, bottom: int) -> Image:
    f = SUPERSAMPLE
    samples = np.zeros(((bottom - top) * f, (box[2] - box[0]) * f, 4), np.float32)
    for strand in strands:
        corners = _fixed(strand.points, (box[0], top), f)
        colours = strand.clean if which == "clean" else strand.spill
        widths = np.maximum(np.round(strand.width_px * f), 1).astype(int)
        for i in range(len(corners) - 1):
            colour = colours[i]
            cv2.line(
                samples,
                (int(corners[i, 0]), int(corners[i, 1])),
                (int(corners[i + 1, 0]), int(corners[i + 1, 1])),
                (float(colour[0]), float(colour[1]), float(colour[2]), 1.0),
                int(widths[i]),
                cv2.LINE_8,
                _SHIFT,
            )
    return area_average(samples, f)


def average_layers(
    draw: Callable[[float, Canvas, Points], None], times: Sequence[float], box: Box
) -> Layer:
    """Motion blur: the mean of what `draw` paints over the shutter's `times`.

    `draw(time, canvas, origin)` paints on a canvas of the size of `box`, whose corner lies at
    `origin` in the frame.
    """
    width, height = box[2] - box[0], box[3] - box[1]
    origin = np.array([box[0], box[1]], np.float64)
    total = Canvas.empty(width, height)
    for time in times:
        one = Canvas.empty(width, height)
        draw(time, one, origin)
        total.clean += one.clean
        total.spill += one.spill
        total.alpha += one.alpha
    scale = np.float32(1 / len(times))
    return Layer(box, total.clean * scale, total.spill * scale, total.alpha * scale)
