"""What stands in the air or on the bench before the figure, by kind."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from demo_media.families.coverage import GRID
from demo_media.families.layers import Layer
from demo_media.families.scene import Colour
from demo_media.families.workshop import sparks, vapour
from demo_media.families.workshop.shop import Shop

Lay = Callable[[int], list[Layer]]
TINTS: tuple[Colour, ...] = ((0.55, 0.22, 0.03), (0.10, 0.10, 0.11), (0.42, 0.06, 0.07))
VEILS: tuple[Colour, ...] = ((0.72, 0.68, 0.60), (0.45, 0.10, 0.09), (0.55, 0.42, 0.16))


def _shape(shop: Shop) -> tuple[int, int]:
    return shop.height * GRID, shop.width * GRID


def _side(shop: Shop) -> float:
    return -1.0 if shop.rng.random() < 0.5 else 1.0


def _smoke(shop: Shop) -> Lay:
    """Grey, brown or bluish flux smoke from one or two places on the bench."""
    rng, side = shop.rng, _side(shop)
    grey = float(rng.uniform(0.30, 0.62))
    cast = rng.normal(0, 0.07, 3)
    colour: Colour = (grey * (1 + cast[0]), grey * (1 + cast[1]), grey * (1 + cast[2]))
    at = [(shop.wide * (0.5 + side * float(rng.uniform(0.22, 0.36))), 316.0)]
    if rng.random() < 0.5:
        at.append((shop.wide * (0.5 - side * float(rng.uniform(0.2, 0.3))), 316.0))
    dense, lean = float(rng.uniform(1.6, 3.2)), float(rng.uniform(-0.5, 0.5))

    def lay(frame: int) -> list[Layer]:
        return [
            vapour.plume(
                shop.stage, shop.scale, _shape(shop), spot, frame, (shop.seed, 31, i),
                colour=colour, dense=dense, wide=48, lean=lean,
            )
            for i, spot in enumerate(at)
        ]  # fmt: skip

    return lay


def _steam(shop: Shop) -> Lay:
    """White puffs, dense at the spout, from a boiler on the bench."""
    rng = shop.rng
    spot = (shop.wide * (0.5 + _side(shop) * float(rng.uniform(0.2, 0.34))), 300.0)
    dense, lean = float(rng.uniform(4.0, 7.0)), float(rng.uniform(-0.8, 0.8))

    def lay(frame: int) -> list[Layer]:
        return [
            vapour.plume(
                shop.stage, shop.scale, _shape(shop), spot, 2.2 * frame, (shop.seed, 32),
                colour=(0.86, 0.86, 0.86), dense=dense, wide=34, lean=lean,
            )
        ]  # fmt: skip

    return lay


def _veil(shop: Shop) -> Lay:
    """A length of gauze that hangs from above beside the figure and partly over it."""
    rng = shop.rng
    colour = VEILS[int(rng.integers(len(VEILS)))]
    thread = float(rng.uniform(0.22, 0.5))
    left = shop.wide * float(rng.uniform(0.08, 0.62))
    wide = float(rng.uniform(130, 210))

    def lay(frame: int) -> list[Layer]:
        t = np.linspace(0, 1, 60)
        sway = 5 * np.sin(0.6 * frame + 3 * t) * t
        one = np.stack([left + 22 * t + sway, -12 + 300 * t], 1)
        foot = np.linspace(0, 1, 50)
        hem = np.stack(
            [one[-1, 0] + wide * foot, 288 + 7 * np.sin(9 * foot + 0.5 * frame)], 1
        )  # fmt: skip
        other = np.stack([left + wide + 8 * t + sway, -12 + 300 * t], 1)[::-1]
        outline = np.concatenate([one, hem[1:-1], other])
        return [
            vapour.gauze(
                shop.stage, shop.scale, outline, _shape(shop), frame, (shop.seed, 33),
                colour=colour, thread=thread,
            )
        ]  # fmt: skip

    return lay


def _spray(shop: Shop) -> Lay:
    """An atomiser's mist across the screen."""
    rng, side = shop.rng, _side(shop)
    nozzle = (shop.wide * (0.5 + 0.18 * side), float(rng.uniform(120, 230)))
    drops = int(rng.integers(180, 320))

    def lay(frame: int) -> list[Layer]:
        return vapour.mist(
            shop.stage, shop.scale, _shape(shop), nozzle, side, frame, (shop.seed, 34), drops=drops
        )

    return lay


def _glass(shop: Shop) -> Lay:
    """A bell jar, a bottle half full and a flask, each of another tint, still on the bench."""
    rng = shop.rng
    forms = [vapour.BELL, vapour.BOTTLE, vapour.FLASK]
    rng.shuffle(forms)
    layers = []
    for place, form in zip((0.10, 0.27, 0.80), forms, strict=True):
        tint = TINTS[int(rng.integers(len(TINTS)))]
        size = float(rng.uniform(1.0, 1.45))
        foot = (shop.wide * (place + float(rng.uniform(-0.03, 0.03))), 334.0)
        full = 0.0 if form is vapour.BELL else float(rng.uniform(20, 55)) * size
        layers.append(
            vapour.vessel(
                shop.stage, shop.scale, _shape(shop), foot, form * size, tint, rng,
                dense=float(rng.uniform(2.5, 6.5)), liquid=full,
            )
        )  # fmt: skip
    return lambda _frame: layers


def _hot(shop: Shop) -> Lay:
    """A bare lamp, sparks off a wheel, and glints on the brass."""
    rng, side = shop.rng, _side(shop)
    lamp = (shop.wide * (0.5 - 0.26 * side), float(rng.uniform(56, 90)))
    source = (shop.wide * (0.5 + 0.2 * side), float(rng.uniform(225, 265)))
    power = float(rng.uniform(8, 20))
    bulb = sparks.bulb(shop.scale, _shape(shop), lamp, 15, power)
    glint = sparks.glints(shop.scale, shop.bright, power * 0.6, _shape(shop))
    count = int(rng.integers(110, 200))

    def lay(frame: int) -> list[Layer]:
        return [
            glint,
            *bulb,
            sparks.sparks(shop.scale, source, side, frame, (shop.seed, 35), count),
        ]

    return lay


AIRS: dict[str, Callable[[Shop], Lay]] = {
    "smoke": _smoke,
    "steam": _steam,
    "veil": _veil,
    "spray": _spray,
    "glass": _glass,
    "highlights": _hot,
}


def air_for(shop: Shop) -> Lay:
    return AIRS[shop.kind](shop)
