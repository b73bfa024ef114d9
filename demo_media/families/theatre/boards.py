"""The theatre's layers, one over another, and the straight truth made of them."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]
Labels = NDArray[np.uint8]


class Boards:
    """What stands on the boards so far: own colour and alpha (h, w, 4), spill (h, w, 3), light
    that is added on top (h, w, 3) and labels (h, w)."""

    def __init__(self, width: int, height: int) -> None:
        self.width, self.height = width, height
        self.own = np.zeros((height, width, 4), np.float32)
        self.spill = np.zeros((height, width, 3), np.float32)
        self.shine = np.zeros((height, width, 3), np.float32)
        self.labels = np.zeros((height, width), np.uint8)

    def add(
        self,
        own: Image,
        spill: Image,
        *,
        shine: Image | None = None,
        label: Labels | int = 0,
        corner: tuple[int, int] = (0, 0),
        marks_from: float = 0.3,
        shadow: float = 0.0,
    ) -> None:
        """Lay a premultiplied layer (h, w, 4), its spill and shine (h, w, 3) with its upper left at
        `corner` (x, y); parts beyond the picture are dropped. `shadow` darkens what lies below."""
        x, y = corner
        h, w = own.shape[:2]
        x0, y0 = max(x, 0), max(y, 0)
        x1, y1 = min(x + w, self.width), min(y + h, self.height)
        if x1 <= x0 or y1 <= y0:
            return
        here = (slice(y0, y1), slice(x0, x1))
        there = (slice(y0 - y, y1 - y), slice(x0 - x, x1 - x))
        top, added = own[there], spill[there][..., :3]
        if shadow:
            soft = cv2.GaussianBlur(top[..., 3], (0, 0), self.height / 72)
            soft = np.roll(soft, self.height // 60, axis=0)
            keep = (1 - np.float32(shadow) * soft)[..., None]
            self.own[here][..., :3] *= keep
            self.spill[here] *= keep
        through = 1 - top[..., 3:]
        self.own[here] = top + through * self.own[here]
        self.spill[here] = added + through * self.spill[here]
        self.shine[here] *= through
        if shine is not None:
            self.shine[here] += shine[there]
        named = np.broadcast_to(np.asarray(label, np.uint8), (h, w))[there]
        where = top[..., 3] > marks_from
        self.labels[here] = np.where(where, named, self.labels[here])

    def soften(self, kernel: Image) -> None:
        """Throw everything so far out of focus."""
        for name in ("own", "spill", "shine"):
            blurred = cv2.filter2D(getattr(self, name), -1, kernel, borderType=cv2.BORDER_REFLECT)
            setattr(self, name, np.maximum(np.asarray(blurred, np.float32), 0))

    def truth(self) -> tuple[Image, Image, Image]:
        """Alpha (h, w), straight colour with spill and without (3, h, w), carried on beyond edges
        by a wide normalised blur."""
        alpha = np.clip(self.own[..., 3], 0, 1)
        alpha = np.where(alpha < 3e-4, 0, alpha).astype(np.float32)
        straight = []
        for colour in (self.own[..., :3] + self.spill, self.own[..., :3]):
            weight = np.maximum(alpha, 1e-7)[..., None]
            own = colour / weight
            size = (max(self.width // 8, 2), max(self.height // 8, 2))
            small = cv2.resize(colour * (alpha > 0)[..., None], size, interpolation=cv2.INTER_AREA)
            cover = cv2.resize(alpha, size, interpolation=cv2.INTER_AREA)
            wide = cv2.GaussianBlur(small, (0, 0), 2.5)
            share = cv2.GaussianBlur(cover, (0, 0), 2.5)[..., None]
            mean = small.sum(axis=(0, 1)) / max(float(cover.sum()), 1e-6)
            carried = (wide + 1e-4 * mean) / (share + 1e-4)
            far = cv2.resize(carried, (self.width, self.height), interpolation=cv2.INTER_LINEAR)
            filled = np.where((alpha > 0)[..., None], own, far)
            straight.append(np.ascontiguousarray(np.moveaxis(filled, -1, 0), np.float32))
        return alpha, straight[0], straight[1]


def iris(radius_px: float, blades: int = 6) -> Image:
    """An aperture of straight blades, `radius_px` to a corner, anti-aliased, adding up to 1."""
    reach = int(np.ceil(radius_px)) + 1
    size, fine = 2 * reach + 1, 8
    turn = 2 * np.pi * np.arange(blades) / blades + 0.3
    corners = np.stack([np.cos(turn), np.sin(turn)], 1) * radius_px + reach + 0.5
    sheet = np.zeros((size * fine, size * fine), np.uint8)
    cv2.fillConvexPoly(sheet, np.round((corners * fine - 0.5) * 16).astype(np.int32), 255, 8, 4)
    kernel = sheet.reshape(size, fine, size, fine).mean(axis=(1, 3)).astype(np.float32)
    return np.asarray(kernel / kernel.sum(), np.float32)
