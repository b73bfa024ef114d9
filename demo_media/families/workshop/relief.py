"""Solids as smooth unions of rounded shapes, each with an outline and a height to the camera."""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from demo_media.families.coverage import covered, filled
from demo_media.families.layers import Layer
from demo_media.families.workshop.light import Stage, Surface, shade

Image = NDArray[np.float32]
Box = tuple[int, int, int, int]
Spot = tuple[float, float]


@dataclass
class Relief:
    """A growing solid over `box` in cells: `inside` > 0 within the outline, `depth` its height.

    Places and radii are in units of a picture 360 lines high; `scale` cells make one.
    """

    box: Box
    scale: float
    blend: float = 4.0
    inside: Image = field(init=False)
    depth: Image = field(init=False)

    def __post_init__(self) -> None:
        x0, y0, x1, y1 = self.box
        self._x = (np.arange(x0, x1, dtype=np.float32) + 0.5)[None, :] / np.float32(self.scale)
        self._y = (np.arange(y0, y1, dtype=np.float32) + 0.5)[:, None] / np.float32(self.scale)
        self.inside = np.full((y1 - y0, x1 - x0), -1e3, np.float32)
        self.depth = np.full((y1 - y0, x1 - x0), -1e3, np.float32)

    def _join(self, inside: Image, depth: Image) -> None:
        """Smooth maximum, which bridges the crease between two shapes."""
        self.inside = _smooth_max(self.inside, inside, self.blend)
        self.depth = _smooth_max(self.depth, depth, self.blend)

    def limb(self, a: Spot, ra: float, b: Spot, rb: float, za: float = 0, zb: float = 0) -> None:
        """A rounded cone from `a` to `b`; radii and heights of its axis change along it."""
        along = np.array([b[0] - a[0], b[1] - a[1]], np.float32)
        length2 = max(float(along @ along), 1e-6)
        px, py = self._x - np.float32(a[0]), self._y - np.float32(a[1])
        t = np.clip((px * along[0] + py * along[1]) / np.float32(length2), 0, 1)
        dx, dy = px - t * along[0], py - t * along[1]
        radius = ra + (rb - ra) * t
        far = np.sqrt(dx * dx + dy * dy)
        self._join(radius - far, za + (zb - za) * t + _bulge(radius, far))

    def ball(self, c: Spot, rx: float, ry: float, rz: float, z: float = 0, turn: float = 0) -> None:
        """An ellipsoid, turned by `turn` degrees on the picture."""
        cos, sin = np.cos(np.radians(turn)), np.sin(np.radians(turn))
        px, py = self._x - np.float32(c[0]), self._y - np.float32(c[1])
        u, v = (px * cos + py * sin) / rx, (py * cos - px * sin) / ry
        q = np.sqrt(u * u + v * v)
        self._join(
            np.asarray((1 - q) * min(rx, ry), np.float32),
            np.asarray(z + _bulge(np.float32(rz), rz * q), np.float32),
        )

    def dent(self, c: Spot, rx: float, ry: float, deep: float) -> None:
        """Push the height in around `c`; the outline stays."""
        u, v = (self._x - np.float32(c[0])) / rx, (self._y - np.float32(c[1])) / ry
        self.depth = np.asarray(self.depth - deep * np.exp(-(u * u + v * v)), np.float32)

    def sheet(self, outline: NDArray[np.float64], z: float, round_px: float) -> None:
        """A flat piece of `outline` (n, 2) with rounded borders, at height z."""
        x0, y0, x1, y1 = self.box
        corners = outline * self.scale - np.array([x0, y0])
        share = filled([corners], (y1 - y0, x1 - x0))
        inner = cv2.distanceTransform((share > 0.5).astype(np.uint8), cv2.DIST_L2, 5)
        outer = cv2.distanceTransform((share <= 0.5).astype(np.uint8), cv2.DIST_L2, 5)
        far = (inner - outer) / np.float32(self.scale)
        far = np.asarray(cv2.GaussianBlur(far, (0, 0), max(0.5 * self.scale, 0.6)), np.float32)
        rise = _bulge(np.float32(round_px), np.maximum(round_px - far, 0))
        self._join(far, np.asarray(z - round_px + rise, np.float32))


def _bulge(radius: Image | np.float32, far: Image) -> Image:
    """Height of a ball of `radius` at `far` from its middle; falls off steeply outside."""
    rest = radius * radius - far * far
    return np.asarray(np.sign(rest) * np.sqrt(np.abs(rest)), np.float32)


def _smooth_max(a: Image, b: Image, k: float) -> Image:
    """Polynomial smooth maximum with reach k; plain where the two are further apart."""
    h = np.clip(k - np.abs(a - b), 0, None) / k
    return np.asarray(np.maximum(a, b) + h * h * k / 4, np.float32)


def rendered(
    stage: Stage,
    relief: Relief,
    albedo: Image,
    surface: Surface,
    *,
    bump: Image | None = None,
    mask: Image | None = None,
    label: int = 0,
) -> Layer:
    """The relief as a lit layer; `mask` (h, w) limits its coverage, `bump` is in units."""
    cover = covered(relief.inside)
    if mask is not None:
        cover = cover * mask
    scale = np.float32(relief.scale)
    depth = np.maximum(relief.depth, -60) * scale
    rough = None if bump is None else bump * scale
    clean, spill = shade(stage, relief.box, depth, rough, albedo, surface)
    return Layer(relief.box, clean * cover, spill * cover, cover, label=label)
