"""Compiling kernels with NVRTC through its own Python binding: no card and no driver needed."""

from __future__ import annotations

from typing import Any

from kernels.cuda.sources import OPTIONS, Structure, source

ARCHITECTURES = (75, 80, 86, 89, 90, 100, 120)


def compiled(
    unit: str, architecture: int, structure: Structure | None = None, options: tuple[str, ...] = ()
) -> tuple[bytes, str]:
    """Return the machine code of a unit and the compiler's log.

    Raises RuntimeError with the log when it does not compile.
    """
    return compile_text(source(unit, structure), unit, architecture, options)


def compile_text(
    text: str, name: str, architecture: int, options: tuple[str, ...] = ()
) -> tuple[bytes, str]:
    """Return the machine code of a source text and the compiler's log."""
    from cuda.bindings import nvrtc

    program = _value(nvrtc.nvrtcCreateProgram(text.encode(), f"{name}.cu".encode(), 0, [], []))
    given = [*OPTIONS, f"--gpu-architecture=sm_{architecture}", "--ptxas-options=-v", *options]
    status = nvrtc.nvrtcCompileProgram(program, len(given), [o.encode() for o in given])[0]
    log = b" " * _value(nvrtc.nvrtcGetProgramLogSize(program))
    nvrtc.nvrtcGetProgramLog(program, log)
    report = log.decode(errors="replace").rstrip("\0 ")
    if status != nvrtc.nvrtcResult.NVRTC_SUCCESS:
        raise RuntimeError(report)
    code = b" " * _value(nvrtc.nvrtcGetCUBINSize(program))
    nvrtc.nvrtcGetCUBIN(program, code)
    return code, report


def _value(answer: tuple[Any, ...]) -> Any:
    status, *values = answer
    if int(status) != 0:
        raise RuntimeError(f"NVRTC answered {status}")
    return values[0]
