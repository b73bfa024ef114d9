"""Honest motion blur: a limb drawn once, finely, then seen at many moments of the shutter."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from demo_media.families.harbour.lamps import Sculpture
from demo_media.families.harbour.layers import Pane

Image = NDArray[np.float32]
Moves = NDArray[np.float64]


class Swung:
    """A sculpture kept as a premultiplied sprite at twice the picture's lines."""

    FINE = 2

    def __init__(self, sculpture: Sculpture, offset: tuple[float, float]) -> None:
        """`offset` (x, y) in fine pixels shifts the sculpture into the sprite."""
        wide, tall = sculpture.columns, sculpture.rows
        move = np.array([[1, 0, offset[0]], [0, 1, offset[1]]], np.float64)
        pane = sculpture.drawn(move, wide, tall)
        self._offset = offset
        self._own = np.dstack([*pane.own, pane.alpha])
        self._spill = np.dstack([*pane.spill, pane.alpha])

    def seen(
        self,
        pose: Callable[[float], Moves],
        moments: NDArray[np.float64],
        width: int,
        height: int,
    ) -> Pane:
        """Mean over `moments`; pose(t) maps picture pixels to the limb's."""
        own = np.zeros((height, width, 4), np.float32)
        spill = np.zeros((height, width, 4), np.float32)
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        for moment in moments:
            move = pose(float(moment)) * self.FINE
            move[:, 2] += 0.5 * self.FINE - 0.5
            move[:, 2] -= np.asarray(self._offset)
            own += cv2.warpAffine(self._own, move, (width, height), flags=flags)
            spill += cv2.warpAffine(self._spill, move, (width, height), flags=flags)
        scale = np.float32(1 / len(moments))
        planes = np.moveaxis(own, -1, 0) * scale
        added = np.moveaxis(spill, -1, 0) * scale
        return Pane(
            np.ascontiguousarray(planes[:3]),
            np.ascontiguousarray(added[:3]),
            np.asarray(np.clip(planes[3], 0, 1), np.float32),
        )


def turned(angle: float, pivot: tuple[float, float]) -> Moves:
    """Picture pixels to a limb's own, which hangs from (0, 0) and is turned by `angle`."""
    c, s = float(np.cos(angle)), float(np.sin(angle))
    spin = np.array([[c, s], [-s, c]])
    return np.hstack([spin, (-spin @ np.asarray(pivot))[:, None]])
