"""Stage light on cloth, wood and lacquer that are given as normal maps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]
Vector = tuple[float, float, float]


@dataclass(frozen=True)
class Beam:
    """A lamp: where it comes from (any length), its colour, and how far it wraps round (0 to 1)."""

    source: Vector
    colour: Vector
    wrap: float = 0.25


@dataclass(frozen=True)
class Limelight:
    """The stage's lamps, its haze of light, and the drape's colour as it shines on the cast.

    `tint` is the share of the drape's light that comes from all round, `grazing` what surfaces seen
    edge-on throw back of it, `through` what thin cloth lets through.
    """

    beams: tuple[Beam, ...]
    haze: Vector
    drape: Vector
    tint: float
    grazing: float
    through: float


@dataclass(frozen=True)
class Fabric:
    """How a surface answers light: colour, lacquer (mirror strength), polish (its sharpness),
    nap (velvet's pale edge), thinness (0 opaque to 1 gauzy), pattern, and the label it earns."""

    colour: Vector
    second: Vector
    lacquer: float = 0.02
    polish: float = 14.0
    nap: float = 0.0
    thin: float = 0.0
    pattern: str = "plain"
    near_hue: bool = False


def raise_lamps(rng: np.random.Generator, drape: Vector, *, heavy: bool) -> Limelight:
    """A warm spot from high on one side, a cool one opposite, footlights from below."""
    side = float(rng.choice((-1, 1)))
    warm, cool = float(rng.uniform(0.55, 0.8)), float(rng.uniform(0.25, 0.45))
    foot = float(rng.uniform(0.10, 0.3))
    gel = rng.uniform(-0.1, 0.1, 3)
    return Limelight(
        (
            Beam(
                (0.7 * side, -0.9, 0.7),
                (warm * (1.12 + gel[0]), warm * (0.97 + gel[1]), warm * (0.8 + gel[2])),
                0.15,
            ),
            Beam((-0.95 * side, -0.4, 0.45), (cool * 0.82, cool * 0.95, cool * 1.22), 0.3),
            Beam((0.1, 0.9, 0.7), (foot * 1.25, foot * 0.95, foot * 0.65), 0.5),
        ),
        (0.05, 0.047, 0.055),
        drape,
        float(rng.uniform(0.10, 0.22)) * (2.0 if heavy else 1.0),
        float(rng.uniform(0.25, 0.5)) * (3.4 if heavy else 1.0),
        float(rng.uniform(0.3, 0.6)),
    )


def column(colour: Vector) -> Image:
    """A colour as (3, 1, 1)."""
    return np.asarray(colour, np.float32)[:, None, None]


def illuminate(
    light: Limelight, normal: Image, albedo: Image, fabric: Fabric, rim: Image, hollow: Image
) -> tuple[Image, Image]:
    """Own light and the drape's spill, straight (3, h, w).

    `rim` (h, w) is 1 at the piece's outline and 0 well inside, `hollow` how shut in a place is.
    Diffuse light wraps round edges; the mirror term is a normalised power of the half vector
    (Blinn 1977).
    """
    open_share = 1 - 0.7 * hollow
    own = albedo * column(light.haze) * 2.2 * open_share
    for beam in light.beams:
        source = np.asarray(beam.source, np.float32)
        source = source / np.float32(np.sqrt((source**2).sum()))
        dot = np.tensordot(source, normal, 1)
        lit = np.clip((dot + beam.wrap) / (1 + beam.wrap), 0, None) ** 1.15
        half = source + np.array([0, 0, 1], np.float32)
        half = half / np.float32(np.sqrt((half**2).sum()))
        peak = np.clip(np.tensordot(half, normal, 1), 0, 1) ** np.float32(fabric.polish)
        mirror = fabric.lacquer * (fabric.polish + 8) / 34 * peak
        own = own + column(beam.colour) * open_share * (albedo * lit + mirror)
        if fabric.nap:
            edge = np.clip(1 - normal[2], 0, 1) ** 1.5
            own = own + column(beam.colour) * albedo * (fabric.nap * edge * (0.3 + lit))
    edge_on = np.clip(1 - normal[2], 0, 1) ** 2.5
    drape = column(light.drape)
    spill = drape * albedo * (light.tint * (0.5 + 0.5 * open_share))
    glance = (0.06 + 1.4 * fabric.lacquer) * light.grazing
    broad = np.clip(1 - normal[2], 0, 1) ** 1.2
    spill = spill + drape * (
        glance * edge_on
        + glance * fabric.lacquer * (0.04 + 1.1 * broad)
        + 0.10 * light.grazing * rim**2
    )
    spill = spill + drape * np.sqrt(albedo) * (fabric.thin * light.through * (0.2 + 0.8 * rim))
    return np.asarray(own, np.float32), np.asarray(spill, np.float32)
