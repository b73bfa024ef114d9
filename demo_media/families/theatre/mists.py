"""Stage smoke and steam as puffs that melt together; an atomiser's drops as tiny lenses."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from demo_media.families.theatre.limelight import Limelight
from demo_media.families.theatre.looms import cells, waves

Image = NDArray[np.float32]


@dataclass(frozen=True)
class Cloud:
    """Where puffs start (pixels), how fast they rise and spread (pixels a frame), how many live,
    the size of a young one, and the optical depth of one."""

    place: tuple[float, float]
    rise: float
    drift: float
    count: int
    size: float
    depth: float


def puffed(
    rng: np.random.Generator, cloud: Cloud, time: float, width: int, height: int
) -> tuple[Image, Image]:
    """Sum of soft balls (1 − r²)² over the puffs alive at `time`, and how far up each lies within
    its ball, weighted (h, w) each. Every puff's life is fixed by the generator."""
    total = np.zeros((height, width), np.float32)
    upward = np.zeros((height, width), np.float32)
    life = 42.0
    for _ in range(cloud.count):
        age = (time + float(rng.uniform(0, life))) % life
        share = age / life
        sway, twist, off = rng.normal(0, 1), rng.uniform(0, 6.3), rng.normal(0, 1)
        radius = cloud.size * (0.55 + 2.6 * share**0.8) * float(rng.uniform(0.7, 1.3))
        x = (
            cloud.place[0]
            + cloud.drift * age
            + cloud.size * (0.5 * off + 2.2 * share * sway + 0.7 * np.sin(twist + 0.15 * age))
        )
        y = cloud.place[1] - cloud.rise * age
        x0, x1 = int(max(x - radius, 0)), int(min(x + radius + 2, width))
        y0, y1 = int(max(y - radius, 0)), int(min(y + radius + 2, height))
        if x1 <= x0 or y1 <= y0:
            continue
        dx = (np.arange(x0, x1, dtype=np.float32)[None, :] + 0.5 - np.float32(x)) / radius
        dy = (np.arange(y0, y1, dtype=np.float32)[:, None] + 0.5 - np.float32(y)) / radius
        ball = np.clip(1 - dx * dx - dy * dy, 0, None) ** 2
        strength = np.float32(cloud.depth * np.clip(share / 0.06, 0, 1) * (1 - share) ** 1.1)
        total[y0:y1, x0:x1] += strength * ball
        upward[y0:y1, x0:x1] += strength * ball * -dy
    return total, upward


def stage_smoke(
    rng: np.random.Generator,
    light: Limelight,
    clouds: list[Cloud],
    time: float,
    width: int,
    height: int,
    *,
    tone: tuple[float, float, float],
    thickest: float,
    ragged: float,
) -> tuple[Image, Image]:
    """Melted puffs with eaten edges, lit on their bulges: own and alpha (h, w, 4), spill (h, w, 3).

    Alpha never exceeds `thickest`; `ragged` is how deep the edges are eaten (0 to 1).
    """
    body = np.zeros((height, width), np.float32)
    upward = np.zeros((height, width), np.float32)
    rise = np.float32(clouds[0].rise * time)
    for cloud in clouds:
        one, up = puffed(rng, cloud, time, width, height)
        body, upward = body + one, upward + up
    bubbles = cells(rng, 2 * height, width, height / 14)
    billow = np.asarray(cv2.GaussianBlur(bubbles, (0, 0), height / 180), np.float32)
    fine = waves(rng, 2 * height, width, height / 26, count=20)
    move = np.array([[1, 0, 0], [0, 1, float(np.mod(rise, height / 2))]], np.float64)
    shift = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    moved = [cv2.warpAffine(v, move, (width, height), flags=shift) for v in (billow, fine)]
    billow, fine = np.asarray(moved[0], np.float32), np.asarray(moved[1], np.float32)
    eaten = np.clip(ragged * (0.9 * billow + 0.16 * fine), 0, None)
    depth = np.clip(body * (1.15 - eaten) - 0.35 * ragged * eaten, 0, None)
    limit = np.float32(-np.log(1 - thickest))
    depth = limit * (1 - np.exp(-depth / limit))
    depth = np.asarray(cv2.GaussianBlur(depth, (0, 0), 0.8 * height / 360), np.float32)
    alpha = np.clip((1 - np.exp(-depth) - 0.004) / 0.996, 0, thickest)
    own = _lit_bulges(light, np.asarray(depth - 0.5 * billow, np.float32), upward)
    own = own * np.asarray(tone, np.float32)
    drape = np.asarray(light.drape, np.float32)
    spill = drape * np.float32(0.30) * (1 - 0.5 * alpha[..., None]) * np.asarray(tone, np.float32)
    cover = alpha[..., None]
    layer = np.concatenate([own * cover, cover], axis=2)
    return np.asarray(layer, np.float32), np.asarray(spill * cover, np.float32)


def _lit_bulges(light: Limelight, surface: Image, upward: Image) -> Image:
    """Light of every lamp on the smoke's surface (h, w), brighter where it turns to the lamp."""
    height, width = surface.shape
    bulge = cv2.GaussianBlur(surface, (0, 0), height / 150)
    gx = cv2.Sobel(bulge, cv2.CV_32F, 1, 0, ksize=5) * (height / 360) * 0.05
    gy = cv2.Sobel(bulge, cv2.CV_32F, 0, 1, ksize=5) * (height / 360) * 0.05
    own = np.asarray(light.haze, np.float32) * np.ones((height, width, 1), np.float32) * 1.5
    for beam in light.beams:
        facing = 0.55 - gx * np.float32(beam.source[0]) - gy * np.float32(beam.source[1])
        facing = np.clip(facing + 0.2 * upward * np.float32(-beam.source[1]), 0.12, 1.5)
        own = own + np.asarray(beam.colour, np.float32) * facing[..., None]
    return np.asarray(own, np.float32)


def lens_drops(
    rng: np.random.Generator,
    light: Limelight,
    screen: Image,
    nozzle: tuple[float, float],
    aim: float,
    time: float,
    width: int,
    height: int,
) -> tuple[Image, Image, Image]:
    """An atomiser's drops: own with alpha (h, w, 4), spill and shine (h, w, 3).

    Every drop shows the drape upside down and squeezed, is dark at its rim, and has a hot glint
    that is added on top. 8 × 8 samples a pixel.
    """
    own = np.zeros((height, width, 4), np.float32)
    spill = np.zeros((height, width, 3), np.float32)
    shine = np.zeros((height, width, 3), np.float32)
    spot = np.asarray(light.beams[0].colour, np.float32)
    for _ in range(760):
        x, y, radius, glint, strength = _flight(rng, nozzle, aim, time, height)
        reach = int(radius) + 2
        x0, y0 = int(np.floor(x)) - reach, int(np.floor(y)) - reach
        n = 2 * reach + 1
        if x0 < 0 or y0 < 0 or x0 + n > width or y0 + n > height:
            continue
        small = _drop(x - x0, y - y0, radius, strength, n)
        colour = screen[:, min(int(y), height - 1), min(int(x), width - 1)]
        here = (slice(y0, y0 + n), slice(x0, x0 + n))
        cover = small[0][..., None]
        own[here][..., :3] *= 1 - cover
        own[here][..., :3] += small[2][..., None] * spot + 0.03 * cover
        own[here][..., 3:] = cover + (1 - cover) * own[here][..., 3:]
        spill[here] = spill[here] * (1 - cover) + small[1][..., None] * cover * colour * 0.7
        shine[here] += small[3][..., None] * spot * np.float32(glint)
    return own, spill, shine


def _flight(
    rng: np.random.Generator, nozzle: tuple[float, float], aim: float, time: float, height: int
) -> tuple[float, float, float, float, float]:
    """Place and radius of one drop at `time` in pixels, its glint's strength, and its own."""
    age = (time + float(rng.uniform(0, 18))) % 18
    turn, speed = aim + float(rng.normal(0, 0.24)), float(rng.gamma(6, 0.0058)) * height
    radius = height / 360 * float(np.clip(rng.lognormal(-0.15, 0.5), 0.35, 3.6))
    glint, strength = float(rng.uniform(0.5, 4.5)), float(rng.uniform(0.5, 0.9))
    far = speed * (1 - np.exp(-0.09 * age)) / 0.09
    x = nozzle[0] + np.cos(turn) * far
    y = nozzle[1] + np.sin(turn) * far + 0.0007 * height * age**2
    return float(x), float(y), radius, glint, strength


def _drop(x: float, y: float, radius: float, strength: float, n: int) -> Image:
    """One drop at (x, y) on n × n pixels: coverage, inverted view, own light, glint (4, n, n)."""
    at = (np.arange(n * 8, dtype=np.float32) + 0.5) / 8
    dx, dy = (at[None, :] - x) / radius, (at[:, None] - y) / radius
    r2 = dx * dx + dy * dy
    inside = (r2 < 1).astype(np.float32)
    edge = r2**2.5
    flipped = 0.55 - 0.35 * dy
    maps = np.stack(
        [
            inside * np.clip(0.30 + 0.6 * edge, 0, 1) * strength,
            inside * flipped * (1 - edge),
            inside * 0.05 * (1 + dy),
            inside * (np.hypot(dx + 0.38, dy + 0.42) < 0.2),
        ]
    )
    return np.asarray(maps.reshape(4, n, 8, n, 8).mean(axis=(2, 4)), np.float32)
