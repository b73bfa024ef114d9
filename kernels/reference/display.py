"""From scene-linear light to what the screen shows: look, display transform, colour tables, 8 bit.

View-only. Images are (3, ...); results of the display functions are display-encoded 0..1.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kernels.views import DisplayTable, Look

Array = NDArray[Any]

REC709_FROM_ACESCG = np.array(
    [
        [1.70505099, -0.62179212, -0.08325887],
        [-0.13025642, 1.14080474, -0.01054832],
        [-0.02400336, -0.12896898, 1.15297233],
    ]
)
"""Source: the primaries of S-2014-004 and ITU-R BT.709-6, whites adapted by Bradford."""

CDL_LUMA = (0.2126, 0.7152, 0.0722)
"""Weights of the CDL's saturation. Source: ASC CDL, version 1.2."""


def look(image: Array, p: Look) -> Array:
    """Exposure, then an ASC CDL without its clamps, (3, ...) to (3, ...), linear, any range.

    y = (2^stops x) slope + offset; where y > 0, y^power (below 0 it stays); then
    Y + saturation (y - Y) with Y = 0.2126 r + 0.7152 g + 0.0722 b. The standard clamps to 0..1
    after each step, which would cut highlights of linear pictures off. The defaults are the
    identity. Source: ASC CDL, version 1.2.
    """
    one = image.dtype.type
    shape = (3,) + (1,) * (image.ndim - 1)
    if p.exposure_stops:
        image = image * one(2.0**p.exposure_stops)
    if p.slope != (1.0, 1.0, 1.0) or p.offset != (0.0, 0.0, 0.0):
        slope = np.asarray(p.slope, image.dtype).reshape(shape)
        image = image * slope + np.asarray(p.offset, image.dtype).reshape(shape)
    if p.power != (1.0, 1.0, 1.0):
        power = np.asarray(p.power, image.dtype).reshape(shape)
        image = np.where(image > 0, np.maximum(image, 0) ** power, image)
    if p.saturation != 1.0:
        r, g, b = (one(w) for w in CDL_LUMA)
        luma = r * image[0] + g * image[1] + b * image[2]
        image = luma + one(p.saturation) * (image - luma)
    return image


def pick_channel(image: Array, channel: str, weights: Sequence[float]) -> Array:
    """One channel, or luminance, as grey, (3, ...) to (3, ...); `colour` leaves it as it is."""
    if channel == "colour":
        return image
    if channel == "luminance":
        r, g, b = (image.dtype.type(w) for w in weights)
        grey = r * image[0] + g * image[1] + b * image[2]
    else:
        grey = image[("red", "green", "blue").index(channel)]
    return np.stack([grey, grey, grey])


def srgb_encode(linear: Array) -> Array:
    """sRGB code value of linear light, clamped to 0..1 first. Any shape.

    12.92 x up to 0.0031308, else 1.055 x^(1/2.4) - 0.055. Source: IEC 61966-2-1.
    """
    one = linear.dtype.type
    x = np.clip(linear, 0, 1)
    curve = one(1.055) * np.maximum(x, one(0.0031308)) ** one(1 / 2.4) - one(0.055)
    return np.asarray(np.where(x <= one(0.0031308), one(12.92) * x, curve))


def linear_from_srgb(code: Array) -> Array:
    """Linear light of an sRGB code value 0..1. Any shape. Source: IEC 61966-2-1."""
    one = code.dtype.type
    curve = (np.maximum(code + one(0.055), 0) / one(1.055)) ** one(2.4)
    return np.asarray(np.where(code <= one(0.04045), code / one(12.92), curve))


def srgb_display(image: Array) -> Array:
    """sRGB picture of linear ACEScg: matrix to Rec. 709, clamped to 0..1, sRGB curve. (3, ...)."""
    m = REC709_FROM_ACESCG.astype(image.dtype)
    rows = [m[r, 0] * image[0] + m[r, 1] * image[1] + m[r, 2] * image[2] for r in range(3)]
    return srgb_encode(np.stack(rows))


def apply_display(image: Array, table: DisplayTable) -> Array:
    """Display-encoded picture through a baked transform, (3, ...) to (3, ...).

    t = clamp((log2(max(x - toe, 2^low)) - low) / (high - low), 0, 1); the shaper at t (linear
    between its samples) is the coordinate in the cube, clamped to 0..1; the cube is trilinear.
    Common practice, no source.
    """
    one = image.dtype.type
    low, high = table.low_stops, table.high_stops
    stops = np.log2(np.maximum(image - one(table.toe), one(2.0**low)))
    t = np.clip((stops - one(low)) / one(high - low), 0, 1)
    shaped = _lerp_table(table.shaper.astype(image.dtype, copy=False), t)
    return _trilinear(table.table.astype(image.dtype, copy=False), np.clip(shaped, 0, 1))


def _lerp_table(table: Array, t: Array) -> Array:
    """Values of a table (S,) or (S, C) at t in 0..1, linear between entries."""
    position = t * t.dtype.type(len(table) - 1)
    index = np.minimum(position.astype(np.int32), len(table) - 2)
    fraction = position - index.astype(t.dtype)
    if table.ndim == 2:
        fraction = fraction[..., None]
    low, high = table[index], table[index + 1]
    return np.asarray(low + (high - low) * fraction)


def _trilinear(table: Array, shaped: Array) -> Array:
    """Cube (N, N, N, 3) at coordinates (3, ...) in 0..1, to (3, ...): along red, green, blue."""
    size = len(table)
    position = shaped * shaped.dtype.type(size - 1)
    index = np.minimum(position.astype(np.int32), size - 2)
    r, g, b = index
    fr, fg, fb = (position - index.astype(shaped.dtype))[..., None]

    def along_red(green: int, blue: int) -> Array:
        near, far = table[r, g + green, b + blue], table[r + 1, g + green, b + blue]
        return np.asarray(near + (far - near) * fr)

    c00, c10 = along_red(0, 0), along_red(1, 0)
    near = c00 + (c10 - c00) * fg
    c01, c11 = along_red(0, 1), along_red(1, 1)
    far = c01 + (c11 - c01) * fg
    return np.moveaxis(near + (far - near) * fb, -1, 0)


def to_8bit(picture: Array) -> NDArray[np.uint8]:
    """floor(clamp(x, 0, 1) * 255 + 0.5), (3, h, w) to (h, w, 3) or (h, w) to (h, w, 3).

    Not-a-number gives 0.
    """
    x = np.where(picture > 0, np.minimum(picture, 1), 0)
    code = np.floor(x * picture.dtype.type(255) + picture.dtype.type(0.5)).astype(np.uint8)
    code = np.stack([code] * 3) if code.ndim == 2 else code
    return np.ascontiguousarray(np.moveaxis(code, 0, -1))


# ---------------------------------------------------------------- colour tables

FALSE_COLOUR_ENDS_LAB = ((16.0, 24.0, -45.0), (92.0, -13.0, 74.0))
"""L*a*b* (D65) of the false-colour table's first and last entry, dark blue and pale yellow."""

PALETTE = np.array(
    [
        [230, 159, 0],
        [86, 180, 233],
        [0, 158, 115],
        [240, 228, 66],
        [0, 114, 178],
        [213, 94, 0],
        [204, 121, 167],
    ],
    dtype=np.float32,
) / np.float32(255)
"""Seven hues that people with any colour vision tell apart, sRGB code values 0..1.
Source: Okabe & Ito 2008, "Color Universal Design"."""


@lru_cache(maxsize=1)
def false_colour_table() -> NDArray[np.float32]:
    """256 sRGB code values 0..1, (256, 3): a straight line in CIE L*a*b* from blue to yellow.

    Lightness rises evenly by 76, from dark blue through muted violet to yellow, so that the order
    can be read with any colour vision and in black and white. Source: CIE 15:2004 and
    IEC 61966-2-1 for the conversions; the choice of the line is ours.
    """
    first, last = (np.array(end) for end in FALSE_COLOUR_ENDS_LAB)
    lab = first + (last - first) * np.linspace(0, 1, 256)[:, None]
    fy = (lab[:, 0] + 16) / 116
    f = np.stack([fy + lab[:, 1] / 500, fy, fy - lab[:, 2] / 200])
    delta = 6 / 29
    t = np.where(f > delta, f**3, 3 * delta**2 * (f - 4 / 29))
    xyz = t * np.array([0.95047, 1.0, 1.08883])[:, None]
    linear = np.linalg.inv(XYZ_FROM_REC709) @ xyz
    table = np.ascontiguousarray(srgb_encode(linear).T.astype(np.float32))
    table.setflags(write=False)
    return table


XYZ_FROM_REC709 = np.array(
    [
        [0.4123907993, 0.3575843394, 0.1804807884],
        [0.2126390059, 0.7151686788, 0.0721923154],
        [0.0193308187, 0.1191947798, 0.9505321522],
    ]
)
"""Source: ITU-R BT.709-6 primaries and white D65."""


def false_colour(measure: Array) -> Array:
    """sRGB code values of a measure clamped to 0..1, (h, w) to (3, h, w), linear in the table."""
    table = false_colour_table().astype(measure.dtype, copy=False)
    return np.moveaxis(_lerp_table(table, np.clip(measure, 0, 1)), -1, 0)
