"""The demo's bench and what stands on it: a plant, a glass lantern, pots."""

from __future__ import annotations

import numpy as np

from demo_media.fibres import tendrils
from demo_media.raster import strand_layer
from demo_media.shapes import Paint, turn
from demo_media.stage import (
    BRASS,
    CLAY,
    CREAM,
    DARK_CLAY,
    EMBER,
    GLINT,
    LEAF,
    OLD_BRASS,
    PETAL,
    WOOD,
    Pose,
    Stage,
)
from demo_media.vapour import glass_dome


def draw_bench(s: Stage) -> None:
    painter = s.painter
    for top, bottom, material in ((948, 1010, WOOD), (1010, 1100, DARK_CLAY)):
        outline = s.at([(-20, top), (1940, top), (1940, bottom), (-20, bottom)])
        tilt = (0.0, -0.75) if top == 948 else (0.0, 0.1)
        painter.plate(outline, material, tilt=tilt, stretch=(0.035, 0.9))
    s.tube([(-20, 1008), (1940, 1008)], 8, 8, WOOD, 3)


def _leaf(s: Stage, x: float, y: float, length: float, degrees: float, tilt: float) -> None:
    t = np.linspace(0, 1, 24)
    half = 0.30 * length * np.sin(np.pi * t**0.8) ** 0.9
    side = np.stack([half, -length * t], 1)
    other = np.stack([-half[::-1], -length * t[::-1]], 1)
    local = turn(np.concatenate([side, other]), degrees) + np.array([x, y])
    s.painter.plate(s.at(local), LEAF, tilt=(0.5 * float(np.sin(np.radians(degrees))), tilt))
    tip = turn(np.array([[0.0, -0.92 * length]]), degrees)[0] + np.array([x, y])
    s.tube([(x, y), (float(tip[0]), float(tip[1]))], 2.6, 1.0, PETAL, 4)


def draw_plant(s: Stage, pose: Pose) -> None:
    rng = np.random.default_rng(4)
    stir = 2.0 * float(np.sin(5 * pose.time)) * (0.3 + pose.pour)
    painter = s.painter
    grass = tendrils(s.point(430, 830), s.scale, stir, painter.lights)
    layer = strand_layer(grass, painter.canvas.width, painter.canvas.height)
    if layer is not None:
        painter.canvas.over(layer)
    for i in range(13):
        lean = -78 + 12.5 * i + float(rng.uniform(-6, 6)) + stir
        length = float(rng.uniform(105, 165)) * (1 - 0.25 * abs(lean) / 90)
        lift = float(rng.uniform(0, 60))
        foot_x = 430 + 0.55 * lean
        tip = (foot_x + 0.9 * lean, 790 - lift)
        s.tube([(430, 850), (foot_x, 830), tip], 4.5, 3.0, DARK_CLAY, 8)
        _leaf(s, tip[0], tip[1], length, lean, -0.35 + 0.5 * float(rng.random()))
    s.tube([(430, 850), (436, 720), (418 + 3 * stir, 560)], 5, 3.5, DARK_CLAY, 12)
    for angle in range(0, 360, 40):
        x, y = np.sin(np.radians(angle)) * 30, np.cos(np.radians(angle)) * 30
        s.ball(418 + 3 * stir + x, 552 + y, 24, 13, PETAL, degrees=90 - angle, flatness=0.6)
    s.ball(418 + 3 * stir, 552, 17, 17, OLD_BRASS)
    s.pot(430, 968, [(0, 78), (10, 84), (100, 108), (112, 110)], CLAY)
    s.pot(430, 862, [(0, 112), (5, 120), (26, 122), (32, 114)], CLAY)


def draw_lantern(s: Stage, pose: Pose) -> None:
    s.pot(1480, 968, [(0, 130), (10, 140), (22, 138), (34, 118)], OLD_BRASS)
    painter = s.painter
    for i in range(5):
        phase = pose.time * (1.3 + 0.2 * i) + 1.7 * i
        x = 1480 + 62 * np.sin(phase) + 14 * np.sin(3.1 * phase)
        y = 790 + 78 * np.sin(0.83 * phase + i)
        s.ball(float(x), float(y), 8, 8, EMBER, flatness=0.6)
        s.ball(float(x), float(y), 4, 4, GLINT, flatness=0.6)
    layer = glass_dome(painter, s.point(1480, 938), s.scale)
    if layer is not None:
        painter.canvas.over(layer)
    s.pot(1480, 598, [(0, 12), (6, 20), (22, 20), (34, 8), (38, 6)], BRASS)


def draw_small_pots(s: Stage) -> None:
    s.pot(1700, 972, [(0, 62), (70, 82), (80, 84)], CLAY)
    s.pot(1700, 894, [(0, 86), (4, 92), (22, 93), (28, 86)], CLAY)
    s.pot(1705, 868, [(0, 60), (58, 76), (66, 78)], DARK_CLAY)
    s.pot(1705, 804, [(0, 80), (4, 85), (20, 86), (25, 80)], DARK_CLAY)
    s.pot(
        180,
        972,
        [(0, 50), (40, 66), (90, 56), (128, 30), (146, 34)],
        CREAM,
        paint=Paint(
            lambda a, h: np.asarray(np.exp(-(((h / s.scale - 62) / 9) ** 2)), np.float32),
            (0.10, 0.13, 0.26),
        ),
    )
