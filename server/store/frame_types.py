"""Decoded frames as the store keeps them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

HALF_MAX = 65504.0
Half = NDArray[np.float16]


@dataclass(frozen=True)
class FrameId:
    """One frame of one source (a shot's plate, clean plate, …) of one opening."""

    source: str
    frame: int


@dataclass(frozen=True, eq=False)
class Decoded:
    """A decoded frame in half precision; error: why there is none (then it is black)."""

    pixels: Half
    alpha: Half | None = None
    missing: bool = False
    nonfinite: int = 0
    error: str = ""

    @property
    def nbytes(self) -> int:
        """Bytes held."""
        return self.pixels.nbytes + (self.alpha.nbytes if self.alpha is not None else 0)


@dataclass(frozen=True, eq=False)
class Held:
    """A frame in the engine's memory."""

    pixels: Any
    alpha: Any | None
    nbytes: int
    missing: bool
    error: str = ""


@dataclass(frozen=True)
class Budget:
    """Bytes each tier may hold."""

    engine: int
    host: int
    disk: int = 0


class NotReadyError(Exception):
    """The frame is not (any more) in the store."""


def decoded_from(frame: Any) -> Decoded:
    """Return a `server.media` frame in half precision, clamped to half's range."""
    return Decoded(
        _half(frame.pixels),
        None if frame.alpha is None else _half(frame.alpha),
        bool(frame.missing or frame.held),
        int(frame.nonfinite),
    )


def _half(planes: NDArray[Any]) -> Half:
    half: Half = np.clip(planes, -HALF_MAX, HALF_MAX).astype(np.float16)
    return half


def runs(numbers: Iterable[int]) -> list[tuple[int, int]]:
    """Return the runs (first, last) of consecutive numbers."""
    found: list[tuple[int, int]] = []
    for n in sorted(set(numbers)):
        if found and n == found[-1][1] + 1:
            found[-1] = (found[-1][0], n)
        else:
            found.append((n, n))
    return found
