"""The workshop's kinds: who stands there, what moves, and what makes the shot hard."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from demo_media.families.layers import Canvas, Layer, averaged, merged, shifted, turned
from demo_media.families.scene import Colour, Scene
from demo_media.families.shot import GLOSS, NEAR_HUE
from demo_media.families.workshop import bench
from demo_media.families.workshop.air import AIRS, air_for
from demo_media.families.workshop.figure import Dress, Figure, Pose, cap, stand
from demo_media.families.workshop.hair import Wig, chin, grow, scalp
from demo_media.families.workshop.sets import moving_scene, shadow_scene
from demo_media.families.workshop.shop import Shop, open_shop, truth_of

SKINS: tuple[Colour, ...] = ((0.56, 0.36, 0.26), (0.40, 0.24, 0.16), (0.20, 0.115, 0.075))
SHIRTS: tuple[Colour, ...] = (
    (0.58, 0.54, 0.46), (0.30, 0.045, 0.035), (0.42, 0.36, 0.20), (0.16, 0.15, 0.17),
    (0.48, 0.24, 0.10), (0.24, 0.11, 0.17),
)  # fmt: skip
APRONS: tuple[Colour, ...] = ((0.16, 0.075, 0.032), (0.09, 0.05, 0.035), (0.26, 0.15, 0.07))
NEAR_HUES: dict[str, tuple[Colour, ...]] = {
    "green": ((0.030, 0.155, 0.120), (0.150, 0.195, 0.050), (0.190, 0.270, 0.150)),
    "blue": ((0.055, 0.095, 0.220), (0.135, 0.080, 0.280), (0.120, 0.160, 0.270)),
}
"""Teal, olive and sage before green; denim, violet and slate before blue."""
Draw = Callable[[int], Canvas]


def cast(shop: Shop) -> tuple[Pose, Dress]:
    """A pose and clothes for the shot's figure."""
    rng = shop.rng
    x = shop.wide * float(rng.uniform(0.38, 0.58))
    y = float(rng.uniform(88, 112))
    pose = Pose(
        head=(x, y),
        turn=float(rng.uniform(-0.8, 0.8)),
        left_hand=(x - float(rng.uniform(30, 100)), y + float(rng.uniform(170, 205))),
        right_hand=(x + float(rng.uniform(60, 110)), y + float(rng.uniform(60, 190))),
    )
    dress = Dress(
        skin=SKINS[int(rng.integers(len(SKINS)))],
        shirt=SHIRTS[int(rng.integers(len(SHIRTS)))],
        apron=APRONS[int(rng.integers(len(APRONS)))],
    )
    return pose, dress


def furnish(shop: Shop) -> list[Layer]:
    """The bench with an instrument, a wheel and a box on it, back to front."""
    rng, stage, scale = shop.rng, shop.stage, shop.scale
    top = float(rng.uniform(308, 322))
    left = rng.random() < 0.5
    near, far = (0.14, 0.86) if left else (0.86, 0.14)
    shop.bright += [(shop.wide * near - 12, top - 80), (shop.wide * far + 4, top - 24)]
    return [
        bench.chest(stage, scale, (shop.wide * far - 40, top + 6), (78, 46), bench.WALNUT, rng),
        bench.board(stage, scale, top, shop.wide, rng),
        bench.turned_stand(stage, scale, (shop.wide * near, top + 16), 88, rng),
        bench.wheel(stage, scale, (shop.wide * far + 6, top - 18), 36, rng),
    ]


def lay_figure(shop: Shop, canvas: Canvas, figure: Figure, x: float, y: float, nod: float) -> None:
    """Body, apron, head and arms, each throwing a soft shadow on what is behind it."""
    unit = shop.scale
    for layer in (figure.body, figure.apron, figure.left_arm, figure.right_arm):
        part = shifted(layer, x, y)
        canvas.darken(part, (-4 * unit * shop.stage.key[0], 4 * unit), 3 * unit, 0.35)
        canvas.over(part)
    lay_head(shop, canvas, figure, figure.head, x, y, nod)


def lay_head(
    shop: Shop, canvas: Canvas, figure: Figure, layer: Layer, x: float, y: float, nod: float
) -> None:
    unit = shop.scale
    hx, hy = figure.pose.head
    part = shifted(turned(layer, (hx * unit, (hy + 70) * unit), nod), x, y)
    canvas.darken(part, (-3 * unit * shop.stage.key[0], 6 * unit), 4 * unit, 0.4)
    canvas.over(part)


def drift(shop: Shop, frame: int, speed: float = 1.0) -> tuple[float, float, float]:
    """How far the figure sways (cells) and nods (degrees) in a frame."""
    phase = 0.55 * frame + shop.seed
    unit = shop.scale * speed
    return (
        2.4 * unit * float(np.sin(phase)),
        0.8 * unit * float(np.cos(1.3 * phase)),
        1.3 * float(np.sin(0.8 * phase + 1)),
    )


def wig_for(shop: Shop) -> Wig:
    """Dark, brown, red or grey hair; fair hair for blond_hair; strongly lit for rim_hair."""
    rng = shop.rng
    colours: tuple[Colour, ...] = (
        (0.018, 0.013, 0.010), (0.07, 0.038, 0.020), (0.20, 0.06, 0.02), (0.26, 0.25, 0.24),
    )  # fmt: skip
    colour = colours[int(rng.integers(len(colours)))]
    if shop.kind == "blond_hair":
        colour = ((0.62, 0.44, 0.22), (0.72, 0.60, 0.40))[int(rng.integers(2))]
    if shop.kind == "rim_hair":  # enough for 4 and more on the brightest strands of any hair
        shop.stage.rim_colour = shop.stage.rim_colour * np.float32(
            2.7 if max(colour) < 0.1 else 1.2
        )
    return Wig(
        colour=colour,
        locks=int(rng.integers(70, 100)),
        per_lock=40,
        length=float(rng.uniform(42, 88)),
        curl=float(rng.uniform(2, 10)),
        frizz=float(rng.uniform(0.7, 1.5)),
        thick=float(rng.uniform(0.15, 0.32)),
        through=0.5 if shop.kind == "blond_hair" else 0.22,
        loose=int(rng.integers(120, 300)),
    )


def haired(shop: Shop, *, beard: bool, covered: bool = False) -> Draw:
    """The figure with its wig, or with a cap over it, and perhaps a beard."""
    pose, dress = cast(shop)
    wig = wig_for(shop)
    hair = None if covered else wig.colour
    figure = stand(shop.stage, shop.scale, pose, costume(shop, dress), shop.rng, hair)
    things = furnish(shop)
    hat = cap(shop.stage, shop.scale, pose, SHIRTS[int(shop.rng.integers(len(SHIRTS)))], shop.rng)
    whiskers = replace(wig, locks=40, length=0.38 * wig.length, loose=40, curl=0.5 * wig.curl)
    hx, hy = pose.head
    stage, scale = shop.stage, shop.scale

    def draw(frame: int) -> Canvas:
        canvas = Canvas(shop.width, shop.height)
        x, y, nod = drift(shop, frame)
        head = (hx + x / scale + 1.2 * nod, hy + y / scale)
        sway = 5 * float(np.sin(0.9 * frame + shop.seed))
        if not covered:
            at = scalp(head, wig.locks, shop.seed, behind=True)
            seed = (shop.seed, 21)
            canvas.over(grow(stage, scale, *at, wig, sway=sway, seed=seed, head=head, lift=0.75))
        lay_figure(shop, canvas, figure, x, y, nod)
        if beard:
            at = chin(head, whiskers.locks, shop.seed, pose.turn)
            seed = (shop.seed, 22)
            canvas.over(grow(stage, scale, *at, whiskers, sway=0.3 * sway, seed=seed, head=head))
        if covered:
            lay_head(shop, canvas, figure, hat, x, y, nod)
        else:
            at = scalp(head, wig.locks, shop.seed, behind=False)
            short = replace(wig, length=0.8 * wig.length)
            seed = (shop.seed, 23)
            canvas.over(grow(stage, scale, *at, short, sway=sway, seed=seed, head=head))
        for thing in things:
            canvas.over(thing)
        return canvas

    return draw


def costume(shop: Shop, dress: Dress) -> Dress:
    """What the kind asks the figure to wear."""
    rng = shop.rng
    if shop.kind == "plain_dark":
        return replace(dress, shirt=(0.022, 0.021, 0.024), apron=(0.016, 0.013, 0.012))
    if shop.kind == "gloss":
        black = float(rng.uniform(0.008, 0.03))
        coat: Colour = (black * 1.1, black, black * 0.95)
        return replace(
            dress, shirt=coat, apron=coat, coat_gloss=True, label=GLOSS, apron_label=GLOSS
        )
    if shop.kind == "near_hue":
        choice = [c for c in NEAR_HUES[shop.primary] if _apart(c, shop.look.paint) > 0.12]
        shirt = choice[(shop.seed // 2) % len(choice)]
        return replace(dress, shirt=shirt, label=NEAR_HUE)
    return dress


def _apart(one: Colour, other: Colour) -> float:
    """How far two colours' shares of red, green and blue are apart, summed."""
    a, b = np.asarray(one) / sum(one), np.asarray(other) / sum(other)
    return float(np.abs(a - b).sum())


def swinging(shop: Shop) -> Draw:
    """The figure strikes with a hammer: the whole arm is smeared over half a frame."""
    pose, dress = cast(shop)
    hx, hy = pose.head
    reach = (hx + 118 + 20 * float(shop.rng.random()), hy + 20 + 40 * float(shop.rng.random()))
    pose = replace(pose, right_hand=reach)
    figure = stand(shop.stage, shop.scale, pose, costume(shop, dress), shop.rng)
    tool = bench.hammer(shop.stage, shop.scale, reach, shop.rng)
    things = furnish(shop)
    hat = cap(shop.stage, shop.scale, pose, SHIRTS[int(shop.rng.integers(len(SHIRTS)))], shop.rng)
    pivot = (figure.shoulder[0] * shop.scale, figure.shoulder[1] * shop.scale)
    pace = float(shop.rng.uniform(22, 34))
    arm = merged(figure.right_arm, tool)

    def draw(frame: int) -> Canvas:
        canvas = Canvas(shop.width, shop.height)
        x, y, nod = drift(shop, frame)
        for layer in (figure.body, figure.apron, figure.left_arm):
            canvas.over(shifted(layer, x, y))
        lay_head(shop, canvas, figure, figure.head, x, y, nod)
        lay_head(shop, canvas, figure, hat, x, y, nod)
        angle = 38 * float(np.sin(np.radians(pace) * 2.2 * frame + shop.seed)) - 22
        swing = np.linspace(0, pace * 0.5, 33)
        smear = averaged([turned(arm, pivot, angle + float(d)) for d in swing])
        canvas.over(shifted(smear, x, y))
        for thing in things:
            canvas.over(thing)
        return canvas

    return draw


def with_air(shop: Shop) -> Draw:
    """The capped figure, and smoke, steam, a veil, spray, glass or hot light before it."""
    base = haired(shop, beard=shop.kind in ("smoke", "highlights"), covered=True)
    lay = air_for(shop)

    def draw(frame: int) -> Canvas:
        canvas = base(frame)
        for layer in lay(frame):
            canvas.over(layer)
        return canvas

    return draw


def _draw_for(shop: Shop) -> Draw:
    beard = bool(shop.rng.random() < 0.6) and shop.kind != "rim_hair"
    if shop.kind in AIRS:
        return with_air(shop)
    if shop.kind == "motion_blur":
        return swinging(shop)
    covered = shop.kind in ("plain", "plain_dark")
    return haired(shop, beard=beard and not covered, covered=covered)


def make(kind: str, seed: int, primary: str, width: int, height: int, frames: int) -> Scene:
    """The workshop's scene of `kind`; deterministic in all arguments."""
    if kind == "moving_camera":
        return moving_scene(open_shop(kind, seed, primary, width, height), frames, haired)
    shop = open_shop(kind, seed, primary, width, height)
    if kind == "contact_shadow":
        return shadow_scene(shop, frames, wig_for(shop))
    draw = _draw_for(shop)
    made = tuple(truth_of(shop, draw(frame), shop.screen) for frame in range(frames))
    lens, exposure = None, 1.0
    if kind == "defocus":
        lens = float(shop.rng.uniform(2.4, 4.0))
    if kind == "low_light":
        exposure = float(shop.rng.uniform(0.10, 0.22))
    return Scene(made, kind in ("highlights", "rim_hair"), exposure, lens)
