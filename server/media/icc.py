"""Colour profiles inside pictures: those of primaries and one curve become a colour space.

Profiles that are look-up tables, or of inks, are refused and never taken for sRGB.
Source: ICC.1:2022, clauses 7.2 (header), 7.3 (tag table), 10.6 (curveType), 10.18
(parametricCurveType), 10.31 (XYZType).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from server.media.primaries import (
    CHROMATICITIES,
    StatedSpace,
    are_colours,
    chromaticities_of_xyz,
    same_matrix,
)

Curve = npt.NDArray[np.float64]

_REC709 = CHROMATICITIES["lin_rec709_scene"]
_GRID = np.linspace(0.0, 1.0, 257)
_ALIKE = 2.5e-3
_NAMED = {
    ("sRGB curve", "lin_rec709_scene"): "srgb_rec709_scene",
    ("sRGB curve", "lin_p3d65_scene"): "srgb_p3d65_scene",
    ("gamma 2.2", "lin_rec709_scene"): "g22_rec709_scene",
    ("gamma 2.2", "lin_adobergb_scene"): "g22_adobergb_scene",
    ("gamma 1.8", "lin_rec709_scene"): "g18_rec709_scene",
}


@dataclass(frozen=True)
class StatedColour:
    """What a file states about its colour: names to try in turn, or why it can't be followed."""

    names: tuple[str, ...] = ()
    refusal: str = ""


class _UnreadableError(Exception):
    """A profile is damaged or of a kind that is not followed: why."""


def space_of_profile(profile: bytes) -> StatedColour:
    """The colour space of an ICC profile, as names of the config's or of stated primaries."""
    try:
        tags = _tags(profile)
        kind = profile[16:20]
        if kind == b"GRAY":
            return named(_curve_name([_curve(tags, b"kTRC")]), _REC709)
        if kind != b"RGB ":
            raise _UnreadableError(f"is of {kind.decode('ascii', 'replace').strip()} colours")
        if b"A2B0" in tags or b"rXYZ" not in tags:
            raise _UnreadableError("is a look-up table")
        columns = np.stack([_xyz(tags, name) for name in (b"rXYZ", b"gXYZ", b"bXYZ")], axis=1)
        colours = chromaticities_of_xyz(columns)
        if not are_colours(colours):
            raise _UnreadableError("states primaries that are no colours")
        curves = [_curve(tags, name) for name in (b"rTRC", b"gTRC", b"bTRC")]
        return named(_curve_name(curves), colours)
    except _UnreadableError as error:
        return StatedColour(refusal=f"has a colour profile that {error}")
    except (struct.error, IndexError, ValueError, FloatingPointError):
        return StatedColour(refusal="has a colour profile that is damaged")


def named(curve: str, chromaticities: tuple[float, ...]) -> StatedColour:
    """A curve and primaries as colour-space names, the config's own first."""
    names: list[str] = []
    for gamut, known in CHROMATICITIES.items():
        if same_matrix(known, chromaticities):
            name = gamut if curve == "linear" else _NAMED.get((curve, gamut))
            names += [] if name is None else [name]
    return StatedColour((*names, str(StatedSpace(curve, chromaticities))))


def _tags(profile: bytes) -> dict[bytes, bytes]:
    if len(profile) < 132 or profile[36:40] != b"acsp":
        raise _UnreadableError("is damaged")
    if profile[20:24] not in (b"XYZ ", b"Lab "):
        raise _UnreadableError("leads to no colours")
    (count,) = struct.unpack_from(">I", profile, 128)
    found: dict[bytes, bytes] = {}
    for number in range(min(count, 200)):
        name, offset, size = struct.unpack_from(">4sII", profile, 132 + 12 * number)
        if offset + size > len(profile):
            raise _UnreadableError("is damaged")
        found[name] = profile[offset : offset + size]
    return found


def _tag(tags: dict[bytes, bytes], name: bytes) -> bytes:
    if name not in tags:
        raise _UnreadableError("lacks a curve")
    return tags[name]


def _xyz(tags: dict[bytes, bytes], name: bytes) -> Curve:
    return np.array(struct.unpack_from(">3i", _tag(tags, name), 8), np.float64) / 65536


def _curve(tags: dict[bytes, bytes], name: bytes) -> Curve:
    """A tag's curve, from encoded values to light, at 257 places from 0 to 1."""
    data = _tag(tags, name)
    if data[:4] == b"curv":
        (count,) = struct.unpack_from(">I", data, 8)
        if count == 0:
            return _GRID
        table = np.array(struct.unpack_from(f">{min(count, 65536)}H", data, 12), np.float64)
        if count == 1:
            return np.asarray(_GRID ** (table[0] / 256))
        return np.asarray(np.interp(_GRID, np.linspace(0, 1, len(table)), table / 65535))
    if data[:4] == b"para":
        return _parametric(data)
    raise _UnreadableError("has a curve of an unknown kind")


def _parametric(data: bytes) -> Curve:
    (kind,) = struct.unpack_from(">H", data, 8)
    counts = {0: 1, 1: 3, 2: 4, 3: 5, 4: 7}
    if kind not in counts:
        raise _UnreadableError("has a curve of an unknown kind")
    values: list[float] = [v / 65536 for v in struct.unpack_from(f">{counts[kind]}i", data, 12)]
    values += [0.0] * (7 - len(values))
    g, a, b, c, d, e, f = values
    if kind == 0:
        return np.asarray(_GRID**g)
    if kind in (1, 2):
        e, f, d = (c, c, -b / a) if kind == 2 else (0.0, 0.0, -b / a)
        c = 0.0
    curved = np.maximum(a * _GRID + b, 0.0) ** g + e
    return np.asarray(np.where(d <= _GRID, curved, c * _GRID + f))


def _curve_name(curves: list[Curve]) -> str:
    """The name of a curve that all channels share."""
    curve = curves[0]
    if any(np.abs(other - curve).max() > _ALIKE for other in curves[1:]):
        raise _UnreadableError("has a curve for each colour")
    middle = float(np.clip(curve[128], 1e-6, 1 - 1e-6))
    gamma = round(float(np.log(middle) / np.log(0.5)), 4)
    gamma = round(gamma, 1) if abs(gamma - round(gamma, 1)) < 0.005 else gamma
    low = _GRID <= 0.04045
    srgb = np.where(low, _GRID / 12.92, ((_GRID + 0.055) / 1.055) ** 2.4)
    camera = np.where(_GRID < 0.081, _GRID / 4.5, ((_GRID + 0.099) / 1.099) ** (1 / 0.45))
    choices = {"linear": _GRID, "sRGB curve": srgb, "camera curve": camera}
    if 0.2 <= gamma <= 5.0:
        choices[f"gamma {gamma:g}"] = _GRID**gamma
    best = min(choices, key=lambda name: float(np.abs(choices[name] - curve).max()))
    if np.abs(choices[best] - curve).max() > _ALIKE:
        raise _UnreadableError("has a curve of its own")
    return best
