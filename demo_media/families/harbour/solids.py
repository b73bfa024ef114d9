"""Figures as signed distances: round cones and ellipsoids, ray-marched along the camera's axis.

Units: 1 is the picture's height, x to the right, y down, z towards the camera. The camera is
orthographic, so a solid's outline is the zero line of the distance in the picture's plane, which
is known without marching; marching finds the surface's depth, normal and shadows.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float32]
Vector = tuple[float, float, float]

_MELT = 70.0  # how sharply neighbouring solids run into each other, 1 / picture height


@dataclass(frozen=True)
class Stuff:
    """What a solid is made of: albedo, specular strength and sharpness, weave, and its label."""

    albedo: Vector
    gloss: float = 0.05
    sharpness: float = 12.0
    weave: str = "plain"
    near_hue: bool = False


@dataclass
class Model:
    """Round cones (a, b, radius at a, radius at b) and ellipsoids (centre, radii) with their stuff.

    `cones` and `balls` keep the order of adding; stuff i belongs to cone i, then to the balls.
    """

    cones: list[tuple[Vector, Vector, float, float]] = field(default_factory=list)
    balls: list[tuple[Vector, Vector]] = field(default_factory=list)
    cone_stuff: list[Stuff] = field(default_factory=list)
    ball_stuff: list[Stuff] = field(default_factory=list)

    def cone(self, a: Vector, b: Vector, ra: float, rb: float, stuff: Stuff) -> None:
        self.cones.append((a, b, ra, rb))
        self.cone_stuff.append(stuff)

    def ball(self, centre: Vector, radii: Vector, stuff: Stuff) -> None:
        self.balls.append((centre, radii))
        self.ball_stuff.append(stuff)

    @property
    def stuff(self) -> list[Stuff]:
        return self.cone_stuff + self.ball_stuff

    def distances(self, x: Array, y: Array, z: Array | None) -> Array:
        """Distance of points (n,) to every solid, (k, n); in the picture's plane if z is None."""
        flat = z is None
        depth = np.zeros_like(x) if z is None else z
        out = [_cone(x, y, depth, *c, flat=flat) for c in self.cones]
        out += [_ball(x, y, depth, *b, flat=flat) for b in self.balls]
        return np.stack(out)

    def melted(self, x: Array, y: Array, z: Array | None) -> Array:
        """Smooth least distance, (n,)."""
        every = self.distances(x, y, z)
        least = every.min(axis=0)
        total = np.exp(np.minimum(_MELT * (least - every), 0)).sum(axis=0)
        return np.asarray(least - np.log(total) / np.float32(_MELT), np.float32)

    def weights(self, x: Array, y: Array, z: Array) -> Array:
        """How much each solid's stuff decides the surface there, (k, n), adding up to 1."""
        every = self.distances(x, y, z)
        share = np.exp(np.float32(500) * (every.min(axis=0) - every))
        return np.asarray(share / share.sum(axis=0), np.float32)


def _cone(
    x: Array, y: Array, z: Array, a: Vector, b: Vector, ra: float, rb: float, *, flat: bool
) -> Array:
    ax, ay, az = (np.float32(v) for v in a)
    bx, by, bz = (np.float32(p - q) for p, q in zip(b, a, strict=True))
    px, py = x - ax, y - ay
    if flat:
        az, bz = np.float32(0), np.float32(0)
    pz = z - az
    square = np.float32(max(float(bx * bx + by * by + bz * bz), 1e-9))
    t = np.clip((px * bx + py * by + pz * bz) / square, 0, 1)
    dx, dy, dz = px - t * bx, py - t * by, pz - t * bz
    gap = np.sqrt(dx * dx + dy * dy + dz * dz)
    return np.asarray(gap - (np.float32(ra) + t * np.float32(rb - ra)), np.float32)


def _ball(x: Array, y: Array, z: Array, centre: Vector, radii: Vector, *, flat: bool) -> Array:
    rx, ry, rz = (np.float32(r) for r in radii)
    px, py = (x - np.float32(centre[0])) / rx, (y - np.float32(centre[1])) / ry
    pz = np.zeros_like(x) if flat else (z - np.float32(centre[2])) / rz
    k0 = np.sqrt(px * px + py * py + pz * pz)
    k1 = np.sqrt((px / rx) ** 2 + (py / ry) ** 2 + (pz / rz) ** 2)
    return np.asarray(k0 * (k0 - 1) / np.maximum(k1, 1e-6), np.float32)


@dataclass(frozen=True)
class Surface:
    """What the camera sees of a model on a grid: maps of (h, w) or (3, h, w), float32.

    `outline` is the distance in the picture's plane (negative inside), `depth` z of the surface,
    `shade` the share of each lamp (lamps, h, w) that reaches it, `weights` the solids' shares
    (k, h, w), `closeness` how open the surface is to its surroundings, 0 shut to 1 open.
    """

    outline: Array
    depth: Array
    normal: Array
    shade: Array
    weights: Array
    closeness: Array


def march(model: Model, x: Array, y: Array, lamps: list[Vector], margin: float) -> Surface:
    """Look along −z at a model on the grid x, y (h, w each); lamps are directions towards them."""
    shape = x.shape
    xs, ys = x.ravel(), y.ravel()
    outline = model.melted(xs, ys, None)
    near = np.flatnonzero(outline < margin)
    px, py = xs[near], ys[near]
    z = _first_hit(model, px, py)
    normal = _normals(model, px, py, z)
    shade = np.stack([_shadow(model, px, py, z, normal, lamp) for lamp in lamps])
    reach = np.float32(0.05)
    open_to = model.melted(px + reach * normal[0], py + reach * normal[1], z + reach * normal[2])

    def spread(values: Array, empty: float = 0.0) -> Array:
        out = np.full((values.shape[0], xs.size), empty, np.float32)
        out[:, near] = values
        return out.reshape(-1, *shape)

    return Surface(
        outline.reshape(shape),
        spread(z[None])[0],
        spread(normal),
        spread(shade, 1.0),
        spread(model.weights(px, py, z)),
        spread(np.clip(open_to / reach, 0, 1)[None], 1.0)[0],
    )


def _first_hit(model: Model, x: Array, y: Array) -> Array:
    """Depth of the surface, or of the nearest approach where a ray passes by."""
    z = np.full(x.shape, 0.45, np.float32)
    best, best_z = np.full(x.shape, 9.0, np.float32), z.copy()
    active = np.arange(x.size)
    for _ in range(30):
        if not active.size:
            break
        gap = model.melted(x[active], y[active], z[active])
        closer = gap < best[active]
        best[active[closer]] = gap[closer]
        best_z[active[closer]] = z[active[closer]]
        z[active] -= np.maximum(gap * np.float32(0.95), np.float32(0.001))
        active = active[(gap > 0.0012) & (z[active] > -0.45)]
    return best_z


def _normals(model: Model, x: Array, y: Array, z: Array) -> Array:
    step = np.float32(0.004)
    base = model.melted(x, y, z)
    slope = np.stack(
        [
            model.melted(x + step, y, z) - base,
            model.melted(x, y + step, z) - base,
            model.melted(x, y, z + step) - base,
        ]
    )
    return np.asarray(slope / np.maximum(np.sqrt((slope**2).sum(axis=0)), 1e-9), np.float32)


def _shadow(model: Model, x: Array, y: Array, z: Array, normal: Array, lamp: Vector) -> Array:
    """Soft shadow: 1 lit, 0 dark, by how closely the way to the lamp passes other solids."""
    light = np.ones(x.shape, np.float32)
    along = np.float32(0.03)
    start = [p + np.float32(0.012) * n for p, n in zip((x, y, z), normal, strict=True)]
    facing = np.flatnonzero(np.tensordot(np.asarray(lamp, np.float32), normal, 1) > -0.1)
    for _ in range(7):
        there = [s[facing] + along * np.float32(d) for s, d in zip(start, lamp, strict=True)]
        gap = model.melted(there[0], there[1], there[2])
        light[facing] = np.minimum(light[facing], np.clip(0.5 + 7 * gap / along, 0, 1))
        along = np.float32(along * 1.5)
    return light
