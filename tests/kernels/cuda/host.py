"""A device that is the processor: kernels compiled as C++ and run by the emulator, for tests."""

from __future__ import annotations

import ctypes
import hashlib
import shutil
import subprocess
import tempfile
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kernels.cuda import sources
from kernels.cuda.sources import Lean, Structure

HERE = Path(__file__).parent
BUILD = Path(tempfile.gettempdir()) / "verdigris-emulated-kernels"


def compiler() -> str | None:
    """Return the C++ compiler, or None."""
    return shutil.which("g++")


@lru_cache(maxsize=64)
def library(
    unit: str, structure: Structure | None, change: tuple[str, str] | None, lean: Lean | None = None
) -> ctypes.CDLL:
    """Compile a unit and load it; results are kept on disk by the text's hash.

    change: a text and its replacement, for tests that break a kernel on purpose.
    """
    text = sources.source(unit, structure, lean=lean)
    if change is not None:
        assert text.count(change[0]) == 1, f"{change[0]!r} is not there once"
        text = text.replace(*change)
    for name, argument in sources.kernels_of(unit, structure).items():
        text += (
            f"\nstatic void call_{name}(const void* a) {{\n"
            f"    {name}(*static_cast<const {argument}*>(a));\n}}"
            f'\nextern "C" void launch_{name}(const void* a, const unsigned* grid,\n'
            f"    const unsigned* block, size_t shared) {{\n"
            f"    emulate(call_{name}, a, grid, block, shared);\n}}"
            f'\nextern "C" size_t size_{name}() {{ return sizeof({argument}); }}\n'
        )
    header = (HERE / "emulate.hpp").read_text(encoding="utf-8")
    digest = hashlib.sha256((header + text).encode()).hexdigest()[:24]
    target = BUILD / f"{unit}-{digest}.so"
    if not target.exists():
        _compile(text, target)
    return ctypes.CDLL(str(target))


def _compile(text: str, target: Path) -> None:
    BUILD.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "kernel.cpp"
        file.write_text(text, encoding="utf-8")
        made = Path(folder) / "kernel.so"
        command = [
            compiler() or "g++",
            "-std=c++17",
            "-O1",
            "-shared",
            "-fPIC",
            "-ffp-contract=off",
            "-Wno-unknown-pragmas",
            "-include",
            str(HERE / "emulate.hpp"),
            "-o",
            str(made),
            str(file),
        ]
        result = subprocess.run(command, capture_output=True, text=True, check=False)
        if result.returncode:
            raise RuntimeError(result.stderr[-4000:])
        shutil.copy(made, target.with_suffix(f".{id(file)}"))
        target.with_suffix(f".{id(file)}").replace(target)


class HostDevice:
    """Implements `kernels.cuda.device.Device` with arrays in host memory."""

    description = "kernels emulated on the processor"

    def __init__(
        self, form: str = "array", change: tuple[str, tuple[str, str]] | None = None
    ) -> None:
        """form: `array`, `full` (never the lean size) or `special`.

        change: a unit, and a text in it and its replacement.
        """
        self.form, self.change = form, change
        self.launches: list[str] = []
        self.lean_sizes: set[Lean | None] = set()

    def empty(self, shape: tuple[int, ...], dtype: Any) -> NDArray[Any]:
        """Return memory full of a value that shows when it is read before it was written."""
        array = np.empty((int(np.prod(shape)) * np.dtype(dtype).itemsize + 64,), np.uint8)
        array[:] = 0xFF  # not-a-number in every float type
        start = -array.ctypes.data % 64
        size = int(np.prod(shape)) * np.dtype(dtype).itemsize
        return array[start : start + size].view(dtype).reshape(shape)

    def pointer(self, array: NDArray[Any]) -> int:
        """Return the address of an array."""
        return int(array.ctypes.data)

    def upload(self, array: NDArray[Any]) -> NDArray[Any]:
        """Return a copy of a host array."""
        made = self.empty(array.shape, array.dtype)
        made[...] = array
        return made

    def stage(self, array: NDArray[Any]) -> NDArray[Any]:
        """Return the array: host memory is device memory here."""
        return array

    def download(self, array: NDArray[Any]) -> NDArray[Any]:
        """Return a copy in host memory."""
        return np.array(array)

    def launch(
        self,
        unit: str,
        kernel: str,
        grid: tuple[int, ...],
        block: tuple[int, ...],
        args: NDArray[Any],
        shared: int = 0,
        structure: Structure | None = None,
    ) -> None:
        """Run a kernel to its end."""
        change = self.change[1] if self.change and self.change[0] == unit else None
        lean = None
        if self.form == "array" and structure is not None:
            lean = structure.lean
            self.lean_sizes.add(lean)
        code = library(unit, structure if self.form == "special" else None, change, lean)
        size = getattr(code, f"size_{kernel}")
        size.restype = ctypes.c_size_t
        assert size() == args.nbytes, f"{kernel} takes {size()} bytes, {args.nbytes} were packed"
        run = getattr(code, f"launch_{kernel}")
        sizes = [(ctypes.c_uint * 3)(*(*s, 1, 1)[:3]) for s in (grid, block)]
        self.launches.append(kernel)
        run(ctypes.c_void_p(args.ctypes.data), sizes[0], sizes[1], ctypes.c_size_t(shared))

    def free_bytes(self) -> tuple[int, int]:
        """Return free and total memory."""
        return 2**33, 2**33

    def release(self) -> None:
        """Nothing is kept."""

    def synchronise(self) -> None:
        """Every launch has ended."""

    def close(self) -> None:
        """Nothing is open."""
