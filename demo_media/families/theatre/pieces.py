"""Flat pieces that puppets are made of: an outline puffed up to a normal map, lit, and moved."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from demo_media.families.theatre.limelight import Fabric, Limelight, column, illuminate
from demo_media.families.theatre.looms import slopes
from demo_media.families.theatre.wardrobe import cut, dyed

Image = NDArray[np.float32]
Points = NDArray[np.float64]
Moves = NDArray[np.float64]

FINE = 2
"""Lines of a piece per line of the picture."""
_SUB = 4  # samples a fine pixel and direction: FINE * _SUB = 8 a pixel


def spline(corners: Sequence[tuple[float, float]], steps: int = 12) -> Points:
    """Closed Catmull-Rom curve through corners, (n, 2)."""
    p = np.asarray(corners, np.float64)
    t = np.linspace(0, 1, steps, endpoint=False)[None, :, None]
    a, b, c, d = (np.roll(p, k, axis=0)[:, None] for k in (1, 0, -1, -2))
    curve = 0.5 * (
        2 * b + (c - a) * t + (2 * a - 5 * b + 4 * c - d) * t**2 + (3 * b - a - 3 * c + d) * t**3
    )
    return np.asarray(curve.reshape(-1, 2), np.float64)


def filled(outlines: Sequence[Points], origin: Points, height: int, width: int) -> Image:
    """Coverage (h, w) of outlines in the picture's pixels on the fine grid at `origin`."""
    sheet = np.zeros((height * _SUB, width * _SUB), np.uint8)
    for outline in outlines:
        corners = np.round(((outline - origin) * FINE * _SUB - 0.5) * 16).astype(np.int32)
        cv2.fillPoly(sheet, [corners], 255, cv2.LINE_8, 4)
    small = cv2.resize(
        sheet.astype(np.float32) / np.float32(255), (width, height), interpolation=cv2.INTER_AREA
    )
    return np.asarray(small, np.float32)


@dataclass
class Piece:
    """A lit piece on the fine grid, premultiplied: own colour and alpha (h, w, 4), spill and label
    weight (h, w, 4: near hue 1, gloss 2, times alpha); `origin` is its corner in the picture."""

    own: Image
    spill: Image
    origin: Points

    def over(self, lower: Piece) -> None:
        """Put this piece on `lower`, within `lower`'s bounds, with a soft shadow on it."""
        shift = np.round((self.origin - lower.origin) * FINE).astype(int)
        h, w = lower.own.shape[:2]
        move = np.array([[1, 0, shift[0]], [0, 1, shift[1]]], np.float64)
        own = cv2.warpAffine(self.own, move, (w, h))
        spill = cv2.warpAffine(self.spill, move, (w, h))
        soft = cv2.GaussianBlur(np.roll(own[..., 3], 5, axis=0), (0, 0), 5)
        keep = (1 - own[..., 3:]) * (1 - 0.5 * soft[..., None])
        through = 1 - own[..., 3:]
        lower.own[..., :3] = own[..., :3] + keep * lower.own[..., :3]
        lower.spill[..., :3] = spill[..., :3] + keep * lower.spill[..., :3]
        lower.own[..., 3:] = own[..., 3:] + through * lower.own[..., 3:]
        lower.spill[..., 3:] = spill[..., 3:] + through * lower.spill[..., 3:]

    def seen(self, moves: Sequence[Moves], width: int, height: int) -> tuple[Image, Image]:
        """Mean over `moves` of the moved piece, (h, w, 4) each; a move maps picture to rest.

        Each is drawn on the fine grid and averaged over FINE × FINE.
        """
        to_picture = np.array([[0.5, 0, -0.25], [0, 0.5, -0.25], [0, 0, 1]])
        ox, oy = self.origin
        to_piece = np.array([[2, 0, 0.5 - 2 * ox], [0, 2, 0.5 - 2 * oy], [0, 0, 1]])
        size = (width * FINE, height * FINE)
        total = [np.zeros((size[1], size[0], 4), np.float32) for _ in range(2)]
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        for move in moves:
            whole = (to_piece @ np.vstack([move, [0, 0, 1]]) @ to_picture)[:2]
            for k, image in enumerate((self.own, self.spill)):
                total[k] += cv2.warpAffine(image, whole, size, flags=flags)
        small = [
            cv2.resize(t, (width, height), interpolation=cv2.INTER_AREA) / np.float32(len(moves))
            for t in total
        ]
        return np.asarray(small[0], np.float32), np.asarray(small[1], np.float32)


@dataclass(frozen=True)
class Tailoring:
    """How a piece is shaped: how far it puffs up (pixels), and its folds' kind and depth."""

    puff: float
    folds: str = "none"
    depth: float = 1.0


def make_piece(
    rng: np.random.Generator,
    outlines: Sequence[Points],
    fabric: Fabric,
    light: Limelight,
    tailoring: Tailoring,
    *,
    unit: float,
    room: float = 0.0,
) -> Piece:
    """Cut, puff up, fold, dye and light a piece; `unit` is the picture's height / 360.

    `room` is how much empty space (pixels) is left around for other pieces that are put on it.
    """
    points = np.concatenate(outlines)
    space = 3 + np.ceil(room)
    origin = np.floor(points.min(axis=0)) - space
    width, height = (int(v) * FINE for v in np.ceil(points.max(axis=0) - origin) + space)
    cover = filled(outlines, origin, height, width)
    inside = (cover > 0.02).astype(np.uint8)
    far = np.asarray(cv2.distanceTransform(inside, cv2.DIST_L2, 5), np.float32)
    puff = np.float32(max(tailoring.puff * FINE, 1.0))
    share = np.clip(far / puff, 0, 1)
    relief = puff * np.sqrt(1 - (1 - share) ** 2) * np.float32(0.75)
    relief = np.asarray(cv2.GaussianBlur(relief, (0, 0), 1.2 * FINE * unit + 0.2), np.float32)
    grid = FINE * unit
    folds = cut(rng, tailoring.folds, height, width, grid) * np.float32(tailoring.depth)
    if fabric.pattern == "patent":
        folds = folds * np.float32(0.45)
    albedo, bump = dyed(rng, fabric, height, width, grid)
    body = relief + folds * (0.25 + 0.75 * share)
    hollow = np.clip((cv2.GaussianBlur(body, (0, 0), 5 * grid) - body) / (5 * grid), 0, 1)
    normal = slopes(np.asarray(body + bump, np.float32))
    rim = np.exp(-far / np.float32(3.5 * grid))
    own, spill = illuminate(light, normal, albedo, fabric, rim, np.asarray(hollow, np.float32))
    grain = 1 + 0.03 * rng.standard_normal((height, width), dtype=np.float32)
    mark = 1.0 if fabric.near_hue else 2.0 if fabric.lacquer > 0.6 else 0.0
    return Piece(
        np.dstack([*(own * grain * cover), cover]),
        np.dstack([*(spill * cover), np.float32(mark) * cover]),
        origin,
    )


def painted_on(piece: Piece, outline: Points, colour: tuple[float, float, float]) -> None:
    """Paint a shape on a piece without changing its outline, keeping some of its shading."""
    h, w = piece.own.shape[:2]
    cover = filled([outline], piece.origin, h, w)
    base = piece.own[..., :3].mean(axis=2, keepdims=True)
    seen = base[base > 0.01]
    level = base / (max(float(np.percentile(seen, 70)), 0.01) if seen.size else 1.0)
    tone = np.moveaxis(column(colour), 0, -1) * np.clip(level, 0, 2) * piece.own[..., 3:]
    piece.own[..., :3] += (0.92 * cover)[..., None] * (tone - piece.own[..., :3])
