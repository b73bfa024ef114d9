"""Which engine runs here: cuda if it works, else cpu."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from kernels.engine import Engine, EngineError
from kernels.errors import not_installed

EngineName = Literal["auto", "cuda", "cpu"]


@dataclass(frozen=True)
class EngineChoice:
    """An engine and the reason it was chosen, in one sentence."""

    engine: Engine
    reason: str


def choose_engine(name: EngineName = "auto", **options: Any) -> EngineChoice:
    """Return the engine to use: cuda if it works, else cpu, and say why.

    Raises EngineError when `cuda` was asked for and cannot run.
    """
    if name == "cpu":
        return EngineChoice(_cpu(options), "the cpu engine was asked for")
    try:
        from kernels.cuda.launch import CudaEngine

        engine = CudaEngine(**options)
    except (ImportError, EngineError) as error:
        why = not_installed(error) if isinstance(error, ImportError) else str(error).rstrip(".")
        if name == "cuda":
            raise EngineError(f"the cuda engine cannot run here: {why}") from error
        return EngineChoice(_cpu({}), f"no CUDA engine here ({why}), so the cpu engine runs")
    return EngineChoice(engine, f"{engine.description} works")


def _cpu(options: dict[str, Any]) -> Engine:
    from kernels.cpu import cpu_engine

    return cpu_engine(options.get("threads"))
