"""Light on the harbour's solids: lamps with soft shadows, the sky's share, the wall's bounce."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from demo_media.families.harbour.layers import Pane, coverage
from demo_media.families.harbour.solids import Model, Stuff, Surface, Vector, march
from demo_media.families.harbour.weather import field, photograph

Image = NDArray[np.float32]
Moves = NDArray[np.float64]


@dataclass(frozen=True)
class Lamp:
    """A far lamp: unit direction towards it and its colour."""

    towards: Vector
    colour: Vector


@dataclass(frozen=True)
class Rig:
    """All light of a shot: lamps, the sky's share, the wall's mean colour and how strongly the
    wall lights the subject (1: a wall close behind)."""

    lamps: tuple[Lamp, ...]
    ambient: Vector
    wall: Vector
    bounce: float


def hang_lamps(
    rng: np.random.Generator, wall: Vector, *, bounce: float, rim: float, side: float
) -> Rig:
    """A key from one side, a weak fill from the other, a light from behind."""

    def unit(x: float, y: float, z: float) -> Vector:
        size = float(np.sqrt(x * x + y * y + z * z))
        return x / size, y / size, z / size

    key, fill = float(rng.uniform(0.75, 1.0)), float(rng.uniform(0.12, 0.3))
    warm = float(rng.uniform(-0.12, 0.12))
    return Rig(
        (
            Lamp(
                unit(0.8 * side, -0.75, rng.uniform(0.6, 1.0)),
                (key * (1 + warm), key, key * (1 - warm)),
            ),
            Lamp(unit(-1.0 * side, -0.15, 0.7), (fill * 0.9, fill, fill * 1.1)),
            Lamp(unit(-0.5 * side, -0.7, -0.75), (rim, rim * 0.97, rim * 0.9)),
        ),
        (0.060, 0.064, 0.070),
        wall,
        bounce,
    )


class Sculpture:
    """A model marched once on its own grid, to be drawn in any frame under a plane movement."""

    def __init__(
        self,
        model: Model,
        rig: Rig,
        seed: int,
        height: int,
        box: tuple[float, float, float, float],
        coarse: float = 1.15,
    ) -> None:
        """March inside `box` (x0, y0, x1, y1 in picture heights) at `coarse` pixels a ray."""
        self.rig, self.height, self.box = rig, height, box
        self.columns = int(np.ceil((box[2] - box[0]) * height))
        self.rows = int(np.ceil((box[3] - box[1]) * height))
        wide, tall = int(self.columns / coarse) + 1, int(self.rows / coarse) + 1
        x, y = self._grid(wide, tall)
        surface = march(model, x, y, [lamp.towards for lamp in rig.lamps], 14 / height)
        fine_x, fine_y = self._grid(self.columns, self.rows)
        exact = model.melted(fine_x.ravel(), fine_y.ravel(), None).reshape(fine_x.shape)
        self.outline = np.asarray(exact * height, np.float32)
        self._surface = Surface(
            exact,
            self._grown(surface.depth[None])[0],
            self._grown(surface.normal),
            np.clip(self._grown(surface.shade), 0, 1),
            np.clip(self._grown(surface.weights), 0, 1),
            np.clip(self._grown(surface.closeness[None])[0], 0, 1),
        )
        self._paint(model.stuff, np.random.default_rng([seed, 31]))

    def _grid(self, wide: int, tall: int) -> tuple[Image, Image]:
        x0, y0, x1, y1 = self.box
        x = x0 + (np.arange(wide, dtype=np.float32) + 0.5) * np.float32((x1 - x0) / wide)
        y = y0 + (np.arange(tall, dtype=np.float32) + 0.5) * np.float32((y1 - y0) / tall)
        across, down = np.meshgrid(x, y)
        return np.asarray(across, np.float32), np.asarray(down, np.float32)

    def _grown(self, maps: Image) -> Image:
        size = (self.columns, self.rows)
        made = [cv2.resize(m, size, interpolation=cv2.INTER_LINEAR) for m in maps]
        return np.asarray(np.stack(made), np.float32)

    def _paint(self, stuff: list[Stuff], rng: np.random.Generator) -> None:
        """Albedo, roughness and bumps of the stuff at every pixel, then the light on it."""
        surface, weights = self._surface, self._surface.weights
        weights = weights / np.maximum(weights.sum(axis=0), 1e-6)
        albedo = np.tensordot(np.array([s.albedo for s in stuff], np.float32).T, weights, 1)
        gloss = np.tensordot(np.array([s.gloss for s in stuff], np.float32), weights, 1)
        sharp = np.tensordot(np.array([s.sharpness for s in stuff], np.float32), weights, 1)
        near = np.tensordot(np.array([s.near_hue for s in stuff], np.float32), weights, 1)
        bump = np.zeros((self.rows, self.columns), np.float32)
        for weave in {s.weave for s in stuff}:
            share = weights[[i for i, s in enumerate(stuff) if s.weave == weave]].sum(axis=0)
            relief, tone = weave_of(weave, self.rows, self.columns, self.height, rng)
            bump += share * relief
            albedo = albedo * (1 + share * tone)
        normal = surface.normal.copy()
        normal[0] -= np.asarray(np.gradient(bump, axis=1)) * np.float32(self.height / 360)
        normal[1] -= np.asarray(np.gradient(bump, axis=0)) * np.float32(self.height / 360)
        normal /= np.maximum(np.sqrt((normal**2).sum(axis=0)), 1e-6)
        self.own, self.spill = light_surface(self.rig, surface, normal, albedo, gloss, sharp)
        self.near, self.gloss = near, gloss

    def drawn(self, move: Moves, width: int, height: int) -> Pane:
        """The sculpture in a frame; `move` (2, 3) maps the frame's pixels to where they rest."""
        shifted = move.copy()
        shifted[:, 2] -= np.array(self.box[:2]) * self.height
        cover = coverage(self.outline, shifted, width, height)
        flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP

        def warp(plane: Image) -> Image:
            border = cv2.BORDER_REPLICATE
            made = cv2.warpAffine(plane, shifted, (width, height), flags=flags, borderMode=border)
            return np.asarray(made, np.float32)

        own = np.maximum(np.stack([warp(p) for p in self.own]), 0) * cover
        spill = np.maximum(np.stack([warp(p) for p in self.spill]), 0) * cover
        label = np.where(warp(self.near) > 0.5, 1, 0) + np.where(warp(self.gloss) > 0.5, 2, 0)
        return Pane(own, spill, cover, None, np.minimum(label, 2).astype(np.uint8))


def weave_of(
    weave: str, rows: int, columns: int, height: int, rng: np.random.Generator
) -> tuple[Image, Image]:
    """Relief in pixels at 360 lines, and relative tone, of a weave, both (rows, columns)."""
    unit = height / 360
    y = np.asarray(np.arange(rows)[:, None] / unit, np.float32)
    x = np.asarray(np.arange(columns)[None, :] / unit, np.float32)
    soft = field(rng, rows, columns, 26 * unit, 3.2)
    fine = field(rng, rows, columns, 2.5 * unit, 1.6)
    if weave == "knit":
        bend = 1.2 * soft
        rib = np.cos(2 * np.pi * (x + 1.5 * bend) / 6.5)
        stitch = np.cos(2 * np.pi * ((y + bend) / 4.5 + 0.25 * np.abs(rib)))
        return 0.45 * rib + 0.22 * stitch + 1.2 * soft, 0.10 * rib * stitch + 0.06 * fine
    if weave == "canvas":
        thread = np.cos(2 * np.pi * x / 2.6) * np.cos(2 * np.pi * y / 2.6)
        crease = np.abs(field(rng, rows, columns, 34 * unit, 2.6))
        return 3.2 * crease + 0.12 * thread, 0.10 * fine + 0.06 * thread - 0.06 * soft
    if weave in ("oilskin", "leather"):
        folds = field(rng, rows, columns, 42 * unit, 3.0)
        crease = 1 - np.abs(np.tanh(2.2 * folds))
        return 1.1 * crease + 1.9 * folds + 0.06 * fine, 0.04 * soft
    if weave == "rust":
        photo = cv2.GaussianBlur(photograph("gravel", rows, columns, rng), (0, 0), unit)
        return 0.5 * photo, 0.25 * photo + 0.2 * np.clip(soft, -1, 2)
    if weave == "wood":
        grain = np.cos(2 * np.pi * (x + 3.0 * soft) / 9 + 0.08 * y)
        return 0.06 * grain + 0.05 * fine, 0.06 * grain + 0.05 * soft
    return 0.04 * fine, 0.03 * soft


def light_surface(
    rig: Rig, surface: Surface, normal: Image, albedo: Image, gloss: Image, sharp: Image
) -> tuple[Image, Image]:
    """Own light and the wall's spill (3, h, w) of a surface, straight.

    The wall is a plane behind: what it sends to a surface goes with how far the normal turns away
    from the camera and falls with the distance from the wall; polished stuff mirrors it at grazing
    angles (Schlick 1994).
    """
    own = albedo * (np.asarray(rig.ambient, np.float32)[:, None, None] * surface.closeness)
    for lamp, shade in zip(rig.lamps, surface.shade, strict=True):
        towards = np.asarray(lamp.towards, np.float32)
        colour = np.asarray(lamp.colour, np.float32)[:, None, None]
        facing = np.clip(np.tensordot(towards, normal, 1), 0, None)
        half = towards + np.array([0, 0, 1], np.float32)
        half /= max(float(np.sqrt((half**2).sum())), 1e-6)
        peak = np.clip(np.tensordot(half, normal, 1), 0, 1) ** sharp
        own = own + colour * (shade * (albedo * facing + gloss * peak * (0.15 + 0.02 * sharp)))
    turned = np.clip(1 - normal[2], 0, 1.6)
    near_wall = 1 / (1 + ((surface.depth + 0.35) / 0.55) ** 2)
    seen = turned**1.5 * near_wall * (0.35 + 0.65 * surface.closeness)
    fresnel = 0.04 + 0.96 * np.clip(1 - np.abs(normal[2]), 0, 1) ** 5
    mirrored = gloss * fresnel * 1.6 + 0.10 * fresnel
    wall = np.asarray(rig.wall, np.float32)[:, None, None] * np.float32(rig.bounce)
    spill = wall * (albedo * seen * 1.1 + mirrored)
    return np.asarray(own, np.float32), np.asarray(spill, np.float32)
