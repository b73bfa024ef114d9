"""Two stages of their own: a moving camera past the cloth's end, and things on the floor."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from demo_media.families.coverage import GRID, covered, filled
from demo_media.families.layers import Canvas, Layer, shifted, turned
from demo_media.families.scene import Scene
from demo_media.families.shot import OFF_SCREEN, SHADOW
from demo_media.families.workshop import bench
from demo_media.families.workshop.figure import Pose, bust
from demo_media.families.workshop.hair import Wig, grow, scalp
from demo_media.families.workshop.light import Surface
from demo_media.families.workshop.shop import Shop, rehang, truth_of
from demo_media.noise import fractal_noise

Image = NDArray[np.float32]
Draw = Callable[[int], Canvas]
MARGIN = 48


def _end_of_cloth(shop: Shop, screen: Image) -> tuple[Image, Image]:
    """The wide stage: cloth with a wavy end, dark wall beyond, a stand and its clamp before it.

    Returns the plate and the share that is no screen, on cells.
    """
    _, h, w = screen.shape
    rng = shop.fresh(51)
    left = bool(rng.random() < 0.5)
    unit = shop.scale
    x = (np.arange(w, dtype=np.float32) + 0.5)[None, :] / np.float32(unit)
    y = (np.arange(h, dtype=np.float32) + 0.5)[:, None] / np.float32(unit)
    wide = w / unit
    edge = MARGIN * GRID / unit + float(rng.uniform(34, 60))
    run = x if left else wide - x
    wave = 2.5 * np.sin(y * 0.045 + rng.uniform(0, 6)) + 1.2 * np.sin(y * 0.13 + rng.uniform(0, 6))
    beyond = covered(np.asarray((edge + wave + 0.03 * y) - run, np.float32))
    wall = np.asarray((0.045, 0.042, 0.040), np.float32)[:, None, None] * np.exp(
        0.3 * fractal_noise(rng, h, w, scale_px=40 * unit, octaves=4)
    )
    hem = 1 - 0.35 * np.exp(-(((run - edge - wave - 0.03 * y - 3) / 1.2) ** 2))
    plate = screen * hem + beyond * (wall - screen * hem)
    pole_x = edge - 16 if left else wide - edge + 16
    solid = _stand(pole_x, left, unit, (h, w))
    steel = np.asarray((0.16, 0.16, 0.17), np.float32)[:, None, None]
    round_ = 0.5 + np.clip(1 - ((x - pole_x + 1) / 3.2) ** 2, 0, 1)
    plate = plate + solid * (steel * round_ - plate)
    return np.asarray(plate, np.float32), np.maximum(beyond, solid)


def _stand(x: float, left: bool, unit: float, shape: tuple[int, int]) -> Image:
    """A pole, its knobs, an arm with a clamp on the cloth, and spread legs."""
    out = 1.0 if left else -1.0

    def bar(x0: float, y0: float, x1: float, y1: float, thick: float) -> NDArray[np.float64]:
        a, b = np.array([x0, y0]), np.array([x1, y1])
        n = np.array([-(b - a)[1], (b - a)[0]]) / max(float(np.linalg.norm(b - a)), 1e-6)
        return np.array([a + n * thick, b + n * thick, b - n * thick, a - n * thick]) * unit

    parts = [
        bar(x, -60, x, 480, 2.6),
        bar(x, 60, x, 78, 5.0),
        bar(x, 205, x, 220, 4.6),
        bar(x, 66, x + out * 26, 60, 1.8),
        bar(x + out * 20, 54, x + out * 31, 66, 3.6),
        bar(x, 330, x - out * 34, 480, 2.0),
        bar(x, 330, x + out * 30, 480, 2.0),
    ]
    return filled(parts, shape)


def moving_scene(shop: Shop, frames: int, cast: Callable[..., Draw]) -> Scene:
    """A hand-held pan past the end of the cloth; the subject shifts more than the screen."""
    big = rehang(shop, shop.width + 2 * MARGIN, shop.height + 2 * MARGIN)
    plate, off = _end_of_cloth(shop, big)
    draw = cast(shop, beard=True)
    rng = shop.fresh(52)
    pan, tilt, roll = rng.uniform(2, 7), rng.uniform(-1.5, 1.5), rng.normal(0, 0.12)
    size = (shop.width * GRID, shop.height * GRID)
    made = []
    for frame in range(frames):
        at = frame - (frames - 1) / 2
        shake = rng.normal(0, 0.5, 2)
        dx, dy = pan * at + shake[0], tilt * at + shake[1]
        c, s = np.cos(np.radians(roll * at)), np.sin(np.radians(roll * at))
        matrix = np.array([[c, -s, MARGIN * GRID + dx], [s, c, MARGIN * GRID + dy]])
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        view = np.stack([cv2.warpAffine(p, matrix, size, flags=flags) for p in plate])
        gone = np.asarray(cv2.warpAffine(off, matrix, size, flags=flags))
        canvas = draw(frame)
        whole = Layer((0, 0, *size), canvas.clean, canvas.spill, canvas.alpha)
        panned = Canvas(shop.width, shop.height)
        panned.over(_stretched(shifted(whole, -1.3 * dx, -1.3 * dy), size))
        behind = (gone > 0.02) & (panned.alpha < 0.995)
        panned.labels = np.where(behind, OFF_SCREEN, 0).astype(np.uint8)
        made.append(truth_of(shop, panned, np.asarray(view, np.float32)))
    return Scene(tuple(made))


def _stretched(layer: Layer, size: tuple[int, int]) -> Layer:
    """The bench's last rows and columns drawn out to the frame's border, where a pan bared it."""
    x0, y0, x1, y1 = layer.box
    width, height = size
    inner = np.concatenate([layer.clean, layer.spill, layer.alpha[None]])
    top, left = max(-y0, 0), max(-x0, 0)
    cut = inner[:, top + 4 if y0 >= 0 else top : y1 - y0 - 4, left + 4 : x1 - x0 - 4]
    ox, oy = x0 + left + 4, y0 + (top + 4 if y0 >= 0 else top)
    pads = (
        (0, 0),
        (0, max(height - (oy + cut.shape[1]), 0)),
        (max(ox, 0), max(width - (ox + cut.shape[2]), 0)),
    )
    grown = np.pad(cut, pads, mode="edge")
    bx, by = min(ox, 0), oy
    box = (bx, by, bx + grown.shape[2], by + grown.shape[1])
    return Layer(box, grown[:3], grown[3:6], grown[6])


def _cast_shadow(alpha: Image, foot: float, lean: float, flat: float, unit: float) -> Image:
    """A silhouette thrown on the floor from `foot` (cells) backwards, softer further away."""
    h, w = alpha.shape
    # a point `up` above the foot falls at foot − flat·up, moved by lean·up
    matrix = np.array([[1, -lean / flat, lean * foot / flat], [0, 1 / flat, foot - foot / flat]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    near = np.asarray(cv2.warpAffine(alpha, matrix, (w, h), flags=flags))
    y = np.arange(h, dtype=np.float32)[:, None]
    near[int(min(foot + 3 * unit, h - 1)) :] = 0
    sharp = cv2.GaussianBlur(near, (0, 0), 1.4 * unit)
    soft = cv2.GaussianBlur(near, (0, 0), 5.5 * unit)
    share = np.clip((foot - y) / (34 * unit), 0, 1)
    return np.asarray(sharp * (1 - share) + 0.85 * soft * share, np.float32)


def _floor(shop: Shop, screen: Image) -> Image:
    """The sweep: light changes where the cloth curves from wall to floor."""
    h = screen.shape[1]
    y = (np.arange(h, dtype=np.float32) + 0.5)[:, None] / np.float32(shop.scale)
    bend = shop.fresh(61).uniform(205, 235)
    stops = -0.30 * np.exp(-(((y - bend) / 26) ** 2)) + 0.25 * np.clip((y - bend) / 60, 0, 1)
    return np.asarray(screen * np.exp2(stops), np.float32)


def shadow_scene(shop: Shop, frames: int, wig: Wig) -> Scene:
    """A bust with hair on a pedestal, a crate and a rolling wheel on the floor, with shadows."""
    rng, stage, unit = shop.rng, shop.stage, shop.scale
    screen = _floor(shop, shop.screen)
    x = shop.wide * float(rng.uniform(0.36, 0.55))
    pose = Pose((x, 112.0), float(rng.uniform(-0.8, 0.8)), (0, 0), (0, 0))
    head = bust(stage, unit, pose, (0.56, 0.36, 0.26), shop.rng, wig.colour)
    things = [
        (bench.pedestal(stage, unit, (x, 318), 128, rng), 318.0),
        (bench.chest(stage, unit, (x + 96, 300), (104, 62), bench.WALNUT, rng,
                     surface=Surface(rough=0.35)), 300.0),
    ]  # fmt: skip
    start, radius = x - 170, 30.0
    roller = bench.wheel(stage, unit, (start, 306 - radius), radius, rng)
    lean = float(-np.sign(stage.key[0]) * rng.uniform(0.25, 0.7))
    dark = float(rng.uniform(0.45, 0.75))
    tint = np.array([1.0, 1.02, 0.94], np.float32)[:, None, None]
    made = []
    for frame in range(frames):
        rolled = 7.0 * frame
        disc = shifted(
            turned(roller, (start * unit, (306 - radius) * unit), np.degrees(rolled / radius)),
            rolled * unit, 0,
        )  # fmt: skip
        sway = 5 * float(np.sin(0.9 * frame + shop.seed))
        back = grow(stage, unit, *scalp(pose.head, wig.locks, shop.seed, behind=True), wig,
                    sway=sway, seed=(shop.seed, 21), head=pose.head, lift=0.75)  # fmt: skip
        front = grow(stage, unit, *scalp(pose.head, wig.locks, shop.seed, behind=False), wig,
                     sway=sway, seed=(shop.seed, 23), head=pose.head)  # fmt: skip
        groups = [
            ([things[1][0]], 300.0),
            ([back, head, things[0][0], front], 318.0),
            ([disc], 306.0),
        ]
        canvas, shade = Canvas(shop.width, shop.height), np.zeros(screen.shape[1:], np.float32)
        for layers, foot in groups:
            own = Canvas(shop.width, shop.height)
            for layer in layers:
                own.over(layer)
                canvas.over(layer)
            thrown = _cast_shadow(own.alpha, foot * unit, lean, 0.30, unit)
            shade = np.maximum(shade, thrown)
        shaded = np.asarray(screen * (1 - dark * tint * shade), np.float32)
        seen = (shade > 0.05) & (canvas.alpha < 0.5)
        canvas.labels[seen] = SHADOW
        empty = screen.reshape(3, shop.height, GRID, shop.width, GRID).mean(axis=(2, 4))
        made.append(truth_of(shop, canvas, shaded, empty_plate=np.asarray(empty, np.float32)))
    return Scene(tuple(made))
