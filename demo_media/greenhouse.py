"""The demo's background: the inside of a greenhouse at sunset, a little out of focus."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from demo_media.noise import fractal_noise
from demo_media.raster import Points, bounds, clip_box, polygon_coverage
from demo_media.shapes import bezier, turn

Image = NDArray[np.float32]
Colour = tuple[float, float, float]

_SUN = (0.665, 0.50)
_VANISHING = (0.60, 0.56)


def sunset_greenhouse(width: int, height: int) -> Image:
    """The picture, (3, h, w), linear working space; the sun and lamps reach about 4."""
    rng = np.random.default_rng(14)
    picture = _sky(width, height, rng)
    _hills(picture, rng)
    _glaze(picture, rng)
    _iron(picture)
    _floor(picture, rng)
    _foliage(picture, rng)
    _lamps(picture, rng)
    blur = 2.2 * height / 1080
    for plane in picture:
        plane[:] = cv2.GaussianBlur(plane, (0, 0), blur)
    return picture


def _grid(picture: Image) -> tuple[Image, Image]:
    _, h, w = picture.shape
    x = ((np.arange(w, dtype=np.float32) + 0.5) / w)[None, :]
    y = ((np.arange(h, dtype=np.float32) + 0.5) / h)[:, None]
    return x, y


def _colour(values: Colour) -> Image:
    return np.asarray(values, np.float32)[:, None, None]


def _sky(width: int, height: int, rng: np.random.Generator) -> Image:
    picture = np.zeros((3, height, width), np.float32)
    x, y = _grid(picture)
    low = np.clip(y / 0.62, 0, 1)
    picture += _colour((0.10, 0.13, 0.30)) * (1 - low) ** 1.3
    picture += _colour((0.75, 0.34, 0.20)) * low**2.2 + _colour((0.20, 0.10, 0.16)) * low
    cloud = fractal_noise(
        rng, height, width, scale_px=width / 4, octaves=6, gain=0.52, stretch=0.22
    )
    bank = np.clip(cloud * 0.55 + 0.1, 0, 1) * np.clip(1.15 - np.abs(y - 0.30) * 2.2, 0, 1)
    picture += bank * (_colour((0.95, 0.42, 0.26)) * (0.35 + 0.65 * low) - 0.35 * picture)
    far = np.sqrt(((x - _SUN[0]) * width / height) ** 2 + (y - _SUN[1]) ** 2)
    picture += _colour((1.0, 0.52, 0.20)) * (1.3 * np.exp(-((far / 0.16) ** 1.2)))
    disc = 0.5 - 0.5 * np.tanh((far - 0.034) * 260)
    picture += _colour((4.2, 2.9, 1.5)) * disc
    return picture


def _hills(picture: Image, rng: np.random.Generator) -> None:
    _, h, w = picture.shape
    _, y = _grid(picture)
    for depth, tone in enumerate(((0.36, 0.17, 0.18), (0.20, 0.10, 0.115), (0.10, 0.055, 0.06))):
        line = fractal_noise(rng, 4, w, scale_px=w / (3.5 + 2 * depth), octaves=5)[1]
        edge = 0.545 + 0.03 * depth + 0.018 * line[None]
        cover = np.clip((y - edge) * h / (3 - depth * 0.8) + 0.5, 0, 1)
        haze = _colour(tone) + _colour((0.14, 0.06, 0.03)) * np.exp(-np.abs(y - edge) / 0.05)
        picture += cover * (haze - picture)


def _glaze(picture: Image, rng: np.random.Generator) -> None:
    """Old glass: streaks of dust that catch the light."""
    _, h, w = picture.shape
    dust = fractal_noise(rng, h, w, scale_px=w / 24, octaves=4, stretch=4.0)
    picture *= 1 + 0.05 * np.clip(dust, -2, 2)
    picture += _colour((0.05, 0.032, 0.022)) * np.clip(dust, 0, 2)


def _fill(picture: Image, polygons: list[Points], colour: Colour, strength: float = 1.0) -> None:
    _, h, w = picture.shape
    box = clip_box(bounds(polygons), w, h)
    if box is None:
        return
    cover = polygon_coverage(polygons, box, 4) * np.float32(strength)
    patch = picture[:, box[1] : box[3], box[0] : box[2]]
    patch += cover * (_colour(colour) - patch)


def _ribbon(path: Points, thick: float) -> list[Points]:
    along = np.gradient(path, axis=0)
    along /= np.maximum(np.hypot(along[:, 0], along[:, 1]), 1e-6)[:, None]
    normal = np.stack([-along[:, 1], along[:, 0]], 1) * thick / 2
    return [np.concatenate([path + normal, (path - normal)[::-1]])]


def _iron(picture: Image) -> None:
    """Arched ribs going away to the vanishing point, with glazing bars between them."""
    _, h, w = picture.shape
    dark: Colour = (0.030, 0.020, 0.020)
    centre = np.array([_VANISHING[0] * w, _VANISHING[1] * h])
    ribs = [1.0, 0.66, 0.44, 0.30, 0.21, 0.15]
    arches = [_arch(centre, share, w, h) for share in ribs]
    for i in range(0, len(arches[0]), 6):
        line = np.stack([arch[i] for arch in arches])
        for a, b, share in zip(line[:-1], line[1:], ribs[:-1], strict=True):
            steps = np.linspace(0, 1, 6)[:, None]
            _fill(picture, _ribbon(a + (b - a) * steps, 5.0 * share * h / 1080 + 0.8), dark, 0.9)
    for arch, share in zip(arches[::-1], ribs[::-1], strict=True):
        thick = 24 * share * h / 1080
        _fill(picture, _ribbon(arch, thick), dark)
        _fill(
            picture,
            _ribbon(arch + np.array([0.30, 0.22]) * thick, 0.22 * thick),
            (0.62, 0.30, 0.13),
            0.8,
        )


def _arch(centre: Points, share: float, w: int, h: int) -> Points:
    half, top, wall, base = 0.74 * w * share, 0.98 * h * share, 0.30 * h * share, 0.42 * h * share
    left = np.linspace([-half, base], [-half, -wall], 25)
    angle = np.linspace(np.pi, 0, 73)
    curve = np.stack([half * np.cos(angle), -wall - (top - wall) * np.sin(angle)], 1)
    right = np.linspace([half, -wall], [half, base], 25)
    return np.asarray(centre + np.concatenate([left, curve, right]), np.float64)


def _floor(picture: Image, rng: np.random.Generator) -> None:
    """A wet tiled path and dark beds at its sides; the path mirrors the sky."""
    _, h, w = picture.shape
    _, y = _grid(picture)
    horizon = 0.60
    mirror = picture[:, ::-1][:, : h // 2]
    reflected = cv2.resize(np.moveaxis(mirror, 0, -1), (w, int(h * (1 - horizon)) + 1))
    vanish = np.array([_VANISHING[0] * w, horizon * h])
    bed = np.array([[0, 0.63 * h], [w, 0.63 * h], [w, h], [0, h]])
    _fill(picture, [bed], (0.040, 0.024, 0.024))
    near, far = 0.02 * w, (0.98 * w, 0.22 * w)
    corners = [(vanish[0] - near, vanish[1]), (vanish[0] + near, vanish[1]), (far[0], h)]
    path = np.array([*corners, (far[1], h)], np.float64)
    box = (0, int(horizon * h), w, h)
    cover = polygon_coverage([path], box, 4)
    wet = np.moveaxis(np.asarray(reflected, np.float32), -1, 0)[:, : h - box[1]]
    shine = fractal_noise(rng, h - box[1], w, scale_px=w / 30, octaves=4, stretch=0.3)
    depth = (y[box[1] :] - horizon) / (1 - horizon)
    rows = np.abs(np.mod(9.0 / np.maximum(depth + 0.12, 0.05), 1.0) - 0.5)
    joint = np.clip((rows - 0.44) * 18, 0, 1)
    tile = _colour((0.10, 0.062, 0.055)) + wet * np.clip(0.42 + 0.2 * shine, 0.05, 0.9)
    tile = tile * (1 - 0.55 * joint)
    patch = picture[:, box[1] :]
    patch += cover * (tile - patch)


def _leaf(x: float, y: float, size: float, degrees: float) -> Points:
    t = np.linspace(0, 1, 18)
    half = 0.22 * size * np.sin(np.pi * t**0.85)
    side = np.stack([half, -size * t], 1)
    other = np.stack([-half[::-1], -size * t[::-1]], 1)
    return np.asarray(turn(np.concatenate([side, other]), degrees) + np.array([x, y]))


def _foliage(picture: Image, rng: np.random.Generator) -> None:
    _, h, w = picture.shape
    for depth in range(3):
        tone = np.array([(0.075, 0.045, 0.045), (0.040, 0.030, 0.026), (0.016, 0.014, 0.012)])[
            depth
        ]
        for side in (-1, 1):
            for _ in range(16):
                spread = rng.uniform(0.18 + 0.1 * depth, 0.34 + 0.2 * depth)
                x = (_VANISHING[0] + side * spread) * w
                y = (0.68 + 0.13 * depth + rng.uniform(-0.02, 0.03)) * h
                _frond(picture, rng, x, y, (0.10 + 0.07 * depth) * h, tone)


def _frond(
    picture: Image, rng: np.random.Generator, x: float, y: float, size: float, tone: Points
) -> None:
    lean = rng.uniform(-50, 50)
    tip = (x + size * np.sin(np.radians(lean)), y - size * rng.uniform(0.8, 1.7))
    stem = bezier([(x, y + 0.4 * size), (x, y - 0.6 * size), (float(tip[0]), float(tip[1]))], 14)
    warm = tone * rng.uniform(0.7, 1.5) + np.array([0.03, 0.012, 0.004]) * rng.random()
    leaves = _ribbon(stem, 0.025 * size)
    for i in range(3, 14):
        for turnabout in (-1, 1):
            angle = lean * i / 14 + turnabout * rng.uniform(40, 75)
            leaves.append(_leaf(stem[i, 0], stem[i, 1], size * 0.36 * (1.15 - i / 18), angle))
    _fill(picture, leaves, (float(warm[0]), float(warm[1]), float(warm[2])), 0.96)


def _lamps(picture: Image, rng: np.random.Generator) -> None:
    """Strings of small warm lamps between the ribs, as soft discs."""
    _, h, w = picture.shape
    for start, end, sag in (((0.0, 0.14), (0.5, 0.33), 0.12), ((1.0, 0.10), (0.66, 0.33), 0.10)):
        for share in np.linspace(0.04, 0.96, 11):
            x = start[0] + (end[0] - start[0]) * share
            y = start[1] + (end[1] - start[1]) * share + sag * 4 * share * (1 - share)
            radius = h * 0.016 * (1.2 - 0.75 * share) * rng.uniform(0.85, 1.15)
            disc = np.zeros((h, w), np.float32)
            centre = (round(float(x * w) * 16), round(float(y * h) * 16))
            cv2.circle(disc, centre, round(float(radius) * 16), 1.0, -1, cv2.LINE_AA, 4)
            disc = np.asarray(cv2.GaussianBlur(disc, (0, 0), 0.12 * float(radius) + 0.6))
            glow = np.asarray(cv2.GaussianBlur(disc, (0, 0), 2.4 * float(radius)))
            picture += _colour((1.5, 0.85, 0.36)) * (0.85 * disc + 0.5 * glow)
