"""The compiled kernels: which library this processor runs, why, and its functions."""

from __future__ import annotations

import ctypes
import os
import platform
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from kernels.cpu import native_build
from kernels.errors import VerdigrisError

LEVEL = "VERDIGRIS_CPU_LEVEL"
"""Environment variable that names a level, or `numpy`."""
NAMES = {"v2": "x86-64-v2", "v3": "x86-64-v3", "v4": "x86-64-v4", "arm64": "arm64"}


class LibraryError(VerdigrisError):
    """A library that was asked for by name cannot be had, or is not of these sources."""


class Library:
    """One compiled form of the kernels. Calls let other Python threads run meanwhile.

    Raises OSError where the system does not load it.
    """

    def __init__(self, path: Path, level: str) -> None:
        self.path, self.level = path, level
        self.description = f"kernels compiled for {NAMES[level]}"
        self.code = ctypes.CDLL(str(path))
        self.code.verdigris_pool.restype = ctypes.c_void_p
        self.code.verdigris_pool.argtypes = (ctypes.c_int,)
        self.code.verdigris_pool_end.restype = None
        self.code.verdigris_pool_end.argtypes = (ctypes.c_void_p,)
        self.code.verdigris_sources.restype = ctypes.c_char_p
        self._kernels: dict[str, Callable[..., int]] = {}

    @property
    def sources(self) -> str:
        """The state of the sources it was compiled from: see `native_build.digest`."""
        given: bytes = self.code.verdigris_sources()
        return given.decode().removeprefix("sources:")

    def processor_level(self) -> int:
        """Return the highest x86-64 level of this processor, 1 to 4; 0 on others."""
        return int(self.code.verdigris_processor_level())

    def pool(self, threads: int) -> int:
        """Start a pool of threads, the caller's counted, and return its handle."""
        handle = self.code.verdigris_pool(threads)
        if not handle:
            raise MemoryError
        return int(handle)

    def end_pool(self, pool: int) -> None:
        """End a pool's threads."""
        self.code.verdigris_pool_end(pool)

    def kernel(self, name: str, size: int) -> Callable[..., int]:
        """Return a kernel's function. size: of its arguments in bytes, checked the first time."""
        found = self._kernels.get(name)
        if found is None:
            found = self.code[f"verdigris_{name}"]
            found.restype = ctypes.c_int
            found.argtypes = (ctypes.c_void_p, ctypes.c_void_p, ctypes.c_uint)
            expected = self.code[f"verdigris_size_{name}"]()
            if expected != size:
                raise LibraryError(f"{self.path} takes {expected} bytes for {name}, not {size}")
            self._kernels[name] = found
        return found


@dataclass(frozen=True)
class Choice:
    """A library, or none, and why, as the end of a sentence about the cpu engine."""

    library: Library | None
    reason: str


def choose(level: str | None = None, folder: Path | None = None) -> Choice:
    """Return the library to run: the highest that the processor and the installation have.

    level: one of `v2 v3 v4 arm64 numpy`, else VERDIGRIS_CPU_LEVEL, else the processor's. Raises
    LibraryError where a level that was asked for is not there or not for this processor.
    """
    asked = (level or os.environ.get(LEVEL, "")).strip().lower()
    if asked == "numpy":
        return Choice(None, "NumPy was asked for")
    if asked and asked not in NAMES:
        raise LibraryError(f"{LEVEL} is '{asked}': use one of {', '.join(NAMES)} or numpy")
    there, why_not = _there(folder or native_build.LIBRARIES)
    if asked:
        if asked not in there:
            raise LibraryError(
                f"the kernels for {NAMES[asked]} cannot run here: {why_not or 'other processor'}"
            )
        return Choice(there[asked], f"{LEVEL} asks for it" if level is None else "asked for")
    if not there:
        return Choice(None, why_not)
    best = max(there, key=list(NAMES).index)
    return Choice(there[best], "the highest this processor has")


def available(folder: Path | None = None) -> list[str]:
    """Return the levels that can run here."""
    return list(_there(folder or native_build.LIBRARIES)[0])


@lru_cache(maxsize=8)
def _there(folder: Path) -> tuple[dict[str, Library], str]:
    """Return the libraries that run here, by level, and why there are none."""
    found: dict[str, Library] = {}
    targets = native_build.targets()  # the lowest level first
    why = "no kernels were compiled when it was installed"
    if not targets:
        why = f"there is no compiler for {platform.machine() or 'this processor'}"
    allowed = 0
    for target in targets:
        path = folder / target.file_name
        if not path.exists():
            continue
        try:
            library = Library(path, target.level)
        except OSError as error:
            why = f"the compiled kernels do not load ({error})"
            continue
        if library.sources != native_build.digest():
            why = "the compiled kernels are older than their sources: install again"
            continue
        allowed = allowed or library.processor_level()
        if target.level == "arm64" or int(target.level[1:]) <= allowed:
            found[target.level] = library
        else:
            why = f"the processor is older than {NAMES[target.level]}"
    return found, "" if found else why
