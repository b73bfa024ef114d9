"""Light on the subject: its own lamps, and the screen's light by the surface's orientation."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]
Colour = tuple[float, float, float]


@dataclass(frozen=True)
class Material:
    """How a surface answers light. Colours are scene-linear in the working space.

    `metal` 0 is clay or cloth, 1 polished metal; `roughness` widens highlights; `grain` is the
    strength of the surface texture, `grain_px` its size; `fibre` raises the share of screen light.
    """

    albedo: Colour
    metal: float = 0.0
    roughness: float = 0.5
    grain: float = 0.08
    grain_px: float = 14.0
    fibre: float = 0.0
    sheen: float = 0.0


@dataclass(frozen=True)
class Lamp:
    """A distant lamp; x to the right, y down, z towards the camera."""

    direction: Colour
    colour: Colour


@dataclass(frozen=True)
class Lights:
    """The stage's lamps, the hemisphere's light from above and below, and the screen's colour."""

    lamps: tuple[Lamp, ...]
    sky: Colour = (0.16, 0.17, 0.20)
    ground: Colour = (0.07, 0.06, 0.05)
    screen: Colour = (0.12, 0.36, 0.10)
    spill: float = 0.35
    softboxes: tuple[tuple[Colour, float, float], ...] = field(
        default=(
            ((-0.55, -0.55, 0.63), 26.0, 2.6),
            ((0.75, -0.25, 0.61), 60.0, 1.1),
            ((0.05, -0.95, 0.30), 10.0, 0.7),
        )
    )


def unit(vector: Colour) -> NDArray[np.float64]:
    v = np.asarray(vector, np.float64)
    return np.asarray(v / np.linalg.norm(v), np.float64)


def _dot(normal: Image, vector: NDArray[np.float64]) -> Image:
    v = vector.astype(np.float32)
    return np.asarray(normal[0] * v[0] + normal[1] * v[1] + normal[2] * v[2], np.float32)


def _column(colour: Colour) -> Image:
    return np.asarray(colour, np.float32).reshape(3, 1, 1)


def _reflection(normal: Image, lights: Lights, roughness: float) -> Image:
    """What a mirror-like surface sees: a graded room with soft boxes, as grey (h, w)."""
    mirror = 2 * normal[2] * normal
    mirror = np.stack([mirror[0], mirror[1], mirror[2] - 1])
    room = 0.20 + 0.16 * np.clip(-mirror[1], 0, 1) ** 1.5 - 0.12 * np.clip(mirror[1], 0, 1)
    horizon = 1 / (1 + np.exp(-(mirror[1] - 0.12) * 14))
    room = room * (1 - 0.55 * horizon)
    for direction, sharpness, strength in lights.softboxes:
        wide = sharpness * (1 - 0.75 * roughness)
        room = room + strength * (1 - 0.5 * roughness) * np.exp(
            wide * (_dot(mirror, unit(direction)) - 1)
        )
    return np.asarray(room, np.float32)


def screen_share(normal: Image, material: Material) -> Image:
    """Share of the hemisphere over a surface that sees the screen behind the subject, 0 to 1.

    (1 − n_z)/2 raised a little: none facing the camera, half at the rim; faces that look down see
    the screen's sweep on the floor, and the room sends a little to all. Fibres scatter light
    through, so they get a floor of their own.
    """
    share = np.clip((1 - normal[2]) / 2, 0, 1) ** np.float32(1.1)
    share = 0.03 + 0.97 * share + np.float32(0.22) * np.clip(normal[1], 0, 1)
    return np.asarray(material.fibre + (1 - material.fibre) * share, np.float32)


def shade(
    normal: Image,
    material: Material,
    lights: Lights,
    texture: Image | float = 0.0,
    painted: tuple[Image, Colour] | None = None,
) -> tuple[Image, Image]:
    """Clean and spill colour (3, h, w) of a surface with unit `normal` (3, h, w).

    `texture` about 0 modulates the albedo; `painted` is a weight 0..1 (h, w) and the second albedo
    it mixes in. Highlights exceed 1 and stay so.
    """
    base = _column(material.albedo)
    if painted is not None:
        base = base + painted[0] * (_column(painted[1]) - base)
    albedo = base * (1 + np.float32(material.grain) * texture)
    albedo = np.maximum(albedo, 0.004)
    up = np.clip(0.5 - 0.5 * normal[1], 0, 1)
    diffuse = _column(lights.ground) + (_column(lights.sky) - _column(lights.ground)) * up
    specular = np.zeros_like(diffuse)
    power = 2 / max(material.roughness, 0.03) ** 2
    for lamp in lights.lamps:
        direction = unit(lamp.direction)
        diffuse = diffuse + _column(lamp.colour) * np.clip(_dot(normal, direction), 0, None)
        half = direction + np.array([0.0, 0.0, 1.0])
        half /= np.linalg.norm(half)
        lobe = np.clip(_dot(normal, half), 0, None) ** np.float32(power)
        specular = specular + _column(lamp.colour) * lobe * np.float32(0.02 * (power + 8) / 8)
    rim = np.clip(1 - normal[2], 0, 1) ** np.float32(4)
    metal = np.float32(material.metal)
    mirror = _reflection(normal, lights, material.roughness)
    clean = (1 - metal) * (albedo * diffuse + specular)
    clean = clean + metal * albedo * (1.25 * mirror + 0.35 * diffuse)
    clean = clean + np.float32(material.sheen) * rim * _column((0.9, 0.85, 0.8)) * diffuse
    share = screen_share(normal, material)
    answer = (1 - metal) * (albedo + 0.05 * rim) + metal * albedo * (0.6 + 0.9 * rim)
    spill = np.float32(lights.spill) * 2 * share * answer * _column(lights.screen)
    return np.asarray(clean, np.float32), np.asarray(spill, np.float32)


def shade_strand(
    material: Material,
    lights: Lights,
    lit: NDArray[np.float64],
    tint: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Clean and spill colour (n, 3) along a fibre, `lit` (n,) about 1, `tint` (3,) about 1."""
    albedo = np.asarray(material.albedo) * tint
    light = np.asarray(lights.sky, np.float64) * 0.8
    for lamp in lights.lamps:
        light = light + np.asarray(lamp.colour) * 0.42
    gloss = np.clip(lit - 1.05, 0, None)[:, None] * np.asarray((0.9, 0.85, 0.75)) * 0.5
    clean = albedo * light * lit[:, None] + gloss
    share = material.fibre + (1 - material.fibre) * 0.35
    spill = lights.spill * 2 * share * (albedo + 0.02) * np.asarray(lights.screen)
    return clean, np.repeat(spill[None], len(lit), axis=0)
