"""Colour spaces that no config lists: a curve and the chromaticities a file states.

Such a space has a name like any other, `linear, primaries 0.64 0.33 0.3 0.6 0.15 0.06 0.3127
0.329`, which may be given where a colour space is asked for.
Source: SMPTE RP 177 (matrix from chromaticities); Bradford adaptation as in ICC.1, annex E.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import PyOpenColorIO as ocio

from server.media.errors import MediaError

Matrix = npt.NDArray[np.float64]

# CIE xy of red, green, blue, white -> interop identifier of the linear space.
# Source: SMPTE ST 2065-1; S-2014-004; ITU-R BT.709-6; ITU-R BT.2020-2; SMPTE RP 431-2 with D65.
CHROMATICITIES: dict[str, tuple[float, ...]] = {
    "lin_ap1_scene": (0.713, 0.293, 0.165, 0.830, 0.128, 0.044, 0.32168, 0.33767),
    "lin_ap0_scene": (0.7347, 0.2653, 0.0, 1.0, 0.0001, -0.077, 0.32168, 0.33767),
    "lin_rec709_scene": (0.64, 0.33, 0.30, 0.60, 0.15, 0.06, 0.3127, 0.3290),
    "lin_rec2020_scene": (0.708, 0.292, 0.170, 0.797, 0.131, 0.046, 0.3127, 0.3290),
    "lin_p3d65_scene": (0.680, 0.320, 0.265, 0.690, 0.150, 0.060, 0.3127, 0.3290),
    "lin_adobergb_scene": (0.64, 0.33, 0.21, 0.71, 0.15, 0.06, 0.3127, 0.3290),
}

# Source: ICC.1, annex E: the linearised Bradford matrix.
_BRADFORD = np.array(
    [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
)
_CURVES = ("linear", "sRGB curve", "camera curve")
_GAMMA = re.compile(r"gamma (\d+(?:\.\d+)?)")
_NAME = re.compile(r"(?P<curve>[A-Za-z0-9. ]{1,24}), primaries (?P<numbers>[-+0-9.e ]{15,160})")
_CLOSE = 2e-3


@dataclass(frozen=True)
class StatedSpace:
    """curve: `linear`, `sRGB curve`, `camera curve` or `gamma 2.4`. chromaticities: CIE xy of red,
    green, blue and white."""

    curve: str
    chromaticities: tuple[float, ...]

    def __str__(self) -> str:
        return f"{self.curve}, primaries " + " ".join(f"{v:.6g}" for v in self.chromaticities)

    def to_aces(self) -> Any:
        """The OpenColorIO transform to ACES2065-1."""
        group = ocio.GroupTransform()
        curve = _curve(self.curve)
        if curve is not None:
            group.appendTransform(curve)
        rows = np.eye(4)
        rows[:3, :3] = aces_matrix(self.chromaticities)
        group.appendTransform(ocio.MatrixTransform(matrix=[float(v) for v in rows.ravel()]))
        return group


def parse_space(name: str) -> StatedSpace | None:
    """The space of such a name; None for any other name, and for numbers that make no colours."""
    found = _NAME.fullmatch(name)
    if found is None:
        return None
    try:
        numbers = tuple(float(word) for word in found["numbers"].split())
    except ValueError:
        return None
    gamma = _GAMMA.fullmatch(found["curve"])
    good = found["curve"] in _CURVES or (gamma is not None and 0.2 <= float(gamma[1]) <= 5.0)
    return StatedSpace(found["curve"], numbers) if good and are_colours(numbers) else None


def are_colours(chromaticities: Sequence[float]) -> bool:
    """Tell whether eight numbers are primaries and a white that light can be mixed from."""
    if len(chromaticities) != 8 or not all(math.isfinite(v) for v in chromaticities):
        return False
    if max(abs(v) for v in chromaticities) > 2.0 or chromaticities[7] < 0.05:
        return False
    columns = _columns(chromaticities)
    if abs(np.linalg.det(columns)) < 1e-3:
        return False
    x, y = chromaticities[6:]
    return bool(np.all(np.linalg.solve(columns, [x / y, 1.0, (1 - x - y) / y]) > 1e-3))


def same_colours(one: Sequence[float], other: Sequence[float]) -> bool:
    """Tell whether two sets of primaries are one, but for rounding."""
    return bool(np.allclose(one, other, rtol=0.0, atol=0.0015))


def known_primaries(chromaticities: Sequence[float]) -> list[str]:
    """Interop identifiers of the linear spaces with these primaries."""
    return [name for name, known in CHROMATICITIES.items() if same_colours(chromaticities, known)]


def aces_matrix(chromaticities: Sequence[float]) -> Matrix:
    """Linear RGB of these primaries to ACES2065-1, the white adapted by Bradford."""
    aces = CHROMATICITIES["lin_ap0_scene"]
    to_xyz, white = _xyz_matrix(chromaticities)
    from_xyz = np.linalg.inv(_xyz_matrix(aces)[0])
    return np.asarray(from_xyz @ _adaptation(white, _xyz_matrix(aces)[1]) @ to_xyz)


def same_matrix(one: Sequence[float], other: Sequence[float]) -> bool:
    """Tell whether two sets of primaries give the same colours once their whites are adapted."""
    return bool(np.abs(aces_matrix(one) - aces_matrix(other)).max() < _CLOSE)


def chromaticities_of(matrix: Matrix) -> tuple[float, ...]:
    """CIE xy of the red, green, blue and white of linear RGB, from its matrix to ACES2065-1."""
    return chromaticities_of_xyz(_xyz_matrix(CHROMATICITIES["lin_ap0_scene"])[0] @ matrix)


def chromaticities_of_xyz(xyz: Matrix) -> tuple[float, ...]:
    """CIE xy of red, green, blue and white, from the matrix of linear RGB to XYZ."""
    colours = [*xyz.T, xyz.sum(axis=1)]
    with np.errstate(divide="ignore", invalid="ignore"):
        return tuple(float(v) for c in colours for v in (c[0] / c.sum(), c[1] / c.sum()))


def _columns(chromaticities: Sequence[float]) -> Matrix:
    pairs = np.asarray(chromaticities[:6], np.float64).reshape(3, 2)
    return np.stack([pairs[:, 0], pairs[:, 1], 1.0 - pairs.sum(axis=1)])


def _xyz_matrix(chromaticities: Sequence[float]) -> tuple[Matrix, Matrix]:
    """RGB to XYZ, and the white's XYZ with Y 1."""
    x, y = chromaticities[6], chromaticities[7]
    white = np.array([x / y, 1.0, (1.0 - x - y) / y])
    columns = _columns(chromaticities)
    return columns * np.linalg.solve(columns, white), white


def _adaptation(white: Matrix, target: Matrix) -> Matrix:
    scale = np.diag((_BRADFORD @ target) / (_BRADFORD @ white))
    return np.asarray(np.linalg.inv(_BRADFORD) @ scale @ _BRADFORD)


def _curve(name: str) -> Any:
    """Encoded values to linear light, mirrored below zero; None for linear ones."""
    if name == "linear":
        return None
    if name == "camera curve":
        return camera_curve(ocio.TRANSFORM_DIR_FORWARD)
    if name == "sRGB curve":
        return _with_linear_part(2.4, 0.055, ocio.TRANSFORM_DIR_FORWARD)
    gamma = _GAMMA.fullmatch(name)
    if gamma is None:
        raise MediaError(f"'{name[:40]}' is no curve; name a colour space of the config")
    power = float(gamma[1])
    return ocio.ExponentTransform([power, power, power, 1.0], ocio.NEGATIVE_MIRROR)


def camera_curve(direction: Any) -> Any:
    """Linear light from the camera curve of BT.709 and BT.2020 (forward), or the inverse.

    V = 4.5 L below 0.018, 1.099 L^0.45 - 0.099 above. Source: ITU-R BT.709-6, item 1.2; mirrored
    below zero so that negative values survive.
    """
    return _with_linear_part(1 / 0.45, 0.099, direction)


def _with_linear_part(power: float, offset: float, direction: Any) -> Any:
    return ocio.ExponentWithLinearTransform(
        gamma=[power, power, power, 1.0],
        offset=[offset, offset, offset, 0.0],
        negativeStyle=ocio.NEGATIVE_LINEAR,
        direction=direction,
    )
