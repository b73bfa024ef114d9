"""The cpu engine's denoising: the averages of `reference.denoise` in row tiles over threads."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Executor
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from kernels.plan import num
from kernels.recipe import Denoise, Noise
from kernels.reference import denoise as reference
from kernels.reference.denoise import NEIGHBOUR_REACH_PX, PATCH_PX, REACH_PX

Array = NDArray[Any]
ROWS = 32
"""Rows of a tile: its planes stay in the processor's cache."""


def denoise(
    frames: Sequence[Array],
    noise: Noise,
    settings: Denoise,
    weights: Sequence[float],
    pool: Executor,
) -> Array:
    """Return what `reference.denoise.denoise` does, within 2e-5 of it, in float32."""
    plate = frames[0]
    strength = num(settings.strength)
    if any(f.shape != plate.shape for f in frames):
        raise ValueError("frames differ in size")
    if strength == 0:
        return plate.copy()
    to = reference.stabiliser(noise)
    margin = REACH_PX + PATCH_PX
    height = plate.shape[1]
    total, share = plate.copy(), np.ones(plate.shape[1:], np.float32)
    here = reference.bordered(reference.guide_of(plate, to), margin)
    for n, frame in enumerate(frames):  # one at a time: UHD frames are large
        there = here if n == 0 else reference.bordered(reference.guide_of(frame, to), margin)
        picture = reference.bordered(frame, margin)

        def tile(y0: int, there: Array = there, picture: Array = picture, n: int = n) -> None:
            rows = slice(y0, min(y0 + ROWS, height))
            cut = (slice(None), slice(y0, rows.stop + 2 * margin))
            work = _from_neighbour if n else _from_itself
            work(here[cut], there[cut], picture[cut], strength, total[:, rows], share[rows])

        list(pool.map(tile, range(0, height, ROWS)))
    return reference.with_luminance(plate, total / share, num(settings.keep_luminance), weights)


def _from_neighbour(
    guide: Array, other: Array, picture: Array, strength: float, total: Array, share: Array
) -> None:
    """Take in a tile of a neighbouring frame. guide, other, picture: with their border."""
    (h, w), m = share.shape, REACH_PX + PATCH_PX
    for dy, dx in reference.moves(NEIGHBOUR_REACH_PX, centre=True):
        weight = _weights(guide, other, (dy, dx), (h, w), m, strength)
        _add(weight, picture[:, m + dy : m + dy + h, m + dx : m + dx + w], total, share)


def _from_itself(
    guide: Array, _: Array, picture: Array, strength: float, total: Array, share: Array
) -> None:
    """Take in a tile of the frame itself: what lies a move away, and as far the other way."""
    for move in reference.moves(REACH_PX, centre=False):
        if move > (0, 0):
            _both_ways(guide, picture, move, strength, total, share)


def _both_ways(
    guide: Array,
    picture: Array,
    move: tuple[int, int],
    strength: float,
    total: Array,
    share: Array,
) -> None:
    """Take in what lies one move away, and what lies as far the other way."""
    (dy, dx), (h, w), m = move, share.shape, REACH_PX + PATCH_PX
    left, right, above = min(dx, 0), max(dx, 0), dy
    # Distances of places from -move to the tile's end.
    weight = _weights(
        guide,
        guide,
        move,
        (h + above, w + right - left),
        m,
        strength,
        origin=(m - above, m - right),
    )
    forward = weight[above:, right : right + w]
    back = weight[:h, right - dx : right - dx + w]
    _add(forward, picture[:, m + dy : m + dy + h, m + dx : m + dx + w], total, share)
    _add(back, picture[:, m - dy : m - dy + h, m - dx : m - dx + w], total, share)


def _weights(
    guide: Array,
    other: Array,
    move: tuple[int, int],
    size: tuple[int, int],
    margin: int,
    strength: float,
    origin: tuple[int, int] | None = None,
) -> Array:
    """Return the weights of places `move` away, for a rectangle of a bordered tile."""
    (dy, dx), (h, w) = move, size
    y, x = origin or (margin, margin)
    y, x, h, w = y - PATCH_PX, x - PATCH_PX, h + 2 * PATCH_PX, w + 2 * PATCH_PX
    squares = np.zeros((h, w), np.float32)
    for here, there in zip(guide, other, strict=True):
        apart = cv2.subtract(
            there[y + dy : y + dy + h, x + dx : x + dx + w], here[y : y + h, x : x + w]
        )
        cv2.accumulateSquare(apart, squares)
    scale = -1.0 / (6.0 * 9.0 * strength * strength * reference.DECAY)
    sums = cv2.boxFilter(squares, -1, (3, 3), normalize=False)
    over = np.minimum(sums * np.float32(scale) + np.float32(1.0 / reference.DECAY), 0)
    weight: Array = cv2.exp(over)
    return weight[PATCH_PX:-PATCH_PX, PATCH_PX:-PATCH_PX]


def _add(weight: Array, seen: Array, total: Array, share: Array) -> None:
    share += weight
    weight = np.ascontiguousarray(weight)
    for c in range(3):
        cv2.accumulateProduct(np.ascontiguousarray(seen[c]), weight, total[c])
