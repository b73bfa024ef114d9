"""What a codec left behind: chroma subsampling and block edges, read from the picture itself.

Both work on encoded (not linear) pictures, because that is where the codec worked.
"""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]
ChromaFormat = Literal["4:4:4", "4:2:2", "4:2:0", "unknown"]

# Source: ITU-R BT.709-6, item 3.2 and 3.3.
_KR, _KB = 0.2126, 0.0722

LATTICE_RATIO = 0.3
"""Energy at one phase over the other under which chroma lies on a coarser lattice."""
FAINTEST_CHROMA = 1e-9
"""Mean squared chroma difference under which the picture does not tell."""
CELL_PX = 8
BUSIEST = 90.0
"""Only cells with more chroma detail than this percentile are looked at."""
BLOCK_RATIO = 1.08
"""Step at block edges over step inside from which blocks are there."""


def ycbcr_from_encoded(encoded: Array) -> Array:
    """Return Y'CbCr (3, H, W) of encoded R'G'B', BT.709 weights; any range survives."""
    r, g, b = np.asarray(encoded, np.float32)
    luma = _KR * r + (1 - _KR - _KB) * g + _KB * b
    return np.stack([luma, (b - luma) / (2 * (1 - _KB)), (r - luma) / (2 * (1 - _KR))])


def lattice_ratio(plane: Array, axis: int) -> float | None:
    """Tell how far `plane` (h, w) was interpolated from every second sample along `axis`.

    Samples repeated in pairs make every other first difference vanish; linear interpolation
    between co-sited samples every other second difference; between centred samples every other
    third difference. The energies are taken apart for each place in cells of 8, so that block
    edges, which stand at even places, are not mistaken for a lattice: the largest energy of the
    vanishing phase is compared with the smallest of the other. Near 0 for an interpolated plane,
    around 1 otherwise, None where the picture does not tell. Common practice, no source.
    """
    lines = np.moveaxis(np.asarray(plane, np.float64), axis, -1)
    width = lines.shape[-1] // CELL_PX * CELL_PX
    if width < 2 * CELL_PX:
        return None
    cells = np.diff(lines[:, :width], axis=1, append=0.0)[:, :-CELL_PX] ** 2
    activity = cells.reshape(len(lines), -1, CELL_PX).mean(axis=2)
    busy = activity >= max(float(np.percentile(activity, BUSIEST)), FAINTEST_CHROMA)
    if busy.sum() < 16:
        return None
    ratios, difference = [], lines[:, :width]
    for order in (1, 2, 3):
        difference = np.diff(difference, axis=1)
        padded = np.pad(difference, ((0, 0), (0, order)))[:, :-CELL_PX]
        energy = (padded.reshape(len(lines), -1, CELL_PX)[busy] ** 2).mean(axis=0)
        for phase in (0, 1):
            other = float(energy[1 - phase :: 2].min())
            if other > 0.02 * energy.mean():
                ratios.append(float(energy[phase::2].max()) / other)
    return min(ratios, default=None)


def chroma_format(encoded: Array) -> ChromaFormat:
    """Return the chroma subsampling seen in encoded R'G'B' (3, H, W).

    Both chroma planes must agree: a camera's mosaic leaves a lattice too, but a different one in
    red and in blue. `unknown` where the picture has too little chroma detail to tell.
    """
    chroma = ycbcr_from_encoded(encoded)[1:]
    coarse = []
    for axis in (1, 0):
        ratios = [lattice_ratio(plane, axis) for plane in chroma]
        known = [ratio for ratio in ratios if ratio is not None]
        if not known:
            return "unknown"
        coarse.append(max(known) < LATTICE_RATIO)
    across, down = coarse
    if across and down:
        return "4:2:0"
    return "4:2:2" if across else "4:4:4"


def block_edges(encoded: Array) -> tuple[int, float]:
    """Return the block size seen in px (0: none) and how high its edges stand, in 8-bit codes.

    encoded: (3, H, W). Mean absolute steps of the luma at every phase of a grid of 8 and 16 px are
    compared with the median of the other phases, along both axes.
    Source: the blockiness measure of Wang, Sheikh & Bovik 2002, in spirit.
    """
    luma = ycbcr_from_encoded(encoded)[0]
    for size in (16, 8):
        across, down = _block_step(luma, size), _block_step(luma.T, size)
        if min(across[0], down[0]) > BLOCK_RATIO:
            return size, 255.0 * min(across[1], down[1])
    return 0, 0.0


def _block_step(luma: Array, size: int) -> tuple[float, float]:
    """Return the step at the strongest phase over, and minus, the median of the other phases."""
    steps = np.abs(np.diff(luma, axis=1))
    width = (steps.shape[1] // size) * size
    if width < 4 * size or len(steps) < size:
        return 1.0, 0.0
    limit = np.percentile(steps[::4], 98) + 1e-9
    mean = np.minimum(steps[:, :width], limit).mean(axis=0).reshape(-1, size).mean(axis=0)
    phase = int(np.argmax(mean))
    others = float(np.median(np.delete(mean, phase)))
    if size % 16 == 0 and mean[(phase + size // 2) % size] - others > 0.5 * (mean[phase] - others):
        return 1.0, 0.0  # a grid of half the size
    return float(mean[phase] / max(others, 1e-9)), float(mean[phase] - others)
