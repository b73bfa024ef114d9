"""What every shot of the workshop has: its size, screen, lights, and how a canvas becomes truth."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from demo_media.families import KINDS, default_paint
from demo_media.families.coverage import GRID
from demo_media.families.fill import straight_colour
from demo_media.families.layers import Canvas, pixels
from demo_media.families.scene import PAINTS, SceneFrame
from demo_media.families.workshop.background import wall
from demo_media.families.workshop.light import Stage, unit_vector
from demo_media.families.workshop.screen import Look, hang

Image = NDArray[np.float32]

CLOSER = {
    **dict.fromkeys(("hair", "blond_hair", "rim_hair", "hair_420", "defocus"), (1.0, 1.6)),
    **dict.fromkeys(("plain", "plain_dark", "low_light", "gloss", "near_hue"), (1.0, 1.25)),
}
"""How much closer than the whole bench the camera may be, by kind."""


@dataclass
class Shop:
    """A shot in the making.

    `scale` cells make a unit, a 360th of the height where the camera isn't closer; the picture is
    `wide` units across. `bright` gathers places on polished brass, in units.
    """

    kind: str
    seed: int
    primary: str
    width: int
    height: int
    rng: np.random.Generator
    scale: float
    wide: float
    screen: Image
    stage: Stage
    behind: Image
    look: Look
    bright: list[tuple[float, float]] = field(default_factory=list)

    def fresh(self, *more: int) -> np.random.Generator:
        """A generator for one part, the same in every frame."""
        return np.random.default_rng([self.seed, KINDS.index(self.kind), *more])


def open_shop(kind: str, seed: int, primary: str, width: int, height: int) -> Shop:
    """Hang the screen and set the lamps for a shot."""
    rng = np.random.default_rng([seed, KINDS.index(kind), 2026, primary == "blue"])
    paint = PAINTS[primary][default_paint("workshop", kind, seed, primary)]
    level = float(rng.uniform(0.85, 1.15))
    look = Look(
        paint=(paint[0] * level, paint[1] * level, paint[2] * level),
        falloff_stops=float(rng.uniform(0.35, 1.2)),
        hot_stops=float(rng.uniform(0.0, 0.35)),
        folds_stops=float(rng.uniform(0.015, 0.06)),
        seams=int(rng.integers(0, 3)),
        markers=int(rng.choice((0, 6, 9, 15))),
    )
    screen = hang(look, width, height, rng)
    closer = float(rng.uniform(*CLOSER.get(kind, (1.0, 1.0))))
    scale = closer * height / 360 * GRID
    stage = _stage(kind, screen, scale, rng)
    behind = wall(width, height, rng)
    wide = 360 * width / height / closer
    return Shop(kind, seed, primary, width, height, rng, scale, wide, screen, stage, behind, look)


def rehang(shop: Shop, width: int, height: int) -> Image:
    """The shot's screen once more, over a larger picture (3, h, w) on cells."""
    look = replace(shop.look, markers=max(shop.look.markers, 12))
    return hang(look, width, height, shop.fresh(9))


def _stage(kind: str, screen: Image, scale: float, rng: np.random.Generator) -> Stage:
    side = float(rng.choice((-1, 1)))
    key, warm = float(rng.uniform(1.0, 1.7)), float(rng.uniform(-0.10, 0.16))
    fill, cool = float(rng.uniform(0.15, 0.5)), float(rng.uniform(-0.05, 0.15))
    rim = float(rng.uniform(0.2, 1.2))
    if kind == "rim_hair":
        rim = float(rng.uniform(9, 14))
    if kind == "plain_dark":
        key, fill, rim = 0.45 * key, 0.5 * fill, 0.5 * rim
    small = (max(screen.shape[2] // 8, 4), max(screen.shape[1] // 8, 4))
    sigma = max(16 * scale / 8, 1.0)
    glow = [
        cv2.GaussianBlur(cv2.resize(p, small, interpolation=cv2.INTER_AREA), (0, 0), sigma)
        for p in screen
    ]
    return Stage(
        unit=scale,
        key=unit_vector(0.75 * side, -0.65, 0.75),
        key_colour=np.array([key * (1 + warm), key, key * (1 - warm)], np.float32),
        fill=unit_vector(-0.85 * side, -0.1, 0.6),
        fill_colour=np.array([fill * (1 - cool), fill, fill * (1 + cool)], np.float32),
        rim=unit_vector(-0.7 * side, -0.6, -1.0 if kind == "rim_hair" else -0.35),
        rim_colour=np.array([rim, 0.96 * rim, 0.88 * rim], np.float32),
        sky=np.asarray(rng.uniform(0.10, 0.26) * np.array([0.95, 1.0, 1.1]), np.float32),
        ground=np.asarray(rng.uniform(0.05, 0.12) * np.array([1.1, 1.0, 0.85]), np.float32),
        glow=np.asarray(np.stack(glow), np.float32),
        floor=0.5 if kind == "gloss" else 0.14,
        spill=float(rng.uniform(1.0, 1.5) if kind == "gloss" else rng.uniform(0.45, 1.0)),
    )


def truth_of(shop: Shop, canvas: Canvas, screen: Image, **more: Image | None) -> SceneFrame:
    """The canvas before the screen (cells) as a frame of pixels."""
    alpha = np.asarray(np.clip(pixels(canvas.alpha), 0, 1), np.float32)
    clean, spill = pixels(canvas.clean), pixels(canvas.spill)
    labels = canvas.labels[::GRID, ::GRID]
    return SceneFrame(
        alpha=alpha,
        foreground=straight_colour(clean + spill, alpha),
        foreground_clean=straight_colour(clean, alpha),
        clean_plate=pixels(screen),
        background=shop.behind,
        extra=pixels(canvas.extra) if canvas.has_extra else None,
        labels=np.ascontiguousarray(labels),
        **more,
    )
