"""Judging a matte without truth: what it leaves undone or overdoes, told from plate and screen.

Every figure is an area, as a share of the frame, so that figures of one shot compare: 0 is best.
None of them knows the true matte, and each alone can be deceived: they tell a failure from a good
matte, not the better of two good ones. `expected_error` weighs them by how they went with the true
error on the generated shots of one family.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from kernels.measure.screen_find import channel_index, gaussian
from kernels.measure.screen_fit import working_size
from kernels.measure.screen_surface import pull_push, resized
from kernels.recipe import Noise, Primary

Array = NDArray[Any]
Mask = NDArray[np.bool_]
CLEAN_ERROR = 0.012
"""Relative error of a fitted clean plate."""
BARE_CHI, BARE_SHARE = 6.2, 0.12
DEEP_PX = 6
SHADES = 0.3
"""Relative spread of a surface's light: a foreground colour is known up to this along itself."""


@dataclass(frozen=True, eq=False)
class Evidence:
    """What plate and clean plate say of every pixel, (h, w) at working size.

    share: 1 - e(p)/e(c), not clamped, e = x_k - max(x_i, x_j), over 1 px. spread: its standard
    deviation. bare: the pixel shows nothing but screen. solid: posterior of solid, 0 on bare.
    plate, clean, variance: (3, h, w).
    """

    plate: Array
    clean: Array
    variance: Array
    share: Array
    spread: Array
    bare: Mask
    solid: Array


@dataclass(frozen=True)
class Proof:
    """What is wrong with a matte, as far as can be told without truth; shares of the frame.

    bare_left: matte on pixels that pooled noise cannot tell from screen. missing: by how much the
    matte stays under what the screen's excess lacks beyond three of its deviations. solid_lost:
    clear where shading runs through black, as a solid's does, and not through the screen's colour.
    half_inside: half-coverage deep inside, where edges do not reach. overfilled: by how much the
    matte exceeds what the screen's excess lacks, where nothing says solid. unexplained: pixels
    whose p - aF - (1 - a)c exceeds the noise, F carried in from the matte's own solid parts.
    grain: unrest of the matte beyond that of the plate's own pooled reading, where it is clear.
    restless: change over time where the plate changes by noise alone; 0 with one frame.
    """

    bare_left: float
    missing: float
    solid_lost: float
    half_inside: float
    overfilled: float
    unexplained: float
    grain: float
    restless: float = 0.0

    def as_dict(self) -> dict[str, float]:
        return asdict(self)


def gather_evidence(plate: Array, clean: Array, noise: Noise, primary: Primary) -> Evidence:
    """Return the evidence of one frame. plate, clean: (3, H, W) working-linear of one size."""
    height, width = plate.shape[1:]
    h, w = working_size(height, width)
    small = resized(np.asarray(plate, np.float32), h, w)
    behind = np.maximum(resized(np.asarray(clean, np.float32), h, w), 1e-6)
    averaged = 1.0 if w == width else min(2.5 * (w / width) ** 2, 1.0)
    gain, offset = (np.reshape(v, (3, 1, 1)).astype(np.float32) for v in (noise.gain, noise.offset))
    level = np.maximum(_soft(small, 1.0), 0)
    variance = (gain * level + offset) * averaged + (CLEAN_ERROR * behind) ** 2 + 1e-9
    k, i, j = channel_index(primary)
    e_c = np.maximum(_excess(behind, primary), 0.04 * behind[k] + 1e-5)
    raw = 1 - _excess(small, primary) / e_c
    share = gaussian(np.clip(raw, -2, 2).astype(np.float32), 1.0)
    spread = np.sqrt(variance[k] + np.maximum(variance[i], variance[j])) / e_c / 3.5
    chi = gaussian(((small - behind) ** 2 / variance).sum(axis=0).astype(np.float32), 2.0)
    limit = np.clip(3 * spread, BARE_SHARE / 2, BARE_SHARE)
    bare = (chi < BARE_CHI) & (np.abs(gaussian(share, 1.7)) < limit)
    bare = cv2.morphologyEx(bare.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)) > 0
    solid = _solid(small, behind, variance, share, bare)
    return Evidence(small, behind, variance, share, spread, bare, solid)


def _soft(image: Array, sigma_px: float) -> Array:
    return np.stack([gaussian(plane, sigma_px) for plane in image])


def _excess(image: Array, primary: Primary) -> Array:
    k, i, j = channel_index(primary)
    return np.asarray(image[k] - np.maximum(image[i], image[j]))


def _box(plane: Array, radius: int) -> Array:
    side = 2 * radius + 1
    return np.asarray(cv2.blur(np.asarray(plane, np.float32), (side, side)))


def shading_line(plate: Array, clean: Array, variance: Array, bare: Mask, radius: int) -> Array:
    """Log ratio (h, w), at most 5, of how badly a window fits a mix and how badly a solid.

    A solid's shading runs along a line through black, a mix along one through the screen's colour:
    O(q) = E|q|^2 - m'E[qq']m / |m|^2 with m = E q, for q = p and q = p - c, over the pixels of the
    window that are not bare, in units of the noise. Source: our own study of generated shots.
    """
    soft = _soft(plate, 1.0)
    noise = _box((variance / 12.6 + (0.004 * clean) ** 2).mean(axis=0), radius)
    scale = 1 / np.sqrt(noise)
    weight = (~bare).astype(np.float32)
    share = np.maximum(_box(weight, radius), 1e-4)
    off = []
    for q in (soft - clean, soft):
        q = q * scale
        m = np.stack([_box(plane * weight, radius) for plane in q]) / share
        square = _box((q * q).sum(axis=0) * weight, radius) / share
        pairs = ((0, 0, 1), (1, 1, 1), (2, 2, 1), (0, 1, 2), (0, 2, 2), (1, 2, 2))
        along = sum(n * m[a] * m[b] * _box(q[a] * q[b] * weight, radius) for a, b, n in pairs)
        left = square - along / share / np.maximum((m * m).sum(axis=0), 1e-6)
        off.append(np.maximum(left - 2, 0) + 1)
    return np.asarray(np.clip(np.log(off[0] / off[1]), -5, 5), np.float32)


def _solid(plate: Array, clean: Array, variance: Array, share: Array, bare: Mask) -> Array:
    """Posterior (h, w) of solid from the shading line near and wide, and the share."""
    near = shading_line(plate, clean, variance, bare, 3)
    wide = shading_line(plate, clean, variance, bare, 20)
    logit = -2.87 + 0.50 * near + 0.44 * wide + 4.22 * np.clip(share, 0, 1)
    return np.asarray(np.where(bare, 0, 1 / (1 + np.exp(-logit))), np.float32)


def prove(alpha: Array, found: Evidence) -> Proof:
    """Judge one matte (H, W) of a frame by its evidence."""
    h, w = found.share.shape
    a = np.clip(resized(np.asarray(alpha, np.float32)[None], h, w)[0], 0, 1)
    share, solid = np.clip(found.share, 0, 1), found.solid
    lacking = np.clip(found.share - 3 * found.spread, 0, 1)
    deep = cv2.distanceTransform((~found.bare).astype(np.uint8), cv2.DIST_L2, 5) > DEEP_PX
    clear = gaussian(a, 4.0) < 0.3
    unrest = np.maximum(np.abs(a - gaussian(a, 1.5)) - np.abs(share - gaussian(share, 1.5)), 0)
    return Proof(
        bare_left=float((a * found.bare).mean()),
        missing=float(np.maximum(lacking - a, 0).mean()),
        solid_lost=float((solid * (1 - a)).mean()),
        half_inside=float((4 * a * (1 - a) * deep).mean()),
        overfilled=float(((1 - solid) * np.maximum(a - share - 3 * found.spread, 0)).mean()),
        unexplained=_unexplained(a, found),
        grain=float((unrest * clear).mean()),
    )


def _unexplained(a: Array, found: Evidence) -> float:
    """The share of the frame that the matte, its own foreground and the screen do not explain."""
    core = cv2.erode((a > 0.97).astype(np.uint8), np.ones((3, 3), np.uint8)).astype(np.float32)
    if core.sum() < 20:
        return float((a > 0.02).mean())
    colour = np.stack([pull_push(plane, core, 1.5) for plane in found.plate])
    left = found.plate - a * colour - (1 - a) * found.clean
    left = _soft(np.asarray(left, np.float32), 0.7)
    allowed = found.variance / 4 + (SHADES * a * colour) ** 2 + (0.02 * found.clean) ** 2
    chi = (left**2 / allowed).sum(axis=0)
    return float(np.clip((chi - 6) / 30, 0, 1).mean())


def restlessness(first: Array, second: Array, here: Evidence, there: Evidence) -> float:
    """Change of a matte (H, W) between two frames where the plate changes by noise alone."""
    h, w = here.share.shape
    a, b = (resized(np.asarray(m, np.float32)[None], h, w)[0] for m in (first, second))
    moved = ((here.plate - there.plate) ** 2 / (here.variance + there.variance)).sum(axis=0)
    still = gaussian(np.asarray(moved, np.float32), 2.0) < 4.5
    return float((np.abs(a - b) * still).mean())


WEIGHTS = Proof(
    bare_left=0.42,
    missing=0.02,
    solid_lost=0.05,
    half_inside=0.02,
    overfilled=0.08,
    unexplained=0.04,
    grain=1.2,
    restless=0.5,
)
"""Found by a search over 38 shots of the family `workshop`, seven colour differences and one better
matte each, for rank and for the error of what is chosen; `restless` is our own guess."""


def expected_error(proof: Proof) -> float:
    """Weigh a proof's figures into one, for comparing mattes of one shot; no error by itself."""
    weights, figures = WEIGHTS.as_dict(), proof.as_dict()
    return float(sum(weight * figures[name] for name, weight in weights.items()))
