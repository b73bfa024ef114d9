"""Things one sees through: flux smoke, steam, gauze, mist and drops, tinted glass."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from demo_media.families.coverage import filled
from demo_media.families.layers import Layer
from demo_media.families.scene import Colour
from demo_media.families.shot import SEE_THROUGH
from demo_media.families.workshop.light import Stage, column, normals
from demo_media.families.workshop.relief import Spot
from demo_media.noise import fractal_noise

Image = NDArray[np.float32]


def _swirl(
    shape: tuple[int, int], scale: float, time: float, rng: np.random.Generator
) -> tuple[Image, Image]:
    """Fine billows and broad ones that rise with `time` and are drawn along by the broad ones."""
    h, w = shape
    small = (max(w // 2, 8), max(h // 2, 8))
    pad = int(small[1] * 0.8)
    fine = fractal_noise(rng, small[1] + pad, small[0], scale_px=19 * scale, octaves=5, gain=0.6)
    broad = fractal_noise(rng, small[1] + pad, small[0], scale_px=34 * scale, octaves=3)
    y, x = np.mgrid[0 : small[1], 0 : small[0]].astype(np.float32)
    y0 = y + np.float32(pad * 0.5 + 3.5 * scale * time)
    calm = cv2.remap(broad, x, y0 - 2, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
    turn = cv2.remap(
        broad, y0 * 0 + x[:, ::-1], y0, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT
    )
    reach = np.float32(7 * scale)
    curl = cv2.remap(
        fine, x + reach * calm, y0 + reach * turn, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT
    )
    grown = [cv2.resize(p, (w, h), interpolation=cv2.INTER_CUBIC) for p in (curl, calm)]
    return np.asarray(grown[0], np.float32), np.asarray(grown[1], np.float32)


def plume(
    stage: Stage,
    scale: float,
    shape: tuple[int, int],
    source: Spot,
    time: float,
    seed: tuple[int, ...],
    *,
    colour: Colour,
    dense: float,
    wide: float,
    lean: float,
) -> Layer:
    """Smoke or steam from `source`, widening as it rises; lit from the key lamp's side.

    Coverage 1 − exp(−depth), by the law of Bouguer, Lambert and Beer.
    """
    h, w = shape
    fine, broad = _swirl(shape, scale, time, np.random.default_rng(seed))
    y = (np.arange(h, dtype=np.float32) + 0.5)[:, None] / np.float32(scale)
    x = (np.arange(w, dtype=np.float32) + 0.5)[None, :] / np.float32(scale)
    rise = np.clip((source[1] - y) / 250, 0, 1.5)
    middle = source[0] + lean * rise**1.5 * 120 + 10 * np.sin(5 * rise - 0.5 * time) * rise
    across = (x - middle + 0.4 * wide * broad) / (5 + wide * rise**0.8)
    column_ = np.exp(-(across**2)) * np.clip(rise / 0.03, 0, 1) * np.clip(1.25 - rise, 0, 1)
    wisps = np.clip(0.72 + 0.50 * fine, 0, None) ** 1.5
    depth = dense * column_ * wisps / (0.6 + 1.4 * rise)
    depth = cv2.GaussianBlur(np.asarray(depth, np.float32), (0, 0), 0.6 * scale)
    alpha = 1 - np.exp(-np.maximum(depth - 0.003, 0))
    toward = np.float32(np.sign(stage.key[0]) * 5 * scale)
    move = np.array([[1, 0, -toward], [0, 1, 4 * scale]], float)
    thick = cv2.warpAffine(depth, move, (w, h), borderMode=cv2.BORDER_REPLICATE)
    lit = 0.30 + 0.70 * np.exp(-0.9 * cv2.GaussianBlur(thick, (0, 0), 4 * scale))
    light = 0.55 * column(stage.key_colour) * lit + column(stage.fill_colour) + column(stage.sky)
    clean = column(colour) * light
    box = (0, 0, w, h)
    spill = stage.spill * 0.22 * column(colour) * stage.screen_light(box)
    alpha = np.asarray(alpha, np.float32)
    return Layer(box, clean * alpha, spill * alpha, alpha, label=SEE_THROUGH, label_over=0.02)


def gauze(
    stage: Stage,
    scale: float,
    outline: NDArray[np.float64],
    shape: tuple[int, int],
    time: float,
    seed: tuple[int, ...],
    *,
    colour: Colour,
    thread: float,
) -> Layer:
    """A veil of open weave: denser along its folds, doubled at the hem, threads here and there."""
    h, w = shape
    rng = np.random.default_rng(seed)
    cover = filled([outline * scale], shape)
    inner = filled([(outline - outline.mean(0)) * 0.965 * scale + outline.mean(0) * scale], shape)
    hem = np.clip(cover - inner, 0, 1)
    height = fractal_noise(rng, h, w, scale_px=26 * scale, octaves=3, gain=0.5, stretch=7)
    x = (np.arange(w, dtype=np.float32) + 0.5)[None, :] / np.float32(scale)
    y = (np.arange(h, dtype=np.float32) + 0.5)[:, None] / np.float32(scale)
    sweep = np.sin((x + 0.22 * y + 2.5 * np.sin(0.6 * time)) * 0.16 + 1.2 * height)
    height = np.asarray(sweep + 0.4 * height, np.float32)
    n = normals(np.asarray(4.5 * scale * height, np.float32))
    facing = np.clip(n[2], 0.16, 1)
    threads = np.sin(x * 2.6 + 0.5 * height) * np.sin(y * 2.6 + 0.4 * height)
    open_ = thread * (1 + 0.16 * threads)
    solid = 1 - np.clip(1 - open_, 0.02, 1) ** (1 / facing)
    solid = 1 - (1 - solid) * (1 - 0.55 * hem)
    alpha = np.asarray(cover * np.clip(solid, 0, 1), np.float32)
    key = np.abs(n[0] * stage.key[0] + n[1] * stage.key[1] + n[2] * stage.key[2])
    light = key * column(stage.key_colour) + column(stage.fill_colour + stage.sky)
    clean = column(colour) * light * 0.8
    box = (0, 0, w, h)
    spill = stage.spill * 0.35 * column(colour) * stage.screen_light(box)
    return Layer(box, clean * alpha, spill * alpha, alpha, label=SEE_THROUGH, label_over=0.02)


def mist(
    stage: Stage,
    scale: float,
    shape: tuple[int, int],
    nozzle: Spot,
    toward: float,
    time: int,
    seed: tuple[int, ...],
    *,
    drops: int,
) -> list[Layer]:
    """A cone of fine mist from an atomiser, and drops in it that fly during the shutter."""
    h, w = shape
    rng = np.random.default_rng([*seed, time])
    fine, _ = _swirl(shape, scale, 6 * time, np.random.default_rng(seed))
    x = (np.arange(w, dtype=np.float32) + 0.5)[None, :] / np.float32(scale) - nozzle[0]
    y = (np.arange(h, dtype=np.float32) + 0.5)[:, None] / np.float32(scale) - nozzle[1]
    along = x * toward + 0.0 * y
    across = (y - 0.0012 * along**2) / (3 + 0.30 * np.maximum(along, 0))
    body = np.exp(-(across**2)) * np.clip(along / 4, 0, 1) * np.exp(-np.maximum(along, 0) / 150)
    depth = 0.9 * body * np.clip(0.7 + 0.5 * fine, 0, None)
    speck = cv2.GaussianBlur(rng.standard_normal(shape).astype(np.float32), (0, 0), 0.45 * scale)
    depth = depth * np.exp(0.3 * speck / max(float(speck.std()), 1e-6))
    alpha = np.asarray(1 - np.exp(-np.maximum(depth - 0.004, 0)), np.float32)
    light = 0.7 * column(stage.key_colour) + column(stage.fill_colour + stage.sky)
    clean = np.asarray((0.62, 0.64, 0.66), np.float32)[:, None, None] * light * np.ones_like(alpha)
    box = (0, 0, w, h)
    spill = 0.25 * stage.spill * stage.screen_light(box)
    haze = Layer(box, clean * alpha, spill * alpha, alpha, label=SEE_THROUGH, label_over=0.02)
    return [haze, _drops(stage, scale, shape, nozzle, toward, drops, rng)]


def _drops(
    stage: Stage, scale: float, shape: tuple[int, int], nozzle: Spot, toward: float, count: int,
    rng: np.random.Generator,
) -> Layer:  # fmt: skip
    """Streaks as long as a drop flies while the shutter is open, clear with a bright core."""
    h, w = shape
    far = rng.gamma(2.2, 55, count)
    angle = rng.normal(0, 0.26, count)
    px = nozzle[0] + toward * far * np.cos(angle)
    py = nozzle[1] + far * np.sin(angle) + 0.0016 * far**2
    size, run = rng.lognormal(-0.25, 0.5, count), rng.uniform(1, 9, count)
    streaks, cores = [], []
    for i in range(count):
        direction = np.array([toward * np.cos(angle[i]), np.sin(angle[i]) + 0.0032 * far[i]])
        side = np.array([-direction[1], direction[0]])
        middle, r = np.array([px[i], py[i]]), size[i]
        t = np.linspace(0, 2 * np.pi, 14, endpoint=False)
        ring = np.cos(t)[:, None] * direction * (r + run[i]) + np.sin(t)[:, None] * side * r
        streaks.append((middle + ring) * scale)
        cores.append((middle - 0.3 * r * side + 0.35 * ring) * scale)
    cover, core = filled(streaks, shape), filled(cores, shape)
    alpha = np.asarray(cover * (0.35 + 0.35 * core), np.float32)
    light = 0.6 * column(stage.key_colour) + column(stage.sky)
    tone = np.asarray((0.7, 0.72, 0.74), np.float32)[:, None, None]
    clean = tone * light * np.ones_like(alpha)
    extra = np.asarray(1.2 * core * column(stage.key_colour), np.float32)
    box = (0, 0, w, h)
    spill = 0.3 * stage.spill * stage.screen_light(box)
    return Layer(box, clean * alpha, spill * alpha, alpha, extra, SEE_THROUGH, 0.02)


def vessel(
    stage: Stage,
    scale: float,
    shape: tuple[int, int],
    foot: Spot,
    profile: NDArray[np.float64],
    tint: Colour,
    rng: np.random.Generator,
    *,
    dense: float,
    liquid: float = 0.0,
) -> Layer:
    """Blown glass turned about its axis: thick at the rim, tinted, with reflections on top.

    `profile` (n, 2) holds radius and height in units. The mix is that of a tinted pane: what the
    tint takes off the screen stands as alpha; window and lamp are light over the mix.
    """
    h, w = shape
    order = np.argsort(profile[:, 1])
    radius_at, height_at = profile[order, 0], profile[order, 1]
    y = foot[1] - (np.arange(h, dtype=np.float32) + 0.5) / np.float32(scale)
    x = (np.arange(w, dtype=np.float32) + 0.5) / np.float32(scale) - foot[0]
    radius = np.interp(y, height_at, radius_at, left=0, right=0).astype(np.float32)[:, None]
    right = np.stack([foot[0] + radius_at, foot[1] - height_at], 1)
    left = np.stack([foot[0] - radius_at, foot[1] - height_at], 1)[::-1]
    cover = filled([np.concatenate([right, left]) * scale], shape)
    q = np.clip(np.abs(x)[None, :] / np.maximum(radius, 1e-3), 0, 0.999)
    wall = 0.05 / np.sqrt(1 - q * q + 0.003) + 0.02
    thick = wall * dense
    filled_up = (y[:, None] < liquid) & (y[:, None] > 2)
    thick = thick + np.where(filled_up, 1.1 * np.sqrt(1 - q * q), 0)
    rim = np.clip((q - 0.90) / 0.10, 0, 1) ** 2
    alpha = np.asarray(cover * (1 - np.exp(-thick) * (1 - 0.75 * rim)), np.float32)
    light = 0.30 * column(stage.key_colour) + column(stage.fill_colour) + 2 * column(stage.sky)
    clean = column(tint) * light * (0.8 + 0.5 * (1 - q)) * np.ones_like(alpha)
    box = (0, 0, w, h)
    glow = stage.screen_light(box)
    spill = column(tint) * glow * (0.5 + 1.0 * rim) * stage.spill
    extra = cover * _panes(stage, x[None, :] / np.maximum(radius, 1e-3), y[:, None], profile)
    return Layer(box, clean * alpha, spill * alpha, alpha, np.asarray(extra, np.float32),
                 SEE_THROUGH, 0.02)  # fmt: skip


def _panes(stage: Stage, u: Image, y: Image, profile: NDArray[np.float64]) -> Image:
    """A window's reflection bent along the glass, and a thin one on the other side."""
    tall = float(profile[:, 1].max())
    side = np.float32(np.sign(stage.key[0]))
    mask = np.clip((0.13 - np.abs(side * u - 0.58)) / 0.03, 0, 1)
    span = np.clip((0.26 * tall - np.abs(y - 0.58 * tall)) / 2, 0, 1)
    bar = 1 - np.clip((1.3 - np.abs(y - 0.58 * tall)) / 0.6, 0, 1)
    thin = np.clip((0.025 - np.abs(side * u + 0.8)) / 0.02, 0, 1)
    thin = thin * np.clip((0.4 * tall - np.abs(y - 0.5 * tall)) / 3, 0, 1)
    main = 0.55 * mask * span * bar * column(stage.key_colour)
    return np.asarray(main + 0.3 * thin * column(stage.fill_colour + stage.sky), np.float32)


BOTTLE = np.array([(30, 0), (33, 4), (33, 62), (30, 74), (14, 92), (11, 100), (11, 122), (14, 124),
                   (14, 129), (0.5, 130)], float)  # fmt: skip
BELL = np.array([(50, 0), (52, 3), (49, 8), (49, 84), (45, 106), (34, 124), (18, 134), (6, 137),
                 (7, 146), (0.5, 150)], float)  # fmt: skip
FLASK = np.array([(40, 0), (46, 14), (42, 34), (28, 54), (11, 72), (10, 112), (15, 115), (15, 119),
                  (0.5, 120)], float)  # fmt: skip
