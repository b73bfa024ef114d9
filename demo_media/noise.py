"""Smooth seeded noise for textures, smoke and clouds."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]


def fractal_noise(
    rng: np.random.Generator,
    height: int,
    width: int,
    *,
    scale_px: float,
    octaves: int = 4,
    gain: float = 0.5,
    stretch: float = 1.0,
) -> Image:
    """Sum of cubic-interpolated random lattices, each half as large and `gain` times as strong.

    Shape (height, width), mean about 0, standard deviation 1. `scale_px` is the lattice spacing of
    the first octave in pixels, `stretch` its vertical spacing divided by the horizontal.
    """
    total = np.zeros((height, width), np.float32)
    amplitude = 1.0
    for octave in range(octaves):
        spacing = max(scale_px / 2**octave, 1.0)
        columns = int(np.ceil(width / spacing)) + 4
        rows = int(np.ceil(height / (spacing * stretch))) + 4
        lattice = rng.standard_normal((rows, columns)).astype(np.float32)
        scale = np.array(
            [[1 / spacing, 0, 1.5], [0, 1 / (spacing * stretch), 1.5]], dtype=np.float64
        )
        flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
        layer = cv2.warpAffine(lattice, scale, (width, height), flags=flags)
        total += np.float32(amplitude) * layer.astype(np.float32)
        amplitude *= gain
    spread = float(total.std())
    return np.asarray((total - total.mean()) / max(spread, 1e-6), np.float32)
