"""Copies through a few pieces of pinned host memory, on a stream of their own."""

from __future__ import annotations

import queue
from typing import Any

import cupy
import cupyx
import numpy as np
from numpy.typing import NDArray

SLOTS = 3
STAGES = 2
PINNED_RESULT = 64 << 20
LARGEST = 256 << 20
"""Larger copies go without pinned memory: some systems allow little of it."""
PATIENCE_S = 1.0
"""how long staging waits for memory before it does without"""


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


class Staged:
    """A host array on its way to the card; its pinned memory goes back when it is let go of."""

    def __init__(self, array: NDArray[Any], slot: _Slot | None, free: queue.Queue[_Slot]) -> None:
        self.array = array
        self.slot = slot
        self._free = free

    def __del__(self) -> None:
        if self.slot is not None:
            self._free.put(self.slot)


class PinnedRing:
    """Uploads on a copy stream that the compute stream waits for, and downloads.

    All but `stage` belongs to the thread that owns the card.
    """

    def __init__(self, compute: Any) -> None:
        self._compute = compute
        self._copies = cupy.cuda.Stream(non_blocking=True)
        self._slots = [_Slot() for _ in range(SLOTS)]
        self._next = 0
        self._stages: queue.Queue[_Slot] = queue.Queue()
        for _ in range(STAGES):
            self._stages.put(_Slot())

    def stage(self, array: NDArray[Any]) -> Staged:
        """Copy a host array to pinned memory, for `upload`; may be called from any thread."""
        try:
            slot = self._stages.get(timeout=PATIENCE_S) if _fits(array) else None
        except queue.Empty:
            slot = None
        memory = slot.take(array.nbytes) if slot is not None else None
        if memory is None:
            if slot is not None:
                self._stages.put(slot)
            return Staged(array, None, self._stages)
        return Staged(_filled(memory, array), slot, self._stages)

    def upload(self, array: NDArray[Any] | Staged, target: Any) -> None:
        """Start the copy of a host array; the array may be changed when this returns."""
        if isinstance(array, Staged):
            if array.slot is not None:
                self._send(array.array, array.slot, target)
                return
            array = array.array
        array = np.ascontiguousarray(array)
        slot = self._slots[self._next]
        self._next = (self._next + 1) % SLOTS
        memory = slot.take(array.nbytes) if _fits(array) else None
        if memory is None:
            target.set(array, stream=self._compute)
            self._compute.synchronize()
            return
        self._send(_filled(memory, array), slot, target)

    def _send(self, pinned: NDArray[Any], slot: _Slot, target: Any) -> None:
        self._copies.wait_event(self._compute.record())
        target.data.copy_from_host_async(pinned.ctypes.data, pinned.nbytes, self._copies)
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


def _fits(array: NDArray[Any]) -> bool:
    return 0 < array.nbytes <= LARGEST


def _filled(memory: NDArray[np.uint8], array: NDArray[Any]) -> NDArray[Any]:
    pinned = memory.view(array.dtype).reshape(array.shape)
    np.copyto(pinned, array)
    return pinned
