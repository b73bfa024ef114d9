"""Colour arithmetic of the working space: luminance, log encoding, hue, Lab, colour difference.

Every function takes planar arrays whose first axis is the channel, ``(3, ...)``, keeps float64 when
given float64 and uses float32 otherwise, and never clips unless its docstring says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]

LUMINANCE_WEIGHTS = (0.2722287, 0.6740818, 0.0536895)
"""Luminance of ACEScg red, green, blue. Source: S-2014-004, second row of AP1 to XYZ."""

XYZ_FROM_ACESCG = np.array(
    [
        [0.6624541811, 0.1340042065, 0.1561876870],
        [0.2722287168, 0.6740817658, 0.0536895174],
        [-0.0055746495, 0.0040607335, 1.0103391003],
    ]
)
"""Source: S-2014-004 (ACEScg), normalised primary matrix AP1 to CIE XYZ."""

ACES_WHITE_XYZ = XYZ_FROM_ACESCG.sum(axis=1)
"""XYZ of red = green = blue = 1, so that working-space greys have a* = b* = 0."""

# Source: S-2016-001 (ACEScct), section 4.4.
ACESCCT_BREAK_LINEAR = 0.0078125
ACESCCT_BREAK_ENCODED = 0.155251141552511
ACESCCT_TOE_SLOPE = 10.5402377416545
ACESCCT_TOE_OFFSET = 0.0729055341958355
ACESCCT_LOG_SLOPE = 1.0 / 17.52
ACESCCT_LOG_OFFSET = 9.72


def as_float(values: Any) -> Array:
    """Return an array of float64 if `values` is float64, else of float32. Copies only if needed."""
    array = np.asarray(values)
    return array if array.dtype == np.float64 else array.astype(np.float32, copy=False)


def luminance(rgb: Array, weights: Sequence[float] = LUMINANCE_WEIGHTS) -> Array:
    """Luminance Y = w_r R + w_g G + w_b B of linear `rgb`.

    Shape (3, ...) to (...). Linear, any range: values below 0 and above 1 survive.
    Source: S-2014-004 for the default weights.
    """
    rgb = as_float(rgb)
    w = np.asarray(weights, dtype=rgb.dtype)
    return as_float(w[0] * rgb[0] + w[1] * rgb[1] + w[2] * rgb[2])


def acescct_from_linear(linear: Array) -> Array:
    """ACEScct code value of scene-linear light.

    y = (log2 x + 9.72) / 17.52 above x = 0.0078125, else 10.5402… x + 0.0729…: the straight toe
    goes on below zero, so negative values survive. Any shape. No upper clamp.

    | domain | range |
    | --- | --- |
    | any finite linear value | 0 is 0.0729, 0.18 is 0.4136, 1 is 0.5548, 65504 is 1.468 |

    Source: S-2016-001, section 4.4.1.
    """
    x = as_float(linear)
    safe = np.maximum(x, x.dtype.type(ACESCCT_BREAK_LINEAR))
    log = (np.log2(safe) + x.dtype.type(ACESCCT_LOG_OFFSET)) * x.dtype.type(ACESCCT_LOG_SLOPE)
    toe = x * x.dtype.type(ACESCCT_TOE_SLOPE) + x.dtype.type(ACESCCT_TOE_OFFSET)
    return as_float(np.where(x <= x.dtype.type(ACESCCT_BREAK_LINEAR), toe, log))


def linear_from_acescct(encoded: Array) -> Array:
    """Scene-linear light of an ACEScct code value; the inverse of `acescct_from_linear`.

    x = 2^(17.52 y − 9.72) above y = 0.15525…, else (y − 0.0729…) / 10.5402…. Any shape, any finite
    value; codes below 0.0729 give negative light. The standard's clamp at 65504 is not applied.
    Source: S-2016-001, section 4.4.2.
    """
    y = as_float(encoded)
    one = y.dtype.type
    log = np.exp2(y * one(1.0 / ACESCCT_LOG_SLOPE) - one(ACESCCT_LOG_OFFSET))
    toe = (y - one(ACESCCT_TOE_OFFSET)) * one(1.0 / ACESCCT_TOE_SLOPE)
    return as_float(np.where(y <= one(ACESCCT_BREAK_ENCODED), toe, log))


def hue_degrees(rgb: Array) -> Array:
    """Hue on the RGB hexagon, in degrees 0 <= h < 360: red 0, green 120, blue 240; greys 0.

    Shape (3, ...) to (...). Depends on differences of channels only, so it is defined for values
    below 0 and above 1. Say at the call whether `rgb` is linear or encoded: the hue differs.
    Source: Smith 1978, "Color gamut transform pairs".
    """
    rgb = as_float(rgb)
    red, green, blue = rgb[0], rgb[1], rgb[2]
    largest = rgb.max(axis=0)
    spread = largest - rgb.min(axis=0)
    safe = np.where(spread > 0, spread, 1)
    sector = np.where(
        largest == red,
        (green - blue) / safe,
        np.where(largest == green, 2 + (blue - red) / safe, 4 + (red - green) / safe),
    )
    hue = np.where(spread > 0, 60 * sector, rgb.dtype.type(0))
    hue = np.where(hue < 0, hue + 360, hue)
    return as_float(np.where(hue >= 360, rgb.dtype.type(0), hue))


def saturation(rgb: Array, epsilon: float = 1e-6) -> Array:
    """Saturation (max − min) / max(max, ε).

    Shape (3, ...) to (...). 0 for greys, 1 for a pure colour, above 1 where a channel is negative;
    never NaN or infinite for finite input. Source: Smith 1978 (HSV), with ε against dark pixels.
    """
    rgb = as_float(rgb)
    largest = rgb.max(axis=0)
    return as_float((largest - rgb.min(axis=0)) / np.maximum(largest, rgb.dtype.type(epsilon)))


def hsv_from_rgb(rgb: Array) -> Array:
    """Hue in degrees, saturation, value = largest channel. Shape (3, ...) to (3, ...).

    Values above 1 survive in the value; negative channels give a saturation above 1.
    Source: Smith 1978.
    """
    rgb = as_float(rgb)
    return as_float(np.stack([hue_degrees(rgb), saturation(rgb), rgb.max(axis=0)]))


def rgb_from_hsv(hsv: Array) -> Array:
    """Inverse of `hsv_from_rgb` for a positive value. Shape (3, ...) to (3, ...).

    Each channel is v − v·s·clamp(min(k, 4 − k), 0, 1) with k = (n + hue/60) mod 6 and n = 5, 3, 1
    for red, green, blue. Hue wraps. Source: the closed form of Smith 1978.
    """
    hsv = as_float(hsv)
    sector, sat, value = hsv[0] / 60, hsv[1], hsv[2]
    channels = []
    for offset in (5.0, 3.0, 1.0):
        k = np.mod(offset + sector, 6)
        channels.append(value - value * sat * np.clip(np.minimum(k, 4 - k), 0, 1))
    return as_float(np.stack(channels).astype(hsv.dtype))


def xyz_from_acescg(rgb: Array) -> Array:
    """CIE XYZ (Y of white = 1) of linear ACEScg. Shape (3, ...); any range survives.

    Source: S-2014-004.
    """
    rgb = as_float(rgb)
    return as_float(np.tensordot(XYZ_FROM_ACESCG.astype(rgb.dtype), rgb, axes=1))


def lab_from_xyz(xyz: Array, white_xyz: Sequence[float] | Array = ACES_WHITE_XYZ) -> Array:
    """CIE 1976 L*a*b* of XYZ relative to `white_xyz`. Shape (3, ...) to (3, ...).

    f(t) = cube root above (6/29)^3, else the straight line t/(3 (6/29)^2) + 4/29, which goes on
    below zero; L* above 100 is legal. Source: CIE 15:2004, section 8.2.1.
    """
    xyz = as_float(xyz)
    white = np.asarray(white_xyz, dtype=xyz.dtype).reshape((3,) + (1,) * (xyz.ndim - 1))
    t = xyz / white
    delta = 6.0 / 29.0
    line = t * xyz.dtype.type(1.0 / (3.0 * delta**2)) + xyz.dtype.type(4.0 / 29.0)
    f = np.where(t > delta**3, np.cbrt(np.maximum(t, 0)), line)
    return as_float(np.stack([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])]))


def lab_from_acescg(rgb: Array) -> Array:
    """CIE L*a*b* of linear ACEScg relative to the ACES white. Shape (3, ...) to (3, ...).

    Diffuse white (1, 1, 1) is (100, 0, 0); any finite value survives.
    Source: S-2014-004; CIE 15:2004.
    """
    return lab_from_xyz(xyz_from_acescg(rgb))


def _hue_angle(b: Array, a_prime: Array) -> Array:
    """Hue angle in degrees 0 <= h < 360, 0 for greys (Sharma et al. 2005, eq. 7)."""
    return as_float(np.mod(np.degrees(np.arctan2(b, a_prime)), 360))


def _hue_mean(h1: Array, h2: Array, chroma_product: Array) -> Array:
    """Mean hue on the circle (Sharma et al. 2005, eq. 14)."""
    total, far = h1 + h2, np.abs(h1 - h2) > 180
    wrapped = np.where(total < 360, total + 360, total - 360)
    mean = np.where(far, wrapped, total) / 2
    return as_float(np.where(chroma_product == 0, total, mean))


def _rotation_and_scales(l_mean: Array, c_mean: Array, h_mean: Array) -> tuple[Array, ...]:
    """R_T, S_L, S_C, S_H (Sharma et al. 2005, eq. 15 to 21)."""
    t = (
        1
        - 0.17 * np.cos(np.radians(h_mean - 30))
        + 0.24 * np.cos(np.radians(2 * h_mean))
        + 0.32 * np.cos(np.radians(3 * h_mean + 6))
        - 0.20 * np.cos(np.radians(4 * h_mean - 63))
    )
    d_theta = 30 * np.exp(-(((h_mean - 275) / 25) ** 2))
    r_c = 2 * np.sqrt(c_mean**7 / (c_mean**7 + 25.0**7))
    s_l = 1 + 0.015 * (l_mean - 50) ** 2 / np.sqrt(20 + (l_mean - 50) ** 2)
    return -np.sin(np.radians(2 * d_theta)) * r_c, s_l, 1 + 0.045 * c_mean, 1 + 0.015 * c_mean * t


def delta_e_2000(lab1: Array, lab2: Array) -> Array:
    """CIEDE2000 colour difference of two L*a*b* arrays, k_L = k_C = k_H = 1.

    Shape (3, ...) and (3, ...) to (...), broadcast. Not negative, symmetric. Computed in float64,
    returned in the type of the inputs. Source: Sharma, Wu & Dalal 2005, "The CIEDE2000
    color-difference formula", eq. 2 to 22.
    """
    first, second = as_float(lab1), as_float(lab2)
    dtype = np.result_type(first, second)
    l1, a1, b1 = first.astype(np.float64)
    l2, a2, b2 = second.astype(np.float64)
    c_mean7 = ((np.hypot(a1, b1) + np.hypot(a2, b2)) / 2) ** 7
    g = 0.5 * (1 - np.sqrt(c_mean7 / (c_mean7 + 25.0**7)))
    a1p, a2p = (1 + g) * a1, (1 + g) * a2
    c1, c2 = np.hypot(a1p, b1), np.hypot(a2p, b2)
    h1, h2 = _hue_angle(b1, a1p), _hue_angle(b2, a2p)
    dh = np.where(c1 * c2 == 0, 0, np.mod(h2 - h1 + 180, 360) - 180)
    d_hue = 2 * np.sqrt(c1 * c2) * np.sin(np.radians(dh) / 2)
    r_t, s_l, s_c, s_h = _rotation_and_scales(
        (l1 + l2) / 2, (c1 + c2) / 2, _hue_mean(h1, h2, c1 * c2)
    )
    x, y, z = (l2 - l1) / s_l, (c2 - c1) / s_c, d_hue / s_h
    return as_float(np.sqrt(np.maximum(x**2 + y**2 + z**2 + r_t * y * z, 0)).astype(dtype))
