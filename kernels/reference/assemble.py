"""The foreground and the composite: edge colour, straight, over, screen light, light wrap.

Mattes are (h, w) in 0..1, images (3, h, w) scene-linear in the working space; values below 0 and
above 1 survive. Everything is pointwise; the blurred planes that some ways need are arguments.
Premultiplied colour is always called foreground, colour not multiplied by the matte straight.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kernels.plan import Context, Plan, num, sigma_alpha
from kernels.recipe import Assemble, EdgeColour, ScreenLight
from kernels.reference.background import regrain
from kernels.reference.despill import flat_screen
from kernels.stages import colour_giver

Array = NDArray[Any]

ALPHA_FLOOR, ALPHA_SURE = 1e-4, 1e-3
"""below the one there is no colour to be had from the foreground, from the other on all of it"""
"""Below this matte value straight colour is the despilled plate itself."""
SETTLE_FLOOR = 1e-6
HELD = 1e20
"""Hold of a colour that was found for each pixel: nothing is added to it."""
UNMIX_FLOOR = 1e-6
SHADOW_FLOOR = 1e-6
WEIGHT_FLOOR = 1e-3


@dataclass(frozen=True, eq=False)
class Assembled:
    """The result: alpha (h, w) with the marked area taken out, and four (3, h, w) pictures."""

    alpha: Array
    despilled: Array
    straight: Array
    foreground: Array
    composite: Array


def final_alpha(
    matte: Array,
    *,
    keep_solid: Array | None = None,
    garbage: Array | None = None,
    plate_alpha: Array | None = None,
) -> Array:
    """max(matte, keep_solid) (1 - garbage) plate_alpha; garbage wins. All (h, w), None is unset.

    matte: the cumulative matte after its refinement, so that a spread never leaks into garbage.
    """
    alpha = matte if keep_solid is None else np.maximum(matte, keep_solid)
    if garbage is not None:
        alpha = alpha * (1 - garbage)
    if plate_alpha is not None:
        alpha = alpha * plate_alpha
    return alpha


# ---------------------------------------------------------------- edge colour


def settle_value(plan: Plan) -> float:
    """The matte value from which `subtract` acts in full: as set, or 3 sigma of the matte."""
    edge = plan.recipe.assemble.edge_colour
    return 3.0 * sigma_alpha(plan) if edge.settle_by_noise else num(edge.settle)


def hold_value(plan: Plan) -> float:
    """How strongly `unmix` holds the local estimate: as set, or wholly if an extractor found it."""
    edge = plan.recipe.assemble.edge_colour
    return num(edge.hold) if colour_giver(plan.recipe) is None else HELD


def multiply(alpha: Array, n_plate: Array) -> Array:
    """Foreground alpha * N(p). Exact where the screen is black."""
    return np.asarray(alpha * n_plate)


def subtract(alpha: Array, n_plate: Array, n_clean: Array, settle: float) -> Array:
    """Foreground w max(N(p) - (1 - alpha) N(c), min(0, N(p))) + (1 - w) alpha N(p).

    w = clamp(alpha / max(settle, 1e-6), 0, 1). Exactly alpha F for p = alpha F + (1 - alpha) c, a
    despiller that leaves both F and c linear, true alpha >= settle; N(p) where alpha is 1 and 0
    where alpha is 0. No channel of N(p) that is >= 0 gives a negative foreground.
    Source: the compositing equation, Porter & Duff 1984.
    """
    one = n_plate.dtype.type
    w = np.clip(alpha / one(max(settle, SETTLE_FLOOR)), 0, 1)
    taken = np.maximum(n_plate - (1 - alpha) * n_clean, np.minimum(n_plate, 0))
    return np.asarray(w * taken + (1 - w) * (alpha * n_plate))


def local_foreground_weight(alpha: Array) -> Array:
    """How far a pixel is a sample of the foreground's colour: alpha squared, (h, w).

    Source: inverse variance: colour found as foreground / alpha has noise that goes with 1 / alpha.
    """
    return np.asarray(alpha * alpha)


def local_foreground_finish(
    blurred_weighted: Array, blurred_weight: Array, n_plate: Array
) -> Array:
    """Local foreground estimate: (blur(w N(p)) + 1e-3 N(p)) / (blur(w) + 1e-3).

    Where nothing solid is near it is the despilled plate. (3, h, w), (h, w), (3, h, w).
    """
    floor = n_plate.dtype.type(WEIGHT_FLOOR)
    return np.asarray((blurred_weighted + floor * n_plate) / (blurred_weight + floor))


def unmix(alpha: Array, n_plate: Array, n_clean: Array, foreground: Array, hold: float) -> Array:
    """Foreground alpha F with F held near a local estimate F0.

    F minimises |N(p) - alpha F - (1 - alpha) N(c)|^2 + hold |F - F0|^2 (Tikhonov), that is
    F = F0 + alpha / (alpha^2 + hold) * (N(p) - alpha F0 - (1 - alpha) N(c)); the denominator is at
    least 1e-6. The foreground is kept >= min(0, N(p)) as in `subtract`; 0 where alpha is 0.
    Source: Tikhonov & Arsenin 1977 for the regularised least squares.
    """
    one = n_plate.dtype.type
    gain = alpha / np.maximum(alpha * alpha + one(hold), one(UNMIX_FLOOR))
    rest = n_plate - alpha * foreground - (1 - alpha) * n_clean
    return np.asarray(np.maximum(alpha * (foreground + gain * rest), np.minimum(n_plate, 0)))


def edge_colour(
    edge: EdgeColour,
    alpha: Array,
    n_plate: Array,
    n_clean: Array,
    *,
    settle: float,
    hold: float,
    local_foreground: Array | None = None,
) -> Array:
    """The premultiplied foreground; `unmix` without an estimate has N(p) as F0."""
    if edge.method == "multiply":
        return multiply(alpha, n_plate)
    if edge.method == "subtract":
        return subtract(alpha, n_plate, n_clean, settle)
    estimate = n_plate if local_foreground is None else local_foreground
    return unmix(alpha, n_plate, n_clean, estimate, hold)


def foreground_gain(assemble: Assemble, like: Array) -> Array:
    """Exposure and white balance as a factor a channel, (3, 1, 1): gain * 2^stops."""
    gain = np.asarray(assemble.foreground_gain, dtype=np.float64)
    gain = gain * 2.0 ** num(assemble.foreground_exposure_stops)
    return np.asarray(gain.reshape(3, 1, 1).astype(like.dtype))


def straight(foreground: Array, alpha: Array, n_plate: Array) -> Array:
    """Colour not multiplied by the matte: foreground / alpha, N(p) where alpha <= 1e-4.

    In between it goes over from one to the other up to alpha = 1e-3: with a jump there, an alpha
    that differs in its seventh place would give another colour.
    """
    share = np.clip((alpha - ALPHA_FLOOR) / (ALPHA_SURE - ALPHA_FLOOR), 0, 1).astype(alpha.dtype)
    own = foreground / np.maximum(alpha, alpha.dtype.type(ALPHA_FLOOR))
    return np.where(share > 0, (1 - share) * n_plate + share * own, n_plate)


def over(foreground: Array, alpha: Array, background: Array) -> Array:
    """Premultiplied over: foreground + (1 - alpha) background. Source: Porter & Duff 1984."""
    return np.asarray(foreground + (1 - alpha) * background)


# ---------------------------------------------------------------- carry and light wrap


def alpha_outside_area(alpha: Array, area: Array | None) -> Array:
    """alpha (1 - m) in the marked area m; None is nowhere."""
    return alpha if area is None else np.asarray(alpha * (1 - area))


def screen_light_source(denoised: Array, clean: Array | None, ctx: Context) -> Array:
    """max(0, p - c): the light on the screen beyond its own, before it is despilled."""
    screen = flat_screen(ctx, denoised) if clean is None else clean
    return np.asarray(np.maximum(denoised - screen, 0))


def screen_light(
    background: Array,
    p: ScreenLight,
    ctx: Context,
    *,
    area: Array | None,
    shadow: Array | None = None,
    clean: Array | None = None,
    light: Array | None = None,
) -> Array:
    """The background with the screen's shadows and light, (3, h, w).

    background * mix(1, clamp(shadow / max(c_k, 1e-6), 0, 1), shadows m) + light_amount m light

    shadow: blur of the denoised primary, (h, w). light: `screen_light_source` despilled, (3, h, w)
    area: m, (h, w); None carries nothing.
    """
    if area is None:
        return background
    out = background
    if shadow is not None:
        screen = flat_screen(ctx, background) if clean is None else clean
        lit = np.clip(shadow / np.maximum(screen[ctx.k], background.dtype.type(SHADOW_FLOOR)), 0, 1)
        out = out * (1 + (lit - 1) * (background.dtype.type(num(p.shadows)) * area))
    if light is not None and num(p.light) > 0:
        out = out + (background.dtype.type(num(p.light)) * area) * light
    return np.asarray(out)


def wrap_source(alpha: Array, background: Array) -> Array:
    """(1 - alpha) background, both with the carry applied: what is blurred for the light wrap."""
    return np.asarray((1 - alpha) * background)


def light_wrap(composite: Array, alpha: Array, wrap: Array, amount: float) -> Array:
    """composite + amount * alpha * blur((1 - alpha) background). Identity at amount 0."""
    return np.asarray(composite + (composite.dtype.type(amount) * alpha) * wrap)


# ---------------------------------------------------------------- all of it


def assemble(
    plan: Plan,
    *,
    alpha: Array,
    n_plate: Array,
    n_clean: Array,
    background: Array | None,
    clean: Array | None = None,
    local_foreground: Array | None = None,
    area: Array | None = None,
    shadow: Array | None = None,
    light: Array | None = None,
    wrap: Array | None = None,
    origin: tuple[int, int] = (0, 0),
) -> Assembled:
    """Everything from the final matte and the despilled plate to the composite.

    alpha: `final_alpha`. n_plate, n_clean: the same despill passes on the plate and on the clean
    plate (or flat screen, (3, 1, 1)). background: placed; None is black. clean: for the screen's
    shadows; None is the flat screen. local_foreground, shadow, wrap: planes of the plan's stages.
    light: the screen's own, despilled. area: the marked area. origin: (x, y) of the first pixel in
    the frame, for grain that does not depend on tiles.
    """
    settings, ctx = plan.recipe.assemble, plan.context
    a = alpha_outside_area(alpha, area)
    gain = foreground_gain(settings, n_plate)
    cut = edge_colour(
        settings.edge_colour,
        a,
        n_plate,
        n_clean,
        settle=settle_value(plan),
        hold=hold_value(plan),
        local_foreground=local_foreground,
    )
    cut = cut * gain
    back: Array = np.zeros((3, 1, 1), n_plate.dtype) if background is None else background
    if background is not None:
        back = screen_light(
            back, settings.screen_light, ctx, area=area, shadow=shadow, clean=clean, light=light
        )
        grain = num(settings.background.regrain)
        back = regrain(back, ctx.noise, grain, ctx.frame, origin[0], origin[1])
    composite = over(cut, a, back)
    if wrap is not None:
        composite = light_wrap(composite, a, wrap, num(settings.light_wrap.amount))
    return Assembled(a, n_plate, straight(cut, a, n_plate * gain), cut, composite)
