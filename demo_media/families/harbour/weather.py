"""Random fields made in the frequency domain, their curl, and photographs as rough surfaces."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]


def field(
    rng: np.random.Generator, height: int, width: int, scale_px: float, slope: float
) -> Image:
    """A periodic random field (height, width), mean 0, standard deviation 1.

    Its spectrum is flat for structures wider than `scale_px` and falls as frequency^(-slope)
    below that: 1 is rough, 3 is smooth.
    """
    tall, wide = cv2.getOptimalDFTSize(height), cv2.getOptimalDFTSize(width)
    white = np.fft.rfft2(rng.standard_normal((tall, wide), dtype=np.float32))
    fy = np.fft.fftfreq(tall)[:, None]
    fx = np.fft.rfftfreq(wide)[None, :]
    gain = (1 + (fy * fy + fx * fx) * scale_px**2) ** (-slope / 2)
    gain[0, 0] = 0
    made = np.fft.irfft2(white * gain, s=(tall, wide))[:height, :width]
    return np.asarray((made - made.mean()) / max(float(made.std()), 1e-9), np.float32)


class Breeze:
    """A divergence-free flow that changes slowly: the curl of a potential that turns in time."""

    def __init__(
        self, rng: np.random.Generator, height: int, width: int, scale_px: float, slope: float = 3.0
    ) -> None:
        self._parts = [field(rng, height, width, scale_px, slope) for _ in range(2)]
        self._scale = scale_px

    def at(self, phase: float) -> tuple[Image, Image]:
        """Velocity across and down, (h, w) each, of unit root mean square together."""
        potential = self._parts[0] * np.float32(np.cos(phase)) + self._parts[1] * np.float32(
            np.sin(phase)
        )
        across = np.gradient(potential, axis=0)
        down = -np.gradient(potential, axis=1)
        size = max(float(np.sqrt((across**2 + down**2).mean())), 1e-9)
        return np.asarray(across / size, np.float32), np.asarray(down / size, np.float32)


def look_up(image: Image, x: NDArray[np.float32], y: NDArray[np.float32]) -> Image:
    """Bilinear look-up of a single-channel image at pixel positions, edges carried on."""
    flat = cv2.remap(
        image,
        np.ascontiguousarray(x, np.float32),
        np.ascontiguousarray(y, np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(flat, np.float32)


def photograph(name: str, height: int, width: int, rng: np.random.Generator) -> Image:
    """A grey photograph that scikit-image ships under CC0 (gravel, brick), mean 0, deviation 1.

    Cropped at a random place to the wanted shape, mirrored beyond its edge. Needs scikit-image,
    which the `test` extra of this project installs.
    """
    import skimage.data as shelf  # an optional package: only these textures need it

    picture = np.asarray(getattr(shelf, name)(), np.float32)
    top, left = (int(v) for v in rng.integers(0, 256, 2))
    rows = np.abs((np.arange(height) + top + 511) % 1022 - 511)
    columns = np.abs((np.arange(width) + left + 511) % 1022 - 511)
    crop = picture[rows[:, None], columns[None, :]]
    return np.asarray((crop - crop.mean()) / max(float(crop.std()), 1e-6), np.float32)
