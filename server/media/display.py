"""From the working space to a display: the config's own transform, or the plain raw view.

`display_table` bakes a display/view transform (with a look, a LUT, a CDL and an exposure) to the
one form that both engines apply; `display_pixels` runs OpenColorIO's own CPU path, which the
table is measured against.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import PyOpenColorIO as ocio

from kernels.engine import DisplayTable, Look
from server.media.colour import OCIO_ERRORS, Colour, apply_processor
from server.media.errors import MediaError

Float32 = npt.NDArray[np.float32]

TABLE_SIZE = 81
LOG_TOE = -0.01
"""Values from here up are told apart: a little below zero, so that noise around black is."""
LOW_STOPS = -7.0
HIGH_STOPS = 7.0
RAW_DISPLAY = "raw"


@dataclass(frozen=True)
class DisplayChoice:
    """What a picture is seen through. `look`, `lut` and `grade` change the view only."""

    display: str
    view: str
    look: str = ""
    lut: str = ""
    grade: Look = field(default_factory=Look)

    @property
    def key(self) -> str:
        """A short name that differs whenever the transform does."""
        text = repr((self.display, self.view, self.look, self.lut, self.grade))
        if self.lut and Path(self.lut).is_file():
            text += str(Path(self.lut).stat().st_mtime_ns)
        return hashlib.sha256(text.encode()).hexdigest()[:16]


def default_choice(colour: Colour) -> DisplayChoice:
    """The config's default display and view."""
    display = colour.displays()[0]
    return DisplayChoice(display, colour.views(display)[0])


def display_table(colour: Colour, choice: DisplayChoice, *, size: int = TABLE_SIZE) -> DisplayTable:
    """A display transform as a shaper in log2(x + 0.01) over 14 stops and a size^3 table.

    Working linear in, display-encoded out; the shaper's ends hold values outside. Table values
    go up to 4, so that interpolation is right up to where the display clips at 1. Error against
    OpenColorIO's CPU path: under one 8-bit code for colours up to half the saturation of Rec. 709
    from 9 stops below to 4 above 1.0 (see the test of this module).
    """
    processor = _processor(colour, choice)
    axis = (2.0 ** np.linspace(LOW_STOPS, HIGH_STOPS, size) + LOG_TOE).astype(np.float32)
    red, green, blue = np.meshgrid(axis, axis, axis, indexing="ij")
    grid = np.stack([red, green, blue]).reshape(3, size, size * size)
    table = np.moveaxis(apply_processor(processor, grid).reshape(3, size, size, size), 0, -1)
    return DisplayTable(
        shaper=np.linspace(0.0, 1.0, 2, dtype=np.float32),
        toe=LOG_TOE,
        low_stops=LOW_STOPS,
        high_stops=HIGH_STOPS,
        table=np.ascontiguousarray(np.clip(table, 0.0, 4.0), dtype=np.float32),
        key=f"{colour.source}|{choice.key}|{size}",
    )


def display_pixels(colour: Colour, choice: DisplayChoice, pixels: Float32) -> Float32:
    """Working pixels (3, H, W) as display values by OpenColorIO's own CPU path, not clipped."""
    if choice.display == RAW_DISPLAY:
        return raw_display(colour, pixels)
    return apply_processor(_processor(colour, choice), pixels)


def raw_display(colour: Colour, pixels: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """The sRGB curve of Rec.709-primaried light (3, H, W): no tone curve, exact, no table.

    Values outside 0..1 survive (the curve is mirrored below zero); float64 stays float64.
    Source: IEC 61966-2-1; ITU-R BT.709-6 primaries through the config's own conversion.
    """
    matrix = rec709_from_working(colour).astype(pixels.dtype)
    linear = np.einsum("ij,jhw->ihw", matrix, pixels)
    return srgb_from_linear(linear)


def rec709_from_working(colour: Colour) -> npt.NDArray[np.float64]:
    """The 3 x 3 matrix from working primaries to Rec.709 primaries, D65 white."""
    units = np.eye(3, dtype=np.float32).reshape(3, 1, 3)
    return colour.from_working(units, "lin_rec709_scene").reshape(3, 3).astype(np.float64)


def srgb_from_linear(linear: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """V = 12.92 L up to 0.0031308, else 1.055 L^(1/2.4) - 0.055; mirrored below zero.

    Any shape, any range, the type kept. Source: IEC 61966-2-1.
    """
    size = np.abs(linear)
    curve = 1.055 * np.power(np.maximum(size, 0.0031308), 1.0 / 2.4) - 0.055
    result: npt.NDArray[Any] = np.copysign(np.where(size <= 0.0031308, 12.92 * size, curve), linear)
    return result.astype(linear.dtype, copy=False)  # np.where widens float32 beside a constant.


def _processor(colour: Colour, choice: DisplayChoice) -> Any:
    """Exposure, then CDL and LUT in the grading space, then look, then display and view."""
    colour.check_display(choice.display, choice.view)
    group = ocio.GroupTransform()
    gain = 2.0**choice.grade.exposure_stops
    group.appendTransform(ocio.MatrixTransform.Scale([gain, gain, gain, 1.0]))
    for step in _grading(colour, choice):
        group.appendTransform(step)
    if choice.look:
        if choice.look not in colour.looks():
            raise MediaError(
                f"the look '{choice.look}' is not in the config {colour.source}; "
                f"use one of {', '.join(colour.looks()) or 'none: it has no looks'}"
            )
        space = colour.working_space
        group.appendTransform(ocio.LookTransform(src=space, dst=space, looks=choice.look))
    group.appendTransform(
        ocio.DisplayViewTransform(
            src=colour.working_space, display=choice.display, view=choice.view
        )
    )
    try:
        return colour.config.getProcessor(group).getDefaultCPUProcessor()
    except OCIO_ERRORS as error:
        reason = " ".join(str(error).split())[:160].rstrip(". ")
        subject = f"the LUT '{choice.lut}'" if choice.lut else f"the view '{choice.view}'"
        raise MediaError(f"{subject} cannot be used ({reason}); choose another") from None


def _grading(colour: Colour, choice: DisplayChoice) -> list[Any]:
    """The CDL in the working space, and the LUT in the config's colour-timing (log) space."""
    steps: list[Any] = []
    grade = choice.grade
    if (grade.slope, grade.offset, grade.power, grade.saturation) != _NEUTRAL:
        steps.append(
            ocio.CDLTransform(
                slope=list(grade.slope),
                offset=list(grade.offset),
                power=list(grade.power),
                sat=grade.saturation,
            )
        )
        steps[-1].setStyle(ocio.CDL_NO_CLAMP)
    if choice.lut:
        if not Path(choice.lut).is_file():
            raise MediaError(f"the LUT '{choice.lut}' does not exist; check the path")
        log = "color_timing" if colour.config.hasRole("color_timing") else "scene_linear"
        steps += [
            ocio.ColorSpaceTransform(colour.working_space, log),
            ocio.FileTransform(str(Path(choice.lut).resolve()), interpolation=ocio.INTERP_BEST),
            ocio.ColorSpaceTransform(log, colour.working_space),
        ]
    return steps


_NEUTRAL = ((1.0, 1.0, 1.0), (0.0, 0.0, 0.0), (1.0, 1.0, 1.0), 1.0)
