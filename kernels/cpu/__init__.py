"""The operations on the processor, by the same plan as the card.

Hides tiles, threads, which compiled library serves which processor, and what serves without one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from kernels.engine import Engine


def cpu_engine(threads: int | None = None) -> Engine:
    """Return the cpu engine: on compiled kernels where there are some, else on NumPy.

    Its description says which, and why. Raises LibraryError where VERDIGRIS_CPU_LEVEL names a
    level that cannot run here.
    """
    from kernels.cpu.library import choose

    choice = choose()
    if choice.library is None:
        from kernels.cpu.engine import CpuEngine

        engine = CpuEngine(threads)
        engine.description += f" ({choice.reason})"
        return engine
    from kernels.cpu.compiled import CompiledEngine

    return CompiledEngine(choice.library, threads, choice.reason)
