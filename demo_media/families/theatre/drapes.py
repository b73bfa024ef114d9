"""The theatre's screen: a pleated drape with creases and tracking markers, and the wings."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from demo_media.families.theatre.limelight import Vector, column
from demo_media.families.theatre.looms import pleats, slopes, waves

Image = NDArray[np.float32]
Moves = NDArray[np.float64]


@dataclass(frozen=True)
class Drape:
    """The lit drape on a sheet with `margin_px` to spare: colour (3, H, W), share of things that
    are no screen (H, W), and the mean colour of the part in the picture."""

    sheet: Image
    other: Image
    margin_px: int
    mean: Vector

    def framed(self, move: Moves, width: int, height: int) -> tuple[Image, Image]:
        """Colour (3, h, w) and share that is no screen (h, w), picture mapped by `move`."""
        whole = move.copy()
        whole[:, 2] += self.margin_px
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        stack = np.dstack([*self.sheet, self.other])
        made = cv2.warpAffine(
            stack, whole, (width, height), flags=flags, borderMode=cv2.BORDER_REFLECT
        )
        planes = np.moveaxis(np.asarray(made, np.float32), -1, 0)
        return np.ascontiguousarray(planes[:3]), np.ascontiguousarray(planes[3])


def hang_drape(
    rng: np.random.Generator, paint: Vector, width: int, height: int, *, margin: int, wings: bool
) -> Drape:
    """Hang, light and mark a drape; with `wings` its edge, the dark beside it and a stand show."""
    tall, wide = height + 2 * margin, width + 2 * margin
    unit = height / 360
    y, x = np.mgrid[0:tall, 0:wide].astype(np.float32)
    y, x = (y - margin) / height, (x - margin) / height
    relief = _cloth(rng, x * height, y * height, unit)
    normal = slopes(relief)
    side = float(rng.choice((-1, 1))) * float(rng.uniform(0.15, 0.5))
    lamp = np.array([side, -0.35, 0.85], np.float32)
    lamp /= np.sqrt((lamp**2).sum())
    lit = np.clip(np.tensordot(lamp, normal, 1), 0, None) / lamp[2]
    lit = 0.30 + 0.70 * lit
    crevice = cv2.GaussianBlur(relief, (0, 0), 7 * unit) - relief
    lit = lit * np.clip(1 - 0.035 * np.clip(crevice, 0, None) / unit, 0.6, 1)
    lit = lit * _strip_lights(rng, x, y, width / height)
    dye = 1 + 0.010 * waves(rng, tall, wide, 120 * unit, count=8)
    thread = 1 + 0.018 * rng.standard_normal((tall, wide), dtype=np.float32)
    sheet = column(paint) * (lit * dye * thread)
    gel = np.asarray(((1.0, 0.35, 0.5), (1.0, 0.7, 0.3), (0.4, 0.6, 1.0))[int(rng.integers(3))])
    spot = float(rng.choice((-0.15, width / height + 0.15)))
    leak = np.exp(-(((x - spot) / 0.6) ** 2 + ((y - 0.9) / 0.5) ** 2))
    bounce = float(rng.uniform(0.05, 0.22)) * leak * (0.5 + 0.5 * normal[2])
    sheet = sheet + column(paint) ** 0.6 * column((gel[0], gel[1], gel[2])) * bounce * 0.5
    sheet = _marked(rng, sheet, margin, width, height)
    other = np.zeros((tall, wide), np.float32)
    middle = sheet[:, margin : margin + height, margin : margin + width].mean(axis=(1, 2))
    if wings:
        sheet, other = _wings(rng, sheet, x, y, width / height, height)
    mean = (float(middle[0]), float(middle[1]), float(middle[2]))
    return Drape(np.asarray(sheet, np.float32), other, margin, mean)


def _cloth(rng: np.random.Generator, x: Image, y: Image, unit: float) -> Image:
    """Height (h, w) in pixels: pleats that swing, creases where it was folded, wrinkles."""
    tall, wide = x.shape
    swing = waves(rng, tall, wide, 230 * unit, count=6) * np.float32(9 * unit)
    pitch = float(rng.uniform(26, 60)) * unit
    soft = float(rng.uniform(0.0, 0.8))
    strength = float(rng.uniform(0.10, 0.42))
    relief = strength * pleats(rng, np.asarray(x + swing, np.float32), pitch, soft)
    grid = float(rng.uniform(85, 130)) * unit
    for along in (x, y):  # the lines of the parcel it came in
        shift = float(rng.uniform(0, grid))
        wobble = np.asarray(along + 0.25 * swing + shift, np.float32)
        part = np.mod(wobble, grid) - grid / 2
        relief = relief + 0.5 * unit * np.exp(-((part / (1.6 * unit)) ** 2))
    wrinkle = waves(rng, tall, wide, 34 * unit, count=16, heading=0.4, spread=0.8)
    return np.asarray(relief + 0.30 * unit * wrinkle, np.float32)


def _strip_lights(rng: np.random.Generator, x: Image, y: Image, aspect: float) -> Image:
    """Light from a row of lamps above and one below, 1 at its brightest, 0.2 to 1.5 stops over."""
    above, below = float(rng.uniform(0.5, 1)), float(rng.uniform(0.1, 0.7))
    scallop = 1 + 0.05 * np.cos(2 * np.pi * x * 2.2 + 1) * np.exp(-np.clip(y, 0, None) * 3)
    light = above * scallop / (0.4 + np.clip(y + 0.3, 0, None)) + below / (0.5 + np.abs(1.3 - y))
    light = light * (1 - 0.25 * np.abs(x / aspect - float(rng.uniform(0.3, 0.7))))
    inner = light[(y >= 0) & (y <= 1) & (x >= 0) & (x <= aspect)]
    high, low = float(inner.max()), float(inner.min())
    power = float(rng.uniform(0.2, 1.5)) / max(float(np.log2(high / low)), 0.05)
    return np.asarray((light / high) ** np.float32(power), np.float32)


def _marked(rng: np.random.Generator, sheet: Image, margin: int, width: int, height: int) -> Image:
    """Tracking markers: crosses of tape in the drape's hue, darker or paler, in a rough grid."""
    if rng.random() < 0.35:
        return sheet
    tone = float(rng.choice((0.62, 0.72, 1.35)))
    scale = 8
    arm, thick = height * 0.018, height * 0.005
    gap = height * float(rng.uniform(0.24, 0.34))
    cover = np.zeros(sheet[0].shape, np.float32)
    for cy in np.arange(margin + 0.4 * gap, margin + height, gap):
        for cx in np.arange(margin + 0.3 * gap, margin + width, gap):
            px, py = cx + rng.normal(0, 0.03 * gap), cy + rng.normal(0, 0.03 * gap)
            turn = rng.normal(0, 0.12)
            reach = int(arm) + 3
            x0, y0 = int(px) - reach, int(py) - reach
            n = 2 * reach
            if x0 < 0 or y0 < 0 or x0 + n > cover.shape[1] or y0 + n > cover.shape[0]:
                continue
            fine = (np.arange(n * scale) + 0.5) / scale
            dx, dy = fine[None, :] + x0 - px, fine[:, None] + y0 - py
            u, v = dx * np.cos(turn) + dy * np.sin(turn), dy * np.cos(turn) - dx * np.sin(turn)
            bar = (np.abs(u) < arm) & (np.abs(v) < thick)
            cross = bar | ((np.abs(v) < arm) & (np.abs(u) < thick))
            small = cross.reshape(n, scale, n, scale).mean(axis=(1, 3))
            cover[y0 : y0 + n, x0 : x0 + n] = small
    return np.asarray(sheet * (1 + (tone - 1) * cover), np.float32)


def _wings(
    rng: np.random.Generator, sheet: Image, x: Image, y: Image, aspect: float, height: int
) -> tuple[Image, Image]:
    """The drape's hanging edge, black legs and a floor beside it, and a lamp on a boom."""
    swing = waves(rng, x.shape[0], x.shape[1], 0.2 * height, count=5)
    left = float(rng.uniform(0.03, 0.12)) + 0.008 * swing
    right = aspect - float(rng.uniform(0.05, 0.13)) + 0.008 * swing
    floor = float(rng.uniform(0.95, 1.0))
    outside = np.maximum(np.maximum(left - x, x - right), y - floor)
    share = np.clip(0.5 + outside * height, 0, 1)
    folds = 0.5 + 0.5 * np.sin(2 * np.pi * (x + 0.02 * swing) / 0.05)
    black = column((0.010, 0.008, 0.008)) * (0.5 + folds)
    boards = column((0.050, 0.032, 0.020)) * (0.7 + 0.3 * np.cos(2 * np.pi * y / 0.012))
    beyond = np.where(y > floor, boards, black)
    sheet = sheet * (1 - share) + beyond * share
    place = float(rng.choice((0.17, aspect - 0.2)))
    boom = np.abs(x - place) - 0.007
    can = np.hypot(x - place - 0.02, (y - 0.3) * 1.2) - 0.05
    stand = np.minimum(boom, can)
    cover = np.clip(0.5 - stand * height, 0, 1)
    glow = np.exp(-((np.hypot(x - place - 0.02, y - 0.3) / 0.025) ** 2))
    metal = column((0.03, 0.03, 0.033)) + column((1.5, 1.15, 0.7)) * glow * 0.4
    sheet = sheet * (1 - cover) + metal * cover
    other = np.clip(share + cover, 0, 1)
    return np.asarray(sheet, np.float32), np.asarray(other, np.float32)
