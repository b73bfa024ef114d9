"""The demo's stage: materials, lamps, poses, and drawing in 1920 × 1080 coordinates."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from demo_media.raster import Points
from demo_media.shade import Lamp, Lights, Material
from demo_media.shapes import Paint, Painter, bezier, turn

Image = NDArray[np.float32]
Point = tuple[float, float]

CLAY = Material((0.44, 0.19, 0.11), roughness=0.45, grain=0.10, grain_px=10, sheen=0.25)
DARK_CLAY = Material((0.20, 0.085, 0.055), roughness=0.5, grain=0.14, grain_px=9)
BRASS = Material((0.88, 0.60, 0.25), metal=1.0, roughness=0.22, grain=0.05, grain_px=7)
OLD_BRASS = Material((0.62, 0.40, 0.17), metal=1.0, roughness=0.45, grain=0.16, grain_px=9)
IRON = Material((0.25, 0.24, 0.245), metal=1.0, roughness=0.5, grain=0.15, grain_px=8)
CREAM = Material((0.70, 0.62, 0.48), roughness=0.22, grain=0.03, grain_px=16, sheen=0.3)
INK = Material((0.022, 0.021, 0.026), roughness=0.18, grain=0.0)
WOOD = Material((0.20, 0.105, 0.055), roughness=0.4, grain=0.30, grain_px=22)
LEAF = Material((0.30, 0.055, 0.085), roughness=0.4, grain=0.22, grain_px=7, sheen=0.3)
PETAL = Material((0.80, 0.36, 0.13), roughness=0.6, grain=0.10, grain_px=6, sheen=0.4)
EMBER = Material((2.6, 0.85, 0.16), roughness=0.8, grain=0.35, grain_px=9)
LENS = Material((0.045, 0.05, 0.065), roughness=0.10, grain=0.0)
GLINT = Material((2.4, 2.3, 2.1), roughness=0.9, grain=0.0)


@dataclass(frozen=True)
class Pose:
    """Where the automaton is at one frame; angles in degrees, clockwise."""

    sway: float
    nod: float
    pour: float
    wave: float
    wave_speed: float
    time: float


def pose_at(index: int, frames: int) -> Pose:
    """The pose of frame `index` of `frames`; three waves of the arm in forty-eight frames."""
    t = index / max(frames, 1)
    turns = 2 * np.pi * index / 16
    tilt = float(np.clip((np.sin(2 * np.pi * (t - 0.14)) + 0.55) / 1.2, 0, 1))
    return Pose(
        sway=1.1 * float(np.sin(2 * np.pi * t)),
        nod=3.5 * float(np.sin(2 * np.pi * t + 0.7)),
        pour=tilt * tilt * (3 - 2 * tilt),
        wave=float(-62 + 30 * np.sin(turns)),
        wave_speed=float(30 * 2 * np.pi / 16 * np.cos(turns)),
        time=index / 24,
    )


def stage_lights(screen: tuple[float, float, float]) -> Lights:
    """A warm key from the upper left, a cool fill, a bright rim from behind."""
    return Lights(
        lamps=(
            Lamp((-0.62, -0.62, 0.62), (1.02, 0.92, 0.78)),
            Lamp((0.85, -0.15, 0.5), (0.17, 0.21, 0.28)),
            Lamp((0.75, -0.45, -0.42), (0.85, 0.74, 0.58)),
        ),
        screen=screen,
        spill=0.36,
    )


class Stage:
    """Draws in 1920 × 1080 coordinates, turned about the automaton's foot where asked."""

    def __init__(self, painter: Painter, scale: float, origin: Points | None = None) -> None:
        self.painter = painter
        self.scale = scale
        self.origin = np.zeros(2) if origin is None else origin
        self.pivot = np.zeros(2)
        self.degrees = 0.0

    def turned(self, pivot: Point, degrees: float) -> Stage:
        """The same stage with everything turned about `pivot`."""
        other = Stage(self.painter, self.scale, self.origin)
        other.pivot, other.degrees = np.asarray(pivot, np.float64), degrees
        return other

    def at(self, points: Sequence[Point] | Points) -> Points:
        """Design coordinates to pixels of the canvas."""
        array = np.atleast_2d(np.asarray(points, np.float64))
        moved = turn(array - self.pivot, self.degrees) + self.pivot
        return np.asarray(moved * self.scale - self.origin, np.float64)

    def point(self, x: float, y: float) -> Point:
        p = self.at([(x, y)])[0]
        return float(p[0]), float(p[1])

    def pot(
        self,
        x: float,
        y: float,
        profile: Sequence[Point],
        material: Material,
        *,
        degrees: float = 0.0,
        paint: Paint | None = None,
    ) -> None:
        self.painter.turned_pot(
            self.point(x, y),
            np.asarray(profile, np.float64) * self.scale,
            material,
            degrees=self.degrees + degrees,
            paint=paint,
        )

    def ball(
        self,
        x: float,
        y: float,
        rx: float,
        ry: float,
        material: Material,
        *,
        degrees: float = 0.0,
        flatness: float = 1.0,
        paint: Paint | None = None,
    ) -> None:
        self.painter.ellipsoid(
            self.point(x, y),
            (rx * self.scale, ry * self.scale),
            material,
            degrees=self.degrees + degrees,
            flatness=flatness,
            paint=paint,
        )

    def tube(
        self, points: Sequence[Point], start: float, end: float, material: Material, count: int = 12
    ) -> None:
        path = bezier([self.point(*p) for p in points], count)
        self.painter.limb(path, np.linspace(start, end, count) * self.scale, material)


def soft_step(x: Image) -> Image:
    """A logistic step, 0 to 1, without overflow."""
    return np.asarray(0.5 + 0.5 * np.tanh(0.5 * x), np.float32)
