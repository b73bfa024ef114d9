"""Smooth surfaces over a frame: robust polynomials of ln c, and filling by pull-push."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from kernels.measure.screen_find import gaussian, robust_sigma

Array = NDArray[Any]
Mask = NDArray[np.bool_]
PRIOR_LOW, PRIOR_HIGH = 1.5, 0.02
"""Standard deviations, in ln c, of the coefficients of degrees 1-2 and 3-4."""


def resized(planes: Array, height: int, width: int) -> Array:
    """Return planes (3, h, w) or (h, w) at another size: area means down, bilinear up."""
    if planes.ndim == 3:
        return np.stack([resized(plane, height, width) for plane in planes])
    h, w = planes.shape
    if (h, w) == (height, width):
        return planes
    how = cv2.INTER_AREA if height <= h and width <= w else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(planes, (width, height), interpolation=how))


def shrunk(mask: Mask, px: int) -> Mask:
    """Erode a mask by a square of radius `px`; the frame's border does not count as outside."""
    if px == 0:
        return mask
    kernel = np.ones((2 * px + 1, 2 * px + 1), np.uint8)
    return np.asarray(cv2.erode(mask.astype(np.uint8), kernel) > 0)


def _basis(y: Array, x: Array) -> tuple[Array, Array]:
    """Return the products of Legendre polynomials up to total degree 4, (n, 15), and degrees."""
    px = np.polynomial.legendre.legvander(x, 4)
    py = np.polynomial.legendre.legvander(y, 4)
    terms = [(a, b) for a in range(5) for b in range(5) if a + b <= 4]
    columns = [px[..., a] * py[..., b] for a, b in terms]
    return np.stack(columns, axis=-1), np.array([a + b for a, b in terms])


def _block_centres(length: int, blocks: int) -> Array:
    """Return the centres of equal blocks over `length` pixels, the frame reaching from -1 to 1."""
    return (np.arange(blocks) + 0.5) * (2.0 / blocks) - 1.0


def log_surface(log: Array, mask: Mask) -> Array:
    """Return the robust polynomial surface of each channel of `log` (3, h, w) over `mask`.

    Fitted by iteratively reweighted least squares (Tukey's biweight) on block means; outside the
    data it is held within 0.4 of the range seen. Source: Beaton & Tukey 1974 for the weights.
    """
    h, w = mask.shape
    size = (max(1, h // 4), max(1, w // 4))
    weight = resized(shrunk(mask, 1).astype(np.float32), *size)
    if (weight > 0.5).sum() < 40:
        weight = resized(mask.astype(np.float32), *size)
    safe = np.maximum(weight, 1e-3)
    rows, columns = _block_centres(h, size[0]), _block_centres(w, size[1])
    basis, degree = _basis(*np.meshgrid(rows, columns, indexing="ij"))
    use = weight > 0.5 if (weight > 0.5).any() else weight >= weight.max()
    full_rows, full_columns = _block_centres(h, h), _block_centres(w, w)
    out = []
    for channel in log:
        mean = resized(np.where(mask, channel, 0).astype(np.float32), *size) / safe
        masked = resized(mask.astype(np.float32), *size)
        mean = mean * safe / np.maximum(masked, 1e-3)
        coefficients = _robust(basis[use], mean[use].astype(np.float64), weight[use], degree)
        plane = _evaluate(coefficients, full_rows, full_columns)
        low, high = float(mean[use].min()), float(mean[use].max())
        out.append(np.clip(plane, low - 0.4, high + 0.4))
    return np.stack(out).astype(np.float32)


def _evaluate(coefficients: Array, rows: Array, columns: Array) -> Array:
    """Evaluate the surface on a grid without building the basis at full size."""
    table = np.zeros((5, 5))
    terms = [(a, b) for a in range(5) for b in range(5) if a + b <= 4]
    for (a, b), value in zip(terms, coefficients, strict=True):
        table[b, a] = value
    return np.asarray(np.polynomial.legendre.leggrid2d(rows, columns, table))


def _robust(basis: Array, values: Array, weights: Array, degree: Array) -> Array:
    """Solve the weighted ridge problem with Tukey's biweight, eight rounds."""
    prior = np.select([degree == 0, degree <= 2], [1e3, PRIOR_LOW], PRIOR_HIGH) ** -2.0
    w = weights.astype(np.float64)
    centre = float(np.median(values))
    sigma = max(robust_sigma(values), 0.01)
    solution: Array = np.zeros(basis.shape[1])
    for _ in range(8):
        scaled = basis * (w / max(sigma, 0.01) ** 2)[:, None]
        solution = np.linalg.solve(scaled.T @ basis + np.diag(prior), scaled.T @ (values - centre))
        error = values - centre - basis @ solution
        sigma = max(robust_sigma(error), 1e-3)
        u = np.clip(error / (4.685 * sigma), -1, 1)
        w = weights * (1 - u**2) ** 2
    solution[0] += centre
    return np.asarray(solution)


def pull_push(values: Array, weights: Array, finest_px: float = 2.0) -> Array:
    """Local weighted means of `values` (h, w), carried smoothly into places without weight.

    Each level holds the weighted mean of 2x2 of the finer one and a weight capped at 1; going back
    up, a place takes its own mean as far as its weight reaches 1, the coarser one for the rest.
    Source: Gortler, Grzeszczuk, Szeliski & Cohen 1996, "The lumigraph", section 3.4.
    """
    seen = gaussian(weights.astype(np.float32), finest_px)
    blurred = gaussian((values * weights).astype(np.float32), finest_px)
    near = seen > 1e-4
    mean = np.where(near, blurred / np.maximum(seen, 1e-6), 0).astype(np.float32)
    levels: list[tuple[Array, Array]] = [
        (mean, np.where(near, np.minimum(1.5 * seen, 1), 0).astype(np.float32))
    ]
    while min(levels[-1][0].shape) > 2:
        x, w = levels[-1]
        size = (-(-x.shape[0] // 2), -(-x.shape[1] // 2))
        total = resized(w.astype(np.float32), *size)
        coarse = resized((x * w).astype(np.float32), *size) / np.maximum(total, 1e-12)
        levels.append((coarse, np.minimum(4 * total, 1)))
    coarsest, weight = levels[-1]
    whole = float((coarsest * weight).sum() / max(float(weight.sum()), 1e-9))
    up = np.asarray(weight * coarsest + (1 - weight) * whole, np.float32)
    for x, w in reversed(levels[:-1]):
        up = np.asarray(w * x + (1 - w) * resized(up, *x.shape), np.float32)
    return up
