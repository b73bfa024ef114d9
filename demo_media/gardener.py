"""The demo's subject: a clay-and-brass automaton that waters a plant on a bench, with its steam."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from demo_media.fibres import plume
from demo_media.potting_bench import draw_bench, draw_lantern, draw_plant, draw_small_pots
from demo_media.raster import SUPERSAMPLE, Canvas, Points, average_layers, clip_box, strand_layer
from demo_media.shapes import Paint, Painter
from demo_media.stage import (
    BRASS,
    CLAY,
    CREAM,
    DARK_CLAY,
    EMBER,
    GLINT,
    INK,
    IRON,
    LENS,
    OLD_BRASS,
    Pose,
    Stage,
    pose_at,
    soft_step,
    stage_lights,
)
from demo_media.vapour import embers, pour, steam

Image = NDArray[np.float32]


def draw_gardener(
    width: int, height: int, index: int, frames: int, screen: tuple[float, float, float]
) -> Canvas:
    """Everything before the screen at frame `index`: clean, spill and alpha, premultiplied."""
    canvas = Canvas.empty(width, height)
    painter = Painter(canvas, stage_lights(screen), 20)
    stage = Stage(painter, height / 1080)
    pose = pose_at(index, frames)
    body = stage.turned((930, 960), pose.sway)
    _steam(stage, body, pose)
    _chimney(body)
    head = body.turned((930, 960), pose.sway + 0.35 * pose.nod)
    _plume(stage, head, pose)
    _torso(body, pose)
    _head(head, pose)
    draw_bench(stage)
    draw_plant(stage, pose)
    draw_lantern(stage, pose)
    draw_small_pots(stage)
    _pouring_arm(stage, body, pose)
    _waving_arm(stage, body, pose)
    _embers(stage, pose)
    return canvas


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
