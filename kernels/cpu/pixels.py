"""Planes packed pixel by pixel for a file, on compiled kernels where there are some."""

from __future__ import annotations

import ctypes
from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kernels.cpu import library
from kernels.errors import VerdigrisError

HALF_MAX = 65504.0
"""Largest finite half."""


def pack_half(planes: Sequence[NDArray[np.float32]]) -> tuple[NDArray[np.float16], int]:
    """Return planes (H, W) as half floats (H, W, C), and how many values had to be clamped.

    Finite values beyond +-65504 become that; infinities and not-a-number stay.
    """
    height, width = planes[0].shape
    pack = _compiled()
    if pack is None:
        return _pack_half(planes)
    rows = [np.ascontiguousarray(plane, np.float32) for plane in planes]
    out = np.empty((height, width, len(rows)), np.float16)
    addresses = (ctypes.c_void_p * len(rows))(*(row.ctypes.data for row in rows))
    clamped = pack(addresses, len(rows), height, width, ctypes.c_void_p(out.ctypes.data))
    if clamped < 0:
        raise MemoryError
    return out, int(clamped)


def _pack_half(planes: Sequence[NDArray[np.float32]]) -> tuple[NDArray[np.float16], int]:
    height, width = planes[0].shape
    out = np.empty((height, width, len(planes)), np.float16)
    clamped = 0
    for index, plane in enumerate(planes):
        over = np.isfinite(plane) & (np.abs(plane) > HALF_MAX)
        count = int(np.count_nonzero(over))
        clamped += count
        held = np.where(over, np.copysign(np.float32(HALF_MAX), plane), plane) if count else plane
        out[..., index] = held
    return out, clamped


@lru_cache(maxsize=1)
def _compiled() -> Any | None:
    try:
        found = library.choose().library
    except VerdigrisError:
        found = None
    if found is None:
        return None
    pack = found.code.verdigris_pack_half
    pack.restype = ctypes.c_longlong
    return pack
