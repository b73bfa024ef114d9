"""The demo's subject: a clay-and-brass automaton that waters a plant on a bench, with its steam.

Coordinates are those of a 1920 × 1080 picture; the stage scales them to the size asked for.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from demo_media.fibres import plume, tendrils
from demo_media.raster import SUPERSAMPLE, Canvas, Points, average_layers, clip_box, strand_layer
from demo_media.shade import Lamp, Lights, Material
from demo_media.shapes import Paint, Painter, bezier, turn
from demo_media.vapour import embers, glass_dome, pour, steam

Image = NDArray[np.float32]
Point = tuple[float, float]

CLAY = Material((0.44, 0.19, 0.11), roughness=0.45, grain=0.10, grain_px=10, sheen=0.25)
DARK_CLAY = Material((0.20, 0.085, 0.055), roughness=0.5, grain=0.14, grain_px=9)
BRASS = Material((0.88, 0.60, 0.25), metal=1.0, roughness=0.22, grain=0.05, grain_px=7)
OLD_BRASS = Material((0.62, 0.40, 0.17), metal=1.0, roughness=0.45, grain=0.16, grain_px=9)
IRON = Material((0.25, 0.24, 0.245), metal=1.0, roughness=0.5, grain=0.15, grain_px=8)
CREAM = Material((0.70, 0.62, 0.48), roughness=0.22, grain=0.03, grain_px=16, sheen=0.3)
INK = Material((0.022, 0.021, 0.026), roughness=0.18, grain=0.0)
WOOD = Material((0.20, 0.105, 0.055), roughness=0.4, grain=0.30, grain_px=22)
LEAF = Material((0.30, 0.055, 0.085), roughness=0.4, grain=0.22, grain_px=7, sheen=0.3)
PETAL = Material((0.80, 0.36, 0.13), roughness=0.6, grain=0.10, grain_px=6, sheen=0.4)
EMBER = Material((2.6, 0.85, 0.16), roughness=0.8, grain=0.35, grain_px=9)
LENS = Material((0.045, 0.05, 0.065), roughness=0.10, grain=0.0)
GLINT = Material((2.4, 2.3, 2.1), roughness=0.9, grain=0.0)


@dataclass(frozen=True)
class Pose:
    """Where the automaton is at one frame; angles in degrees, clockwise."""

    sway: float
    nod: float
    pour: float
    wave: float
    wave_speed: float
    time: float


def pose_at(index: int, frames: int) -> Pose:
    """The pose of frame `index` of `frames`; three waves of the arm in forty-eight frames."""
    t = index / max(frames, 1)
    turns = 2 * np.pi * index / 16
    tilt = float(np.clip((np.sin(2 * np.pi * (t - 0.14)) + 0.55) / 1.2, 0, 1))
    return Pose(
        sway=1.1 * float(np.sin(2 * np.pi * t)),
        nod=3.5 * float(np.sin(2 * np.pi * t + 0.7)),
        pour=tilt * tilt * (3 - 2 * tilt),
        wave=float(-62 + 30 * np.sin(turns)),
        wave_speed=float(30 * 2 * np.pi / 16 * np.cos(turns)),
        time=index / 24,
    )


def stage_lights(backing: tuple[float, float, float]) -> Lights:
    """A warm key from the upper left, a cool fill, a bright rim from behind."""
    return Lights(
        lamps=(
            Lamp((-0.62, -0.62, 0.62), (1.02, 0.92, 0.78)),
            Lamp((0.85, -0.15, 0.5), (0.17, 0.21, 0.28)),
            Lamp((0.75, -0.45, -0.42), (0.85, 0.74, 0.58)),
        ),
        backing=backing,
        spill=0.36,
    )


class Stage:
    """Draws in 1920 × 1080 coordinates, turned about the automaton's foot where asked."""

    def __init__(self, painter: Painter, scale: float, origin: Points | None = None) -> None:
        self.painter = painter
        self.scale = scale
        self.origin = np.zeros(2) if origin is None else origin
        self.pivot = np.zeros(2)
        self.degrees = 0.0

    def turned(self, pivot: Point, degrees: float) -> Stage:
        """The same stage with everything turned about `pivot`."""
        other = Stage(self.painter, self.scale, self.origin)
        other.pivot, other.degrees = np.asarray(pivot, np.float64), degrees
        return other

    def at(self, points: Sequence[Point] | Points) -> Points:
        """Design coordinates to pixels of the canvas."""
        array = np.atleast_2d(np.asarray(points, np.float64))
        moved = turn(array - self.pivot, self.degrees) + self.pivot
        return np.asarray(moved * self.scale - self.origin, np.float64)

    def point(self, x: float, y: float) -> Point:
        p = self.at([(x, y)])[0]
        return float(p[0]), float(p[1])

    def pot(
        self,
        x: float,
        y: float,
        profile: Sequence[Point],
        material: Material,
        *,
        degrees: float = 0.0,
        paint: Paint | None = None,
    ) -> None:
        self.painter.turned_pot(
            self.point(x, y),
            np.asarray(profile, np.float64) * self.scale,
            material,
            degrees=self.degrees + degrees,
            paint=paint,
        )

    def ball(
        self,
        x: float,
        y: float,
        rx: float,
        ry: float,
        material: Material,
        *,
        degrees: float = 0.0,
        flatness: float = 1.0,
        paint: Paint | None = None,
    ) -> None:
        self.painter.ellipsoid(
            self.point(x, y),
            (rx * self.scale, ry * self.scale),
            material,
            degrees=self.degrees + degrees,
            flatness=flatness,
            paint=paint,
        )

    def tube(
        self, points: Sequence[Point], start: float, end: float, material: Material, count: int = 12
    ) -> None:
        path = bezier([self.point(*p) for p in points], count)
        self.painter.limb(path, np.linspace(start, end, count) * self.scale, material)


def draw_gardener(
    width: int, height: int, index: int, frames: int, backing: tuple[float, float, float]
) -> Canvas:
    """Everything before the screen at frame `index`: clean, spill and alpha, premultiplied."""
    canvas = Canvas.empty(width, height)
    painter = Painter(canvas, stage_lights(backing), 20)
    stage = Stage(painter, height / 1080)
    pose = pose_at(index, frames)
    body = stage.turned((930, 960), pose.sway)
    _steam(stage, body, pose)
    _chimney(body)
    head = body.turned((930, 960), pose.sway + 0.35 * pose.nod)
    _plume(stage, head, pose)
    _torso(body, pose)
    _head(head, pose)
    _bench(stage)
    _plant(stage, pose)
    _lantern(stage, pose)
    _small_pots(stage)
    _pouring_arm(stage, body, pose)
    _waving_arm(stage, body, pose)
    _embers(stage, pose)
    return canvas


def soft_step(x: Image) -> Image:
    """A logistic step, 0 to 1, without overflow."""
    return np.asarray(0.5 + 0.5 * np.tanh(0.5 * x), np.float32)


def _bands(scale: float) -> Paint:
    """Cream rings and a row of chevrons around the clay body."""

    def weight(around: Image, along: Image) -> Image:
        h = along / np.float32(scale)
        rings = sum(
            soft_step((half - np.abs(h - centre)) * 1.2)
            for centre, half in ((62, 5), (322, 5), (352, 3))
        )
        zig = np.abs(np.mod(around * 5.2, 2.0) - 1) * 24 + 84
        chevron = soft_step((4.5 - np.abs(h - zig)) * 1.2)
        worn = np.clip(rings + chevron, 0, 1)
        return np.asarray(worn * 0.86, np.float32)

    return Paint(weight, CREAM.albedo)


def _torso(s: Stage, pose: Pose) -> None:
    s.pot(
        930,
        975,
        [(0, 150), (30, 176), (120, 205), (230, 200), (330, 160), (395, 104)],
        CLAY,
        paint=_bands(s.scale),
    )
    s.pot(930, 590, [(0, 112), (8, 120), (22, 120), (30, 110)], BRASS)
    s.pot(930, 562, [(0, 86), (40, 60), (52, 58)], DARK_CLAY)
    for lift in (0, 17, 34, 51):
        s.pot(930, 522 - lift, [(0, 44), (4, 50), (10, 50), (14, 44)], OLD_BRASS)
    s.ball(930, 795, 92, 92, BRASS, flatness=0.45)
    s.ball(930, 795, 72, 72, DARK_CLAY, flatness=0.3)
    s.ball(930, 795, 66, 66, EMBER, flatness=0.35)
    for x in (-40, -14, 14, 40):
        tall = float(np.sqrt(66**2 - x**2))
        s.tube([(930 + x, 795 - tall), (930 + x, 795 + tall)], 5.0, 5.0, IRON, 3)
    s.tube([(864, 795), (996, 795)], 5.5, 5.5, IRON, 3)
    for angle in range(0, 360, 45):
        x, y = np.cos(np.radians(angle + 22)) * 81, np.sin(np.radians(angle + 22)) * 81
        s.ball(930 + x, 795 + y, 6.5, 6.5, OLD_BRASS)
    for side in (-1, 1):
        s.ball(930 + side * 118, 612, 40, 40, BRASS)
        s.ball(930 + side * 118, 612, 15, 15, IRON, flatness=0.6)


def _cheeks(u: Image, v: Image) -> Image:
    left = np.exp(-(((u + 0.52) / 0.22) ** 2 + ((v - 0.36) / 0.15) ** 2))
    right = np.exp(-(((u - 0.52) / 0.22) ** 2 + ((v - 0.36) / 0.15) ** 2))
    return np.asarray(0.6 * (left + right), np.float32)


def _head(s: Stage, pose: Pose) -> None:
    for side in (-1, 1):
        s.ball(930 + side * 126, 385, 20, 40, OLD_BRASS)
        s.ball(930 + side * 142, 385, 11, 22, BRASS)
    s.ball(930, 380, 128, 112, CREAM, paint=Paint(_cheeks, (0.62, 0.17, 0.10)))
    s.pot(930, 302, [(0, 104), (6, 112), (20, 110), (26, 100)], BRASS)
    s.pot(930, 284, [(0, 98), (14, 96), (34, 74), (46, 34), (50, 16)], CLAY)
    s.pot(930, 242, [(0, 26), (6, 30), (16, 19), (28, 15), (36, 19)], BRASS)
    s.tube([(890, 366), (930, 352), (970, 366)], 7, 7, OLD_BRASS, 8)
    for side in (-1, 1):
        x = 930 + side * 50
        s.ball(x, 372, 45, 45, BRASS, flatness=0.55)
        s.ball(x, 372, 33, 33, LENS, flatness=0.6)
        s.ball(x + 2.6 * pose.nod, 375, 13, 13, EMBER, flatness=0.5)
        s.ball(x + 2.6 * pose.nod, 375, 5.5, 5.5, INK, flatness=0.5)
        s.ball(x - 11, 359, 6.5, 5, GLINT, degrees=-30, flatness=0.4)
    s.tube([(892, 444), (930, 462), (968, 444)], 6.5, 6.5, OLD_BRASS, 8)
    s.ball(930, 414, 9, 13, OLD_BRASS)


def _chimney(s: Stage) -> None:
    s.tube([(1010, 700), (1110, 690), (1118, 560), (1120, 500)], 24, 24, OLD_BRASS, 18)
    s.pot(1120, 505, [(0, 26), (6, 33), (16, 33), (22, 27), (52, 36), (60, 38)], BRASS)


def _steam(stage: Stage, body: Stage, pose: Pose) -> None:
    x, y = body.point(1120, 448)
    layer = steam(stage.painter, (x, y), pose.time, stage.scale)
    stage.painter.canvas.over(layer)


def _plume(stage: Stage, head: Stage, pose: Pose) -> None:
    foot = head.point(930, 212)
    strands = plume(foot, stage.scale, pose.sway + 0.5 * pose.nod, pose.time, stage.painter.lights)
    layer = strand_layer(strands, stage.painter.canvas.width, stage.painter.canvas.height)
    if layer is not None:
        stage.painter.canvas.over(layer)


def _bench(s: Stage) -> None:
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


def _plant(s: Stage, pose: Pose) -> None:
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


def _lantern(s: Stage, pose: Pose) -> None:
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


def _small_pots(s: Stage) -> None:
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


def _hand(s: Stage, x: float, y: float, degrees: float) -> None:
    s.ball(x, y, 22, 22, BRASS)
    for bend in (-38, -4, 30):
        a = np.radians(degrees + bend)
        knuckle = (x + 30 * np.cos(a), y + 30 * np.sin(a))
        b = np.radians(degrees + 0.5 * bend)
        tip = (knuckle[0] + 34 * np.cos(b), knuckle[1] + 34 * np.sin(b))
        s.tube([(x, y), knuckle, tip], 8.5, 6.0, OLD_BRASS, 7)


def _can(s: Stage) -> None:
    """A cream watering can, its handle's grip at (640, 690), its rose to the left."""
    s.tube([(655, 742), (760, 690), (800, 800), (712, 850)], 9, 9, OLD_BRASS, 16)
    s.tube([(612, 842), (560, 800), (520, 742), (492, 712)], 19, 10, CREAM, 14)
    s.ball(490, 708, 30, 15, BRASS, degrees=-45)
    s.pot(
        650,
        884,
        [(0, 62), (8, 76), (60, 78), (104, 62), (136, 52)],
        CREAM,
        paint=Paint(
            lambda a, h: soft_step(7 - np.abs(h / s.scale - 30)),
            (0.34, 0.07, 0.05),
        ),
    )
    s.pot(650, 750, [(0, 53), (4, 58), (10, 58), (14, 50)], BRASS)


def _pouring_arm(stage: Stage, body: Stage, pose: Pose) -> None:
    shoulder = (812.0, 612.0)
    shift = np.array([0.0, -72.0 - 26 * pose.pour])
    hand = (742.0, 704.0 + float(shift[1]))
    elbow = (676.0, 520.0 - 24 * pose.pour)
    can = stage.turned(hand, -4 - 24 * pose.pour)
    held = Stage(stage.painter, stage.scale, stage.origin)
    held.pivot, held.degrees = can.pivot - shift, can.degrees
    held.origin = stage.origin - shift * stage.scale
    if pose.pour > 0.25:
        rose = held.point(478, 704)
        layer = pour(
            stage.painter,
            rose,
            (430 * stage.scale, 850 * stage.scale),
            pose.time,
            stage.scale,
            (pose.pour - 0.25) / 0.75,
        )
        if layer is not None:
            stage.painter.canvas.over(layer)
    _can(held)
    body.tube([shoulder, elbow], 27, 21, INK, 8)
    for share in (0.25, 0.5, 0.75):
        x = shoulder[0] + share * (elbow[0] - shoulder[0])
        y = shoulder[1] + share * (elbow[1] - shoulder[1])
        body.ball(x, y, 9, 27 - 5 * share, OLD_BRASS, degrees=37)
    body.tube([elbow, hand], 25, 17, CLAY, 10)
    body.ball(*elbow, 30, 30, BRASS)
    _hand(body, *hand, 35.0)


def _waving_arm(stage: Stage, body: Stage, pose: Pose) -> None:
    """The free arm, open shutter for half a frame: up to fifty pixels of blur at 1080 lines."""
    painter, scale = stage.painter, stage.scale
    shoulder = (1048.0, 612.0)
    corner = body.at([(740, 120), (1560, 960)])
    box = clip_box(
        (*corner[0].tolist(), *corner[1].tolist()), painter.canvas.width, painter.canvas.height
    )
    if box is None:
        return
    blur = abs(pose.wave_speed) * 0.5 * np.pi / 180 * 360
    steps = int(np.clip(blur / 2.5, 4, 18))

    def draw(time: float, canvas: Canvas, origin: Points) -> None:
        brush = painter.on(canvas)
        brush.factor = SUPERSAMPLE // 2
        s = Stage(brush, scale, origin)
        s.pivot, s.degrees = body.pivot, body.degrees
        upper = np.radians(-12 + 0.25 * pose.wave)
        elbow = (shoulder[0] + 165 * np.cos(upper), shoulder[1] + 165 * np.sin(upper))
        lower = np.radians(pose.wave + pose.wave_speed * time)
        hand = (elbow[0] + 175 * np.cos(lower), elbow[1] + 175 * np.sin(lower))
        s.tube([shoulder, elbow], 27, 21, INK, 8)
        s.tube([elbow, hand], 25, 17, CLAY, 10)
        s.ball(*elbow, 30, 30, BRASS)
        _hand(s, *hand, float(np.degrees(lower)))

    times = (np.arange(steps) + 0.5) / steps * 0.5 - 0.25
    layer = average_layers(draw, times.tolist(), box)
    painter.canvas.occlude(layer, shift=(4, 8), blur_px=14 * scale, amount=0.3)
    painter.canvas.over(layer)


def _embers(s: Stage, pose: Pose) -> None:
    strands = embers(s.point(1120, 436), s.scale, pose.time)
    layer = strand_layer(strands, s.painter.canvas.width, s.painter.canvas.height)
    if layer is not None:
        s.painter.canvas.over(layer)
