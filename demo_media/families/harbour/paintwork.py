"""The harbour's screen: a wall rolled with paint, lit by floods, and the shed around it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from demo_media.families.harbour.weather import field, photograph

Image = NDArray[np.float32]
Colour = tuple[float, float, float]


@dataclass(frozen=True)
class Wall:
    """The wall as painted and lit, on a sheet larger than the picture so that a camera can move.

    `light` (3, H, W) is what it sends out; `off_screen` (H, W) is where no paint is; `margin_px`
    how much wider the sheet is than the picture on every side; `mean` its average colour.
    """

    light: Image
    off_screen: NDArray[np.uint8]
    margin_px: int
    mean: Colour

    def seen(self, move: NDArray[np.float64], width: int, height: int) -> tuple[Image, Image]:
        """The picture of (3, h, w), and the share (h, w) of it that is no screen, under `move`.

        `move` (2, 3) maps picture coordinates to the sheet's, without the margin.
        """
        shifted = move.copy()
        shifted[:, 2] += self.margin_px
        flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
        planes = [
            cv2.warpAffine(p, shifted, (width, height), flags=flags, borderMode=cv2.BORDER_REFLECT)
            for p in self.light
        ]
        off = cv2.warpAffine(
            self.off_screen.astype(np.float32),
            shifted,
            (width, height),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )
        picture = np.maximum(np.stack(planes), 1e-4)
        return np.asarray(picture, np.float32), np.asarray(off, np.float32)


def roll_wall(
    rng: np.random.Generator, paint: Colour, width: int, height: int, *, margin: int, border: bool
) -> Wall:
    """Paint and light a wall; with `border` its edge, floods on stands and the dark shed show."""
    tall, wide = height + 2 * margin, width + 2 * margin
    coat = _rolled_coat(rng, tall, wide, height)
    hue = np.asarray(paint, np.float32)[:, None, None] * (1 + coat)
    y = np.asarray((np.arange(tall)[:, None] - margin) / height, np.float32)
    x = np.asarray((np.arange(wide)[None, :] - margin) / height, np.float32)
    lit = _floods(rng, x, y, width / height)
    floor = np.exp(-np.clip(1.02 - y, 0, None) / np.float32(rng.uniform(0.08, 0.2)))
    bounce = np.float32(rng.uniform(0.03, 0.10)) * floor
    warm = np.asarray((1.25, 1.0, 0.72), np.float32)[:, None, None]
    light = hue * (lit + bounce * warm)
    light = light + np.float32(0.004) * (1 + lit)  # the paint's own sheen, grey
    patch = light[:, margin : margin + height, margin : margin + width]
    mean = tuple(float(v) for v in patch.mean(axis=(1, 2)))
    off = np.zeros((tall, wide), np.uint8)
    if border:
        light, off = _shed(rng, light, x, y, width / height)
    return Wall(np.asarray(light, np.float32), off, margin, (mean[0], mean[1], mean[2]))


def _rolled_coat(rng: np.random.Generator, tall: int, wide: int, height: int) -> Image:
    """Relative deviation (3, H, W): roller lanes, lap marks, orange peel, patched places."""
    lane = height * float(rng.uniform(0.10, 0.15))
    wobble = field(rng, tall, wide, height * 0.3, 3) * np.float32(0.05 * lane)
    across = (np.arange(wide, dtype=np.float32)[None, :] + wobble) / np.float32(lane)
    which = np.floor(across).astype(np.int64)
    tones = rng.normal(0, 0.012, int(which.max() - which.min()) + 1).astype(np.float32)
    lanes = tones[which - which.min()]
    part = across - np.floor(across)
    laps = np.exp(-((np.minimum(part, 1 - part) / 0.03) ** 2)) * np.float32(-0.022)
    laps = laps * np.clip(0.6 + 0.6 * field(rng, tall, wide, height * 0.25, 2.5), 0, 1.5)
    peel = field(rng, tall, wide, max(height / 250, 1.0), 2.0) * np.float32(0.006)
    cloudy = field(rng, tall, wide, height * 0.5, 3) * np.float32(0.012)
    grey = lanes + laps + peel + cloudy
    coat = np.stack([grey * s for s in (1.0, 0.8, 1.1)])
    for _ in range(int(rng.integers(1, 4))):  # later touch-ups, from another tin
        box = np.array([rng.uniform(0, wide), rng.uniform(0, tall)])
        reach = np.array([rng.uniform(0.05, 0.2), rng.uniform(0.04, 0.12)]) * height
        dx = np.abs(np.arange(wide)[None, :] + 2 * wobble - box[0]) - reach[0]
        dy = np.abs(np.arange(tall)[:, None] + 2 * wobble - box[1]) - reach[1]
        inside = 0.5 - 0.5 * np.tanh(np.maximum(dx, dy) / (0.01 * height))
        coat += rng.normal(0, 0.02, 3).astype(np.float32)[:, None, None] * inside
    return np.asarray(coat, np.float32)


def _floods(rng: np.random.Generator, x: Image, y: Image, aspect: float) -> Image:
    """Light of two floods and the roof on the wall, largest value 1, falloff 0.2 to 1.5 stops."""
    total = np.zeros(np.broadcast_shapes(x.shape, y.shape), np.float32)
    for centre in (rng.uniform(0.1, 0.45), rng.uniform(0.55, 0.9)):
        reach = np.float32(rng.uniform(0.45, 0.8))
        d = (x - np.float32(centre * aspect)) ** 2 + (y - np.float32(rng.uniform(0.1, 0.7))) ** 2
        total += np.float32(rng.uniform(0.6, 1)) * (1 + d / reach**2) ** np.float32(-1.5)
    inner = total[(y[:, 0] >= 0) & (y[:, 0] <= 1)][:, (x[0] >= 0) & (x[0] <= aspect)]
    low, high = float(inner.min()), float(inner.max())
    stops = np.log2(high / low)
    wanted = float(rng.uniform(0.2, 1.5))
    return np.asarray((total / high) ** np.float32(wanted / max(stops, 0.05)), np.float32)


def _shed(
    rng: np.random.Generator, light: Image, x: Image, y: Image, aspect: float
) -> tuple[Image, NDArray[np.uint8]]:
    """The wall's end, a brick shed in the dark beyond it, and floods on stands before it."""
    tall, wide = light.shape[1:]
    size = tall / (float(y[-1, 0] - y[0, 0]))
    ragged = 0.004 * field(rng, tall, wide, 0.05 * size, 2)
    left, right = float(rng.uniform(0.02, 0.10)), aspect - float(rng.uniform(0.06, 0.16))
    top = float(rng.uniform(0.0, 0.06))
    outside = np.maximum(np.maximum(left - x, x - right), top - y) + ragged
    share = np.clip(0.5 + outside * size, 0, 1)
    brick = photograph("brick", tall, wide, rng)
    gloom = 0.010 * np.exp(-np.clip(outside, 0, None) / 0.25) * (1 + 0.35 * brick)
    tone = np.asarray((1.0, 0.9, 0.8), np.float32)[:, None, None]
    light = light * (1 - share) + share * np.maximum(gloom, 1e-3) * tone
    off = outside > -1.5 / size
    for place in (left + 0.05, right - 0.06):
        pole = np.abs(x - np.float32(place) - 0.01 * y) - np.float32(0.006)
        lamp = np.maximum(np.abs(x - np.float32(place)) - 0.06, np.abs(y - 0.2) - 0.045)
        stand = np.minimum(np.where(y > 0.2, pole, 1.0), lamp)
        cover = np.clip(0.5 - stand * size, 0, 1)
        sheen = 0.02 + 0.03 * np.exp(-(((x - place) / 0.004 + 0.5) ** 2))
        light = light * (1 - cover) + cover * sheen
        off |= stand < 1.5 / size
    return np.asarray(light, np.float32), off.astype(np.uint8)
