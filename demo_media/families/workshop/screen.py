"""The workshop's screen: dyed cloth in panels, dragged into folds, lit by two lamps."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from demo_media.families.coverage import GRID, filled
from demo_media.families.scene import Colour
from demo_media.noise import fractal_noise

Image = NDArray[np.float32]


@dataclass(frozen=True)
class Look:
    """How the screen is dyed, hung and lit; stops are differences of light."""

    paint: Colour
    falloff_stops: float
    hot_stops: float
    folds_stops: float
    seams: int
    markers: int


def hang(look: Look, width: int, height: int, rng: np.random.Generator) -> Image:
    """The lit screen (3, h, w) on cells for a picture of width × height pixels."""
    w, h = width * GRID, height * GRID
    x = np.asarray((np.arange(w) + 0.5) / w, np.float32)[None, :]
    y = np.asarray((np.arange(h) + 0.5) / h, np.float32)[:, None]
    stops = _lamps(look, x, y, rng)
    stops = stops + np.float32(look.folds_stops) * _folds(w, h, rng)
    thread = rng.standard_normal((h, w)).astype(np.float32)
    stops = stops + 0.045 * cv2.GaussianBlur(thread, (0, 0), sigmaX=0.7, sigmaY=1.6)
    tint = np.ones((3, h, w), np.float32)
    tint *= 1 + 0.015 * rng.standard_normal((3, 1, 1)).astype(np.float32)
    warm = 0.025 * fractal_noise(rng, h, w, scale_px=w / 2.5, octaves=2)
    tint[0] *= 1 + warm
    tint[2] *= 1 - warm
    for _ in range(look.seams):
        _sew(tint, stops, rng.uniform(0.12, 0.88), x, y, rng)
    paint = np.asarray(look.paint, np.float32)[:, None, None]
    screen = paint * tint * np.exp2(stops)
    return _marked(np.asarray(screen, np.float32), look, rng)


def _lamps(look: Look, x: Image, y: Image, rng: np.random.Generator) -> Image:
    """Two lamps of unlike strength, so that the brightest place is off the middle, in stops."""
    near, far = rng.uniform(0.05, 0.4), rng.uniform(0.6, 0.95)
    top, low = rng.uniform(0.1, 0.5, 2)
    weak = rng.uniform(0.35, 0.9)
    first = 1 / (1 + 3.2 * ((x - near) ** 2 + 0.45 * (y - top) ** 2))
    second = weak / (1 + 3.2 * ((x - far) ** 2 + 0.45 * (y - low) ** 2))
    floor = 1 - rng.uniform(0.05, 0.3) * np.clip(y - 0.7, 0, 1)
    light = np.log2((first + second) * floor)
    light = (light - light.max()) / max(float(np.ptp(light)), 1e-6)
    spot = np.exp(-(((x - near - 0.05) / 0.12) ** 2) - ((y - top) / 0.2) ** 2)
    return np.asarray(look.falloff_stops * light + look.hot_stops * spot, np.float32)


def _folds(w: int, h: int, rng: np.random.Generator) -> Image:
    """Light on drags that hang from the clips and on slack between them: slopes of a height."""
    small_w, small_h = max(w // 4, 8), max(h // 4, 8)
    x = np.linspace(0, 1, small_w, dtype=np.float32)[None, :]
    y = np.linspace(0, 1, small_h, dtype=np.float32)[:, None]
    height = 0.6 * fractal_noise(rng, small_h, small_w, scale_px=small_w / 5, octaves=3, stretch=2)
    for _ in range(int(rng.integers(3, 6))):
        clip_x, lean = rng.uniform(0, 1), rng.normal(0, 0.35)
        run = x - clip_x - lean * y
        wide = 0.012 + 0.09 * y
        fade = np.exp(-y / rng.uniform(0.25, 0.8))
        ripple = np.cos(run / wide * rng.uniform(1.5, 3)) * np.exp(-((run / (2.2 * wide)) ** 2))
        height = height + rng.uniform(0.4, 1.1) * fade * ripple
    grown = cv2.resize(np.asarray(height, np.float32), (w, h), interpolation=cv2.INTER_CUBIC)
    across = cv2.Sobel(grown, cv2.CV_32F, 1, 0, ksize=3)
    slope = across + 0.4 * cv2.Sobel(grown, cv2.CV_32F, 0, 1, ksize=3)
    slope = slope / max(float(slope.std()), 1e-6)
    return np.asarray(np.clip(slope, -3, 3), np.float32)


def _sew(
    tint: Image, stops: Image, at: float, x: Image, y: Image, rng: np.random.Generator
) -> None:
    """A seam: another dye lot right of it, a thin shadow and a lip along it."""
    line = x - np.float32(at) - np.float32(rng.normal(0, 0.012)) * (y - 0.5)
    right = np.clip(line * 400 + 0.5, 0, 1)
    lot = 1 + rng.normal(0, 0.035, 3)
    tint *= 1 + right * (np.asarray(lot, np.float32)[:, None, None] - 1)
    stops -= 0.28 * np.exp(-((line / 0.0016) ** 2))
    stops += 0.14 * np.exp(-(((line - 0.004) / 0.002) ** 2))


def _marked(screen: Image, look: Look, rng: np.random.Generator) -> Image:
    """Squares, crosses and dots of tape: a darker dye of the same hue, or a paler one."""
    _, h, w = screen.shape
    tape = np.asarray((0.45, 0.42, 0.45) if rng.random() < 0.6 else (1.5, 1.3, 1.5), np.float32)
    shapes = []
    columns = max(1, round((look.markers * w / h) ** 0.5))
    rows = -(-look.markers // columns)
    size = 0.011 * w
    style = int(rng.integers(3))
    for i in range(look.markers):
        cx = (i % columns + 0.5 + rng.uniform(-0.2, 0.2)) * w / columns
        cy = (i // columns + 0.5 + rng.uniform(-0.2, 0.2)) * h / rows
        shapes += _mark(style, cx, cy, size, rng.uniform(-0.3, 0.3))
    if not shapes:
        return screen
    cover = filled(shapes, (h, w))
    taped = screen * tape[:, None, None]
    return np.asarray(screen + cover * (taped - screen), np.float32)


def _mark(style: int, x: float, y: float, size: float, turn: float) -> list[NDArray[np.float64]]:
    c, s = np.cos(turn), np.sin(turn)
    spin = np.array([[c, s], [-s, c]])
    if style == 0:
        around = np.linspace(0, 2 * np.pi, 24, endpoint=False)
        return [np.stack([np.cos(around), np.sin(around)], 1) * size * 0.5 + (x, y)]
    box = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]], float)
    if style == 1:
        return [box * size * 0.42 @ spin + (x, y)]
    bars = [box * (size * 0.6, size * 0.13), box * (size * 0.13, size * 0.6)]
    return [bar @ spin + (x, y) for bar in bars]
