"""An honest camera: lens blur, colour filter mosaic, demosaic, matrix, photon and read noise."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]
Matrix = NDArray[np.float64]

CAMERA_FROM_WORKING: Matrix = np.array(
    [[0.74, 0.24, 0.02], [0.11, 0.79, 0.10], [0.03, 0.19, 0.78]],
)
"""Sensor response to working-space light, white balanced (rows sum to 1): own invention."""

SENSOR_CLIP = 8.0


@dataclass(frozen=True)
class Noise:
    """Poisson–Gaussian noise: the variance of a sensor sample of value x is slope·x + floor.

    `slope` and `floor` hold red, green, blue in camera space. `exact` is False where a codec has
    changed the noise afterwards: the figures then describe the sensor only.
    """

    slope: tuple[float, float, float]
    floor: tuple[float, float, float]
    exact: bool = True

    def variance(self, camera: NDArray[np.floating]) -> NDArray[np.float64]:
        """Variance of sensor samples, same shape as `camera` (3, ...)."""
        shape = (3,) + (1,) * (np.ndim(camera) - 1)
        slope, floor = np.reshape(self.slope, shape), np.reshape(self.floor, shape)
        return np.asarray(np.maximum(camera, 0) * slope + floor, np.float64)

    def covariance(self, working: NDArray[np.floating]) -> NDArray[np.float64]:
        """Covariance (3, 3, ...) in the working space of flat colours (3, ...), after demosaic.

        Averaged over the four positions of the mosaic: Σ = M⁻¹ (Σ_c G_c var_c) M⁻ᵀ, where G_c sums
        the products of the demosaic weights on filter colour c. It holds away from edges.
        """
        camera = np.tensordot(CAMERA_FROM_WORKING, np.asarray(working, np.float64), axes=1)
        variance = self.variance(camera)
        back = np.linalg.inv(CAMERA_FROM_WORKING)
        gram = np.einsum("ia,cab,jb->cij", back, demosaic_gram(), back)
        return np.asarray(np.tensordot(np.moveaxis(gram, 0, -1), variance, axes=1), np.float64)


def lens_blur(image: Image, sigma_px: float) -> Image:
    """Gaussian point spread of the lens and its low-pass filter; (…, h, w), edges reflected."""
    planes = image.reshape(-1, *image.shape[-2:])
    border = cv2.BORDER_REFLECT_101
    blurred = [cv2.GaussianBlur(p, (0, 0), sigma_px, borderType=border) for p in planes]
    return np.asarray(np.stack(blurred), np.float32).reshape(image.shape)


# Demosaic: linear 5 × 5 filters in eighths. Source: Malvar, He & Cutler 2004, figure 2.
_GREEN_AT_COLOUR = np.array(
    [[0, 0, -1, 0, 0], [0, 0, 2, 0, 0], [-1, 2, 4, 2, -1], [0, 0, 2, 0, 0], [0, 0, -1, 0, 0]]
)
_COLOUR_AT_GREEN_ROW = np.array(
    [[0, 0, 0.5, 0, 0], [0, -1, 0, -1, 0], [-1, 4, 5, 4, -1], [0, -1, 0, -1, 0], [0, 0, 0.5, 0, 0]]
)
_COLOUR_AT_OTHER = np.array(
    [
        [0, 0, -1.5, 0, 0],
        [0, 2, 0, 2, 0],
        [-1.5, 0, 6, 0, -1.5],
        [0, 2, 0, 2, 0],
        [0, 0, -1.5, 0, 0],
    ]
)


def mosaic(camera: Image) -> Image:
    """Keep one channel a pixel, in rows R G / G B. (3, h, w) to (h, w)."""
    raw: Image = camera[1].copy()
    raw[0::2, 0::2] = camera[0, 0::2, 0::2]
    raw[1::2, 1::2] = camera[2, 1::2, 1::2]
    return raw


def demosaic(raw: Image) -> Image:
    """Three channels from an R G / G B mosaic. (h, w) to (3, h, w), linear, not clipped."""
    padded = np.pad(raw, 4, mode="reflect")

    def filtered(kernel: NDArray[np.float64]) -> Image:
        out = cv2.filter2D(padded, cv2.CV_32F, (kernel / 8).astype(np.float32))
        return np.asarray(out[4:-4, 4:-4], np.float32)

    green, along = filtered(_GREEN_AT_COLOUR), filtered(_COLOUR_AT_GREEN_ROW)
    across, other = filtered(_COLOUR_AT_GREEN_ROW.T), filtered(_COLOUR_AT_OTHER)
    out = np.stack([raw, raw, raw])
    out[1, 0::2, 0::2], out[1, 1::2, 1::2] = green[0::2, 0::2], green[1::2, 1::2]
    out[0, 0::2, 1::2], out[0, 1::2, 0::2] = along[0::2, 1::2], across[1::2, 0::2]
    out[2, 0::2, 1::2], out[2, 1::2, 0::2] = across[0::2, 1::2], along[1::2, 0::2]
    out[0, 1::2, 1::2], out[2, 0::2, 0::2] = other[1::2, 1::2], other[0::2, 0::2]
    return out


@cache
def demosaic_gram() -> NDArray[np.float64]:
    """G (3, 3, 3): G_c[i, j] = mean over positions of Σ over samples of colour c of f_i·f_j."""
    gram = np.zeros((3, 3, 3))
    for y, x, colour in ((0, 0, 0), (0, 1, 1), (1, 0, 1), (1, 1, 2)):
        impulse = np.zeros((16, 16), np.float32)
        impulse[8 + y, 8 + x] = 1
        answer = demosaic(impulse).astype(np.float64).reshape(3, -1)
        gram[colour] += answer @ answer.T / 4
    return gram


def expose(light: Image, noise: Noise, rng: np.random.Generator) -> Image:
    """Working-space light (3, h, w), already through the lens, to the camera's picture of it."""
    camera = np.tensordot(CAMERA_FROM_WORKING.astype(np.float32), light, axes=1)
    raw = mosaic(camera)
    slope, floor = (
        mosaic(np.broadcast_to(np.reshape(v, (3, 1, 1)), camera.shape).astype(np.float32))
        for v in (noise.slope, noise.floor)
    )
    sigma = np.sqrt(np.maximum(raw, 0) * slope + floor)
    raw = raw + sigma * rng.standard_normal(sigma.shape, dtype=np.float32)
    raw = np.minimum(raw, np.float32(SENSOR_CLIP))
    back = np.linalg.inv(CAMERA_FROM_WORKING).astype(np.float32)
    return np.asarray(np.tensordot(back, demosaic(raw), axes=1), np.float32)
