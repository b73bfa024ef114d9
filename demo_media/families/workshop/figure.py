"""The workshop's figure: a life-size automaton of painted wax in a maker's clothes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from demo_media.families.layers import Layer, merged
from demo_media.families.scene import Colour
from demo_media.families.workshop import cloth
from demo_media.families.workshop.light import Stage, Surface
from demo_media.families.workshop.relief import Relief, Spot, rendered

Image = NDArray[np.float32]


@dataclass(frozen=True)
class Dress:
    """What the figure wears; `label` marks the costume in the truth."""

    skin: Colour
    shirt: Colour
    apron: Colour
    coat_gloss: bool = False
    label: int = 0
    apron_label: int = 0


@dataclass(frozen=True)
class Pose:
    """Where the head's middle is (units), how far it turns (−1..1), and where the hands are."""

    head: Spot
    turn: float
    left_hand: Spot
    right_hand: Spot


@dataclass(frozen=True)
class Figure:
    """Layers back to front; `shoulder` is the right arm's pivot in units."""

    body: Layer
    apron: Layer
    left_arm: Layer
    right_arm: Layer
    head: Layer
    pose: Pose
    shoulder: Spot


def _box(stage_scale: float, x0: float, y0: float, x1: float, y1: float) -> tuple[int, ...]:
    return tuple(round(v * stage_scale) for v in (x0, y0, x1, y1))


def relief_at(scale: float, x0: float, y0: float, x1: float, y1: float, blend: float) -> Relief:
    """An empty relief over a box given in units."""
    a, b, c, d = _box(scale, x0, y0, x1, y1)
    return Relief((a, b, c, d), scale, blend)


def shape_of(relief: Relief) -> tuple[int, int]:
    x0, y0, x1, y1 = relief.box
    return y1 - y0, x1 - x0


def _head(
    stage: Stage,
    scale: float,
    pose: Pose,
    skin: Colour,
    rng: np.random.Generator,
    hair: Colour | None,
) -> Layer:
    hx, hy = pose.head
    t = pose.turn
    relief = relief_at(scale, hx - 60, hy - 62, hx + 60, hy + 80, 5.0)
    relief.limb((hx - 2 * t, hy + 28), 19, (hx - 4 * t, hy + 76), 21, -8, -12)
    relief.ball((hx - 3 * t, hy - 12), 33, 36, 36)
    relief.ball((hx + 2 * t, hy + 14), 25, 30, 30)
    relief.ball((hx + 5 * t, hy + 36), 10, 9, 12, 17)
    for side in (-1, 1):
        relief.ball((hx + 15 * side + 9 * t, hy + 8), 10, 9, 9, 20)
        if side * t < 0.45:
            relief.ball((hx + 33 * side - 4 * t, hy + 2), 5.5, 10, 6, -2, 10 * side)
    relief.blend = 2.2
    relief.limb((hx - 16 + 11 * t, hy - 9), 4.5, (hx + 16 + 11 * t, hy - 9), 4.5, 26, 26)
    relief.limb((hx + 13 * t, hy - 6), 3.2, (hx + 18 * t, hy + 9), 5.4, 31, 38)
    relief.limb((hx - 7 + 12 * t, hy + 22), 2.4, (hx + 7 + 12 * t, hy + 22), 2.4, 31, 31)
    relief.limb((hx - 6 + 12 * t, hy + 26), 2.8, (hx + 6 + 12 * t, hy + 26), 2.8, 30, 30)
    for side in (-1, 1):
        relief.dent((hx + 13.5 * side + 12 * t, hy - 1), 8, 5, 8)
    relief.blend = 1.0
    for side in (-1, 1):
        relief.ball((hx + 13.5 * side + 12 * t, hy - 1), 6.5, 4.6, 5, 25)
    albedo, bump = cloth.wax(skin, shape_of(relief), scale, rng)
    _paint_face(albedo, relief, (hx + 12 * t, hy), scale, hair)
    surface = Surface(rough=0.42, wrap=0.25, fuzz=0.05)
    return rendered(stage, relief, albedo, surface, bump=bump)


def _paint_face(
    albedo: Image, relief: Relief, middle: Spot, scale: float, hair: Colour | None
) -> None:
    """Lips, cheeks, eyes and lashes painted on the wax, and the scalp under a wig."""
    x, y = middle
    x0, y0, x1, y1 = relief.box
    gx = (np.arange(x0, x1, dtype=np.float32) + 0.5)[None, :] / np.float32(scale) - x
    gy = (np.arange(y0, y1, dtype=np.float32) + 0.5)[:, None] / np.float32(scale) - y

    def paint(cx: float, cy: float, rx: float, ry: float, colour: Colour, soft: float) -> None:
        q = ((gx - cx) / rx) ** 2 + ((gy - cy) / ry) ** 2
        share = np.clip((1 - q) / soft, 0, 1)
        albedo[:] += share * (np.asarray(colour, np.float32)[:, None, None] - albedo)

    r, g, b = albedo.mean(axis=(1, 2))
    if hair is not None:
        scalp = np.clip((-24 - gy + 0.012 * gx * gx) / 8 + 0.5, 0, 1)
        under = 0.6 * np.asarray(hair, np.float32)[:, None, None]
        albedo[:] += scalp * (under - albedo)
    paint(0, 24, 9, 5, (0.9 * r, 0.48 * g, 0.5 * b), 0.6)
    for side in (-1, 1):
        paint(17 * side, 10, 11, 8, (1.05 * r, 0.75 * g, 0.72 * b), 1.6)
        paint(13.5 * side, -1, 5.2, 2.3, (0.50, 0.46, 0.41), 0.5)
        paint(13.5 * side + 0.6, -1, 2.5, 2.5, (0.05, 0.08, 0.10), 0.25)
        paint(13.5 * side + 0.6, -1, 1.3, 1.3, (0.008, 0.008, 0.008), 0.2)
        paint(13.5 * side, -3.4, 6.6, 1.3, (0.03, 0.02, 0.015), 0.5)
        paint(13.5 * side, -11.5, 9.5, 2.3, (0.06, 0.035, 0.02), 0.9)


def _body(stage: Stage, scale: float, pose: Pose, dress: Dress, rng: np.random.Generator) -> Layer:
    hx, hy = pose.head
    low = 380.0
    relief = relief_at(scale, hx - 130, hy + 40, hx + 130, low, 14.0)
    relief.limb((hx - 62, hy + 88), 24, (hx + 62, hy + 88), 24, -8, -8)
    relief.limb((hx - 26, hy + 66), 14, (hx + 26, hy + 66), 14, -8, -8)
    relief.ball((hx, hy + 150), 76, 96, 44, -6)
    relief.limb((hx, hy + 170), 66, (hx, low + 40), 78, -20, -20)
    relief.blend = 3.0
    for side in (-1, 1):
        relief.limb((hx + 24 * side, hy + 60), 7, (hx + 4 * side, hy + 84), 6, 8, 18)
    albedo, bump = cloth.woven(dress.shirt, shape_of(relief), scale, rng)
    surface = Surface(rough=0.85, fuzz=0.30, wrap=0.15, gloss=0.5)
    if dress.coat_gloss:
        albedo, bump = cloth.leather(dress.shirt, shape_of(relief), scale, rng)
        surface = Surface(rough=0.24, gloss=1.7)
    return rendered(stage, relief, albedo, surface, bump=bump, label=dress.label)


def _apron(stage: Stage, scale: float, pose: Pose, dress: Dress, rng: np.random.Generator) -> Layer:
    hx, hy = pose.head
    relief = relief_at(scale, hx - 110, hy + 60, hx + 110, 384, 3.0)
    side = np.array([(30, 104), (38, 150), (64, 180), (74, 230), (82, 330)], float)
    left = np.stack([hx - side[:, 0], hy + side[:, 1]], 1)
    right = np.stack([hx + side[:, 0], hy + side[:, 1]], 1)[::-1]
    relief.sheet(np.concatenate([left, right]), 44, 3.0)
    for s in (-1, 1):
        relief.limb((hx + 29 * s, hy + 108), 4, (hx + 24 * s, hy + 68), 4, 41, 24)
    relief.limb((hx - 26, hy + 210), 2.0, (hx + 30, hy + 210), 2.0, 46, 46)
    relief.depth -= np.float32(26) * ((relief._x - hx) / 82) ** 2
    albedo, bump = cloth.leather(dress.apron, shape_of(relief), scale, rng)
    surface = Surface(rough=0.24 if dress.coat_gloss else 0.5, gloss=1.6 if dress.coat_gloss else 1)
    return rendered(stage, relief, albedo, surface, bump=bump, label=dress.apron_label)


def _arm(
    stage: Stage,
    scale: float,
    shoulder: Spot,
    hand: Spot,
    out: float,
    dress: Dress,
    rng: np.random.Generator,
) -> Layer:
    """Sleeve, cuff and a hand with four fingers and a thumb."""
    sx, sy = shoulder
    elbow = _elbow(shoulder, hand, out)
    x0, x1 = min(sx, elbow[0], hand[0]) - 45, max(sx, elbow[0], hand[0]) + 45
    y0, y1 = min(sy, elbow[1], hand[1]) - 45, max(sy, elbow[1], hand[1]) + 45
    sleeve = relief_at(scale, x0, y0, x1, y1, 7.0)
    along = np.array(hand) - np.array(elbow)
    along = along / max(float(np.linalg.norm(along)), 1e-6)
    wrist = (hand[0] - 10 * along[0], hand[1] - 10 * along[1])
    sleeve.limb(shoulder, 25, elbow, 20, 2, 14)
    sleeve.limb(elbow, 20, wrist, 15, 14, 40)
    sleeve.blend = 1.5
    cuff = (wrist[0] - 4 * along[0], wrist[1] - 4 * along[1])
    sleeve.limb(cuff, 16, wrist, 16, 40, 41)
    if dress.coat_gloss:
        albedo, bump = cloth.leather(dress.shirt, shape_of(sleeve), scale, rng)
        surface = Surface(rough=0.24, gloss=1.7)
    else:
        albedo, bump = cloth.woven(dress.shirt, shape_of(sleeve), scale, rng)
        surface = Surface(rough=0.85, fuzz=0.30, wrap=0.15, gloss=0.5)
    arm = rendered(stage, sleeve, albedo, surface, bump=bump, label=dress.label)
    palm = relief_at(scale, x0, y0, x1, y1, 3.0)
    palm.limb(wrist, 9, hand, 12, 36, 40)
    across = np.array([-along[1], along[0]])
    for k in range(4):
        root = np.array(hand) + along * 6 + across * (k - 1.5) * 5.4
        tip = root + along * (15 - 2 * abs(k - 1.3)) + across * (k - 1.5) * 1.6
        palm.limb(tuple(root), 3.6, tuple(tip), 2.7, 42, 40)
    thumb = np.array(hand) - across * 10
    palm.limb(tuple(thumb), 4.4, tuple(thumb + along * 10 - across * 5), 3.2, 44, 46)
    skin, pores = cloth.wax(dress.skin, shape_of(palm), scale, rng)
    fingers = rendered(stage, palm, skin, Surface(rough=0.45, wrap=0.25), bump=pores)
    return merged(fingers, arm)


def _elbow(shoulder: Spot, hand: Spot, out: float, upper: float = 92, lower: float = 88) -> Spot:
    """Where two bones of fixed length meet, bent outwards."""
    a, b = np.array(shoulder), np.array(hand)
    far = float(np.linalg.norm(b - a))
    reach = min(max(far, abs(upper - lower) + 1), upper + lower - 1)
    along = (b - a) / max(far, 1e-6)
    t = (upper**2 - lower**2 + reach**2) / (2 * reach)
    high = float(np.sqrt(max(upper**2 - t**2, 0)))
    across = np.array([along[1], -along[0]])
    if across[0] * out < 0:
        across = -across
    x, y = a + along * t + across * min(high, 40)
    return float(x), float(y)


def stand(
    stage: Stage,
    scale: float,
    pose: Pose,
    dress: Dress,
    rng: np.random.Generator,
    hair: Colour | None = None,
) -> Figure:
    """Model and light the figure; `hair` colours the scalp under a wig."""
    hx, hy = pose.head
    left, right = (hx - 72, hy + 94), (hx + 72, hy + 94)
    return Figure(
        body=_body(stage, scale, pose, dress, rng),
        apron=_apron(stage, scale, pose, dress, rng),
        left_arm=_arm(stage, scale, left, pose.left_hand, -1.0, dress, rng),
        right_arm=_arm(stage, scale, right, pose.right_hand, 1.0, dress, rng),
        head=_head(stage, scale, pose, dress.skin, rng, hair),
        pose=pose,
        shoulder=right,
    )


def bust(
    stage: Stage,
    scale: float,
    pose: Pose,
    skin: Colour,
    rng: np.random.Generator,
    hair: Colour,
) -> Layer:
    """The head by itself."""
    return _head(stage, scale, pose, skin, rng, hair)


def cap(stage: Stage, scale: float, pose: Pose, colour: Colour, rng: np.random.Generator) -> Layer:
    """A cloth cap with a band, which hides where the hair would be."""
    hx, hy = pose.head
    t = pose.turn
    relief = relief_at(scale, hx - 62, hy - 78, hx + 62, hy + 10, 6.0)
    relief.ball((hx - 3 * t, hy - 34), 42, 25, 40, 2, -6)
    relief.ball((hx - 10 * t - 8, hy - 46), 34, 18, 30, 4, 8)
    relief.blend = 1.5
    relief.limb((hx - 33 - 2 * t, hy - 20), 6, (hx + 33 - 2 * t, hy - 20), 6, 8, 8)
    relief.ball((hx + 14 * t, hy - 21), 26, 6, 14, 32)
    albedo, bump = cloth.woven(colour, shape_of(relief), scale, rng)
    return rendered(stage, relief, albedo, Surface(rough=0.9, fuzz=0.35), bump=0.6 * bump)
