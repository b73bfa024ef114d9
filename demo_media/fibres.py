"""The demo's thin things: a plume of wire and fibre, and a pot's trailing tendrils."""

from __future__ import annotations

import numpy as np

from demo_media.raster import Strand
from demo_media.shade import Lights, Material, shade_strand
from demo_media.shapes import bezier

_DYES = (
    (0.62, 0.10, 0.045),
    (0.72, 0.25, 0.05),
    (0.40, 0.045, 0.06),
    (0.78, 0.50, 0.16),
    (0.10, 0.04, 0.05),
)


def plume(
    foot: tuple[float, float], scale: float, lean: float, time: float, lights: Lights
) -> list[Strand]:
    """A fan of dyed fibres, each with barbs, among brass wires that end in beads."""
    rng = np.random.default_rng(77)
    strands: list[Strand] = []
    for i in range(46):
        share = (i + 0.5) / 46 * 2 - 1
        angle = np.radians(78 * share + rng.normal(0, 4) + lean * 1.4)
        length = scale * rng.uniform(100, 158) * (1 - 0.12 * abs(share))
        wave = np.sin(time * 2.2 + 2.4 * share) * 12 * scale
        strands += _feather(rng, foot, float(angle), float(length), float(wave), scale, lights)
        if i % 5 == 2:
            strands += _wire(rng, foot, float(angle), float(1.3 * length), float(wave), scale)
    for _ in range(170):
        strands.append(_wisp(rng, foot, lean, time, scale, lights))
    return strands


def _wisp(
    rng: np.random.Generator,
    foot: tuple[float, float],
    lean: float,
    time: float,
    scale: float,
    lights: Lights,
) -> Strand:
    """One loose hair that stands off the plume and drifts."""
    angle = np.radians(rng.uniform(-84, 84) + 1.4 * lean)
    out = np.array([np.sin(angle), -np.cos(angle)])
    length = scale * rng.uniform(120, 215)
    root = np.asarray(foot) + np.array([rng.normal(0, 5) * scale, 0])
    middle = root + out * 0.7 * length + rng.normal(0, 0.07, 2) * length
    drift = np.sin(2.2 * time + rng.uniform(0, 6)) * 9 * scale
    tip = root + out * length + np.array([drift, rng.uniform(-0.05, 0.35) * length])
    path = bezier([(float(p[0]), float(p[1])) for p in (root, middle, tip)], 22)
    t = np.linspace(0, 1, 22)
    path[:, 0] += scale * 2.5 * t * np.sin(t * rng.uniform(5, 16) + rng.uniform(0, 6))
    fibre = Material(_DYES[int(rng.integers(len(_DYES)))], fibre=0.35)
    tint = np.clip(rng.normal(1, 0.15) + rng.normal(0, 0.04, 3), 0.5, 1.6)
    clean, spill = shade_strand(fibre, lights, 0.75 + 0.5 * np.sin(np.pi * t), tint)
    return Strand(path, scale * rng.uniform(0.9, 1.6) * (1 - 0.7 * t) + 0.12, clean, spill)


def _wire(
    rng: np.random.Generator,
    foot: tuple[float, float],
    angle: float,
    length: float,
    wave: float,
    scale: float,
) -> list[Strand]:
    """A thin brass wire, coiled near its end, with a bead that glints above white."""
    t = np.linspace(0, 1, 40)
    out = np.array([np.sin(angle), -np.cos(angle)])
    end = np.asarray(foot) + out * length + np.array([1.3 * wave, 0.0])
    middle = np.asarray(foot) + out * 0.6 * length + np.array([0.0, -0.1 * length])
    path = bezier([foot, (float(middle[0]), float(middle[1])), (float(end[0]), float(end[1]))], 40)
    coil = 5.0 * scale * np.clip((t - 0.45) / 0.5, 0, 1)
    turns = 2 * np.pi * 7 * t + rng.uniform(0, 6)
    path = path + np.stack([coil * np.cos(turns), 0.6 * coil * np.sin(turns)], 1)
    lit = (0.5 + 0.5 * np.cos(turns))[:, None] ** 2
    clean = np.array([[0.34, 0.22, 0.09]]) + lit * np.array([[0.75, 0.55, 0.28]])
    spill = np.repeat(np.array([[0.012, 0.03, 0.009]]), 40, 0)
    bead = np.stack([path[-1] - 0.5 * scale, path[-1] + 0.5 * scale])
    shine = np.array([[0.62, 0.40, 0.16]] * 2), np.zeros((2, 3))
    glint = np.array([[2.2, 1.8, 1.1]] * 2), np.zeros((2, 3))
    return [
        Strand(path, np.full(40, 1.7 * scale), clean, spill),
        Strand(bead, np.full(2, 9.0 * scale), *shine),
        Strand(bead - np.array([1.6, 2.0]) * scale, np.full(2, 3.2 * scale), *glint),
    ]


def _feather(
    rng: np.random.Generator,
    foot: tuple[float, float],
    angle: float,
    length: float,
    wave: float,
    scale: float,
    lights: Lights,
) -> list[Strand]:
    out = np.array([np.sin(angle), -np.cos(angle)])
    down = np.array([0.0, 1.0])
    root = np.asarray(foot) + np.array([rng.normal(0, 5) * scale, 0])
    middle = root + out * length * 0.65 + np.array([0, -0.25 * length])
    tip = root + out * length * 1.15 + down * length * rng.uniform(0.05, 0.35)
    tip = tip + np.array([wave, 0.2 * abs(wave)])
    rib = bezier([(float(p[0]), float(p[1])) for p in (root, middle, tip)], 26)
    dye = _DYES[int(rng.integers(len(_DYES)))]
    fibre = Material(dye, fibre=0.30)
    t = np.linspace(0, 1, 26)
    lit = 0.75 + 0.5 * np.sin(np.pi * t) ** 2
    clean, spill = shade_strand(fibre, lights, lit, np.full(3, 0.8))
    strands = [Strand(rib, scale * (2.4 - 1.8 * t), clean, spill)]
    for j in range(4, 26):
        along = rib[j] - rib[j - 1]
        along /= max(float(np.hypot(*along)), 1e-6)
        for side in (-1, 1):
            strands.append(_barb(rng, rib[j], along, side, t[j], length, scale, fibre, lights))
    return strands


def _barb(
    rng: np.random.Generator,
    start: np.ndarray[tuple[int, ...], np.dtype[np.float64]],
    along: np.ndarray[tuple[int, ...], np.dtype[np.float64]],
    side: int,
    t: float,
    length: float,
    scale: float,
    material: Material,
    lights: Lights,
) -> Strand:
    across = np.array([-along[1], along[0]]) * side
    reach = length * 0.30 * np.sin(np.pi * (0.12 + 0.82 * t)) * rng.uniform(0.6, 1.25)
    bend = start + across * reach * 0.55 + along * reach * 0.35
    end = start + across * reach * rng.uniform(0.7, 1.0) + along * reach * rng.uniform(0.8, 1.3)
    end = end + np.array([0.0, reach * 0.12])
    points = bezier([(float(p[0]), float(p[1])) for p in (start, bend, end)], 6)
    s = np.linspace(0, 1, 6)
    tint = np.clip(rng.normal(1, 0.15) + rng.normal(0, 0.04, 3), 0.5, 1.6)
    clean, spill = shade_strand(material, lights, (0.7 + 0.55 * s) * rng.uniform(0.8, 1.25), tint)
    return Strand(points, scale * rng.uniform(0.8, 1.6) * (1 - 0.7 * s) + 0.12, clean, spill)


def tendrils(foot: tuple[float, float], scale: float, stir: float, lights: Lights) -> list[Strand]:
    """Fine pale stems that spring from a pot and fall over its rim."""
    rng = np.random.default_rng(31)
    strands = []
    for _ in range(120):
        side = rng.normal(0, 1)
        reach = scale * rng.uniform(60, 190)
        root = np.asarray(foot) + np.array([rng.normal(0, 34) * scale, 0])
        top = root + np.array([side * 0.5 * reach, -reach * rng.uniform(0.6, 1.3)])
        end = top + np.array([side * 0.55 * reach + stir * scale, reach * rng.uniform(0.2, 0.9)])
        points = bezier([(float(p[0]), float(p[1])) for p in (root, top, end)], 16)
        t = np.linspace(0, 1, 16)
        straw = Material((0.50, 0.34, 0.17), fibre=0.3)
        tint = np.clip(rng.normal(1, 0.2) + rng.normal(0, 0.04, 3), 0.4, 1.7)
        clean, spill = shade_strand(straw, lights, 0.7 + 0.5 * t, tint)
        strands.append(Strand(points, scale * (2.0 - 1.5 * t) + 0.12, clean, spill))
    return strands
