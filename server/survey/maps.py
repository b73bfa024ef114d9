"""Small pictures for reports: false-colour maps with their range, thumbnails with marked places."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict

from kernels.measure.survey import Box
from kernels.reference.display import false_colour_table, to_8bit
from server.media.colour import Colour
from server.media.display import default_choice, display_pixels

Array = NDArray[Any]
U8 = NDArray[np.uint8]
OFF = 46
"""Grey code of pixels that have no value in a map; they are transparent too."""
BADGE = 17
"""Radius in pixels of the disc behind a place's number."""


class MapPicture(BaseModel):
    """A map as a PNG: values from `low` (darkest) to `high` (brightest) on the false-colour scale.

    png: base64, with alpha. Transparent pixels have no value. low, high: in `unit`.
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
    """Return `values` (h, w) as a picture; NaN is clear, values beyond the ends take their colour.

    The scale is the one of the page's false-colour views: perceptually uniform, safe for the
    colour-blind, and readable in grey.
    """
    t = np.clip((np.nan_to_num(values) - low) / (high - low), 0, 1)
    table = _codes()
    picture = np.full((*values.shape, 4), 255, np.uint8)
    picture[..., :3] = table[(t * (len(table) - 1) + 0.5).astype(np.int64)]
    picture[~np.isfinite(values)] = (OFF, OFF, OFF, 0)
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


def display_codes(image: Array, colour: Colour, width: int = 640) -> U8:
    """Return a working-linear picture (3, h, w) as 8 bits (h, w, 3), at most `width` wide.

    Seen through the configuration's default display and view, as the page shows it.
    """
    h, w = image.shape[1:]
    size = (min(width, w), max(1, round(h * min(width, w) / w)))
    small = np.stack([cv2.resize(p, size, interpolation=cv2.INTER_AREA) for p in image])
    return to_8bit(display_pixels(colour, default_choice(colour), small.astype(np.float32)))


def marked(picture: U8, places: Mapping[int, Box]) -> U8:
    """Return a copy with frames round the given places (shares of the frame), by number."""
    out = picture.copy()
    h, w = out.shape[:2]
    taken: list[tuple[int, int]] = []
    for number, (x0, y0, x1, y1) in places.items():
        a = (int(x0 * (w - 1)), int(y0 * (h - 1)))
        b = (int(x1 * (w - 1)), int(y1 * (h - 1)))
        cv2.rectangle(out, a, b, (16, 16, 16), 5, cv2.LINE_AA)
        cv2.rectangle(out, a, b, (255, 255, 255), 3, cv2.LINE_AA)
        spot = (min(max(a[0], BADGE), w - 1 - BADGE), min(max(a[1], BADGE), h - 1 - BADGE))
        while any(abs(spot[0] - x) < 2 * BADGE and abs(spot[1] - y) < 2 * BADGE for x, y in taken):
            spot = (spot[0] + 2 * BADGE + 2, spot[1])
        taken.append(spot)
        _badge(out, spot, str(number))
    return out


def _badge(picture: U8, centre: tuple[int, int], text: str) -> None:
    """Draw a number in a disc onto a picture."""
    cv2.circle(picture, centre, BADGE, (255, 255, 255), -1, cv2.LINE_AA)
    cv2.circle(picture, centre, BADGE - 2, (16, 16, 16), -1, cv2.LINE_AA)
    (wide, high), _ = cv2.getTextSize(text, cv2.FONT_HERSHEY_DUPLEX, 0.75, 1)
    at = (centre[0] - wide // 2, centre[1] + high // 2)
    cv2.putText(picture, text, at, cv2.FONT_HERSHEY_DUPLEX, 0.75, (255, 255, 255), 1, cv2.LINE_AA)


def png_text(picture: U8) -> str:
    """Return an RGB, RGBA or grey picture as a base64 PNG."""
    return _encoded(".png", picture, [])


def jpeg_text(picture: U8, quality: int = 85) -> str:
    """Return an RGB picture as a base64 JPEG."""
    return _encoded(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, quality])


def _encoded(ending: str, picture: U8, options: list[int]) -> str:
    ordered = picture
    if picture.ndim == 3:
        ordered = picture[..., [2, 1, 0, 3][: picture.shape[2]]]
    done, data = cv2.imencode(ending, np.ascontiguousarray(ordered), options)
    if not done:
        raise RuntimeError(f"the picture could not be encoded as {ending}")
    return base64.b64encode(data.tobytes()).decode("ascii")
