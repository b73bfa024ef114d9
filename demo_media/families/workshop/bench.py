"""The bench and what is on it: a board, brass instruments with toothed wheels, boxes, stands."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from demo_media.families.coverage import filled
from demo_media.families.layers import Layer, merged
from demo_media.families.scene import Colour
from demo_media.families.workshop import cloth
from demo_media.families.workshop.figure import relief_at, shape_of
from demo_media.families.workshop.light import Stage, Surface
from demo_media.families.workshop.relief import Spot, rendered

Image = NDArray[np.float32]
BRASS: Colour = (0.80, 0.56, 0.22)
STEEL: Colour = (0.52, 0.53, 0.55)
OAK: Colour = (0.26, 0.15, 0.075)
WALNUT: Colour = (0.11, 0.062, 0.036)


def board(stage: Stage, scale: float, top: float, wide: float, rng: np.random.Generator) -> Layer:
    """The bench top across the foot of the frame."""
    relief = relief_at(scale, -12, top - 6, wide + 12, 376, 2.0)
    outline = np.array([(-40, top), (wide + 40, top + 4), (wide + 40, 420), (-40, 420)], float)
    relief.sheet(outline, 80, 6)
    albedo, bump = cloth.timber(OAK, shape_of(relief), scale, rng)
    return rendered(stage, relief, albedo, Surface(rough=0.38, gloss=0.9), bump=bump)


def wheel_outline(c: Spot, radius: float, teeth: int, turn: float = 0) -> NDArray[np.float64]:
    """A toothed wheel's outline in units, teeth with sloped flanks."""
    step = 2 * np.pi / teeth
    angle = np.repeat(np.arange(teeth) * step, 4) + np.tile([0, 0.24, 0.5, 0.74], teeth) * step
    far = np.tile([radius, radius * 1.11, radius * 1.11, radius], teeth)
    return np.stack([c[0] + far * np.cos(angle + turn), c[1] + far * np.sin(angle + turn)], 1)


def wheel(stage: Stage, scale: float, c: Spot, radius: float, rng: np.random.Generator) -> Layer:
    """A brass wheel with five windows between its spokes, seen through them."""
    relief = relief_at(scale, c[0] - 1.2 * radius, c[1] - 1.2 * radius, c[0] + 1.2 * radius,
                       c[1] + 1.2 * radius, 1.5)  # fmt: skip
    turn = float(rng.uniform(0, 1))
    relief.sheet(wheel_outline(c, radius, max(14, int(radius)), turn), 70, 2.2)
    relief.ball(c, radius * 0.16, radius * 0.16, 6, 72)
    windows = []
    for k in range(5):
        a = np.linspace(k * 2 * np.pi / 5 + 0.16, (k + 1) * 2 * np.pi / 5 - 0.16, 14) + turn
        ring = [np.stack([np.cos(a), np.sin(a)], 1) * r for r in (0.82 * radius, 0.30 * radius)]
        windows.append(np.concatenate([ring[0], ring[1][::-1]]) + np.asarray(c))
    x0, y0 = relief.box[:2]
    open_ = filled([w * scale - (x0, y0) for w in windows], shape_of(relief))
    albedo, bump = cloth.metal(BRASS, shape_of(relief), scale, rng)
    surface = Surface(rough=0.28, metal=1.0)
    return rendered(stage, relief, albedo, surface, bump=bump, mask=1 - open_)


def turned_stand(
    stage: Stage,
    scale: float,
    foot: Spot,
    tall: float,
    rng: np.random.Generator,
) -> Layer:
    """A lathe-turned instrument: a foot, a baluster, a barrel across it and fine rods."""
    x, y = foot
    relief = relief_at(scale, x - 70, y - tall - 40, x + 70, y + 8, 2.0)
    relief.ball((x, y - 4), 30, 8, 26, 60)
    for share, r in ((0.1, 9), (0.2, 6), (0.34, 10), (0.46, 5), (0.62, 7), (0.74, 4)):
        relief.limb((x, y - tall * share), r, (x, y - tall * (share + 0.1)), 4, 62, 62)
    lean = rng.uniform(-0.5, 0.5)
    reach = np.array([np.cos(lean), np.sin(lean)]) * 46
    a, b = (x - reach[0], y - tall - reach[1]), (x + reach[0], y - tall + reach[1])
    relief.limb(a, 11, b, 9, 64, 64)
    for t in (-0.9, -0.35, 0.3, 0.92):
        c = np.array([x, y - tall]) + reach * t
        d = np.array([-reach[1], reach[0]]) / 46 * 13.5
        relief.limb(tuple(c - d), 2, tuple(c + d), 2, 66, 66)
    relief.limb((x - 8, y - tall * 0.6), 1.3, (x + 34, y - tall * 1.15), 0.9, 70, 70)
    relief.limb((x + 34, y - tall * 1.15), 1.8, (x + 34, y - tall * 1.15), 1.8, 70, 70)
    albedo, bump = cloth.metal(BRASS, shape_of(relief), scale, rng)
    surface = Surface(rough=0.22, metal=1.0, gloss=1.4)
    return rendered(stage, relief, albedo, surface, bump=bump)


def hammer(stage: Stage, scale: float, hand: Spot, rng: np.random.Generator) -> Layer:
    """A wooden handle and a steel head, held in a hand."""
    x, y = hand
    relief = relief_at(scale, x - 60, y - 80, x + 60, y + 40, 1.5)
    relief.limb((x - 6, y + 22), 3.2, (x + 12, y - 46), 2.6, 50, 52)
    albedo, bump = cloth.timber(OAK, shape_of(relief), scale, rng)
    handle = rendered(stage, relief, albedo, Surface(rough=0.5), bump=bump)
    iron = relief_at(scale, x - 60, y - 80, x + 60, y + 40, 1.0)
    iron.limb((x - 8, y - 54), 8, (x + 24, y - 46), 8, 54, 54)
    iron.limb((x + 22, y - 46.5), 10, (x + 27, y - 45), 10, 54, 54)
    grey, lines = cloth.metal(STEEL, shape_of(iron), scale, rng)
    return merged(handle, rendered(stage, iron, grey, Surface(rough=0.3, metal=1.0), bump=lines))


def pedestal(
    stage: Stage, scale: float, foot: Spot, tall: float, rng: np.random.Generator
) -> Layer:
    """A turned wooden column on a round plinth."""
    x, y = foot
    relief = relief_at(scale, x - 60, y - tall - 20, x + 60, y + 10, 2.0)
    relief.ball((x, y - 5), 44, 11, 36, 60)
    relief.limb((x, y - 12), 19, (x, y - 0.5 * tall), 12, 62, 62)
    relief.limb((x, y - 0.5 * tall), 12, (x, y - 0.86 * tall), 17, 62, 62)
    for share, r in ((0.24, 22), (0.5, 16), (0.84, 21)):
        relief.limb((x - r + 4, y - share * tall), 4, (x + r - 4, y - share * tall), 4, 70, 70)
    relief.ball((x, y - tall + 4), 36, 9, 30, 60)
    albedo, bump = cloth.timber(OAK, shape_of(relief), scale, rng)
    return rendered(stage, relief, albedo, Surface(rough=0.34), bump=bump)


def chest(
    stage: Stage, scale: float, corner: Spot, size: Spot, colour: Colour, rng: np.random.Generator,
    label: int = 0, surface: Surface | None = None,
) -> Layer:  # fmt: skip
    """A box with a lid, a lock and softened corners."""
    x, y = corner
    w, h = size
    relief = relief_at(scale, x - 6, y - h - 6, x + w + 6, y + 6, 1.0)
    front = np.array([(x, y), (x, y - h), (x + w, y - h), (x + w, y)], float)
    relief.sheet(front, 66, 5)
    lid = np.array([(x - 3, y - 0.66 * h), (x - 3, y - h - 3), (x + w + 3, y - h - 3),
                    (x + w + 3, y - 0.66 * h)], float)  # fmt: skip
    relief.sheet(lid, 70, 4)
    relief.ball((x + w / 2, y - 0.6 * h), 5, 7, 4, 70)
    albedo, bump = cloth.timber(colour, shape_of(relief), scale, rng)
    how = Surface(rough=0.45) if surface is None else surface
    return rendered(stage, relief, albedo, how, bump=bump, label=label)
