"""Half-float EXR files of the demo, tagged as linear ACEScg."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import OpenImageIO as oiio
from numpy.typing import NDArray

from kernels.errors import VerdigrisError

AP1_CHROMATICITIES = (0.713, 0.293, 0.165, 0.830, 0.128, 0.044, 0.32168, 0.33767)
"""Red, green, blue, white x and y. Source: S-2014-004."""


def _bcd(value: int) -> int:
    return (value // 10) << 4 | value % 10


def time_code_word(frame: int, fps: int) -> int:
    """Time and flags word of a frame counted from 00:00:00:00, not drop-frame (SMPTE ST 12-1)."""
    seconds = frame // fps
    return (
        _bcd(frame % fps)
        | _bcd(seconds % 60) << 8
        | _bcd(seconds // 60 % 60) << 16
        | _bcd(seconds // 3600 % 24) << 24
    )


def write_half(
    path: Path, layers: Mapping[str, NDArray[Any]], *, frame: int | None = None, fps: int = 24
) -> None:
    """Write planes as one ZIP-compressed half EXR.

    A layer (3, h, w) becomes `name.R/G/B` (`R G B` for the empty name), (h, w) `name.A`. With
    `frame`, the file carries its frame rate and a time code of that count. Raises VerdigrisError
    when the file cannot be written.
    """
    names: list[str] = []
    planes: list[NDArray[Any]] = []
    for layer, values in layers.items():
        prefix = f"{layer}." if layer else ""
        channels = "RGB" if values.ndim == 3 else "A"
        names += [prefix + c for c in channels]
        planes += list(values) if values.ndim == 3 else [values]
    pixels = np.stack(planes, axis=-1).astype(np.float16)
    spec = oiio.ImageSpec(pixels.shape[1], pixels.shape[0], len(names), "half")
    spec.channelnames = tuple(names)
    spec.attribute("compression", "zip:1")
    spec.attribute("colorInteropID", "lin_ap1_scene")
    spec.attribute("chromaticities", oiio.TypeDesc("float[8]"), AP1_CHROMATICITIES)
    if frame is not None:
        spec.attribute("FramesPerSecond", oiio.TypeRational, (fps, 1))
        spec.attribute("smpte:TimeCode", oiio.TypeTimeCode, (time_code_word(frame, fps), 0))
    output = oiio.ImageOutput.create(str(path))
    if output is None or not output.open(str(path), spec):
        raise VerdigrisError(f"'{path}' cannot be written; check the folder and the free space")
    written = output.write_image(np.ascontiguousarray(pixels))
    if not output.close() or not written:
        raise VerdigrisError(f"'{path}' could not be written whole; check the free space")
