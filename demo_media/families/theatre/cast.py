"""The cast: a robed puppet with a painted head, sleeves that turn at the shoulder, and hats."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from demo_media.families.theatre.limelight import Fabric, Limelight
from demo_media.families.theatre.pieces import Piece, Tailoring, make_piece, painted_on, spline
from demo_media.families.theatre.wardrobe import (
    BLUE_SAFE,
    CLOTHS,
    FELT,
    GILT,
    LACQUER,
    LINEN,
    NEAR,
    PATENT,
    SABLE,
)

Points = NDArray[np.float64]


@dataclass
class Puppet:
    """Pieces at rest and the places they turn about, in the picture's pixels."""

    body: Piece
    head: Piece
    arms: tuple[Piece, Piece]
    shoulders: tuple[tuple[float, float], tuple[float, float]]
    hands: tuple[tuple[float, float], tuple[float, float]]
    neck: tuple[float, float]
    face: tuple[float, float]
    face_size: tuple[float, float]
    foot: tuple[float, float]


def costume(rng: np.random.Generator, kind: str, primary: str) -> tuple[Fabric, Fabric, Fabric]:
    """Robe, sleeves and hat that suit the kind of shot."""
    pool = [CLOTHS[i] for i in BLUE_SAFE] if primary == "blue" else list(CLOTHS)
    first, second = (pool[int(i)] for i in rng.choice(len(pool), 2, replace=False))
    if kind == "plain_dark":
        return SABLE[int(rng.integers(2))], SABLE[0], FELT
    if kind == "gloss":
        return PATENT, PATENT, PATENT
    if kind == "near_hue":
        near = NEAR[primary]
        robe = near[int(rng.integers(len(near)))]
        return robe, robe if rng.random() < 0.5 else first, near[int(rng.integers(len(near)))]
    if kind == "rim_hair":
        return SABLE[0], SABLE[1], FELT
    return first, second, FELT


def assemble(
    rng: np.random.Generator,
    kind: str,
    primary: str,
    light: Limelight,
    width: int,
    height: int,
    *,
    hat: bool,
) -> Puppet:
    """Build a puppet standing at the picture's lower edge."""
    unit = height / 360
    size = height * float(rng.uniform(0.94, 1.1))
    at = _Place(width * float(rng.uniform(0.40, 0.60)), 1.06 * height, size)
    robe, sleeves, felt = costume(rng, kind, primary)
    body = _robe(rng, robe, light, at, unit)
    ruffed = bool(rng.random() < 0.6)
    head, face, face_size = _head(rng, light, at, unit, felt if hat else None)
    if ruffed:
        turn = np.linspace(0, 2 * np.pi, 160, endpoint=False)
        wavy = 1 + 0.07 * np.cos(26 * turn)
        collar = np.stack([0.125 * wavy * np.cos(turn), 0.05 * wavy * np.sin(turn)], 1) * size
        folded = Tailoring(5 * unit, "ruff", 0.7)
        ring = collar + np.asarray(at(0, 0.555))
        make_piece(rng, [ring], LINEN, light, folded, unit=unit).over(body)
    arms = [_arm(rng, side, sleeves, light, at, unit) for side in (-1.0, 1.0)]
    shoulders = (at(-0.15, 0.485), at(0.15, 0.485))
    hands = (at(-0.2, 0.12), at(0.2, 0.12))
    return Puppet(
        body, head, (arms[0], arms[1]), shoulders, hands, at(0, 0.56), face, face_size, at(0, 0)
    )


def _robe(
    rng: np.random.Generator, robe: Fabric, light: Limelight, at: _Place, unit: float
) -> Piece:
    """A robe that flares from a belted waist."""
    flare, waist = float(rng.uniform(0.27, 0.38)), float(rng.uniform(0.11, 0.15))
    half = [(0.055, 0.56), (0.13, 0.53), (0.185, 0.47), (0.16, 0.38), (waist, 0.27)]
    half += [(waist + 0.05, 0.2), (flare * 0.8, 0.08), (flare, -0.03)]
    ring = [at(dx, up) for dx, up in half]
    ring += [at(-dx * float(rng.uniform(0.97, 1.03)), up) for dx, up in reversed(half)]
    shape = Tailoring(26 * unit, "bell", 1.2)
    body = make_piece(rng, [spline(ring)], robe, light, shape, unit=unit, room=40 * unit)
    belt = [at(-waist - 0.012, 0.28), at(0, 0.268), at(waist + 0.012, 0.28)]
    belt += [at(waist + 0.012, 0.25), at(0, 0.238), at(-waist - 0.012, 0.25)]
    make_piece(rng, [spline(belt)], GILT, light, Tailoring(4 * unit), unit=unit).over(body)
    return body


class _Place:
    """Maps shares of the puppet's size, measured from its foot, to the picture's pixels."""

    def __init__(self, x: float, foot: float, size: float) -> None:
        self.x, self.foot, self.size = x, foot, size

    def __call__(self, dx: float, up: float) -> tuple[float, float]:
        return (self.x + dx * self.size, self.foot - up * self.size)


def _head(
    rng: np.random.Generator, light: Limelight, at: _Place, unit: float, hat: Fabric | None
) -> tuple[Piece, tuple[float, float], tuple[float, float]]:
    """A lacquered egg of a head on a neck, with a painted face, and perhaps a hat."""
    lacquer = LACQUER[int(rng.integers(len(LACQUER)))]
    wide, tall = float(rng.uniform(0.085, 0.10)), float(rng.uniform(0.115, 0.135))
    up = 0.685
    turn = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    chin = 1 - 0.22 * np.clip(np.sin(turn), 0, 1) ** 1.5
    egg = np.stack([wide * chin * np.cos(turn), tall * np.sin(turn)], 1) * at.size
    egg += np.asarray(at(0, up))
    neck = spline([at(0.035, 0.60), at(0.042, 0.53), at(-0.042, 0.53), at(-0.035, 0.60)])
    puffed = Tailoring(1.0 * wide * at.size)
    room = 0.42 * at.size
    head = make_piece(rng, [neck], lacquer, light, Tailoring(0.05 * at.size), unit=unit, room=room)
    make_piece(rng, [egg], lacquer, light, puffed, unit=unit).over(head)
    nose = spline(
        [at(0, up + 0.02), at(0.018, up - 0.03), at(0, up - 0.042), at(-0.018, up - 0.03)]
    )
    make_piece(rng, [nose], lacquer, light, Tailoring(7 * unit), unit=unit).over(head)
    _paint_mask(rng, head, at, up)
    if hat is not None:
        _hat(rng, hat, light, at, unit, up + 0.55 * tall, head)
    return head, at(0, up), (wide * at.size, tall * at.size)


def _paint_mask(rng: np.random.Generator, head: Piece, at: _Place, up: float) -> None:
    """A mask of signs in one ink: lids as crescents, a line for a mouth, a lozenge or a disc."""
    ink = ((0.03, 0.022, 0.02), (0.30, 0.05, 0.04), (0.12, 0.07, 0.03))[int(rng.integers(3))]
    bow = np.linspace(-1, 1, 16)
    for side in (-1.0, 1.0):
        upper = [at(0.042 * side + 0.024 * b, up + 0.012 + 0.012 * b * b) for b in bow]
        lower = [at(0.042 * side + 0.024 * b, up + 0.004 + 0.020 * b * b) for b in bow[::-1]]
        painted_on(head, np.array(upper + lower), ink)
    _dot(head, at(0, up - 0.07), 0.020 * at.size, 0.004 * at.size, ink)
    side = float(rng.choice((-1, 1)))
    x, y = at(0.052 * side, up - 0.035)
    r = 0.016 * at.size
    lozenge = np.array([(x, y - 1.6 * r), (x + r, y), (x, y + 1.6 * r), (x - r, y)])
    painted_on(head, lozenge, ((0.45, 0.09, 0.06), (0.50, 0.30, 0.08))[int(rng.integers(2))])


def _dot(
    piece: Piece, centre: tuple[float, float], rx: float, ry: float, colour: tuple[float, ...]
) -> None:
    turn = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    ring = np.stack([rx * np.cos(turn), ry * np.sin(turn)], 1) + np.asarray(centre)
    painted_on(piece, ring, (colour[0], colour[1], colour[2]))


def _hat(
    rng: np.random.Generator,
    felt: Fabric,
    light: Limelight,
    at: _Place,
    unit: float,
    up: float,
    head: Piece,
) -> None:
    """A pointed hat, a crown, or a broad-brimmed one."""
    style = int(rng.integers(3))
    lean = float(rng.uniform(-0.05, 0.05))
    if style == 0:
        shape = [at(-0.105, up - 0.01), at(-0.05, up + 0.09), at(lean, up + 0.24)]
        shape += [at(0.05, up + 0.09), at(0.105, up - 0.01), at(0, up - 0.03)]
        tall = make_piece(
            rng, [spline(shape)], felt, light, Tailoring(20 * unit, "sleeve", 0.6), unit=unit
        )
        tall.over(head)
    elif style == 1:
        xs = np.linspace(-0.1, 0.1, 11)
        top = [at(x, up + (0.10 if k % 2 else 0.05)) for k, x in enumerate(xs)]
        ring = np.array([*top, at(0.095, up - 0.01), at(0, up - 0.03), at(-0.095, up - 0.01)])
        make_piece(rng, [ring], GILT, light, Tailoring(8 * unit), unit=unit).over(head)
    else:
        crown = [at(-0.085, up), at(-0.075, up + 0.09), at(lean, up + 0.11), at(0.075, up + 0.09)]
        crown += [at(0.085, up), at(0, up - 0.02)]
        make_piece(rng, [spline(crown)], felt, light, Tailoring(22 * unit), unit=unit).over(head)
        brim = [at(-0.21, up + 0.02 + lean), at(-0.1, up + 0.03), at(0.1, up + 0.03)]
        brim += [at(0.21, up + 0.02 - lean), at(0.09, up - 0.025), at(-0.09, up - 0.025)]
        make_piece(rng, [spline(brim)], felt, light, Tailoring(9 * unit), unit=unit).over(head)


def _arm(
    rng: np.random.Generator,
    side: float,
    sleeves: Fabric,
    light: Limelight,
    at: _Place,
    unit: float,
) -> Piece:
    """A bunched sleeve hanging from the shoulder, a linen cuff, a carved mitten."""
    x, up = 0.15 * side, 0.50
    out = 0.05 * side
    hand = [at(x + out - 0.028, up - 0.30), at(x + out + 0.028, up - 0.30)]
    hand += [at(x + out + 0.034, up - 0.36), at(x + out, up - 0.40), at(x + out - 0.034, up - 0.36)]
    lacquer = LACQUER[int(rng.integers(len(LACQUER)))]
    arm = make_piece(
        rng, [spline(hand)], lacquer, light, Tailoring(10 * unit), unit=unit, room=0.34 * at.size
    )
    cuff = [at(x + out - 0.05, up - 0.275), at(x + out + 0.05, up - 0.275)]
    cuff += [
        at(x + out + 0.058, up - 0.315),
        at(x + out, up - 0.325),
        at(x + out - 0.058, up - 0.315),
    ]
    frilled = Tailoring(5 * unit, "hang", 0.6)
    make_piece(rng, [spline(cuff)], LINEN, light, frilled, unit=unit).over(arm)
    sleeve = [at(x - 0.045, up + 0.02), at(x + 0.045, up + 0.02), at(x + out + 0.075, up - 0.13)]
    sleeve += [at(x + out + 0.05, up - 0.28), at(x + out - 0.05, up - 0.28)]
    sleeve += [at(x + out - 0.075, up - 0.13)]
    bunched = Tailoring(19 * unit, "sleeve", 1.0)
    make_piece(rng, [spline(sleeve)], sleeves, light, bunched, unit=unit).over(arm)
    return arm
