"""The compiled kernels: which library this processor runs, and its functions."""

from __future__ import annotations

import ctypes
from collections.abc import Callable
from pathlib import Path


class Library:
    """One compiled form of the kernels. Calls let other Python threads run meanwhile."""

    def __init__(self, path: Path, level: str) -> None:
        self.path, self.level = path, level
        self.description = f"kernels compiled for {level}"
        self._code = ctypes.CDLL(str(path))
        self._code.verdigris_pool.restype = ctypes.c_void_p
        self._code.verdigris_pool.argtypes = (ctypes.c_int,)
        self._code.verdigris_pool_end.restype = None
        self._code.verdigris_pool_end.argtypes = (ctypes.c_void_p,)
        self._kernels: dict[str, Callable[..., int]] = {}

    def pool(self, threads: int) -> int:
        """Start a pool of threads, the caller's counted, and return its handle."""
        return int(self._code.verdigris_pool(threads))

    def end_pool(self, pool: int) -> None:
        """End a pool's threads."""
        self._code.verdigris_pool_end(pool)

    def kernel(self, name: str, size: int) -> Callable[..., int]:
        """Return a kernel's function. size: of its arguments in bytes, checked the first time."""
        found = self._kernels.get(name)
        if found is None:
            found = self._code[f"verdigris_{name}"]
            found.restype = ctypes.c_int
            found.argtypes = (ctypes.c_void_p, ctypes.c_void_p, ctypes.c_uint)
            expected = self._code[f"verdigris_size_{name}"]()
            if expected != size:
                raise OSError(f"{self.path.name} takes {expected} bytes for {name}, not {size}")
            self._kernels[name] = found
        return found
