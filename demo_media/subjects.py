"""What stands before the screen in the truth shots: figures of pots and tubes, hair, an arm."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from demo_media.raster import (
    Canvas,
    Points,
    Strand,
    average_layers,
    clip_box,
    strand_layer,
)
from demo_media.shade import Colour, Lights, Material, shade_strand
from demo_media.shapes import Painter, bezier, turn

Image = NDArray[np.float32]

MATERIALS = {
    "terracotta": Material((0.40, 0.17, 0.10), grain=0.12),
    "porcelain": Material((0.72, 0.69, 0.63), roughness=0.2, grain=0.02),
    "brass": Material((0.86, 0.58, 0.24), metal=1.0, roughness=0.25, grain=0.05),
    "iron": Material((0.30, 0.29, 0.29), metal=1.0, roughness=0.5, grain=0.14),
    "ink": Material((0.030, 0.028, 0.034), roughness=0.3, grain=0.05),
    "plum": Material((0.20, 0.07, 0.16), roughness=0.7, grain=0.10, sheen=0.4),
    "mustard": Material((0.58, 0.37, 0.08), roughness=0.7, grain=0.10, sheen=0.3),
    "clay": Material((0.55, 0.35, 0.25), roughness=0.6, grain=0.06),
    "walnut": Material((0.14, 0.08, 0.05), roughness=0.4, grain=0.2),
    "slate": Material((0.13, 0.135, 0.16), roughness=0.6, grain=0.12),
}
FIBRES: tuple[Colour, ...] = (
    (0.30, 0.13, 0.05),
    (0.05, 0.035, 0.028),
    (0.52, 0.37, 0.20),
    (0.55, 0.52, 0.48),
    (0.42, 0.10, 0.06),
)


@dataclass(frozen=True)
class Figure:
    """Where things are, in pixels: the head's centre and radius, a shoulder, the spout."""

    head: tuple[float, float]
    head_radius: float
    shoulder: tuple[float, float]
    spout: tuple[float, float]


def pick(rng: np.random.Generator, primary: str) -> Material:
    """A material that a wardrobe department would allow before this screen."""
    barred = {"plum", "slate"} if primary == "blue" else set()
    return MATERIALS[str(rng.choice([name for name in MATERIALS if name not in barred]))]


def stand_figure(painter: Painter, rng: np.random.Generator, primary: str, sway: float) -> Figure:
    """Paint a pot-bodied figure with a head, a hat or knob, one resting arm and a side vessel."""
    h = painter.canvas.height
    x = painter.canvas.width * rng.uniform(0.42, 0.58)
    size = h * rng.uniform(0.9, 1.1)
    foot = (x, h * 1.04)
    body = np.array(
        [
            [0.0, rng.uniform(0.16, 0.22)],
            [0.12, rng.uniform(0.19, 0.25)],
            [0.30, rng.uniform(0.13, 0.20)],
            [0.42, rng.uniform(0.09, 0.13)],
            [0.46, 0.06],
        ]
    )
    lean = rng.uniform(-4, 4) + sway
    vessel_x = x + rng.choice((-1, 1)) * size * rng.uniform(0.34, 0.42)
    vessel = np.array([[0.0, 0.08], [0.1, 0.12], [0.2, 0.10], [0.24, 0.055], [0.27, 0.07]]) * size
    painter.turned_pot((vessel_x, h * 1.02), vessel, pick(rng, primary))
    painter.turned_pot(foot, body * size, pick(rng, primary), degrees=lean)
    neck = np.asarray(foot) + turn(np.array([[0.0, -0.46 * size]]), lean)[0]
    radius = size * rng.uniform(0.10, 0.135)
    head = (float(neck[0]), float(neck[1] - 0.75 * radius))
    shoulder = (float(neck[0]), float(neck[1] + 0.10 * size))
    _arm(painter, rng, primary, shoulder, size)
    face = pick(rng, primary)
    painter.ellipsoid(head, (radius, radius * rng.uniform(1.0, 1.2)), face, degrees=lean)
    for side in (-1, 1):
        eye = (head[0] + side * radius * 0.38, head[1] - radius * 0.05)
        painter.ellipsoid(eye, (radius * 0.17, radius * 0.17), MATERIALS["porcelain"])
        painter.ellipsoid(eye, (radius * 0.08, radius * 0.08), MATERIALS["ink"])
    return Figure(head, radius, shoulder, (float(vessel_x), float(h * 1.02 - 0.27 * size)))


def _arm(
    painter: Painter,
    rng: np.random.Generator,
    primary: str,
    shoulder: tuple[float, float],
    size: float,
) -> None:
    side = float(rng.choice((-1, 1)))
    elbow = (shoulder[0] + side * size * 0.2, shoulder[1] + size * rng.uniform(0.05, 0.15))
    hand = (elbow[0] + side * size * rng.uniform(0.0, 0.12), elbow[1] - size * 0.16)
    points = bezier([shoulder, elbow, elbow, hand], 10)
    painter.limb(points, np.linspace(0.032, 0.018, 10) * size, pick(rng, primary))
    painter.ellipsoid(hand, (size * 0.03, size * 0.026), MATERIALS["brass"])


def grow_hair(
    painter: Painter,
    rng: np.random.Generator,
    figure: Figure,
    *,
    count: int,
    length: float,
    sway: float,
    fibre: float = 0.35,
) -> None:
    """Loose hair around the head: clumps, single strands and flyaways, each with its own colour."""
    base = np.asarray(FIBRES[int(rng.integers(len(FIBRES)))])
    material = Material((float(base[0]), float(base[1]), float(base[2])), fibre=fibre)
    scale = painter.canvas.height / 540
    clumps = rng.uniform(-2.6, 2.6, 24)
    strands = []
    for i in range(count):
        flyaway = i > count * 0.93
        angle = clumps[int(rng.integers(24))] + rng.normal(0, 0.16)
        reach = figure.head_radius * length * rng.uniform(0.6, 1.15) * (1.35 if flyaway else 1)
        strands.append(_hair(rng, figure, angle, reach, sway, material, painter.lights, scale))
    layer = strand_layer(strands, painter.canvas.width, painter.canvas.height)
    if layer is not None:
        painter.canvas.over(layer)


def _hair(
    rng: np.random.Generator,
    figure: Figure,
    angle: float,
    reach: float,
    sway: float,
    material: Material,
    lights: Lights,
    scale: float,
) -> Strand:
    root = np.asarray(figure.head) + figure.head_radius * 0.93 * np.array(
        [np.sin(angle), -np.cos(angle)]
    )
    out = np.array([np.sin(angle), -np.cos(angle)])
    drop = np.array([sway * 0.04, 1.0]) * reach * rng.uniform(0.2, 0.9)
    bend = rng.normal(0, 0.22, 2) * reach
    control = [root, root + out * reach * 0.5, root + out * reach * 0.8 + drop * 0.4 + bend]
    control.append(control[2] + drop + rng.normal(0, 0.12, 2) * reach)
    points = bezier([(float(p[0]), float(p[1])) for p in control], 22)
    t = np.linspace(0, 1, 22)
    points[:, 0] += np.sin(t * rng.uniform(6, 18) + rng.uniform(0, 6)) * t * scale * 2.2
    width = rng.uniform(0.45, 1.5) * scale * (1 - 0.75 * t) + 0.12
    lit = (0.55 + 0.55 * np.exp(-(((t - rng.uniform(0.15, 0.5)) / 0.18) ** 2))) * rng.uniform(
        0.7, 1.35
    ) + 0.12 * np.sin(t * 9)
    tint = np.clip(rng.normal(1, 0.13) + rng.normal(0, 0.05, 3), 0.5, 1.7)
    clean, spill = shade_strand(material, lights, lit, tint)
    return Strand(points, width, clean, spill)


def swing_arm(
    painter: Painter, rng: np.random.Generator, primary: str, figure: Figure, phase: float
) -> None:
    """An arm with a paddle swinging through the shutter: 25 to 60 pixels of blur at 540 lines."""
    h, w = painter.canvas.height, painter.canvas.width
    size = h * 0.42
    start, sweep = rng.uniform(-150, -30) + phase, rng.uniform(8, 15) * rng.choice((-1, 1))
    sleeve, paddle = pick(rng, primary), pick(rng, primary)
    half = (size * 0.10, size * 0.13)

    shoulder = np.asarray(figure.shoulder)
    reach = 1.2 * size
    box = clip_box(
        (*(shoulder - reach).tolist(), *(shoulder + reach).tolist()),
        w,
        h,
    )
    if box is None:
        return

    def draw(time: float, canvas: Canvas, origin: Points) -> None:
        angle = np.radians(start + sweep * time)
        direction = np.array([np.cos(angle), np.sin(angle)])
        points = shoulder - origin + np.linspace(0, 0.78, 6)[:, None] * size * direction
        brush = painter.on(canvas)
        brush.limb(points, np.linspace(0.07, 0.04, 6) * size, sleeve)
        end = shoulder - origin + 0.9 * size * direction
        brush.ellipsoid(
            (float(end[0]), float(end[1])), half, paddle, degrees=float(np.degrees(angle))
        )

    blurred = average_layers(draw, np.linspace(-0.5, 0.5, 24).tolist(), box)
    painter.canvas.over(blurred)
