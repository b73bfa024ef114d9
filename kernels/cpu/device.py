"""The processor as a `Device`: memory of the process, launches that return when they are done."""

from __future__ import annotations

import ctypes
import threading
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kernels.cpu.library import Library
from kernels.cuda.sources import Structure

ALIGNED = 64
"""Bytes: a line of the processor's cache."""
SLACK = 256
"""Bytes behind every plane that may be read, though not used: vectors end where they end."""
KEPT_BYTES = 384 << 20
"""Memory that is kept to be used again: pages fresh from the system cost as much as keying them."""


class _Block:
    """A piece of memory that goes back to its store when the last array on it is gone."""

    def __init__(self, store: MemoryStore, memory: NDArray[np.uint8], used: int) -> None:
        self._store, self._memory = store, memory
        start = -memory.ctypes.data % ALIGNED
        self.__array_interface__ = {
            "shape": (used,),
            "typestr": "|u1",
            "data": (memory.ctypes.data + start, False),
            "version": 3,
        }

    def __del__(self) -> None:
        self._store.take_back(self._memory)


class MemoryStore:
    """Memory for planes, used again and again; thread-safe."""

    def __init__(self, kept_bytes: int = KEPT_BYTES) -> None:
        self._lock = threading.Lock()
        self._free: dict[int, list[NDArray[np.uint8]]] = {}
        self._kept_bytes = kept_bytes
        self.free_bytes = 0

    def empty(self, shape: tuple[int, ...], dtype: Any) -> NDArray[Any]:
        """Return memory that holds whatever it held before."""
        used = int(np.prod(shape)) * np.dtype(dtype).itemsize
        size = used + ALIGNED + SLACK
        with self._lock:
            waiting = self._free.get(size)
            memory = waiting.pop() if waiting else None
            if memory is not None:
                self.free_bytes -= size
        block = _Block(self, np.empty(size, np.uint8) if memory is None else memory, used)
        array: NDArray[Any] = np.asarray(block).view(dtype).reshape(shape)
        return array

    def take_back(self, memory: NDArray[np.uint8]) -> None:
        """Keep memory for later, unless there is enough of it."""
        with self._lock:
            if self.free_bytes + memory.nbytes <= self._kept_bytes:
                self._free.setdefault(memory.nbytes, []).append(memory)
                self.free_bytes += memory.nbytes

    def clear(self) -> None:
        """Give all of it back to the system."""
        with self._lock:
            self._free.clear()
            self.free_bytes = 0


class ProcessorDevice:
    """Implements `kernels.cuda.device.Device` with kernels compiled for the processor."""

    def __init__(self, library: Library, threads: int) -> None:
        self.library, self.threads = library, threads
        self.description = library.description
        self._pool: int | None = library.pool(threads)
        self._memory = MemoryStore()

    def empty(self, shape: tuple[int, ...], dtype: Any) -> NDArray[Any]:
        """Return uninitialised memory; raises MemoryError when there is none left."""
        return self._memory.empty(shape, dtype)

    def pointer(self, array: NDArray[Any]) -> int:
        """Return the address of an array."""
        return int(array.ctypes.data)

    def upload(self, array: NDArray[Any]) -> NDArray[Any]:
        """Return the array: the host's memory is the device's."""
        return array

    def stage(self, array: NDArray[Any]) -> NDArray[Any]:
        """Return the array."""
        return array

    def download(self, array: NDArray[Any]) -> NDArray[Any]:
        """Return the array."""
        return array

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
        """Run a kernel to its end. Its loops are its own: of the grid only the depth counts."""
        run = self.library.kernel(kernel, args.dtype.itemsize)
        deep = grid[2] if len(grid) > 2 else 1
        if run(self._pool, ctypes.c_void_p(args.ctypes.data), deep):
            raise MemoryError

    def free_bytes(self) -> tuple[int, int]:
        """Return the memory kept for later, twice: how much the system has is not asked."""
        return self._memory.free_bytes, self._memory.free_bytes

    def release(self) -> None:
        """Give memory that nothing uses back to the system."""
        self._memory.clear()

    def synchronise(self) -> None:
        """Every launch has ended."""

    def close(self) -> None:
        """End the threads."""
        if self._pool is not None:
            self.library.end_pool(self._pool)
            self._pool = None
        self._memory.clear()
