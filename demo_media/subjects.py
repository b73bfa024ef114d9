"""What stands before the screen in the truth shots: pots, tubes, fibres, smoke, glass."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from demo_media.noise import fractal_noise
from demo_media.raster import (
    Canvas,
    Layer,
    Points,
    Strand,
    average_layers,
    clip_box,
    polygon_coverage,
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
    """A material that a wardrobe department would allow before this backing."""
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


def breathe_smoke(
    painter: Painter,
    rng: np.random.Generator,
    source: tuple[float, float],
    *,
    density: float,
    drift: float,
    reach: float = 0.75,
) -> None:
    """Lit smoke rising from `source`: alpha = 1 − exp(−optical depth), backing light in it."""
    canvas = painter.canvas
    h, w = canvas.height, canvas.width
    y = np.arange(h, dtype=np.float32)[:, None] + 0.5
    x = np.arange(w, dtype=np.float32)[None, :] + 0.5
    rise = np.clip((source[1] - y) / (reach * h), 0, 1)
    bend = np.float32(rng.normal(0, 0.12)) * w * rise**1.5
    warp = fractal_noise(rng, h, w, scale_px=h / 4, octaves=5)
    wide = h * (0.025 + 0.16 * rise)
    column = np.exp(-(((x - source[0] - bend + 0.5 * wide * warp) / wide) ** 2))
    moved = np.float32(drift) * h / 40
    wisps = fractal_noise(rng, h + 256, w, scale_px=h / 7, octaves=6, gain=0.55, stretch=1.8)
    shift = int(moved) % 256
    wisps = np.clip(0.55 + 0.5 * wisps[shift : shift + h], 0, None) ** 1.5
    fade = np.clip(rise / 0.04, 0, 1) * (1 - rise) ** 0.8
    depth = np.float32(density) * column * wisps * fade
    depth = np.asarray(cv2.GaussianBlur(depth.astype(np.float32), (0, 0), h / 540))
    alpha = np.asarray(1 - np.exp(-np.maximum(depth - 0.004, 0)), np.float32)
    tone = np.asarray((0.50, 0.50, 0.53), np.float32)[:, None, None]
    lit = tone * (0.75 + 0.12 * np.clip(warp, -2, 2)) * (1 + 0.25 * rise)
    spill = np.asarray(painter.lights.backing, np.float32)[:, None, None] * 0.35
    spill = spill * np.float32(painter.lights.spill) * tone * 2
    canvas.over(Layer((0, 0, w, h), lit * alpha, spill * alpha, alpha))


def stand_glass(
    painter: Painter, rng: np.random.Generator, base: tuple[float, float], size: float
) -> None:
    """A clear jar: thin in the middle, dense at its walls and rims, with hard bright highlights."""
    profile = np.array([[0, 0.30], [0.04, 0.34], [0.5, 0.36], [0.72, 0.30], [0.8, 0.2], [1, 0.22]])
    heights = np.linspace(0, 1, 200) * size
    widths = np.interp(heights, profile[:, 0] * size, profile[:, 1] * size)
    outline = np.concatenate(
        [np.stack([widths, -heights], 1), np.stack([-widths[::-1], -heights[::-1]], 1)]
    ) + np.asarray(base)
    low, high = outline.min(axis=0), outline.max(axis=0)
    box = clip_box(
        (low[0] - 2, low[1] - 2, high[0] + 2, high[1] + 2),
        painter.canvas.width,
        painter.canvas.height,
    )
    if box is None:
        return
    cover = polygon_coverage([outline], box)
    x = np.arange(box[0], box[2], dtype=np.float32)[None, :] + 0.5 - np.float32(base[0])
    y = np.float32(base[1]) - (np.arange(box[1], box[3], dtype=np.float32)[:, None] + 0.5)
    radius = np.interp(y, heights, widths).astype(np.float32)
    u = np.clip(np.abs(x) / radius, 0, 1)
    wall = u**6 * 0.5 + 0.30 * np.exp(-(((1 - u) / 0.03) ** 2))
    floor = 0.45 * np.exp(-((y / (0.035 * size)) ** 2)) + 0.4 * np.exp(
        -(((y - size) / (0.02 * size)) ** 2)
    )
    body = np.clip(np.float32(rng.uniform(0.05, 0.10)) + wall + floor, 0, 0.92)
    streak = np.exp(-(((x / radius + 0.62) / 0.07) ** 2)) * np.clip(y / size - 0.1, 0, 1) ** 0.3
    streak = streak * np.clip((0.74 * size - y) / (0.02 * size), 0, 1)
    thin = np.exp(-(((x / radius - 0.7) / 0.025) ** 2)) * 0.5 * (y < 0.7 * size)
    shine = np.clip(0.75 * streak + thin, 0, 0.9)
    alpha = cover * (1 - (1 - body) * (1 - shine))
    tint = np.asarray((0.20, 0.21, 0.23), np.float32)[:, None, None]
    glow = np.float32(rng.uniform(0.9, 1.6)) * shine
    clean = cover * (tint * body * (1 - shine) + glow)
    spill = 0.25 * np.asarray(painter.lights.backing, np.float32)[:, None, None]
    layer = Layer(
        box,
        np.asarray(clean, np.float32),
        np.asarray(spill * cover * wall * (1 - shine), np.float32),
        np.asarray(alpha, np.float32),
    )
    painter.canvas.over(layer)


def throw_sparks(
    painter: Painter, rng: np.random.Generator, source: tuple[float, float], count: int
) -> None:
    """Incandescent streaks of 1.2 to 4 flying from `source`, and their opaque hot centre."""
    scale = painter.canvas.height / 540
    strands = []
    for _ in range(count):
        angle = rng.uniform(-np.pi, 0.3)
        start = rng.uniform(10, 150) * scale
        length = rng.uniform(6, 38) * scale
        direction = np.array([np.cos(angle), np.sin(angle)])
        t = np.linspace(0, 1, 8)[:, None]
        fall = np.array([0.0, 1.0]) * (start + length * t) ** 2 * 0.0016 / scale
        points = np.asarray(source) + direction * (start + length * t) + fall
        width = rng.uniform(0.8, 3.0) * scale * np.sin(np.pi * np.linspace(0.15, 0.95, 8))
        heat = rng.uniform(1.2, 4.0) * np.linspace(0.6, 1.0, 8)[:, None]
        clean = heat * np.array([1.0, 0.62, 0.26])
        strands.append(Strand(points, width, clean, np.zeros_like(clean)))
    layer = strand_layer(strands, painter.canvas.width, painter.canvas.height)
    if layer is not None:
        painter.canvas.over(layer)


def hang_bulbs(painter: Painter, rng: np.random.Generator, figure: Figure) -> None:
    """Hot bulbs of 1.5 to 4 on thin wires, opaque, brighter than the screen in every channel."""
    h = painter.canvas.height
    for _ in range(3):
        x = figure.head[0] + rng.uniform(-0.55, 0.55) * h
        y = rng.uniform(0.15, 0.45) * h
        wire = bezier([(x, -5.0), (x + 4, y * 0.5), (x, y)], 14)
        painter.limb(wire, np.full(14, h * 0.0018), MATERIALS["ink"])
        heat = float(rng.uniform(2.2, 3.6))
        hot = Material((heat, heat * 0.85, heat * 0.6), roughness=0.4, grain=0.0)
        painter.ellipsoid((x, y + h * 0.02), (h * 0.022, h * 0.03), hot)
