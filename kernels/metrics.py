"""How wrong a matte, a composite or a foreground is, against exact truth.

Mattes are (height, width), colours (3, height, width) scene-linear in the working space. Values
outside 0..1 are taken as they are. The four figures for mattes follow Rhemann et al. 2009, "A
perceptually motivated online benchmark for image matting".
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from kernels.reference.colour import delta_e_2000, lab_from_acescg

Array = NDArray[Any]
Mask = NDArray[np.bool_]

GRADIENT_SIGMA_PX = 1.4
CONNECTIVITY_STEP = 0.1
CONNECTIVITY_THETA = 0.15


def _same_shape(first: Array, second: Array) -> None:
    if first.shape != second.shape:
        raise ValueError(f"expected equal shapes, got {first.shape} and {second.shape}")


def _chosen(values: Array, mask: Mask | None) -> Array:
    chosen: Array = values.ravel() if mask is None else values[..., mask].ravel()
    return chosen.astype(np.float64)


def _mean(values: Array) -> float:
    """Mean in float64; 0 for nothing, so that a shot without core or screen has no error there."""
    return float(values.mean()) if values.size else 0.0


def sad(alpha: Array, truth: Array, mask: Mask | None = None) -> float:
    """Sum of absolute differences Σ|α − α*|, in pixels of wrong coverage.

    Source: Rhemann et al. 2009. Tables print thousands.
    """
    _same_shape(alpha, truth)
    return float(np.abs(_chosen(alpha, mask) - _chosen(truth, mask)).sum())


def mse(alpha: Array, truth: Array, mask: Mask | None = None) -> float:
    """Mean squared error Σ(α − α*)² / n. Source: Rhemann et al. 2009."""
    _same_shape(alpha, truth)
    return _mean((_chosen(alpha, mask) - _chosen(truth, mask)) ** 2)


def rms(alpha: Array, truth: Array, mask: Mask | None = None) -> float:
    """Root of `mse`."""
    return float(np.sqrt(mse(alpha, truth, mask)))


def mean_error(alpha: Array, truth: Array, mask: Mask | None = None) -> float:
    """Mean absolute difference over `mask`: the error of a solid core or a clean screen."""
    _same_shape(alpha, truth)
    return _mean(np.abs(_chosen(alpha, mask) - _chosen(truth, mask)))


def _derivative_kernels(sigma_px: float) -> tuple[Array, Array]:
    """First-order Gaussian derivative filters of unit Euclidean norm, and their transposes."""
    reach = int(np.ceil(sigma_px * np.sqrt(-2 * np.log(np.sqrt(2 * np.pi) * sigma_px * 1e-2))))
    x = np.arange(-reach, reach + 1, dtype=np.float64)
    gauss = np.exp(-(x**2) / (2 * sigma_px**2)) / (sigma_px * np.sqrt(2 * np.pi))
    slope = -x * gauss / sigma_px**2
    kernel = np.outer(gauss, slope)
    kernel /= np.sqrt((kernel**2).sum())
    return kernel, kernel.T


def gradient_magnitude(alpha: Array, sigma_px: float = GRADIENT_SIGMA_PX) -> Array:
    """Length of the gradient by unit-norm Gaussian derivative filters, edges replicated; float64.

    Source: Rhemann et al. 2009, σ = 1.4.
    """
    x_kernel, y_kernel = _derivative_kernels(sigma_px)
    values = alpha.astype(np.float64)
    border = cv2.BORDER_REPLICATE
    # filter2D correlates; the sign of an odd kernel drops out of the length
    across = cv2.filter2D(values, cv2.CV_64F, x_kernel, borderType=border)
    along = cv2.filter2D(values, cv2.CV_64F, y_kernel, borderType=border)
    return np.asarray(np.hypot(across, along))


def gradient_error(alpha: Array, truth: Array, mask: Mask | None = None) -> float:
    """Σ(‖∇α‖ − ‖∇α*‖)². Source: Rhemann et al. 2009, q = 2; tables print thousands."""
    _same_shape(alpha, truth)
    difference = gradient_magnitude(alpha) - gradient_magnitude(truth)
    return float((_chosen(difference, mask) ** 2).sum())


def _largest_region(inside: Mask) -> Mask:
    """The largest 4-connected region of True pixels; all False when there is none."""
    labels, count = ndimage.label(inside)
    if count == 0:
        return np.zeros_like(inside)
    sizes = np.bincount(labels.ravel())[1:]
    return np.asarray(labels == 1 + int(np.argmax(sizes)))


def _connectedness(alpha: Array, level: Array) -> Array:
    """φ = 1 − δ(d ≥ θ)·d with d = α − l."""
    distance = alpha - level
    return np.asarray(1 - np.where(distance >= CONNECTIVITY_THETA, distance, 0))


def connectivity_error(alpha: Array, truth: Array, mask: Mask | None = None) -> float:
    """Σ|φ(α) − φ(α*)|, φ = 1 − δ(d ≥ 0.15)·d, d = α − l.

    l is the highest of the levels 0, 0.1 … 1 at which a pixel still belongs to the largest region
    that is at least so opaque in both mattes. The paper's distance weight λ is 1, as is common.
    Source: Rhemann et al. 2009, eq. 2 and 3, p = 1, θ = 0.15; tables print thousands.
    """
    _same_shape(alpha, truth)
    first, second = alpha.astype(np.float64), truth.astype(np.float64)
    level = np.full(first.shape, -1.0)
    for step in range(1, round(1 / CONNECTIVITY_STEP) + 1):
        threshold = step * CONNECTIVITY_STEP
        both = (first >= threshold - 1e-9) & (second >= threshold - 1e-9)
        lost = (level < 0) & ~_largest_region(both)
        level[lost] = threshold - CONNECTIVITY_STEP
    level[level < 0] = 1.0
    difference = _connectedness(first, level) - _connectedness(second, level)
    return float(np.abs(_chosen(difference, mask)).sum())


def psnr(image: Array, truth: Array, mask: Mask | None = None, peak: float = 1.0) -> float:
    """10·log10(peak² / mean squared error) in dB over all channels, in the values' own encoding.

    Infinite for equal images. Nothing is clipped: an error in a highlight of 3 counts in full.
    """
    error = mse(image, truth, mask)
    return float("inf") if error == 0 else float(10 * np.log10(peak**2 / error))


def foreground_delta_e(foreground: Array, truth: Array, alpha: Array) -> float:
    """Mean ΔE*ab 2000 of straight colour, weighted by the true coverage, where that is over 0.05.

    Source: Sharma, Wu & Dalal 2005 for the difference; the weighting is our own.
    """
    _same_shape(foreground, truth)
    inside = np.asarray(alpha > 0.05)
    if not inside.any():
        return 0.0
    difference = delta_e_2000(
        lab_from_acescg(foreground[:, inside].astype(np.float64)),
        lab_from_acescg(truth[:, inside].astype(np.float64)),
    )
    return float(np.average(difference, weights=alpha[inside].astype(np.float64)))


@dataclass(frozen=True)
class MatteScores:
    """All figures of one matte; SAD, gradient and connectivity in thousands, as tables print."""

    sad: float
    mse: float
    gradient: float
    connectivity: float
    edge_rms: float
    core: float
    screen: float

    def as_dict(self) -> dict[str, float]:
        return asdict(self)


def score_matte(alpha: Array, truth: Array, edge: Mask, core: Mask, screen: Mask) -> MatteScores:
    """Measure `alpha` over the whole frame, in the edge, in the solid core, in clean screen."""
    return MatteScores(
        sad=sad(alpha, truth) / 1000,
        mse=mse(alpha, truth),
        gradient=gradient_error(alpha, truth) / 1000,
        connectivity=connectivity_error(alpha, truth) / 1000,
        edge_rms=rms(alpha, truth, edge),
        core=mean_error(alpha, truth, core),
        screen=mean_error(alpha, truth, screen),
    )
