"""Sequins, bulbs and juggling balls: what glints, glows and flies on the theatre's stage."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from demo_media.families.theatre.limelight import Limelight

Image = NDArray[np.float32]
Layer = tuple[Image, Image, Image]


def sequins(
    rng: np.random.Generator,
    light: Limelight,
    own: Image,
    phase: float,
    spacing: float,
) -> tuple[Image, Image]:
    """Sequins sewn on whatever `own` (h, w, 4) covers fully: own with alpha and spill, of which the
    best-turned ones mirror a lamp at 3 to 15."""
    height, width = own.shape[:2]
    out = np.zeros((height, width, 4), np.float32)
    spill = np.zeros((height, width, 3), np.float32)
    columns, rows = int(width / spacing), int(height / spacing)
    tilt = rng.normal(0, 0.25, (rows, columns, 2))
    jitter = rng.uniform(-0.3, 0.3, (rows, columns, 2)) * spacing
    radius = 0.36 * spacing
    tint = np.array([1.0, 0.78, 0.45]) if rng.random() < 0.5 else np.array([0.9, 0.92, 1.0])
    turn = tilt + 0.05 * np.sin(phase + 9 * tilt[..., ::-1])
    n = 2 * (int(radius) + 2) + 1
    at = (np.arange(n * 8) + 0.5) / 8
    for j in range(rows):
        for i in range(columns):
            x = (i + 0.5 + 0.5 * (j % 2)) * spacing + jitter[j, i, 0]
            y = (j + 0.5) * spacing + jitter[j, i, 1]
            x0, y0 = int(x) - n // 2, int(y) - n // 2
            if x0 < 0 or y0 < 0 or x0 + n > width or y0 + n > height:
                continue
            if own[int(y), int(x), 3] < 0.99:
                continue
            disc = np.hypot(at[None, :] + x0 - x, at[:, None] + y0 - y) < radius
            cover = disc.reshape(n, 8, n, 8).mean(axis=(1, 3)).astype(np.float32)[..., None]
            here = (slice(y0, y0 + n), slice(x0, x0 + n))
            colour = _mirrored(light, tint, turn[j, i])
            out[here][..., :3] = out[here][..., :3] * (1 - cover) + cover * colour
            out[here][..., 3:] = cover + (1 - cover) * out[here][..., 3:]
            grazing = 0.25 * float(np.clip(np.abs(turn[j, i, 0]) * 2, 0, 1))
            spill[here] = spill[here] * (1 - cover) + cover * np.asarray(light.drape) * grazing
    return out, spill


def _mirrored(
    light: Limelight, tint: NDArray[np.float64], turn: NDArray[np.float64]
) -> NDArray[np.float64]:
    """What one sequin throws back, turned by `turn` (x, y)."""
    colour = 0.06 * tint
    for beam in light.beams[:2]:
        source = np.asarray(beam.source)
        half = source / np.sqrt((source**2).sum()) + np.array([0, 0, 1])
        miss = turn - 0.55 * half[:2]
        peak = np.exp(-float((miss**2).sum()) / 0.02)
        colour = colour + tint * np.asarray(beam.colour) * (0.12 + 18.0 * peak)
    return np.asarray(colour, np.float64)


def bulb_string(rng: np.random.Generator, width: int, height: int, phase: float) -> Layer:
    """A festoon of bulbs of 3 to 14 on a wire across the picture, each with its flare."""
    own = np.zeros((height, width, 4), np.float32)
    shine = np.zeros((height, width, 3), np.float32)
    left, right = rng.uniform(0.05, 0.2) * height, rng.uniform(0.05, 0.2) * height
    sag, size = rng.uniform(0.1, 0.25) * height, 0.016 * height
    scale = 8

    def wire(at: NDArray[np.float64]) -> NDArray[np.float64]:
        share = at / width
        return left + (right - left) * share + 4 * sag * share * (1 - share)

    own[..., 3] = _cable(wire((np.arange(width * scale) + 0.5) / scale), height)
    own[..., :3] = own[..., 3:] * 0.02
    yy, xx = np.mgrid[0:height, 0:width].astype(np.float32)
    for centre in np.arange(rng.uniform(0.03, 0.1), 1, 0.115) * width:
        y = float(wire(np.array([centre]))[0]) + 1.4 * size
        heat = rng.uniform(5, 14) * (0.85 + 0.15 * np.sin(3 * phase + centre))
        n = 2 * int(size + 3) + 1
        x0, y0 = int(centre) - n // 2, int(y) - n // 2
        if x0 < 0 or y0 < 0 or x0 + n > width or y0 + n > height:
            continue
        at = (np.arange(n * scale) + 0.5) / scale
        r = np.hypot(at[None, :] + x0 - centre, (at[:, None] + y0 - y) * 0.85) / size
        cover = (r < 1).reshape(n, scale, n, scale).mean(axis=(1, 3))[..., None]
        lit = np.where(r < 1, 2.5 + heat * np.exp(-((r / 0.5) ** 2)), 0)
        level_of = lit.reshape(n, scale, n, scale).mean(axis=(1, 3))[..., None]
        here = (slice(y0, y0 + n), slice(x0, x0 + n))
        warm = np.array([1.0, 0.74, 0.42])
        own[here][..., :3] = own[here][..., :3] * (1 - cover) + level_of * warm
        own[here][..., 3:] = cover + (1 - cover) * own[here][..., 3:]
        d = np.hypot(xx - centre, yy - y) / (3.2 * size)
        shine += (0.10 * np.exp(-d))[..., None] * warm.astype(np.float32)
    return own, np.zeros((height, width, 3), np.float32), shine


def _cable(level: NDArray[np.float64], height: int) -> Image:
    """Coverage (h, w) of a thin wire at `level`, its height in pixels at 8 places a pixel."""
    scale, width = 8, len(level) // 8
    cover = np.zeros((height, width), np.float32)
    rows = (np.arange(height * scale) + 0.5) / scale
    thick = 0.0022 * height
    for top in range(0, height, 40):
        part = rows[top * scale : (top + 40) * scale]
        on = np.abs(part[:, None] - level[None, :]) < thick
        tall = len(part) // scale
        cover[top : top + tall] = on.reshape(tall, scale, width, scale).mean(axis=(1, 3))
    return cover


def flying_balls(
    rng: np.random.Generator,
    light: Limelight,
    hands: tuple[tuple[float, float], tuple[float, float]],
    frame: int,
    width: int,
    height: int,
) -> tuple[Image, Image]:
    """Three juggled balls, each the mean of 40 moments while the shutter is open: own with alpha
    (h, w, 4) and spill (h, w, 3)."""
    own = np.zeros((height, width, 4), np.float32)
    spill = np.zeros((height, width, 3), np.float32)
    radius = 0.042 * height
    tints = rng.permutation(
        np.array([[0.55, 0.09, 0.06], [0.62, 0.46, 0.12], [0.6, 0.57, 0.5], [0.3, 0.08, 0.2]])
    )
    n = 2 * int(radius + 3) + 1
    offset, beat = rng.uniform(0, 9), 8.5
    source = np.asarray(light.beams[0].source)
    source = source / np.sqrt((source**2).sum())
    for k in range(3):
        ball, added = _ball(light, source, tints[k], radius, n)
        one = np.zeros_like(own)
        two = np.zeros_like(spill)
        for moment in (np.arange(40) + 0.5) / 40 * 0.5:
            t = ((frame + moment + offset) / beat + k / 3) % 2
            start, end = (hands[0], hands[1]) if t < 1 else (hands[1], hands[0])
            s = t % 1
            x = start[0] + (end[0] - start[0]) * s
            y = start[1] + (end[1] - start[1]) * s - 1.5 * height * s * (1 - s)
            _stamp(one, ball, x - n / 2, y - n / 2, 1 / 40)
            _stamp(two, added, x - n / 2, y - n / 2, 1 / 40)
        own = one + (1 - one[..., 3:]) * own
        spill = two + (1 - one[..., 3:]) * spill
    return own, spill


def _ball(
    light: Limelight, source: NDArray[np.float64], tint: NDArray[np.float64], radius: float, n: int
) -> tuple[Image, Image]:
    at = (np.arange(n * 8) + 0.5) / 8 - n / 2
    dx, dy = np.meshgrid(at / radius, at / radius)
    z = np.sqrt(np.clip(1 - dx**2 - dy**2, 0, 1))
    inside = (dx**2 + dy**2 < 1).astype(np.float64)
    lit = np.clip(dx * source[0] + dy * source[1] + z * source[2], 0, 1)
    band = 0.55 + 0.45 * np.tanh(8 * np.sin(5 * dx + 2 * dy))
    key = np.asarray(light.beams[0].colour)
    shade = inside * (0.08 + lit) * band
    colour = shade[..., None] * tint * key + (inside * lit**40 * 0.5)[..., None]
    spill = (inside * (1 - z) ** 2 * 0.5)[..., None] * np.asarray(light.drape)
    full = np.concatenate([colour, inside[..., None]], axis=2)

    def small(image: NDArray[np.float64]) -> Image:
        return np.asarray(image.reshape(n, 8, n, 8, -1).mean(axis=(1, 3)), np.float32)

    return small(full), small(spill)


def _stamp(target: Image, image: Image, x: float, y: float, weight: float) -> None:
    """Add `image` at a fractional place, bilinearly."""
    x0, y0 = int(np.floor(x)), int(np.floor(y))
    fx, fy = x - x0, y - y0
    h, w = image.shape[:2]
    for dy, wy in ((0, 1 - fy), (1, fy)):
        for dx, wx in ((0, 1 - fx), (1, fx)):
            left, top = x0 + dx, y0 + dy
            a, b = max(left, 0), max(top, 0)
            c, d = min(left + w, target.shape[1]), min(top + h, target.shape[0])
            if c > a and d > b:
                part = image[b - top : d - top, a - left : c - left]
                target[b:d, a:c] += part * np.float32(weight * wx * wy)
