"""Clear and tinted things: glass floats and a bottle, a fishing net, spray, and hot metal."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from demo_media.families.harbour.fibre import Fibres, painted
from demo_media.families.harbour.lamps import Rig
from demo_media.families.harbour.layers import Pane, coverage
from demo_media.families.harbour.weather import field

Image = NDArray[np.float32]
Colour = tuple[float, float, float]

SEE_THROUGH = 3
TINTS: tuple[Colour, ...] = (
    (0.55, 0.30, 0.10),
    (0.20, 0.42, 0.46),
    (0.58, 0.34, 0.38),
    (0.34, 0.36, 0.40),
    (0.34, 0.40, 0.16),
)
"""What each glass lets through over one radius of thickness."""


def _profile(height: int, width: int, centre: tuple[float, float], tall: float) -> Image:
    """Half width in pixels of a bottle standing on `centre` at every row, 0 outside it."""
    y = (centre[1] - (np.arange(height, dtype=np.float32) + 0.5)) / np.float32(tall)
    points = [0, 0.02, 0.06, 0.52, 0.64, 0.74, 0.93, 0.94, 0.99, 1.0]
    shape = [0.12, 0.155, 0.17, 0.17, 0.12, 0.055, 0.05, 0.066, 0.066, 0.05]
    half = np.interp(y, points, shape)
    return np.asarray(half * tall, np.float32)


def _shape(
    height: int, width: int, centre: tuple[float, float], size: float, *, bottle: bool
) -> tuple[Image, Image, Image, Image]:
    """Signed distance, share of the radius from the axis, and the normal's x and y, (h, w) each."""
    x = np.arange(width, dtype=np.float32)[None, :] + 0.5 - np.float32(centre[0])
    y = np.arange(height, dtype=np.float32)[:, None] + 0.5 - np.float32(centre[1])
    if bottle:
        half = _profile(height, width, centre, size)[:, None]
        distance = np.maximum(np.abs(x) - half, np.maximum(y, -y - np.float32(size)))
        u = np.clip(np.abs(x) / np.maximum(half, 1), 0, 1)
        nx, ny = np.sign(x) * u, np.gradient(-half, axis=0) * np.ones_like(x) * 0.4
    else:
        reach = np.hypot(x, y)
        distance = reach - np.float32(size)
        u = np.clip(reach / np.float32(size), 0, 1)
        nx, ny = x / np.float32(size), y / np.float32(size)
    shape = (height, width)
    made = (np.broadcast_to(v, shape).astype(np.float32) for v in (distance, u, nx, ny))
    first, second, third, fourth = made
    return first, second, third, fourth


def glass(
    rng: np.random.Generator,
    rig: Rig,
    behind: Image,
    centre: tuple[float, float],
    size: float,
    tint: Colour,
    *,
    bottle: bool,
) -> Pane:
    """A hollow float (a sphere about `centre`) or a bottle standing on it, `size` pixels.

    Light crosses two walls whose length follows from the shape, is absorbed by exp(−a·length) in
    every channel, and part of it is mirrored (Schlick 1994). Alpha is one minus the share of the
    channel that gets through worst; what the others let through on top of it is spill.
    """
    height, width = behind.shape[1:]
    distance, u, nx, ny = _shape(height, width, centre, size, bottle=bottle)
    rest = np.array([[1, 0, 0], [0, 1, 0]], np.float64)
    cover = coverage(distance, rest, width, height)
    through = _let_through(rng, u, size, tint, bottle=bottle)
    nz = np.sqrt(np.clip(1 - u * u, 0.0, 1))
    fresnel = 0.05 + 0.95 * (1 - nz) ** 5
    through = through * (1 - fresnel)
    alpha = cover * (1 - through.min(axis=0))
    over = cover * (through - through.min(axis=0))
    key = np.asarray(rig.lamps[0].colour, np.float32)[:, None, None]
    sky = np.asarray((0.30, 0.32, 0.36), np.float32)[:, None, None]
    body = np.asarray(tint, np.float32)[:, None, None] * 0.10 * (1 - through)
    own = cover * (body + fresnel * sky * (0.4 + 0.6 * np.clip(-ny, 0, 1))) + 0.16 * over
    wall_light = np.asarray(rig.wall, np.float32)[:, None, None]
    spill = over * behind + cover * fresnel * 0.45 * wall_light - 0.16 * over
    glint = _windows(rig, nx, ny) * cover
    glow = key * glint * np.float32(rng.uniform(1.2, 2.6))
    return Pane(
        np.asarray(own, np.float32),
        np.asarray(spill, np.float32),
        np.asarray(alpha, np.float32),
        np.asarray(glow, np.float32),
        SEE_THROUGH,
        0.04,
    )


def _let_through(
    rng: np.random.Generator, u: Image, size: float, tint: Colour, *, bottle: bool
) -> Image:
    """What two walls let through in every channel (3, h, w), with a few seeds in the glass."""
    height, width = u.shape
    wall = np.sqrt(1 - (0.88 * u) ** 2) if bottle else np.sqrt(np.clip(1 - u * u, 0, 1))
    inner = np.sqrt(np.clip(0.86**2 - u * u, 0, 1))
    length = 0.45 + np.clip(wall - inner, 0.1, 1) * 1.3
    seeds = np.clip(field(rng, height, width, size * 0.05, 1.5) - 1.9, 0, 1) * 0.3
    absorb = -np.log(np.asarray(tint, np.float32))[:, None, None]
    return np.asarray(np.exp(-absorb * (length + seeds)), np.float32)


def _windows(rig: Rig, nx: Image, ny: Image) -> Image:
    """The key lamp as a bright pane mirrored on a round surface, and a weak one opposite."""
    lx, ly = rig.lamps[0].towards[0], rig.lamps[0].towards[1]
    out = np.zeros_like(nx * ny)
    for cx, cy, size, gain in ((0.62 * lx, 0.62 * ly, 0.085, 1.0), (-0.55, 0.35, 0.05, 0.25)):
        box = np.maximum(np.abs(nx - cx) - size, np.abs(ny - cy) - 1.7 * size)
        out = out + gain * np.clip(0.5 - box / 0.03, 0, 1)
    return np.asarray(out, np.float32)


def net(
    rng: np.random.Generator, rig: Rig, flow: tuple[Image, Image], phase: float, mesh: float
) -> tuple[Fibres, Image]:
    """A hung fishing net: knotted threads, and the fine gauze between them as an optical depth.

    Returns the threads and the depth (h, w). `mesh` is the mesh's size in pixels.
    """
    height, width = flow[0].shape
    rows, columns = int(height / mesh) + 6, int(width * 0.62 / mesh) + 2
    left = width * float(rng.uniform(0.05, 0.33))
    steps = 4 * rows
    v = np.linspace(0, rows, steps, dtype=np.float32)[None, :]
    wave = rng.uniform(0, 6.3, 3)

    def place(u: Image, v: Image) -> tuple[Image, Image]:
        fold = 0.9 * np.sin(0.55 * u + wave[0] + 0.25 * phase) + 0.5 * np.sin(1.3 * u + wave[1])
        x = left + mesh * (u + fold * (0.35 + 0.03 * v))
        y = mesh * (v - 2) + 0.10 * mesh * np.sin(0.8 * u + wave[2]) * v
        return np.asarray(x, np.float32), np.asarray(y, np.float32)

    lines = []
    for sign in (1.0, -1.0):
        start = np.arange(-rows, columns + rows, dtype=np.float32)[:, None]
        u = np.clip(start + sign * v * 0.7 + 0.06 * np.sin(2 * np.pi * v), 0, columns)
        lines.append(place(np.asarray(u, np.float32), np.asarray(v + 0 * u, np.float32)))
    x = np.concatenate([a for a, _ in lines])
    y = np.concatenate([b for _, b in lines])
    knot = np.abs(np.sin(np.pi * v * 0.7)) ** 8
    size = np.broadcast_to(mesh * (0.055 + 0.05 * knot), x.shape).astype(np.float32)
    shade = 0.6 + 0.4 * np.cos(2.1 * np.pi * v + 0 * x) * 0.5
    base = np.asarray((0.16, 0.105, 0.06), np.float32)[:, None, None]
    wall = np.asarray(rig.wall, np.float32)[:, None, None]
    own = base * shade * (0.4 + np.asarray(rig.lamps[0].colour, np.float32)[:, None, None])
    fibres = Fibres(x, y, size, own.astype(np.float32), np.asarray(0.12 * wall + 0 * own))
    u_grid = (np.arange(width, dtype=np.float32)[None, :] - left) / mesh + np.zeros((height, 1))
    density = 0.34 + 0.30 * np.sin(0.55 * u_grid + wave[0] + 0.9 + 0.25 * phase) ** 2
    density *= np.clip(u_grid, 0, 0.15) / 0.15 * np.clip(columns - u_grid, 0, 0.15) / 0.15
    weave = 1 + 0.12 * field(rng, height, width, max(0.06 * mesh, 1), 1)
    return fibres, np.asarray(density * weave, np.float32)


def net_panes(
    rng: np.random.Generator, rig: Rig, flow: tuple[Image, Image], phase: float, mesh: float
) -> list[Pane]:
    """The net's gauze and its threads."""
    height, width = flow[0].shape
    fibres, depth = net(rng, rig, flow, phase, mesh)
    alpha = np.asarray(1 - np.exp(-np.clip(depth, 0, None)), np.float32)
    light = 0.26 * np.asarray(rig.lamps[0].colour, np.float32)[:, None, None] + 0.05
    wall = np.asarray(rig.wall, np.float32)[:, None, None]
    own = np.asarray(alpha * light * np.array([1, 0.96, 0.88], np.float32)[:, None, None])
    gauze = Pane(own, np.asarray(0.22 * wall * alpha), alpha, None, SEE_THROUGH, 0.03)
    return [gauze, painted(fibres, width, height, SEE_THROUGH)]
