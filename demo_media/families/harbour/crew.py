"""Who stands before the wall: a dock hand made of solids, gear around, an arm that swings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from demo_media.families.harbour.solids import Model, Stuff, Vector

OILSKIN = {
    "mustard": Stuff((0.52, 0.30, 0.03), 0.22, 26, "oilskin"),
    "rust": Stuff((0.34, 0.09, 0.04), 0.08, 10, "canvas"),
    "cream": Stuff((0.56, 0.49, 0.37), 0.04, 8, "knit"),
    "charcoal": Stuff((0.045, 0.043, 0.047), 0.05, 10, "knit"),
    "coral": Stuff((0.52, 0.16, 0.12), 0.18, 24, "oilskin"),
}
DARK = (
    Stuff((0.014, 0.013, 0.015), 0.04, 10, "knit"),
    Stuff((0.022, 0.018, 0.016), 0.05, 10, "canvas"),
)
LEATHER = Stuff((0.012, 0.011, 0.011), 0.75, 60, "leather")
NEAR = {
    "green": (
        Stuff((0.055, 0.135, 0.115), 0.05, 10, "canvas", True),
        Stuff((0.115, 0.125, 0.040), 0.05, 10, "knit", True),
        Stuff((0.060, 0.175, 0.150), 0.15, 22, "oilskin", True),
    ),
    "blue": (
        Stuff((0.060, 0.085, 0.155), 0.04, 8, "canvas", True),
        Stuff((0.035, 0.050, 0.105), 0.04, 8, "canvas", True),
        Stuff((0.110, 0.120, 0.185), 0.12, 20, "oilskin", True),
    ),
}
SKIN = (
    Stuff((0.46, 0.28, 0.20), 0.10, 16, "wood"),
    Stuff((0.25, 0.13, 0.08), 0.14, 20, "wood"),
    Stuff((0.12, 0.065, 0.042), 0.18, 24, "wood"),
)
BRASS = Stuff((0.50, 0.32, 0.11), 0.9, 90, "plain")
ROPE = Stuff((0.38, 0.29, 0.18), 0.03, 8, "knit")
TIMBER = Stuff((0.20, 0.13, 0.08), 0.05, 12, "wood")
IRON = Stuff((0.09, 0.075, 0.07), 0.25, 26, "rust")


@dataclass(frozen=True)
class Wardrobe:
    """What the hand wears, and where head and shoulder are (picture heights)."""

    coat: Stuff
    cap: Stuff
    skin: Stuff
    gloves: Stuff


@dataclass(frozen=True)
class Hand:
    """The dock hand: solids, and the places that other things hang on, in picture heights."""

    model: Model
    gear: Model
    head: tuple[float, float]
    head_radius: float
    shoulder: tuple[float, float]
    wardrobe: Wardrobe


def dress(rng: np.random.Generator, kind: str, primary: str) -> Wardrobe:
    """Choose clothes that suit the kind of shot."""
    names = list(OILSKIN)
    coat, cap, gloves = (OILSKIN[names[int(i)]] for i in rng.choice(len(names), 3, replace=False))
    skin = SKIN[int(rng.integers(len(SKIN)))]
    if kind == "plain_dark":
        coat, cap, gloves = DARK[int(rng.integers(2))], DARK[0], DARK[1]
        skin = SKIN[2]
    if kind == "gloss":
        coat, cap, gloves = LEATHER, LEATHER, BRASS
    if kind == "near_hue":
        choices = NEAR[primary]
        coat = choices[int(rng.integers(len(choices)))]
        cap = choices[int(rng.integers(len(choices)))]
    if kind == "rim_hair":
        coat = OILSKIN["charcoal"]
    return Wardrobe(coat, cap, skin, gloves)


def stand(
    rng: np.random.Generator, wear: Wardrobe, aspect: float, *, hat: bool, one_arm: bool
) -> Hand:
    """Build the hand with a coat, arms, head, scarf and perhaps a cap, and gear beside it."""
    model = Model()
    x = aspect * float(rng.uniform(0.42, 0.58))
    lean, size = float(rng.uniform(-0.03, 0.03)), float(rng.uniform(0.92, 1.08))

    def at(dx: float, dy: float, z: float = 0.0) -> Vector:
        return (x + size * dx + lean * (1.05 - dy), 1.05 - size * (1.05 - dy), size * z)

    model.cone(at(0, 1.15), at(0, 0.66), 0.25 * size, 0.135 * size, wear.coat)
    model.cone(at(-0.135, 0.60), at(0.135, 0.60), 0.078 * size, 0.078 * size, wear.coat)
    for side in (-1.0,) if one_arm else (-1.0, 1.0):
        elbow = at(side * rng.uniform(0.25, 0.31), rng.uniform(0.78, 0.88), rng.uniform(-0.05, 0.1))
        hand = at(side * rng.uniform(0.10, 0.33), rng.uniform(0.74, 0.98), rng.uniform(0.16, 0.24))
        model.cone(at(side * 0.165, 0.605), elbow, 0.068 * size, 0.056 * size, wear.coat)
        model.cone(elbow, hand, 0.058 * size, 0.043 * size, wear.coat)
        model.ball(hand, (0.058 * size, 0.054 * size, 0.056 * size), wear.gloves)
    model.cone(at(0, 0.58), at(0, 0.45), 0.052 * size, 0.047 * size, wear.skin)
    head = at(0.005 * lean, 0.375, 0.02)
    radius = 0.098 * size
    model.ball(head, (0.088 * size, 0.118 * size, 0.10 * size), wear.skin)
    model.ball((head[0], head[1] + 0.035, head[2] + 0.095), (0.016, 0.026, 0.028), wear.skin)
    model.cone(at(-0.07, 0.545, 0.03), at(0.07, 0.55, 0.05), 0.043 * size, 0.043 * size, ROPE)
    if hat:
        crown = (head[0], head[1] - 0.065 * size, head[2] - 0.005)
        model.ball(crown, (0.097 * size, 0.075 * size, 0.108 * size), wear.cap)
        brim = (head[0] + 0.02 * lean, head[1] - 0.045 * size, head[2] + 0.02)
        model.ball(brim, (0.155 * size, 0.021 * size, 0.15 * size), wear.cap)
    gear = Model()
    _gear(rng, gear, aspect, x)
    return Hand(model, gear, (head[0], head[1]), radius, at(0.15, 0.61)[:2], wear)


def _gear(rng: np.random.Generator, model: Model, aspect: float, x: float) -> None:
    """A bollard with a coil of rope, or a stack of floats, or a keg, on either side."""
    for side in (-1.0, 1.0):
        place = x + side * float(rng.uniform(0.46, 0.62))
        place = float(np.clip(place, 0.12, aspect - 0.12))
        choice = int(rng.integers(3))
        if choice == 0:
            model.cone((place, 1.1, 0), (place, 0.72, 0), 0.075, 0.07, IRON)
            model.ball((place, 0.69, 0), (0.115, 0.04, 0.1), IRON)
            for turn in range(3):
                y = 0.80 + 0.045 * turn
                model.ball((place, y, 0.0), (0.105, 0.026, 0.11), ROPE)
        elif choice == 1:
            paint = list(OILSKIN.values())[int(rng.integers(5))]
            for dx, dy, r in ((-0.07, 0.93, 0.10), (0.09, 0.95, 0.085), (0.01, 0.79, 0.075)):
                model.ball((place + dx, dy, 0.03 * dx), (r, r, r), paint)
        else:
            model.cone((place, 1.05, 0), (place, 0.80, 0), 0.135, 0.135, TIMBER)
            for y in (0.76, 0.95):
                model.ball((place, y, 0), (0.143, 0.018, 0.143), IRON)


def swinging_arm(wear: Wardrobe) -> Model:
    """An arm that hangs straight down from (0, 0) and holds a boat hook with a float at its end."""
    model = Model()
    model.cone((0, 0, 0.1), (0.01, 0.20, 0.13), 0.066, 0.054, wear.coat)
    model.cone((0.01, 0.20, 0.13), (0, 0.36, 0.14), 0.054, 0.042, wear.coat)
    model.ball((0, 0.40, 0.14), (0.045, 0.052, 0.045), wear.gloves)
    model.cone((-0.015, 0.30, 0.17), (0.02, 0.66, 0.17), 0.012, 0.012, TIMBER)
    model.ball((0.02, 0.68, 0.17), (0.058, 0.075, 0.058), OILSKIN["coral"])
    model.cone((0.02, 0.74, 0.17), (0.045, 0.77, 0.17), 0.012, 0.008, BRASS)
    return model
