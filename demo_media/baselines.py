"""Yardsticks for the truth table: plain mattes, and what the noise allows at best."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from demo_media.scene import TruthShot
from kernels.errors import VerdigrisError
from kernels.reference.colour import acescct_from_linear

Matte = NDArray[np.float32]
Image = NDArray[np.float32]


def _channels(shot: TruthShot) -> tuple[int, int, int]:
    k = ("red", "green", "blue").index(shot.primary)
    i, j = (c for c in range(3) if c != k)
    return k, i, j


def _excess(image: Image, shot: TruthShot) -> Matte:
    k, i, j = _channels(shot)
    return np.asarray(image[k] - np.maximum(image[i], image[j]), np.float32)


def flat_colour_difference(shot: TruthShot) -> Matte:
    """1 − e(p)/e(c), clamped, with one flat c: the median of the true clean plate.

    Source: Vlahos' colour-difference patents; Smith & Blinn 1996.
    """
    flat = np.median(shot.clean_plate.reshape(3, -1), axis=1).reshape(3, 1, 1)
    ratio = _excess(shot.plate, shot) / _excess(np.asarray(flat, np.float32), shot)
    return np.asarray(np.clip(1 - ratio, 0, 1), np.float32)


def clean_plate_colour_difference(shot: TruthShot) -> Matte:
    """1 − e(p)/e(c), clamped, with the true clean plate at every pixel."""
    ratio = _excess(shot.plate, shot) / _excess(shot.clean_plate, shot)
    return np.asarray(np.clip(1 - ratio, 0, 1), np.float32)


def oracle_trimap(shot: TruthShot) -> NDArray[np.float64]:
    """1 in the solid core, 0 in clean screen, 0.5 elsewhere, from the true matte."""
    trimap = np.full(shot.alpha.shape, 0.5)
    trimap[shot.core_mask] = 1.0
    trimap[shot.screen_mask] = 0.0
    return trimap


def closed_form(shot: TruthShot, *, longest_px: int = 480) -> Matte:
    """Closed-form matting with an oracle trimap, by the general library PyMatting.

    It takes minutes at full size, so it runs on an area average of at most `longest_px` and its
    matte is enlarged again; trimap pixels stay known only where all they average are. The picture
    is ACEScct-encoded, clipped to 0..1. Raises VerdigrisError when the library isn't installed.
    Source: Levin, Lischinski & Weiss 2008, "A closed-form solution to natural image matting".
    """
    try:
        from pymatting import estimate_alpha_cf
    except ImportError:
        raise VerdigrisError(
            "the closed-form baseline needs the package 'pymatting'; "
            "install 'verdigris[test]' or leave this baseline out"
        ) from None
    height, width = shot.alpha.shape
    scale = min(1.0, longest_px / max(height, width))
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    encoded = np.moveaxis(np.clip(acescct_from_linear(shot.plate), 0, 1), 0, -1)
    picture = np.asarray(cv2.resize(encoded, size, interpolation=cv2.INTER_AREA), np.float64)
    known = cv2.resize(oracle_trimap(shot), size, interpolation=cv2.INTER_AREA)
    trimap = np.where(known > 1 - 1e-6, 1.0, np.where(known < 1e-6, 0.0, 0.5))
    alpha = estimate_alpha_cf(picture, trimap)
    grown = cv2.resize(alpha, (width, height), interpolation=cv2.INTER_LINEAR)
    return np.asarray(np.clip(grown, 0, 1), np.float32)


def _information(shot: TruthShot) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Σ⁻¹d (3, h, w) and dᵀΣ⁻¹d (h, w), d = F − c, Σ the noise covariance of the mixed colour."""
    d = (shot.foreground - shot.clean_plate).astype(np.float64)
    sigma = np.moveaxis(shot.noise.covariance(shot.light), (0, 1), (-2, -1))
    solved = np.linalg.solve(sigma, np.moveaxis(d, 0, -1)[..., None])[..., 0]
    weighted = np.asarray(np.moveaxis(solved, -1, 0), np.float64)
    return weighted, np.asarray((weighted * d).sum(axis=0), np.float64)


def least_squares(shot: TruthShot) -> Matte:
    """Per-pixel weighted least squares with the true F and c: dᵀΣ⁻¹(p − c) / dᵀΣ⁻¹d, clamped.

    No method can know F and c better; what is left is noise, mosaic and codec.
    """
    weighted, information = _information(shot)
    answer = (weighted * (shot.plate - shot.clean_plate)).sum(axis=0)
    return np.asarray(np.clip(answer / np.maximum(information, 1e-12), 0, 1), np.float32)


def cramer_rao_sigma(shot: TruthShot) -> Matte:
    """σ_α >= 1/√(dᵀΣ⁻¹d) of every pixel, d = F − c, for an unbiased estimate from that pixel.

    Source: Cramér 1946 and Rao 1945, for a Gaussian with known mean direction. The sensor's noise
    only: on 8-bit 4:2:0 shots the true bound is higher.
    """
    _, information = _information(shot)
    return np.asarray(1 / np.sqrt(np.maximum(information, 1e-12)), np.float32)


def edge_bound(shot: TruthShot) -> float:
    """Root mean square of the Cramér–Rao bound over the edge, each pixel's at most 1."""
    sigma = np.minimum(cramer_rao_sigma(shot)[shot.edge_mask].astype(np.float64), 1)
    return float(np.sqrt((sigma**2).mean())) if sigma.size else 0.0
