"""Solid parts: an outline for exact coverage, normals for the light, painted as one layer."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from demo_media.noise import fractal_noise
from demo_media.raster import (
    SUPERSAMPLE,
    Box,
    Canvas,
    Layer,
    Points,
    bounds,
    clip_box,
    polygon_coverage,
)
from demo_media.shade import Colour, Lights, Material, shade

Image = NDArray[np.float32]


_TILE, _TILE_GRAIN = 768, 32.0


@cache
def _texture_tile() -> Image:
    return fractal_noise(
        np.random.default_rng(5), _TILE, _TILE, scale_px=_TILE_GRAIN, octaves=5, gain=0.55
    )


@dataclass(frozen=True)
class Paint:
    """A second colour on a part: `weight(across, along)` is 0..1 over the part's own coordinates.

    Pots give the angle around the axis in radians and the height above the base in pixels,
    ellipsoids their coordinates in radii.
    """

    weight: Callable[[Image, Image], Image]
    colour: Colour


class Painter:
    """Paints parts on a canvas under one set of lights; textures come from its own seed."""

    def __init__(
        self, canvas: Canvas, lights: Lights, seed: int, *, factor: int = SUPERSAMPLE
    ) -> None:
        self.canvas = canvas
        self.lights = lights
        self.seed = seed
        self.factor = factor
        self.contact = 0.35
        self.scale = canvas.height / 540
        self._parts = 0

    def on(self, canvas: Canvas) -> Painter:
        """The same lights and seed on another canvas, without contact shadows."""
        other = Painter(canvas, self.lights, self.seed, factor=self.factor)
        other.contact = 0.0
        other.scale = self.scale
        return other

    def part(
        self,
        polygons: Sequence[Points],
        material: Material,
        normal: Image,
        box: Box,
        local: tuple[Image, Image],
        painted: tuple[Image, Colour] | None = None,
    ) -> None:
        """Paint the union of `polygons` with `normal` (3, h, w) given over `box`.

        `local` are coordinates in pixels that move with the part, so that its texture does too.
        """
        self._parts += 1
        alpha = polygon_coverage(polygons, box, self.factor)
        texture: Image | float = 0.0
        if material.grain > 0:
            texture = self._texture(local, material.grain_px * self.scale)
        clean, spill = shade(normal, material, self.lights, texture, painted)
        layer = Layer(box, clean * alpha, spill * alpha, alpha)
        if self.contact > 0:
            size = max(3.0, 6.5 * self.scale)
            self.canvas.occlude(
                layer, shift=(int(size / 2), int(size)), blur_px=size, amount=self.contact
            )
        self.canvas.over(layer)

    def _texture(self, local: tuple[Image, Image], grain_px: float) -> Image:
        """Fractal noise sampled where the part's own coordinates say, different for each part."""
        shift = np.random.default_rng([self.seed, self._parts]).uniform(0, _TILE, 2)
        scale = np.float32(_TILE_GRAIN / grain_px)
        x = np.broadcast_to(local[0] * scale + np.float32(shift[0]), local[0].shape)
        y = np.broadcast_to(local[1] * scale + np.float32(shift[1]), local[1].shape)
        tile = _texture_tile()
        border = cv2.BORDER_REFLECT_101
        return np.asarray(cv2.remap(tile, x, y, cv2.INTER_LINEAR, borderMode=border), np.float32)

    def _grid(self, box: Box, centre: tuple[float, float], degrees: float) -> tuple[Image, Image]:
        """Pixel centres over `box`, relative to `centre` and turned back by `degrees`."""
        x = np.arange(box[0], box[2], dtype=np.float32)[None, :] + 0.5 - np.float32(centre[0])
        y = np.arange(box[1], box[3], dtype=np.float32)[:, None] + 0.5 - np.float32(centre[1])
        cos, sin = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
        return (
            np.asarray(x * cos + y * sin, np.float32),
            np.asarray(y * cos - x * sin, np.float32),
        )

    def _clip(self, polygons: Sequence[Points]) -> Box | None:
        return clip_box(bounds(polygons), self.canvas.width, self.canvas.height)

    def ellipsoid(
        self,
        centre: tuple[float, float],
        radii: tuple[float, float],
        material: Material,
        *,
        degrees: float = 0.0,
        flatness: float = 1.0,
        paint: Paint | None = None,
    ) -> None:
        """An ellipsoid; `flatness` < 1 makes it a lens seen from the front."""
        angle = np.linspace(0, 2 * np.pi, 160, endpoint=False)
        local = np.stack([radii[0] * np.cos(angle), radii[1] * np.sin(angle)], axis=1)
        outline = turn(local, degrees) + np.asarray(centre)
        box = self._clip([outline])
        if box is None:
            return
        x, y = self._grid(box, centre, degrees)
        u, v = x / np.float32(radii[0]), y / np.float32(radii[1])
        inside = np.minimum(u * u + v * v, 1)
        depth = min(radii) * flatness
        normal = np.stack([u / radii[0], v / radii[1], np.sqrt(1 - inside) / depth])
        painted = None if paint is None else (paint.weight(u, v), paint.colour)
        self.part([outline], material, _turned(normal, degrees), box, (x, y), painted)

    def limb(
        self,
        points: Points,
        radii: NDArray[np.float64],
        material: Material,
    ) -> None:
        """A round tube through `points` (n, 2) with a radius at each; ends are half spheres."""
        polygons = [
            _capsule(points[i], points[i + 1], radii[i], radii[i + 1])
            for i in range(len(points) - 1)
        ]
        box = self._clip(polygons)
        if box is None:
            return
        x = np.arange(box[0], box[2], dtype=np.float32)[None, :] + np.float32(0.5)
        y = np.arange(box[1], box[3], dtype=np.float32)[:, None] + np.float32(0.5)
        best = np.full((box[3] - box[1], box[2] - box[0]), np.inf, np.float32)
        normal = np.zeros((3, *best.shape), np.float32)
        for i in range(len(points) - 1):
            (ax, ay), (bx, by) = points[i].astype(np.float32), points[i + 1].astype(np.float32)
            length = max(float((bx - ax) ** 2 + (by - ay) ** 2), 1e-6)
            t = np.clip(((x - ax) * (bx - ax) + (y - ay) * (by - ay)) / np.float32(length), 0, 1)
            radius = np.float32(radii[i]) + t * np.float32(radii[i + 1] - radii[i])
            dx, dy = (x - ax - t * (bx - ax)) / radius, (y - ay - t * (by - ay)) / radius
            distance = dx * dx + dy * dy
            nearer = distance < best
            best = np.where(nearer, distance, best)
            dz = np.sqrt(1 - np.minimum(distance, 1))
            normal = np.where(nearer, np.stack([dx, dy, dz]), normal)
        local = self._grid(box, (float(points[0, 0]), float(points[0, 1])), 0.0)
        self.part(polygons, material, _unit_field(normal), box, local)

    def turned_pot(
        self,
        base: tuple[float, float],
        profile: NDArray[np.float64],
        material: Material,
        *,
        degrees: float = 0.0,
        paint: Paint | None = None,
    ) -> None:
        """A surface of revolution: rows of `profile` are (height above base, radius), rising."""
        heights, widths = _smooth_profile(profile)
        local = np.concatenate(
            [np.stack([widths, -heights], 1), np.stack([-widths[::-1], -heights[::-1]], 1)]
        )
        outline = turn(local, degrees) + np.asarray(base)
        box = self._clip([outline])
        if box is None:
            return
        x, y = self._grid(box, base, degrees)
        radius = np.interp(-y, heights, widths).astype(np.float32)
        slope = np.interp(-y, heights, np.gradient(widths, heights)).astype(np.float32)
        u = np.clip(x / np.maximum(radius, 1e-3), -1, 1)
        dz = np.sqrt(1 - u * u)
        normal = np.stack([u, np.broadcast_to(np.clip(slope, -3, 3), u.shape), dz])
        around = np.asarray(np.arcsin(u), np.float32)
        painted = None if paint is None else (paint.weight(around, -y), paint.colour)
        self.part([outline], material, _turned(_unit_field(normal), degrees), box, (x, y), painted)

    def plate(
        self,
        outline: Points,
        material: Material,
        *,
        tilt: tuple[float, float],
        stretch: tuple[float, float] = (1.0, 1.0),
    ) -> None:
        """A flat piece such as a leaf or a panel, with one normal bent softly by its texture."""
        box = self._clip([outline])
        if box is None:
            return
        shape = (box[3] - box[1], box[2] - box[0])
        x, y = self._grid(box, (float(outline[:, 0].mean()), float(outline[:, 1].mean())), 0.0)
        size = float(np.ptp(outline, axis=0).max()) + 1
        nx = np.float32(tilt[0]) + np.float32(0.9) * x / np.float32(size)
        ny = np.float32(tilt[1]) + np.float32(0.9) * y / np.float32(size)
        normal = np.stack([nx, ny, np.ones(shape, np.float32) * np.float32(0.9)])
        local = (x * np.float32(stretch[0]), y * np.float32(stretch[1]))
        self.part([outline], material, _unit_field(normal), box, local)


def turn(points: Points, degrees: float) -> Points:
    """Rotate points (n, 2) clockwise on the screen (y is down) about the origin."""
    cos, sin = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return np.asarray(points @ np.array([[cos, sin], [-sin, cos]]), np.float64)


def _unit_field(normal: Image) -> Image:
    length = np.sqrt((normal * normal).sum(axis=0))
    return np.asarray(normal / np.maximum(length, 1e-6), np.float32)


def _turned(normal: Image, degrees: float) -> Image:
    cos, sin = np.float32(np.cos(np.radians(degrees))), np.float32(np.sin(np.radians(degrees)))
    x, y = normal[0] * cos - normal[1] * sin, normal[0] * sin + normal[1] * cos
    return _unit_field(np.stack([x, y, normal[2]]).astype(np.float32))


def _capsule(a: Points, b: Points, radius_a: float, radius_b: float) -> Points:
    angle = float(np.arctan2(b[1] - a[1], b[0] - a[0]))
    half = np.linspace(np.pi / 2, 3 * np.pi / 2, 24) + angle
    end_a = a + radius_a * np.stack([np.cos(half), np.sin(half)], 1)
    end_b = b - radius_b * np.stack([np.cos(half), np.sin(half)], 1)
    return np.concatenate([end_a, end_b])


def _smooth_profile(profile: NDArray[np.float64]) -> tuple[NDArray[np.float64], ...]:
    """A dense, softly rounded version of a few (height, radius) pairs."""
    heights = np.linspace(profile[0, 0], profile[-1, 0], 240)
    widths = PchipInterpolator(profile[:, 0], profile[:, 1])(heights)
    kernel = np.hanning(11)
    padded = np.pad(widths, 5, mode="edge")
    return heights, np.convolve(padded, kernel / kernel.sum(), mode="valid")


def bezier(points: Sequence[tuple[float, float]], count: int) -> Points:
    """`count` points along the Bézier curve with these control points (de Casteljau)."""
    t = np.linspace(0, 1, count)[:, None]
    level = [np.repeat(np.asarray(p, np.float64)[None], count, 0) for p in points]
    while len(level) > 1:
        level = [(1 - t) * a + t * b for a, b in pairwise(level)]
    return np.asarray(level[0], np.float64)
