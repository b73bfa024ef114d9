"""What the engine needs from a device: memory, copies, launches. `launch.py` has the real one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from kernels.cuda.packing import Source
from kernels.cuda.sources import Structure

ROW_MULTIPLE = 8
"""Rows are padded to this many values, so that threads load 8 or 16 bytes at once."""


class Device(Protocol):
    """Memory and launches, in order, on one stream. Used from one thread."""

    description: str

    def empty(self, shape: tuple[int, ...], dtype: Any) -> Any:
        """Return uninitialised memory as an array; raises MemoryError when there is none left."""

    def pointer(self, array: Any) -> int:
        """Return the address of an array."""

    def upload(self, array: Any) -> Any:
        """Return a copy in device memory of a contiguous host array, or of a staged one."""

    def stage(self, array: NDArray[Any]) -> Any:
        """Bring a contiguous host array to where `upload` copies fast; called on any thread.

        Returns what `upload` takes.
        """

    def download(self, array: Any) -> NDArray[Any]:
        """Return a copy in host memory. Waits for the device."""

    def launch(
        self,
        unit: str,
        kernel: str,
        grid: tuple[int, ...],
        block: tuple[int, ...],
        args: NDArray[np.void],
        shared: int = 0,
        structure: Structure | None = None,
    ) -> None:
        """Run a kernel with its one argument passed by value.

        structure: the specialised form may be used once it is compiled; without it the
        parameter-array form runs.
        """

    def free_bytes(self) -> tuple[int, int]:
        """Return free and total memory in bytes."""

    def release(self) -> None:
        """Give memory that nothing uses back to the system."""

    def synchronise(self) -> None:
        """Wait for everything launched."""

    def close(self) -> None:
        """Release everything."""


@dataclass(frozen=True, eq=False)
class Plane:
    """An image in device memory: (channels, height, pitch), rows padded, half or float."""

    array: Any
    width: int
    height: int
    channels: int
    flat: bool
    """the image was (H, W), not (C, H, W)"""
    address: int
    half: bool

    @property
    def pitch(self) -> int:
        """Values from one row to the next."""
        return int(self.array.shape[-1])

    @property
    def source(self) -> Source:
        """The plane as the kernels' arguments name it."""
        return Source(self.address, self.half)

    @property
    def nbytes(self) -> int:
        """Bytes held."""
        return int(self.array.nbytes)


def padded(width: int) -> int:
    """Return the row length of planes of this width."""
    return -(-width // ROW_MULTIPLE) * ROW_MULTIPLE


def new_plane(
    device: Device,
    channels: int,
    height: int,
    width: int,
    *,
    half: bool = False,
    flat: bool = False,
) -> Plane:
    """Return an uninitialised plane; padding columns hold whatever is there."""
    dtype = np.float16 if half else np.float32
    array = device.empty((channels, height, padded(width)), dtype)
    return Plane(array, width, height, channels, flat, device.pointer(array), half)


def blocks(width: int, height: int, across: int, down: int, deep: int = 1) -> tuple[int, ...]:
    """Return the grid that covers a rectangle with blocks of across x down."""
    return (-(-width // across), -(-height // down), deep)


def args_of(dtype: np.dtype[np.void], **values: Any) -> NDArray[np.void]:
    """Return a kernel's argument with the named fields set and the rest zero."""
    args = np.zeros(1, dtype)
    for name, value in values.items():
        args[0][name] = value
    return args


def names(planes: Sequence[str]) -> str:
    """Return plane names for an error message."""
    return ", ".join(sorted(planes))
