"""Premultiplied layers on half-pixel cells, and the canvas that they are laid on."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from demo_media.families.coverage import GRID

Image = NDArray[np.float32]
Box = tuple[int, int, int, int]


@dataclass(frozen=True)
class Layer:
    """A piece of picture at `box` (x0, y0, x1, y1 in cells): colours (3, h, w), alpha (h, w).

    `clean` and `spill` are premultiplied; their sum is what the light makes of it. `extra` is light
    on top of the mix. `label` goes where alpha exceeds `label_over`.
    """

    box: Box
    clean: Image
    spill: Image
    alpha: Image
    extra: Image | None = None
    label: int = 0
    label_over: float = 0.5


def moved(layer: Layer, matrix: NDArray[np.float64], margin: int = 8) -> Layer:
    """The layer under the affine map (2, 3) of frame positions in cells, bilinear."""
    x0, y0, x1, y1 = layer.box
    corners = np.array([[x0, y0, 1], [x1, y0, 1], [x0, y1, 1], [x1, y1, 1]], float) @ matrix.T
    low, high = corners.min(axis=0), corners.max(axis=0)
    bx, by = int(np.floor(low[0])) - margin, int(np.floor(low[1])) - margin
    size = int(np.ceil(high[0])) + margin - bx, int(np.ceil(high[1])) + margin - by
    # positions are at cell centres: shift by half a cell on both sides
    inner = matrix.copy()
    inner[:, 2] += matrix[:, :2] @ np.array([x0 + 0.5, y0 + 0.5]) - np.array([bx + 0.5, by + 0.5])
    stack = [layer.clean, layer.spill, layer.alpha[None]]
    if layer.extra is not None:
        stack.append(layer.extra)
    planes = [cv2.warpAffine(p, inner, size) for p in np.concatenate(stack)]
    out = np.stack(planes).astype(np.float32)
    return replace(
        layer,
        box=(bx, by, bx + size[0], by + size[1]),
        clean=out[:3],
        spill=out[3:6],
        alpha=out[6],
        extra=None if layer.extra is None else out[7:10],
    )


def shifted(layer: Layer, x: float, y: float) -> Layer:
    """The layer moved by x, y cells."""
    return moved(layer, np.array([[1, 0, x], [0, 1, y]], float), margin=1)


def turned(layer: Layer, pivot: tuple[float, float], degrees: float) -> Layer:
    """The layer turned about `pivot` in cells, clockwise on the picture."""
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    px, py = pivot
    matrix = np.array([[c, -s, px - c * px + s * py], [s, c, py - s * px - c * py]])
    return moved(layer, matrix)


def merged(below: Layer, top: Layer) -> Layer:
    """Two layers as one, with the upper one's label. Source: Porter & Duff 1984."""
    x0, y0 = min(below.box[0], top.box[0]), min(below.box[1], top.box[1])
    x1, y1 = max(below.box[2], top.box[2]), max(below.box[3], top.box[3])
    total = np.zeros((7, y1 - y0, x1 - x0), np.float32)
    for layer in (below, top):
        bx0, by0, bx1, by1 = layer.box
        window = total[:, by0 - y0 : by1 - y0, bx0 - x0 : bx1 - x0]
        window *= 1 - layer.alpha
        window += np.concatenate([layer.clean, layer.spill, layer.alpha[None]])
    return replace(top, box=(x0, y0, x1, y1), clean=total[:3], spill=total[3:6], alpha=total[6])


def averaged(layers: list[Layer]) -> Layer:
    """Mean of layers in time: motion blur over a shutter."""
    x0, y0 = min(p.box[0] for p in layers), min(p.box[1] for p in layers)
    x1, y1 = max(p.box[2] for p in layers), max(p.box[3] for p in layers)
    total = np.zeros((7, y1 - y0, x1 - x0), np.float32)
    for layer in layers:
        bx0, by0, bx1, by1 = layer.box
        window = total[:, by0 - y0 : by1 - y0, bx0 - x0 : bx1 - x0]
        window[:3] += layer.clean
        window[3:6] += layer.spill
        window[6] += layer.alpha
    total /= len(layers)
    box = (x0, y0, x1, y1)
    return replace(
        layers[0], box=box, clean=total[:3], spill=total[3:6], alpha=total[6], extra=None
    )


class Canvas:
    """The subject laid so far, premultiplied over nothing, on cells of half a pixel."""

    def __init__(self, width: int, height: int) -> None:
        shape = (height * GRID, width * GRID)
        self.clean = np.zeros((3, *shape), np.float32)
        self.spill = np.zeros((3, *shape), np.float32)
        self.extra = np.zeros((3, *shape), np.float32)
        self.alpha = np.zeros(shape, np.float32)
        self.labels = np.zeros(shape, np.uint8)
        self.has_extra = False

    def over(self, layer: Layer) -> None:
        """S + (1 − α_S)·D for colours and alpha; extra light is covered likewise.

        Source: Porter & Duff 1984.
        """
        height, width = self.alpha.shape
        x0, y0, x1, y1 = layer.box
        cx0, cy0, cx1, cy1 = max(x0, 0), max(y0, 0), min(x1, width), min(y1, height)
        if cx1 <= cx0 or cy1 <= cy0:
            return
        here = np.s_[..., cy0:cy1, cx0:cx1]
        there = np.s_[..., cy0 - y0 : cy1 - y0, cx0 - x0 : cx1 - x0]
        alpha = layer.alpha[there]
        through = 1 - alpha
        self.clean[here] = layer.clean[there] + through * self.clean[here]
        self.spill[here] = layer.spill[there] + through * self.spill[here]
        self.alpha[here] = alpha + through * self.alpha[here]
        if self.has_extra or layer.extra is not None:
            self.extra[here] *= through
        if layer.extra is not None:
            self.has_extra = True
            self.extra[here] += layer.extra[there]
        self.labels[here][alpha > layer.label_over] = layer.label

    def darken(self, layer: Layer, shift: tuple[float, float], blur: float, amount: float) -> None:
        """The soft shadow that a layer about to be laid throws on what is there already."""
        shade = np.zeros(self.alpha.shape, np.float32)
        height, width = shade.shape
        x0, y0, x1, y1 = layer.box
        cx0, cy0, cx1, cy1 = max(x0, 0), max(y0, 0), min(x1, width), min(y1, height)
        if cx1 <= cx0 or cy1 <= cy0:
            return
        shade[cy0:cy1, cx0:cx1] = layer.alpha[cy0 - y0 : cy1 - y0, cx0 - x0 : cx1 - x0]
        move = np.array([[1, 0, shift[0]], [0, 1, shift[1]]], float)
        shade = np.asarray(cv2.warpAffine(shade, move, (width, height)))
        keep = 1 - np.float32(amount) * np.asarray(cv2.GaussianBlur(shade, (0, 0), blur))
        self.clean *= keep
        self.spill *= keep


def pixels(image: Image) -> Image:
    """Cells (…, 2h, 2w) averaged to pixels (…, h, w)."""
    *rest, height, width = image.shape
    blocks = image.reshape(*rest, height // GRID, GRID, width // GRID, GRID)
    return np.asarray(blocks.mean(axis=(-3, -1)), np.float32)
