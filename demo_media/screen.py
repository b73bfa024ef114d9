"""The lit screen behind the subject: falloff, cloth, a crease, tracking markers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from demo_media.noise import fractal_noise
from demo_media.raster import Points, bounds, clip_box, polygon_coverage

Image = NDArray[np.float32]
Colour = tuple[float, float, float]

PAINT = {"green": (0.165, 0.360, 0.125), "blue": (0.072, 0.122, 0.410)}
"""Linear working-space colour of a well-lit screen of each primary: own invention."""


@dataclass(frozen=True)
class ScreenLook:
    """How the screen is lit and what is on it. Strengths in stops, sizes as shares of the width."""

    primary: str = "green"
    level: float = 1.0
    falloff_stops: float = 0.5
    hot_spot: tuple[float, float] = (0.45, 0.4)
    cloth_stops: float = 0.03
    creases: int = 0
    markers: int = 0


def _cross(x: float, y: float, size: float, degrees: float) -> list[Points]:
    thin = size * 0.17
    cos, sin = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    spin = np.array([[cos, sin], [-sin, cos]])
    bars = []
    for half_w, half_h in ((size / 2, thin / 2), (thin / 2, size / 2)):
        corners = [(-half_w, -half_h), (half_w, -half_h), (half_w, half_h), (-half_w, half_h)]
        bars.append(np.asarray(np.array(corners) @ spin + np.array([x, y]), np.float64))
    return bars


def _light(look: ScreenLook, width: int, height: int, rng: np.random.Generator) -> Image:
    """Light on the screen in stops relative to its brightest part."""
    x = (np.arange(width, dtype=np.float32) + 0.5)[None, :] / width - look.hot_spot[0]
    y = ((np.arange(height, dtype=np.float32) + 0.5)[:, None] - look.hot_spot[1] * height) / width
    far = np.sqrt(x * x / 0.36 + y * y / 0.20)
    stops = -np.float32(look.falloff_stops) * np.minimum(far, 1.6) ** 1.7
    second = np.exp(-((x - 0.38) ** 2 + (y + 0.1) ** 2) / 0.02)
    stops = stops + np.float32(0.12 * look.falloff_stops) * second
    cloth = fractal_noise(rng, height, width, scale_px=width / 7, octaves=5, gain=0.45)
    return np.asarray(stops + np.float32(look.cloth_stops) * cloth, np.float32)


def _crease(width: int, height: int, rng: np.random.Generator) -> Image:
    """One vertical fold: a bright flank beside a dark one, wandering, in stops."""
    y = np.linspace(0, 1, height, dtype=np.float32)[:, None]
    middle = rng.uniform(0.08, 0.92) + rng.normal(0, 0.02) * np.sin(y * rng.uniform(2, 6))
    middle = middle + rng.normal(0, 0.04) * (y - 0.5)
    x = (np.arange(width, dtype=np.float32)[None, :] + 0.5) / width - middle
    narrow = np.float32(rng.uniform(0.0025, 0.005))
    fold = -0.5 * np.exp(-((x / narrow) ** 2)) + 0.3 * np.exp(-(((x - 2 * narrow) / narrow) ** 2))
    strength = 0.4 + 0.6 * np.sin(np.pi * np.clip(y * rng.uniform(0.9, 1.3), 0, 1)) ** 2
    return np.asarray(fold * strength, np.float32)


def make_screen(look: ScreenLook, width: int, height: int, rng: np.random.Generator) -> Image:
    """The screen's light (3, h, w), linear working space, without noise or lens."""
    stops = _light(look, width, height, rng)
    for _ in range(look.creases):
        stops = stops + _crease(width, height, rng)
    warm = np.float32(0.03) * fractal_noise(rng, height, width, scale_px=width / 3, octaves=2)
    paint = np.asarray(PAINT[look.primary], np.float32)[:, None, None] * np.float32(look.level)
    tint = np.stack([1 + warm, np.ones_like(warm), 1 - warm])
    screen = np.asarray(paint * tint * np.exp2(stops), np.float32)
    _stick_markers(screen, look, rng)
    return screen


def _stick_markers(screen: Image, look: ScreenLook, rng: np.random.Generator) -> None:
    _, height, width = screen.shape
    columns = max(1, round((look.markers * width / height) ** 0.5))
    for i in range(look.markers):
        column, row = i % columns, i // columns
        rows = -(-look.markers // columns)
        x = (column + 0.5 + rng.uniform(-0.12, 0.12)) * width / columns
        y = (row + 0.5 + rng.uniform(-0.12, 0.12)) * height / rows
        bars = _cross(x, y, width * 0.016, rng.uniform(-8, 8))
        box = clip_box(bounds(bars), width, height)
        if box is None:
            continue
        cover = polygon_coverage(bars, box)
        patch = screen[:, box[1] : box[3], box[0] : box[2]]
        darker = patch * np.asarray((0.50, 0.42, 0.50), np.float32)[:, None, None]
        patch += cover * (darker - patch)
