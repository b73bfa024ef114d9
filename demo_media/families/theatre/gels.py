"""Tinted panes in a leaded fan, a goblet, and tulle: what the theatre looks through."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from demo_media.families.theatre.limelight import Limelight
from demo_media.families.theatre.looms import cells, pleats, waves
from demo_media.families.theatre.pieces import spline

Image = NDArray[np.float32]
Points = NDArray[np.float64]
Layer = tuple[Image, Image, Image]

GELS = (
    (0.62, 0.16, 0.10),
    (0.70, 0.48, 0.12),
    (0.22, 0.50, 0.55),
    (0.52, 0.20, 0.48),
    (0.45, 0.44, 0.42),
)
"""What each pane lets through of red, green and blue."""


def cover_of(outlines: list[Points], width: int, height: int) -> Image:
    """Coverage (h, w) of outlines in pixels, 8 × 8 samples each."""
    out = np.zeros((height, width), np.float32)
    for outline in outlines:
        low = np.maximum(np.floor(outline.min(axis=0)).astype(int) - 1, 0)
        high = np.minimum(np.ceil(outline.max(axis=0)).astype(int) + 1, (width, height))
        if (high <= low).any():
            continue
        n, m = high - low
        sheet = np.zeros((m * 8, n * 8), np.uint8)
        fixed = np.round(((outline - low) * 8 - 0.5) * 16).astype(np.int32)
        cv2.fillPoly(sheet, [fixed], 255, cv2.LINE_8, 4)
        part = sheet.reshape(m, 8, n, 8).mean(axis=(1, 3)) / 255
        here = (slice(low[1], high[1]), slice(low[0], high[0]))
        out[here] = np.maximum(out[here], part)
    return out


def pane(
    cover: Image, light: Limelight, screen: Image, gel: tuple[float, float, float], streak: Image
) -> Layer:
    """A flat tinted pane of `cover`: own with alpha (h, w, 4), spill and shine (h, w, 3).

    Alpha is one minus the least that any channel lets through; what the other channels let through
    beyond that counts as the drape's light in the pane's colour.
    """
    through = np.asarray(gel, np.float32) * (1 - 0.10 * streak[..., None])
    least = through.min(axis=2)
    alpha = cover * (1 - least)
    excess = through - least[..., None]
    haze = np.asarray(light.haze, np.float32) + 0.08 * np.asarray(light.beams[1].colour, np.float32)
    own = cover[..., None] * (0.9 * haze * np.asarray(gel, np.float32) + 0.30 * excess * haze)
    spill = cover[..., None] * excess * np.moveaxis(screen, 0, -1)
    gleam = np.clip(streak - 0.9, 0, 2)[..., None] * np.asarray(light.beams[0].colour, np.float32)
    shine = cover[..., None] * (0.30 * gleam + 0.015)
    layer = np.concatenate([own, alpha[..., None]], axis=2)
    return layer.astype(np.float32), spill.astype(np.float32), shine.astype(np.float32)


def leaded_fan(
    rng: np.random.Generator,
    light: Limelight,
    screen: Image,
    hinge: tuple[float, float],
    reach: float,
    aim: float,
) -> list[Layer]:
    """A fan of coloured panes in lead strips, with bevels, opened about `hinge`."""
    height, width = screen.shape[1:]
    count, half = int(rng.integers(4, 7)), 0.85
    angles = aim + np.linspace(-half, half, count + 1)
    streak = waves(rng, height, width, 0.22 * height, count=7, heading=0.6, spread=0.15)
    layers: list[Layer] = []
    for k in range(count):
        turn = np.linspace(angles[k], angles[k + 1], 14)
        outer = np.stack([np.cos(turn), np.sin(turn)], 1) * reach
        inner = outer[::-1] * 0.32
        outline = np.concatenate([outer, inner]) + np.asarray(hinge)
        gel = GELS[int(rng.integers(len(GELS)))]
        cover = cover_of([outline], width, height)
        layers.append(pane(cover, light, screen, gel, streak + float(rng.normal(0, 0.5))))
    strips = _lead_strips(hinge, reach, angles)
    lead = cover_of(strips, width, height)
    sheen = 0.03 + 0.10 * np.clip(streak, 0, 2)
    metal = (lead * sheen)[..., None] * np.asarray(light.beams[0].colour, np.float32)
    drape = np.asarray(light.drape, np.float32) * 0.05 * lead[..., None]
    own = np.concatenate([metal, lead[..., None]], axis=2).astype(np.float32)
    layers.append((own, drape.astype(np.float32), np.zeros_like(drape, np.float32)))
    return layers


def _lead_strips(hinge: tuple[float, float], reach: float, angles: Points) -> list[Points]:
    """Outlines of the lead between panes at `angles` and round the fan's inner and outer edge."""
    strips: list[Points] = []
    for angle in angles:
        along = np.array([np.cos(angle), np.sin(angle)])
        across = np.array([-along[1], along[0]]) * 0.011 * reach
        ends = (0.28 * reach * along, 1.02 * reach * along)
        strips.append(
            np.stack([ends[0] - across, ends[1] - across, ends[1] + across, ends[0] + across])
            + np.asarray(hinge)
        )
    for share in (0.32, 1.0):
        turn = np.linspace(angles[0], angles[-1], 60)
        ray = np.stack([np.cos(turn), np.sin(turn)], 1) * reach
        ring = np.concatenate([ray * (share + 0.012), ray[::-1] * (share - 0.012)])
        strips.append(ring + np.asarray(hinge))
    return strips


def goblet(
    rng: np.random.Generator,
    light: Limelight,
    screen: Image,
    foot: tuple[float, float],
    tall: float,
) -> list[Layer]:
    """A stemmed glass with something dark in it: thin bowl, bright rim, caustic in the drink."""
    height, width = screen.shape[1:]
    half = [(0.0, 0.0), (0.20, 0.0), (0.19, 0.03), (0.03, 0.06), (0.022, 0.40), (0.16, 0.52)]
    half += [(0.23, 0.72), (0.20, 1.0)]
    scaled = [(foot[0] + dx * tall, foot[1] - up * tall) for dx, up in half]
    other = [(foot[0] - dx * tall, foot[1] - up * tall) for dx, up in reversed(half[1:])]
    outline = spline(scaled + other, 10)
    cover = cover_of([outline], width, height)
    x = (np.arange(width, dtype=np.float32)[None, :] + 0.5 - foot[0]) / tall
    up = (foot[1] - np.arange(height, dtype=np.float32)[:, None] - 0.5) / tall
    bowl = np.interp(up, [p[1] for p in half[2:]], [p[0] for p in half[2:]])
    u = np.clip(np.abs(x) / np.maximum(bowl, 0.01), 0, 1)
    wall = np.clip(u**7 + 0.5 * np.exp(-(((up - 0.99) / 0.012) ** 2)), 0, 1)
    drink = ((up > 0.55) & (up < 0.80)).astype(np.float32) * np.ones_like(x)
    drink = np.asarray(cv2.GaussianBlur(drink, (0, 0), 0.7), np.float32)
    gel = np.asarray(GELS[int(rng.integers(len(GELS)))], np.float32) ** 1.4
    through = (1 - 0.75 * wall - 0.04)[..., None] * (1 - drink[..., None] * (1 - gel))
    least = through.min(axis=2)
    alpha = cover * (1 - least)
    excess = through - least[..., None]
    spot = np.asarray(light.beams[0].colour, np.float32)
    glow = 0.10 * wall + 0.25 * drink * np.exp(
        -(((x - 0.08) / 0.07) ** 2 + ((up - 0.6) / 0.05) ** 2)
    )
    own = cover[..., None] * (glow[..., None] * spot * (0.4 + 0.6 * gel) + 0.02 * (1 - through))
    back = np.moveaxis(screen, 0, -1)
    spill = cover[..., None] * (excess * back + 0.30 * wall[..., None] * np.asarray(light.drape))
    lamp = np.exp(-(((x / np.maximum(bowl, 0.01) + 0.55) / 0.07) ** 2)) * (up > 0.56) * (up < 0.95)
    spark = np.exp(-((x**2 + (up - 0.5) ** 2) / 0.018**2))
    shine = cover[..., None] * (1.1 * lamp + 1.8 * spark)[..., None] * spot
    layer = np.concatenate([own, alpha[..., None]], axis=2)
    return [(layer.astype(np.float32), spill.astype(np.float32), shine.astype(np.float32))]


def tulle(
    rng: np.random.Generator,
    light: Limelight,
    crown: tuple[float, float],
    size: tuple[float, float],
    phase: float,
    width: int,
    height: int,
) -> tuple[Image, Image]:
    """A bridal veil that falls from `crown`: own with alpha (h, w, 4) and spill (h, w, 3).

    Folds that are seen edge-on are denser; a stitched hem and embroidered dots are nearly opaque.
    """
    wide, tall = size
    sway = 0.03 * np.sin(phase)
    outline = _veil_outline(rng, crown, size, float(sway))
    cover = cover_of([outline], width, height)
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    fall = np.clip((y - crown[1]) / tall, 0.02, 1.4)
    fan = (x - crown[0] - sway * fall * wide) / (0.25 + fall) + 3 * np.sin(phase + 5 * fall)
    ridges = pleats(rng, np.asarray(fan, np.float32), 0.16 * wide, 0.4)
    slope = np.abs(np.gradient(ridges, axis=1))
    thickness = float(rng.uniform(0.22, 0.42)) * (1 + 2.4 * np.clip(slope, 0, 1.2))
    thread = 1 + 0.10 * waves(rng, height, width, max(height / 130, 2.0), count=12)
    far = cv2.distanceTransform((cover > 0.5).astype(np.uint8), cv2.DIST_L2, 5)
    hem = np.exp(-(((far - height / 90) / (height / 260)) ** 2))
    dots = (cells(rng, height, width, height / 11) < 0.045).astype(np.float32)
    blurred = cv2.GaussianBlur(dots, (0, 0), 0.6 * height / 360 + 0.2)
    depth = thickness * thread + 1.3 * hem + 2.2 * np.asarray(blurred, np.float32)
    alpha = cover * (1 - np.exp(-np.clip(depth, 0, None)))
    shade = 0.5 + 0.5 * np.clip(1 - slope, 0, 1)
    lamp = sum(np.asarray(b.colour, np.float32) for b in light.beams[:2])
    tone = np.asarray((0.62, 0.58, 0.56), np.float32)
    own = alpha[..., None] * tone * (lamp * 0.55 * shade[..., None] + 0.03)
    drape = np.asarray(light.drape, np.float32) * np.float32(0.35 * light.through)
    spill = alpha[..., None] * drape * (0.6 + 0.4 * shade[..., None])
    layer = np.concatenate([own, alpha[..., None]], axis=2)
    return layer.astype(np.float32), spill.astype(np.float32)


def _veil_outline(
    rng: np.random.Generator, crown: tuple[float, float], size: tuple[float, float], sway: float
) -> Points:
    """A bell that hangs from `crown`, swung sideways by `sway` at its hem."""
    wide, tall = size
    spread = float(rng.uniform(0.75, 1.25))
    half = [(0.05, 0.0), (0.30, 0.06), (0.46, 0.35), (0.62 * spread, 0.75), (0.72 * spread, 1.0)]
    ring = [(crown[0] + (dx + sway * up) * wide, crown[1] + up * tall) for dx, up in half]
    ring += [
        (crown[0] - (dx - sway * up) * wide, crown[1] + up * tall) for dx, up in reversed(half)
    ]
    return spline(ring, 14)
