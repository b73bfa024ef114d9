"""How a result compares with a family shot's truth, and the yardsticks beside it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from demo_media.families.shot import FamilyShot, TruthFrame
from kernels.errors import VerdigrisError
from kernels.metrics import connectivity_error, gradient_error, mean_error, mse, psnr, rms, sad
from kernels.reference.colour import acescct_from_linear, delta_e_2000, lab_from_acescg

Image = NDArray[np.float32]
Matte = NDArray[np.float32]
Mask = NDArray[np.bool_]

STILL = 1e-3


@dataclass(frozen=True)
class Result:
    """What a method made of one frame: alpha (h, w); straight colour and composite (3, h, w).

    `straight` and `composite` are None for a matte alone.
    """

    alpha: Matte
    straight: Image | None = None
    composite: Image | None = None


def counted(alpha: Matte, frame: TruthFrame) -> Matte:
    """The matte with the truth where a garbage matte would have taken it (stands, cloth's end)."""
    return np.asarray(np.where(frame.counted_mask, alpha, frame.alpha), np.float32)


def mean_delta_e(straight: Image, frame: TruthFrame, where: Mask) -> float:
    """Mean ΔE*ab 2000 of straight colour from the spill-free truth; nan where there is none.

    Source: Sharma, Wu & Dalal 2005.
    """
    chosen = where & frame.counted_mask
    if not chosen.any():
        return float("nan")
    made = lab_from_acescg(straight[:, chosen].astype(np.float64))
    true = lab_from_acescg(frame.foreground_clean[:, chosen].astype(np.float64))
    return float(delta_e_2000(made, true).mean())


def frame_figures(frame: TruthFrame, result: Result) -> dict[str, float]:
    """All figures of one frame. SAD, gradient and connectivity in thousands, as tables print.

    `psnr` is of linear working-space values clipped to 0..1, since cameras with a display curve
    lose what is above; `psnr_open` has nothing clipped. A matte alone has no colour figures.
    Source of the first four: Rhemann et al. 2009.
    """
    alpha, truth = counted(result.alpha, frame), frame.alpha
    figures = {
        "sad": sad(alpha, truth) / 1000,
        "mse": mse(alpha, truth),
        "gradient": gradient_error(alpha, truth) / 1000,
        "connectivity": connectivity_error(alpha, truth) / 1000,
        "edge_rms": rms(alpha, truth, frame.edge_mask & frame.counted_mask),
        "bound": edge_bound(frame),
        "core": mean_error(alpha, truth, frame.core_mask & frame.counted_mask),
        "screen": mean_error(alpha, truth, frame.screen_mask),
    }
    if result.composite is not None:
        chosen = None if frame.counted_mask.all() else frame.counted_mask
        made, true = np.clip(result.composite, 0, 1), np.clip(frame.composite, 0, 1)
        figures["psnr"] = psnr(made, true, chosen)
        figures["psnr_open"] = psnr(result.composite, frame.composite, chosen)
    if result.straight is not None:
        between = np.asarray((truth > 0.1) & (truth < 0.9))
        figures["delta_e_edge"] = mean_delta_e(result.straight, frame, between)
        figures["delta_e_solid"] = mean_delta_e(result.straight, frame, frame.core_mask)
    return figures


def chatter(shot: FamilyShot, mattes: Sequence[Matte]) -> float:
    """Standard deviation over time of alpha's error, root mean square over where truth is still.

    Still: true alpha changes by less than 0.001 over all frames. nan with fewer than two frames.
    Our own rule, no outside source.
    """
    if len(mattes) < 2:
        return float("nan")
    truth = np.stack([f.alpha for f in shot.frames])
    error = np.stack([counted(m, f) for m, f in zip(mattes, shot.frames, strict=True)]) - truth
    still = np.ptp(truth, axis=0) < STILL
    still &= np.all([f.counted_mask for f in shot.frames], axis=0)
    if not still.any():
        return float("nan")
    spread = error[:, still].astype(np.float64).std(axis=0)
    return float(np.sqrt((spread**2).mean()))


def shot_figures(shot: FamilyShot, results: Sequence[Result]) -> dict[str, float]:
    """Means over the frames of `frame_figures` (of those that exist), and `chatter`."""
    rows = [frame_figures(f, r) for f, r in zip(shot.frames, results, strict=True)]
    means: dict[str, float] = {}
    for name in rows[0]:
        values = np.array([row[name] for row in rows])
        known = values[~np.isnan(values)]
        means[name] = float(known.mean()) if known.size else float("nan")
    means["chatter"] = chatter(shot, [r.alpha for r in results])
    return means


# Yardsticks -----------------------------------------------------------------------------------


def _excess(image: Image, primary: str) -> Matte:
    k = ("red", "green", "blue").index(primary)
    i, j = (c for c in range(3) if c != k)
    return np.asarray(image[k] - np.maximum(image[i], image[j]), np.float32)


def flat_colour_difference(frame: TruthFrame, primary: str) -> Matte:
    """1 − e(p)/e(c), clamped, with one flat c: the median of the true bare screen.

    Source: Vlahos' colour-difference patents; Smith & Blinn 1996.
    """
    bare = frame.screen_mask
    seen = frame.clean_plate[:, bare] if bare.any() else frame.clean_plate.reshape(3, -1)
    flat = np.asarray(np.median(seen, axis=1).reshape(3, 1, 1), np.float32)
    ratio = _excess(frame.plate, primary) / _excess(flat, primary)
    return np.asarray(np.clip(1 - ratio, 0, 1), np.float32)


def clean_plate_colour_difference(frame: TruthFrame, primary: str) -> Matte:
    """1 − e(p)/e(c), clamped, with the true plate at every pixel (a shadow's darkness included)."""
    below = np.maximum(_excess(frame.clean_plate, primary), 1e-3)
    return np.asarray(np.clip(1 - _excess(frame.plate, primary) / below, 0, 1), np.float32)


def _information(frame: TruthFrame) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Σ⁻¹d (3, h, w) and dᵀΣ⁻¹d (h, w), d = F − c, Σ the noise covariance of the mixed colour."""
    d = (frame.foreground - frame.clean_plate).astype(np.float64)
    sigma = np.moveaxis(frame.noise.covariance(frame.light), (0, 1), (-2, -1))
    solved = np.linalg.solve(sigma, np.moveaxis(d, 0, -1)[..., None])[..., 0]
    weighted = np.asarray(np.moveaxis(solved, -1, 0), np.float64)
    return weighted, np.asarray((weighted * d).sum(axis=0), np.float64)


def least_squares(frame: TruthFrame, primary: str = "") -> Matte:
    """Per-pixel weighted least squares with the true F, c and highlight light, clamped."""
    weighted, information = _information(frame)
    known = frame.clean_plate if frame.extra is None else frame.clean_plate + frame.extra
    answer = (weighted * (frame.plate - known)).sum(axis=0)
    return np.asarray(np.clip(answer / np.maximum(information, 1e-12), 0, 1), np.float32)


def edge_bound(frame: TruthFrame) -> float:
    """Root mean square over the edge of σ_α >= 1/√(dᵀΣ⁻¹d), each pixel's at most 1.

    Source: Cramér 1946 and Rao 1945. The sensor's noise only: see `FamilyShot.over_bound`.
    """
    _, information = _information(frame)
    edge = frame.edge_mask & frame.counted_mask
    variance = np.minimum(1 / np.maximum(information[edge], 1e-12), 1)
    return float(np.sqrt(variance.mean())) if variance.size else 0.0


def oracle_trimap(frame: TruthFrame) -> NDArray[np.float64]:
    """1 in the solid core, 0 on bare screen, 0.5 elsewhere, from the true matte."""
    trimap = np.full(frame.alpha.shape, 0.5)
    trimap[frame.core_mask] = 1.0
    trimap[frame.screen_mask] = 0.0
    trimap[~frame.counted_mask & (frame.alpha < 0.005)] = 0.0
    return trimap


def closed_form(frame: TruthFrame, primary: str = "", *, longest_px: int = 320) -> Matte:
    """Closed-form matting with an oracle trimap, by the general library PyMatting.

    On an area average of at most `longest_px`, enlarged again. The picture is ACEScct-encoded,
    clipped to 0..1. Raises VerdigrisError when the library isn't installed.
    Source: Levin, Lischinski & Weiss 2008, "A closed-form solution to natural image matting".
    """
    try:
        from pymatting import estimate_alpha_cf
    except ImportError:
        raise VerdigrisError(
            "the closed-form baseline needs the package 'pymatting'; "
            "install 'verdigris[test]' or leave this baseline out"
        ) from None
    height, width = frame.alpha.shape
    scale = min(1.0, longest_px / max(height, width))
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    area = cv2.INTER_AREA
    encoded = np.moveaxis(np.clip(acescct_from_linear(frame.plate), 0, 1), 0, -1)
    picture = np.asarray(cv2.resize(encoded, size, interpolation=area), np.float64)
    known = cv2.resize(oracle_trimap(frame), size, interpolation=area)
    trimap = np.where(known > 1 - 1e-6, 1.0, np.where(known < 1e-6, 0.0, 0.5))
    alpha = estimate_alpha_cf(picture, trimap)
    grown = cv2.resize(alpha, (width, height), interpolation=cv2.INTER_LINEAR)
    return np.asarray(np.clip(grown, 0, 1), np.float32)


Baseline = Callable[[TruthFrame, str], Matte]
BASELINES: dict[str, Baseline] = {
    "flat colour difference": flat_colour_difference,
    "clean-plate colour difference": clean_plate_colour_difference,
    "least squares, true F and c": least_squares,
    "closed form, oracle trimap": closed_form,
}


def plain_result(frame: TruthFrame, primary: str, alpha: Matte) -> Result:
    """A baseline's matte with a plain colour side: the true plate subtracted, spill limited.

    F = (p − (1 − α)c)/α, then the key channel is at most the larger of the others; the composite
    lies over the shot's background.
    """
    k = ("red", "green", "blue").index(primary)
    i, j = (c for c in range(3) if c != k)
    premultiplied = frame.plate - (1 - alpha) * frame.clean_plate
    limited = np.minimum(premultiplied[k], np.maximum(premultiplied[i], premultiplied[j]))
    premultiplied[k] = limited
    straight = premultiplied / np.maximum(alpha, 0.02)
    composite = premultiplied + (1 - alpha) * frame.background
    return Result(alpha, np.asarray(straight, np.float32), np.asarray(composite, np.float32))
