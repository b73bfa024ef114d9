"""The two forms of the cpu engine: on compiled kernels, and on NumPy where there are none."""

from __future__ import annotations

from kernels.cpu import library
from kernels.cpu.compiled import CompiledEngine
from kernels.cpu.engine import CpuEngine

FORMS = ("compiled", "numpy")


def cpu_form(form: str, threads: int) -> CompiledEngine | CpuEngine:
    """Return a form of the cpu engine; compiled kernels that are missing are an error."""
    if form == "numpy":
        return CpuEngine(threads)
    found = library.choose()
    if found.library is None:
        raise RuntimeError(f"there are no compiled kernels: {found.reason}")
    return CompiledEngine(found.library, threads, found.reason)
