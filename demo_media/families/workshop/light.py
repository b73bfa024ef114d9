"""Light in the workshop: lamps and room on a surface, and what the screen behind adds to it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]
Vector = NDArray[np.float32]
Colour = tuple[float, float, float]


@dataclass(frozen=True)
class Surface:
    """How a surface answers: `rough` 0.05 lacquer to 1 chalk, `metal` 0 or 1, `fuzz` for cloth.

    `gloss` scales the mirror part; 1 is a plain dielectric.
    """

    rough: float = 0.6
    metal: float = 0.0
    fuzz: float = 0.0
    gloss: float = 1.0
    wrap: float = 0.0


@dataclass
class Stage:
    """Everything that lights: directions to lamps, their colours, and the screen's glow.

    `glow` (3, h, w) on cells / 8 is the screen's light, widely blurred; `spill` scales it.
    """

    unit: float
    key: Vector
    key_colour: Vector
    fill: Vector
    fill_colour: Vector
    rim: Vector
    rim_colour: Vector
    sky: Vector
    ground: Vector
    glow: Image
    spill: float
    floor: float = 0.12

    def screen_light(self, box: tuple[int, int, int, int], toward: Image | None = None) -> Image:
        """The screen's light as seen from the cells of `box`, in direction `toward` (2, h, w)."""
        x0, y0, x1, y1 = box
        xs = (np.arange(x0, x1, dtype=np.float32) + 0.5)[None, :] / 8 - 0.5
        ys = (np.arange(y0, y1, dtype=np.float32) + 0.5)[:, None] / 8 - 0.5
        shape = (y1 - y0, x1 - x0)
        mx = np.ascontiguousarray(np.broadcast_to(xs, shape))
        my = np.ascontiguousarray(np.broadcast_to(ys, shape))
        if toward is not None:
            reach = np.float32(14 * self.unit)
            mx, my = mx + reach * toward[0], my + reach * toward[1]
        planes = [
            cv2.remap(g, mx, my, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
            for g in self.glow
        ]
        return np.asarray(np.stack(planes), np.float32)


def column(colour: Colour | Vector) -> Image:
    return np.asarray(colour, np.float32).reshape(3, 1, 1)


def unit_vector(x: float, y: float, z: float) -> Vector:
    """x to the right, y down, z towards the camera."""
    v = np.array([x, y, z], np.float32)
    return np.asarray(v / np.linalg.norm(v), np.float32)


def normals(depth: Image) -> Image:
    """Unit normals (3, h, w) of a height towards the camera, all in cells."""
    dx = cv2.Sobel(depth, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8)
    dy = cv2.Sobel(depth, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8)
    n = np.stack([-dx, -dy, np.ones_like(dx)])
    return np.asarray(n / np.sqrt((n**2).sum(axis=0)), np.float32)


def openness(depth: Image, unit: float) -> Image:
    """1 in the open, less in hollows: how far a surface lies under its blurred self."""
    total = np.zeros_like(depth)
    for px in (3.0, 9.0):
        sigma = px * unit
        hollow = cv2.GaussianBlur(depth, (0, 0), sigma) - depth
        total += np.clip(hollow / (1.6 * sigma), 0, 1)
    return np.asarray(1 - 0.55 * np.clip(total, 0, 1), np.float32)


def lit_by(depth: Image, lamp: Vector, unit: float) -> Image:
    """1 where the lamp reaches, 0 in the shadow of the surface's own height, soft between."""
    height, width = depth.shape
    shade = np.zeros_like(depth)
    rise = float(lamp[2]) / max(float(np.hypot(lamp[0], lamp[1])), 1e-3)
    for far in (4.0, 8.0, 14.0, 22.0, 34.0, 50.0):
        step = far * unit
        move = np.array(
            [[1, 0, -lamp[0] * step / np.hypot(lamp[0], lamp[1])],
             [0, 1, -lamp[1] * step / np.hypot(lamp[0], lamp[1])]], float)  # fmt: skip
        there = cv2.warpAffine(depth, move, (width, height), borderValue=-1e4)
        over = (there - depth - rise * step) / (0.35 * step)
        shade = np.maximum(shade, np.clip(over, 0, 1))
    return np.asarray(1 - shade, np.float32)


def _dot(n: Image, v: Vector) -> Image:
    return np.asarray(n[0] * v[0] + n[1] * v[1] + n[2] * v[2], np.float32)


def _lobe(n: Image, lamp: Vector, rough: float) -> Image:
    """Trowbridge–Reitz distribution about the half vector, eye along z, times a mild shadowing.

    Source: Trowbridge & Reitz 1975.
    """
    half = lamp + np.array([0, 0, 1], np.float32)
    half /= np.linalg.norm(half)
    a2 = np.float32(max(rough, 0.36) ** 4)  # lamps have a size of their own
    c = np.clip(_dot(n, half), 0, 1)
    d = a2 / (np.pi * (c * c * (a2 - 1) + 1) ** 2)
    return np.asarray(d * np.clip(_dot(n, lamp), 0, 1) * 0.25, np.float32)


def _room(r: Image, rough: float, stage: Stage) -> Image:
    """What a mirror sees in front of the screen: a dim room, a window of panes, a long tube."""
    up = np.clip(0.5 - 0.5 * r[1], 0, 1)
    room = column(stage.ground) + (column(stage.sky) - column(stage.ground)) * up
    soft = 0.02 + 0.35 * rough
    front = np.clip(r[2] / 0.25, 0, 1)
    side = np.sign(stage.key[0])
    u, v = side * r[0] - 0.55, r[1] + 0.25
    window = _panel(u, 0.22, soft) * _panel(v, 0.34, soft)
    bars = 1 - 0.8 * (_panel(u, 0.02, soft) + _panel(v + 0.08, 0.02, soft)).clip(0, 1) * (
        rough < 0.3
    )
    tube = _panel(r[1] + 0.75, 0.06, soft) * _panel(r[0], 0.6, soft)
    glow = (2.4 * window * bars) * column(stage.key_colour) + 1.5 * tube * column(stage.fill_colour)
    return np.asarray(room + front * glow, np.float32)


def _panel(x: Image, half: float, soft: float) -> Image:
    return np.asarray(np.clip((half - np.abs(x)) / soft + 0.5, 0, 1), np.float32)


def shade(
    stage: Stage,
    box: tuple[int, int, int, int],
    depth: Image,
    bump: Image | None,
    albedo: Image,
    surface: Surface,
) -> tuple[Image, Image]:
    """Clean and spill colour (3, h, w), straight, of a surface of height `depth` on `box`.

    `albedo` (3, h, w). Spill has three parts: the screen's light on matt surface by how far it
    turns away from the camera (with a bounce off the floor), its mirror image at grazing angles by
    Schlick's formula, and a sheen on fuzzy cloth.
    """
    n = normals(depth if bump is None else depth + bump)
    open_ = openness(depth, stage.unit)
    key = np.clip((_dot(n, stage.key) + surface.wrap) / (1 + surface.wrap), 0, 1)
    key = key * lit_by(depth, stage.key, stage.unit)
    fill = np.clip(0.25 + 0.75 * _dot(n, stage.fill), 0, 1)
    rim = np.clip(_dot(n, stage.rim), 0, 1)
    up = np.clip(0.5 - 0.5 * n[1], 0, 1)
    room = column(stage.ground) + (column(stage.sky) - column(stage.ground)) * up
    diffuse = key * column(stage.key_colour) + fill * open_ * column(stage.fill_colour)
    diffuse = diffuse + rim * column(stage.rim_colour) + room * open_
    facing = np.clip(n[2], 0, 1)
    grazing = (1 - facing) ** 5
    base = 0.04 + surface.metal * (albedo - 0.04)
    fresnel = base + (1 - base) * grazing * (1 - 0.6 * surface.rough)
    mirror = np.stack([2 * n[2] * n[0], 2 * n[2] * n[1], 2 * n[2] ** 2 - 1])
    lamps = np.zeros_like(diffuse)
    for lamp, colour in (
        (stage.key, stage.key_colour),
        (stage.fill, stage.fill_colour),
        (stage.rim, stage.rim_colour),
    ):
        lamps = lamps + _lobe(n, lamp, surface.rough) * column(colour)
    shine = surface.gloss * (1 - 0.75 * surface.rough)
    sheen = surface.fuzz * (1 - facing) ** 2.5
    matt = albedo * (1 - surface.metal) + sheen * 0.25
    clean = matt * diffuse + fresnel * (shine * _room(mirror, surface.rough, stage) + lamps * np.pi)
    behind = np.clip(-mirror[2] / (0.15 + surface.rough), 0, 1)
    behind = np.maximum(behind, 1.5 * stage.floor * np.clip(mirror[1], 0, 1))
    seen = stage.screen_light(box, mirror[:2])
    turned = np.clip((1 - n[2]) / 2, 0, 1) + stage.floor * np.clip(n[1], 0, 1) + 0.02
    around = stage.screen_light(box, 0.7 * n[:2])
    spill = matt * turned * (0.4 + 0.6 * open_) * around + fresnel * shine * behind * seen
    return np.asarray(clean, np.float32), np.asarray(stage.spill * spill, np.float32)
