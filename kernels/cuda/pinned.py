"""Copies through a small ring of pinned host memory, on a stream of their own."""

from __future__ import annotations

from typing import Any

import cupy
import cupyx
import numpy as np
from numpy.typing import NDArray

SLOTS = 3
PINNED_RESULT = 64 << 20
LARGEST = 256 << 20
"""Larger copies go without pinned memory: some systems allow little of it."""


class _Slot:
    def __init__(self) -> None:
        self.memory: Any = None
        self.size = 0
        self.used: Any = None

    def take(self, nbytes: int) -> NDArray[np.uint8] | None:
        """Return the slot's memory once nothing uses it; None when none can be had."""
        if self.used is not None:
            self.used.synchronize()
        if self.size < nbytes:
            self.memory, self.size = None, 0
            try:
                self.memory = cupy.cuda.alloc_pinned_memory(nbytes)
            except (MemoryError, cupy.cuda.runtime.CUDARuntimeError):
                return None
            self.size = nbytes
        return np.frombuffer(self.memory, np.uint8, nbytes)


class PinnedRing:
    """Uploads on a copy stream that the compute stream waits for, and downloads."""

    def __init__(self, compute: Any) -> None:
        self._compute = compute
        self._copies = cupy.cuda.Stream(non_blocking=True)
        self._slots = [_Slot() for _ in range(SLOTS)]
        self._next = 0

    def upload(self, array: NDArray[Any], target: Any) -> None:
        """Start the copy of a host array; the array may be changed when this returns."""
        array = np.ascontiguousarray(array)
        slot = self._slots[self._next]
        self._next = (self._next + 1) % SLOTS
        staged = slot.take(array.nbytes) if 0 < array.nbytes <= LARGEST else None
        if staged is None:
            target.set(array, stream=self._compute)
            self._compute.synchronize()
            return
        np.copyto(staged.view(array.dtype).reshape(array.shape), array)
        self._copies.wait_event(self._compute.record())
        target.data.copy_from_host_async(staged.ctypes.data, array.nbytes, self._copies)
        slot.used = self._copies.record()
        self._compute.wait_event(slot.used)

    def download(self, source: Any) -> NDArray[Any]:
        """Return a copy in host memory; waits for the compute stream.

        Small copies land in pinned memory that goes back to a pool with the array.
        """
        out: NDArray[Any] | None = None
        if 0 < source.nbytes <= PINNED_RESULT and source.flags.c_contiguous:
            try:
                out = cupyx.empty_pinned(source.shape, source.dtype)
            except (MemoryError, cupy.cuda.runtime.CUDARuntimeError):
                out = None
        if out is None:
            return np.asarray(source.get(stream=self._compute))
        source.get(stream=self._compute, out=out, blocking=False)
        self._compute.synchronize()
        return out

    def close(self) -> None:
        """Release the pinned memory."""
        self._copies.synchronize()
        self._slots = [_Slot() for _ in range(SLOTS)]
