"""Thrown water, sparks, fish scales and a lantern: small bright things before the wall."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from demo_media.families.harbour.fibre import Fibres, painted
from demo_media.families.harbour.fog import lit_fog
from demo_media.families.harbour.lamps import Rig
from demo_media.families.harbour.layers import Pane, coverage
from demo_media.families.harbour.weather import field

Image = NDArray[np.float32]

SEE_THROUGH = 3


def splash(
    rng: np.random.Generator,
    rig: Rig,
    source: tuple[float, float],
    time: float,
    width: int,
    height: int,
) -> list[Pane]:
    """Water that bursts up from `source` (pixels) over and over: mist, and drops with tails.

    Drops fly as shot (parabolas); each is drawn as the short path it covers while the shutter is
    open, sampled along it, and covers only part of what is behind it.
    """
    count = 1500
    x, y, size = _flight(rng, source, time, height, count)
    shape = (1, count, 1)
    bright = rng.uniform(0.10, 0.9, shape) ** 2 * 1.6
    key = np.asarray(rig.lamps[0].colour, np.float32)[:, None, None]
    own = (0.03 + bright * key) * np.ones((3, count, 5))
    wall = np.asarray(rig.wall, np.float32)[:, None, None]
    spill = wall * rng.uniform(0.2, 0.7, shape) * np.ones((3, count, 5))
    width_px = (size[:, None] * np.array([0.3, 0.8, 1.0, 0.8, 0.3])).astype(np.float32)
    drops = Fibres(x, y, width_px, own.astype(np.float32), spill.astype(np.float32))
    pane = painted(drops, width, height, SEE_THROUGH)
    share = np.float32(0.78)
    pane = Pane(pane.own * share, pane.spill * share, pane.alpha * share, None, SEE_THROUGH, 0.08)
    pick = rng.random(count) < 0.16
    white = np.ones((3, int(pick.sum()), 5), np.float32)
    hot = Fibres(x[pick], y[pick], np.asarray(0.45 * width_px[pick], np.float32), white, white)
    glints = painted(hot, width, height)
    pane.glow = np.asarray(1.6 * key * glints.alpha, np.float32)
    return [_mist(rng, rig, source, time, width, height), pane]


def _flight(
    rng: np.random.Generator, source: tuple[float, float], time: float, height: int, count: int
) -> tuple[Image, Image, NDArray[np.float64]]:
    """Where drops are at five moments of the shutter, (count, 5) each, and how large they are."""
    gravity = 0.0024 * height
    born = rng.uniform(0, 26, count)
    age = (time + born) % 26 + rng.uniform(0, 0.4, count)
    angle = rng.normal(-np.pi / 2, 0.42, count)
    speed = height * rng.gamma(5, 0.0085, count)
    size = height / 360 * np.clip(rng.lognormal(-0.3, 0.55, count), 0.25, 2.6)
    drag = 1 / (1 + 0.05 * age / np.maximum(size, 0.3))

    def place(moment: NDArray[np.float64]) -> tuple[Image, Image]:
        x = source[0] + np.cos(angle) * speed * moment * drag
        y = source[1] + np.sin(angle) * speed * moment * drag + 0.5 * gravity * moment**2 * drag
        return x.astype(np.float32), y.astype(np.float32)

    moments = [place(age + s) for s in np.linspace(-0.22, 0.22, 5)]
    x = np.stack([m[0] for m in moments], 1)
    y = np.stack([m[1] for m in moments], 1)
    return x, y, size


def _mist(
    rng: np.random.Generator,
    rig: Rig,
    source: tuple[float, float],
    time: float,
    width: int,
    height: int,
) -> Pane:
    two = [field(rng, height, width, 0.16 * height, 2.6) for _ in range(2)]
    fine = field(rng, height, width, 0.02 * height, 2.0)
    turn = 0.16 * time
    cloudy = np.cos(turn) * two[0] + np.sin(turn) * two[1]
    dx = (np.arange(width, dtype=np.float32)[None, :] - source[0]) / (0.30 * height)
    up = (source[1] - np.arange(height, dtype=np.float32)[:, None]) / height
    fan = np.exp(-((dx / (0.45 + 1.1 * np.clip(up, 0, 2))) ** 2)) * np.exp(
        -((np.clip(up - 0.12, -0.3, 2) / 0.34) ** 2)
    )
    density = 0.9 * fan * np.clip(0.65 + 0.55 * cloudy + 0.14 * fine, 0, None)
    return lit_fog(
        np.asarray(density, np.float32), rig, tone=(0.62, 0.65, 0.68), thickest=0.85, forward=0.5
    )


def sparks(
    rng: np.random.Generator,
    source: tuple[float, float],
    time: float,
    width: int,
    height: int,
) -> Pane:
    """A grinder's sparks of 1.5 to 9 that fly as shot, each smeared along its path."""
    count, life = 260, 10.0
    age = (time + rng.uniform(0, life, count)) % life + 0.5
    angle = rng.normal(-0.5, 0.45, count)
    speed = height * rng.uniform(0.02, 0.075, count)
    steps = np.linspace(-0.35, 0.35, 7)
    moment = age[:, None] + steps[None, :]
    slow = (1 - np.exp(-0.16 * moment)) / 0.16
    x = source[0] + np.cos(angle)[:, None] * speed[:, None] * slow
    y = source[1] + np.sin(angle)[:, None] * speed[:, None] * slow + 0.0016 * height * moment**2
    heat = rng.uniform(4, 9, count) * (1 - age / (life + 1)) + 1.5
    colour = np.array([1.0, 0.62, 0.25])[:, None, None] * heat[None, :, None]
    taper = 1 - ((steps / 0.36) ** 2)[None, :] * 0.8
    width_px = height / 360 * rng.uniform(0.5, 1.8, (count, 1)) * taper
    own = np.repeat(colour, 7, 2).astype(np.float32)
    fibres = Fibres(
        x.astype(np.float32),
        y.astype(np.float32),
        width_px.astype(np.float32),
        own,
        np.zeros_like(own),
    )
    return painted(fibres, width, height)


def lantern(
    rng: np.random.Generator, centre: tuple[float, float], size: float, width: int, height: int
) -> Pane:
    """A storm lantern: a hot globe of up to 14 in an iron cage, and its flare around it."""
    x = np.arange(width, dtype=np.float32)[None, :] + 0.5 - np.float32(centre[0])
    y = np.arange(height, dtype=np.float32)[:, None] + 0.5 - np.float32(centre[1])
    globe = np.hypot(x / 0.8, y) - np.float32(0.55 * size)
    cage = np.maximum(np.abs(x) - 0.42 * size, np.abs(np.abs(y) - 0.62 * size) - 0.09 * size)
    bars = np.abs(np.abs(x) - 0.36 * size * np.cos(0.9 * y / size)) - 0.022 * size
    bars = np.maximum(bars, np.abs(y) - 0.6 * size)
    chain = np.maximum(np.abs(x + 0.012 * size * np.sin(y)) - 0.02 * size, y + 0.6 * size)
    iron = np.minimum(np.minimum(cage, bars), chain)
    rest = np.array([[1, 0, 0], [0, 1, 0]], np.float64)
    hot = coverage(np.asarray(globe, np.float32), rest, width, height)
    metal = coverage(np.asarray(iron, np.float32), rest, width, height)
    d = np.hypot(x / 0.8, y) / (0.55 * size)
    heat = 2.0 + np.float32(rng.uniform(7, 12)) * np.exp(-((d / 0.45) ** 2))
    warm = np.asarray((1.0, 0.72, 0.38), np.float32)[:, None, None]
    flame = warm * heat * hot
    sheen = 0.02 + 0.5 * np.exp(-((x / (0.3 * size)) ** 2)) * np.exp(-((y / size) ** 2))
    own = flame * (1 - metal) + metal * sheen * warm * 0.5
    alpha = hot * (1 - metal) + metal
    flare = warm * 0.28 / (1 + (np.hypot(x, y) / (0.8 * size)) ** 2.6)
    flare = flare * np.clip(1 - np.hypot(x, y) / (5 * size), 0, 1)
    return Pane(
        np.asarray(own, np.float32),
        np.zeros((3, height, width), np.float32),
        np.asarray(alpha, np.float32),
        np.asarray(flare, np.float32),
    )


def scales(
    rng: np.random.Generator,
    rig: Rig,
    centre: tuple[float, float],
    size: float,
    width: int,
    height: int,
    phase: float,
) -> Pane:
    """A string of fish: overlapping scales that mirror the lamps, some far above white."""
    del_x = np.arange(width, dtype=np.float32)[None, :] + 0.5 - np.float32(centre[0])
    del_y = np.arange(height, dtype=np.float32)[:, None] + 0.5 - np.float32(centre[1])
    v = del_y / size
    half = 0.27 * np.sqrt(np.clip(np.sin(np.pi * np.clip(v / 1.6 + 0.5, 0, 1)), 0, 1)) * size
    tail = np.where((v > 0.7) & (v < 1.05), (v - 0.66) * 0.75 * size, 0)
    distance = np.abs(del_x) - np.maximum(half, tail)
    distance = np.where((v < -0.8) | (v > 1.05), np.abs(distance) + 2, distance)
    rest = np.array([[1, 0, 0], [0, 1, 0]], np.float64)
    cover = coverage(np.asarray(distance, np.float32), rest, width, height)
    pitch = 0.06 * size
    row = np.floor(del_y / pitch)
    column = np.floor(del_x / pitch + 0.5 * (row % 2))
    key = (row * 131 + column * 71 + 4096).astype(np.int64) % 997
    tilt = rng.normal(0, 0.16, (2, 997)).astype(np.float32)
    local = np.hypot(del_x / pitch + 0.5 * (row % 2) - column - 0.5, del_y / pitch - row - 0.3)
    nx = del_x / np.maximum(half, 2) * 0.8 + tilt[0][key] + 0.05 * np.sin(phase)
    ny = tilt[1][key] - 0.15 + 0.2 * (local - 0.4)
    nz = np.sqrt(np.clip(1 - nx**2 - ny**2, 0.05, 1))
    own = np.asarray((0.10, 0.11, 0.12), np.float32)[:, None, None] * (0.5 + 0.5 * nz)
    own = own + _mirrored(rig, nx, ny, nz)
    own = own * (1 - 0.8 * np.clip((local - 0.42) / 0.2, 0, 1))
    wall = np.asarray(rig.wall, np.float32)[:, None, None]
    spill = wall * (0.10 + 0.5 * (1 - nz) ** 2)
    blank = np.ones((3, height, width), np.float32)
    return Pane(
        np.asarray(own * cover, np.float32),
        np.asarray(spill * cover * blank, np.float32),
        cover,
        None,
        2,
    )


def _mirrored(rig: Rig, nx: Image, ny: Image, nz: Image) -> Image:
    """The lamps in a mirror of normal nx, ny, nz (h, w each): a wide shine and a hot peak."""
    own = np.zeros((3, *nz.shape), np.float32)
    for lamp in rig.lamps[:2]:
        half_way = np.asarray(lamp.towards, np.float32) + np.array([0, 0, 1], np.float32)
        half_way /= np.sqrt((half_way**2).sum())
        peak = np.clip(nx * half_way[0] + ny * half_way[1] + nz * half_way[2], 0, 1)
        shine = 0.25 * peak**6 + 9.0 * peak**160
        own = own + np.asarray(lamp.colour, np.float32)[:, None, None] * shine
    return np.asarray(own, np.float32)
