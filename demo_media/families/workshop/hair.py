"""Wigs and beards: guide curves per lock, fibres with two highlights and light passing through."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from demo_media.families.coverage import Fibres, painted_fibres
from demo_media.families.layers import Layer
from demo_media.families.scene import Colour
from demo_media.families.workshop.light import Stage, Vector

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Wig:
    """`locks` of `per_lock` fibres; sizes in units; `through` is how much light passes."""

    colour: Colour
    locks: int = 70
    per_lock: int = 40
    length: float = 60
    curl: float = 5
    frizz: float = 1.0
    thick: float = 0.25
    through: float = 0.25
    loose: int = 120


def _guides(
    roots: Array, outward: Array, wig: Wig, sway: float, steps: int, rng: np.random.Generator
) -> Array:
    """One curve per lock (n, steps, 2): thrown outwards, pulled down, curled and swaying."""
    n = len(roots)
    s = np.linspace(0, 1, steps)[None, :, None]
    length = wig.length * rng.uniform(0.55, 1.15, (n, 1, 1))
    lean = rng.normal(0, 0.22, (n, 1, 2))
    out = outward[:, None, :] + lean
    fall = np.array([0.0, 1.0])
    path = roots[:, None, :] + length * (s * out * (1 - 0.45 * s) + fall * 0.75 * s**2.2)
    phase, turns = rng.uniform(0, 6.3, (n, 1)), rng.uniform(1.5, 3.5, (n, 1))
    wave = np.sin(phase + turns * 2 * np.pi * s[..., 0]) * wig.curl * s[..., 0]
    across = np.stack([-out[..., 1], out[..., 0]], -1)
    path = path + wave[..., None] * across
    path[..., 0] += sway * s[..., 0] ** 1.6 * np.linspace(0.6, 1.4, n)[:, None]
    return np.asarray(path)


def _fibres(guides: Array, wig: Wig, per_lock: int, rng: np.random.Generator) -> Array:
    """Fibres about each guide, drawn together at the root and half open at the tip."""
    n, m, _ = guides.shape
    s = np.linspace(0, 1, m)
    width = 1.2 + 3.4 * np.sin(np.pi * np.minimum(s * 0.8, 1)) + 1.5 * s
    spread = rng.normal(0, 1, (n, per_lock, 1, 2)) * width[None, None, :, None]
    wander = _wander((n, per_lock), s, rng) * wig.frizz
    shorter = rng.uniform(0.7, 1.0, (n, per_lock, 1))
    place = s[None, None, :] * shorter * (m - 1)
    low = np.clip(place.astype(int), 0, m - 2)
    part = (place - low)[..., None]
    index = np.arange(n)[:, None, None]
    base = guides[index, low] * (1 - part) + guides[index, low + 1] * part
    return np.asarray((base + spread + wander).reshape(n * per_lock, m, 2))


def _wander(shape: tuple[int, int], s: Array, rng: np.random.Generator) -> Array:
    """Smooth sideways drift of every fibre (n, k, m, 2): two slow waves that grow to the tip."""
    total = np.zeros((*shape, len(s), 2))
    for turns, strength in ((0.8, 1.5), (2.3, 0.6)):
        phase = rng.uniform(0, 2 * np.pi, (*shape, 1, 2))
        size = rng.normal(0, strength, (*shape, 1, 2))
        pace = turns * rng.uniform(0.6, 1.4, (*shape, 1, 2))
        angle = phase + 2 * np.pi * pace * s[None, None, :, None]
        total += size * (np.sin(angle) - np.sin(phase)) * s[None, None, :, None]
    return total


def _lit(
    points: Array, wig: Wig, stage: Stage, inner: Array, outside: Array, rng: np.random.Generator
) -> Array:
    """Clean colour (n, m, 3): a white highlight off the cuticle, a coloured one from within.

    After Kajiya & Kay 1989 and Marschner et al. 2003, much simplified: the coloured highlight is
    shifted towards the tip and tinted by the fibre. Lamps behind reach what is `outside`
    (n, m, 1), 0 behind the head and its hair to 1 clear of them.
    """
    d = np.gradient(points, axis=1)
    depth = 0.35 * np.sin(np.arange(points.shape[1]) * 0.7 + rng.uniform(0, 6, (len(points), 1)))
    tangent = np.concatenate([d, depth[..., None] * np.linalg.norm(d, axis=-1, keepdims=True)], -1)
    tangent /= np.maximum(np.linalg.norm(tangent, axis=-1, keepdims=True), 1e-9)
    colour = np.asarray(wig.colour) * np.exp(rng.normal(0, 0.22, (len(points), 1, 1)))
    colour = colour * np.exp(rng.normal(0, 0.06, (len(points), 1, 3)))
    total = colour * np.asarray(stage.sky, float) * 0.9
    for lamp, light in (
        (stage.key, stage.key_colour),
        (stage.fill, stage.fill_colour),
        (stage.rim, stage.rim_colour),
    ):
        reach = outside if float(lamp[2]) < 0 else 1.0
        total = total + reach * _scattered(tangent, colour, np.asarray(lamp, float), light, wig)
    return np.asarray(total * inner)


def _scattered(tangent: Array, colour: Array, lamp: Array, light: Vector, wig: Wig) -> Array:
    along = (tangent @ lamp)[..., None]
    eye = tangent[..., 2:3]
    sin_lamp, sin_eye = np.sqrt(np.clip(1 - along**2, 0, 1)), np.sqrt(np.clip(1 - eye**2, 0, 1))
    first = np.clip(sin_lamp * sin_eye - along * eye - 0.04, 0, 1) ** 60
    second = np.clip(sin_lamp * sin_eye - along * eye + 0.10, 0, 1) ** 14
    behind = max(-float(lamp[2]), 0.0)
    matt = 0.45 * colour * sin_lamp
    passed = wig.through * np.sqrt(colour) * (0.35 + 1.6 * behind) * sin_lamp
    gloss = (0.07 + 2.4 * behind) * first + 0.24 * np.sqrt(colour) * second
    return np.asarray((matt + passed + gloss * (1 + 1.5 * behind)) * np.asarray(light, float))


def _screen_on(points: Array, wig: Wig, stage: Stage, scale: float, inner: Array) -> Array:
    """Spill (n, m, 3): the screen's light off the back of a fibre and through it."""
    g = stage.glow
    col = np.clip(points[..., 0] * scale / 8, 0, g.shape[2] - 1).astype(int)
    row = np.clip(points[..., 1] * scale / 8, 0, g.shape[1] - 1).astype(int)
    seen = np.moveaxis(g[:, row, col], 0, -1).astype(float)
    colour = np.asarray(wig.colour)
    share = 0.30 * colour + wig.through * 0.9 * np.sqrt(colour) + 0.02
    return np.asarray(stage.spill * seen * share * np.clip(1.5 * inner - 0.4, 0.05, 1.2))


def grow(
    stage: Stage,
    scale: float,
    roots: Array,
    outward: Array,
    wig: Wig,
    *,
    sway: float,
    seed: tuple[int, ...],
    head: tuple[float, float],
    lift: float = 1.0,
) -> Layer:
    """Hair from `roots` (n, 2) along `outward` (n, 2), in units, as one layer; the last on top.

    The same `seed` gives the same hair, so that only `sway` moves it. `head` is the
    middle of what it grows on, `lift` scales its light.
    """
    rng = np.random.default_rng(seed)
    steps = 14
    guides = _guides(roots, outward, wig, sway, steps, rng)
    points = _fibres(guides, wig, wig.per_lock, rng)
    if wig.loose:
        pick = rng.integers(0, len(roots), wig.loose)
        far = Wig(wig.colour, length=wig.length * 1.15, curl=wig.curl * 2.2, frizz=wig.frizz * 2.4)
        out = outward[pick] * rng.uniform(0.9, 1.5, (wig.loose, 1))
        stray = _guides(roots[pick], out, far, 1.6 * sway, steps, rng)
        points = np.concatenate([points, _fibres(stray, far, 1, rng)])
    order = rng.permutation(len(points))
    points = points[order]
    s = np.linspace(0, 1, steps)[None, :, None]
    buried = np.linspace(0.55, 1.1, len(points))[:, None, None]
    inner = buried * (0.6 + 0.4 * s)
    off = (points - np.asarray(head)) / (46 + 0.25 * wig.length, 50 + 0.15 * wig.length)
    far = np.linalg.norm(off, axis=-1, keepdims=True)
    toward = (off @ np.asarray(stage.rim[:2], float))[..., None] / np.maximum(far, 1e-6)
    clear = far - 0.86 - rng.normal(0, 0.10, (len(points), 1, 1)) + 0.12 * toward
    outside = np.clip(clear / 0.22, 0.02, 1) * np.clip(0.45 + 0.8 * toward, 0.12, 1)
    clean = _lit(points, wig, stage, inner * lift, outside, rng)
    spill = _screen_on(points, wig, stage, scale, inner)
    thick = wig.thick * np.exp(rng.normal(0, 0.25, (len(points), 1)))
    width = thick * (1 - 0.75 * np.linspace(0, 1, steps)[None, :] ** 2)
    low = np.floor(points.min(axis=(0, 1)) * scale).astype(int) - 4
    high = np.ceil(points.max(axis=(0, 1)) * scale).astype(int) + 4
    fibres = Fibres(points * scale - low, width * scale, clean, spill)
    made = painted_fibres(fibres, (int(high[1] - low[1]), int(high[0] - low[0])))
    box = (int(low[0]), int(low[1]), int(high[0]), int(high[1]))
    return Layer(box, *made)


def scalp(head: tuple[float, float], count: int, seed: int, *, behind: bool) -> tuple[Array, Array]:
    """Roots and outward directions on the crown: all round it behind, from its front before."""
    rng = np.random.default_rng([seed, 11, int(behind)])
    low, high = (-2.95, -0.19) if not behind else (-3.5, 0.36)
    angle = np.sort(rng.uniform(low, high, count))
    rng.shuffle(angle)
    radius = rng.uniform(0.62, 0.98, count) if not behind else rng.uniform(0.55, 1.0, count)
    out = np.stack([np.cos(angle), np.sin(angle)], 1)
    roots = np.asarray(head) + (0, -10) + out * radius[:, None] * (33, 37)
    return roots, out * (0.75, 0.55) + np.array([0, -0.12])


def chin(head: tuple[float, float], count: int, seed: int, turn: float) -> tuple[Array, Array]:
    """Roots and directions of a beard along the jaw."""
    rng = np.random.default_rng([seed, 12])
    angle = rng.uniform(0.15, np.pi - 0.15, count)
    out = np.stack([np.cos(angle), np.sin(angle)], 1)
    inward = rng.uniform(0.55, 1.0, count)[:, None]
    roots = np.asarray(head) + (3 * turn, 14) + out * inward * (25, 29)
    return roots, out * (0.45, 0.55)
