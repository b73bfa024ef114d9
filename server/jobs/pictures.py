"""Small pictures for reports: false-colour maps with their range, thumbnails with marked places."""

from __future__ import annotations

import base64
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict

from kernels.reference.display import false_colour_table, srgb_display, to_8bit
from kernels.reference.survey import Box

Array = NDArray[Any]
U8 = NDArray[np.uint8]
OFF = 46
"""Grey code of pixels that have no value in a map."""


class MapPicture(BaseModel):
    """A map as a PNG: values from `low` (darkest) to `high` (brightest) on the false-colour scale.

    png: base64. Grey pixels have no value. low, high: in `unit`.
    """

    model_config = ConfigDict(extra="forbid")

    name: Literal["evenness", "alpha_noise"]
    title: str
    unit: str
    low: float
    high: float
    png: str
    width: int
    height: int


def map_picture(
    name: Literal["evenness", "alpha_noise"],
    title: str,
    unit: str,
    values: Array,
    low: float,
    high: float,
) -> MapPicture:
    """Return `values` (h, w) as a picture; NaN is grey, values beyond the ends take their colour.

    The scale is the one of the page's false-colour views: perceptually uniform, safe for the
    colour-blind, and readable in grey.
    """
    t = np.clip((np.nan_to_num(values) - low) / (high - low), 0, 1)
    table = _codes()
    picture = table[(t * (len(table) - 1) + 0.5).astype(np.int64)]
    picture[~np.isfinite(values)] = OFF
    return MapPicture(
        name=name,
        title=title,
        unit=unit,
        low=low,
        high=high,
        png=png_text(picture),
        width=values.shape[1],
        height=values.shape[0],
    )


def _codes() -> U8:
    return np.asarray(false_colour_table() * 255 + 0.5, np.uint8)


def scale_colours(steps: int = 16) -> list[str]:
    """Return `steps` colours of the scale from low to high, as #rrggbb."""
    table = _codes()
    chosen = table[np.linspace(0, len(table) - 1, steps).astype(np.int64)]
    return [f"#{r:02x}{g:02x}{b:02x}" for r, g, b in chosen.tolist()]


def display_codes(image: Array, width: int = 640) -> U8:
    """Return a working-linear picture (3, h, w) as 8-bit sRGB (h, w, 3), at most `width` wide.

    Exposure is left alone; light above 1 clips, as on a screen.
    """
    h, w = image.shape[1:]
    size = (min(width, w), max(1, round(h * min(width, w) / w)))
    small = np.stack([cv2.resize(p, size, interpolation=cv2.INTER_AREA) for p in image])
    return to_8bit(srgb_display(small))


def marked(picture: U8, boxes: list[Box]) -> U8:
    """Return a copy with numbered frames round the given places (shares of the frame)."""
    out = picture.copy()
    h, w = out.shape[:2]
    for n, (x0, y0, x1, y1) in enumerate(boxes, start=1):
        a = (int(x0 * (w - 1)), int(y0 * (h - 1)))
        b = (int(x1 * (w - 1)), int(y1 * (h - 1)))
        cv2.rectangle(out, a, b, (0, 0, 0), 3, cv2.LINE_AA)
        cv2.rectangle(out, a, b, (255, 255, 255), 1, cv2.LINE_AA)
        spot = (a[0] + 5, min(a[1] + 18, h - 4))
        for colour, weight in (((0, 0, 0), 4), ((255, 255, 255), 1)):
            cv2.putText(
                out, str(n), spot, cv2.FONT_HERSHEY_SIMPLEX, 0.55, colour, weight, cv2.LINE_AA
            )
    return out


def png_text(picture: U8) -> str:
    """Return an RGB or grey picture as a base64 PNG."""
    return _encoded(".png", picture, [])


def jpeg_text(picture: U8, quality: int = 85) -> str:
    """Return an RGB picture as a base64 JPEG."""
    return _encoded(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, quality])


def _encoded(ending: str, picture: U8, options: list[int]) -> str:
    ordered = picture[..., ::-1] if picture.ndim == 3 else picture
    done, data = cv2.imencode(ending, np.ascontiguousarray(ordered), options)
    if not done:
        raise RuntimeError(f"the picture could not be encoded as {ending}")
    return base64.b64encode(data.tobytes()).decode("ascii")
