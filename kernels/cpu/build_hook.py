"""Hatchling's build hook: compiles the kernels and puts the libraries into the wheel.

Where they cannot be compiled the wheel is made without them, and the cpu engine runs on NumPy.
"""

from __future__ import annotations

import importlib.util
import os
import platform
import sys
import sysconfig
from pathlib import Path
from types import ModuleType
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

OFF = "VERDIGRIS_NO_NATIVE"


class NativeKernels(BuildHookInterface[Any]):
    """Builds `kernels/cpu/lib`, into the source tree for an editable installation."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Compile, and name the platform that the wheel is for."""
        if os.environ.get(OFF, "") not in ("", "0"):
            self.app.display_warning(f"{OFF} is set: the cpu engine will run on NumPy")
            return
        native = _native_build(Path(self.root))
        try:
            made = native.build(native.targets(), native.LIBRARIES)
        except (native.NoCompilerError, OSError) as error:
            self.app.display_warning(f"the kernels were not compiled: {error}")
            return
        if not made:
            self.app.display_warning("no compiler for this processor: the cpu engine runs on NumPy")
            return
        build_data["artifacts"] += [f"kernels/cpu/lib/{path.name}" for path in made]
        build_data["pure_python"] = False
        build_data["tag"] = f"py3-none-{wheel_platform()}"


def _native_build(root: Path) -> ModuleType:
    """Load the builder by its path: nothing of the project is installed yet."""
    name = "verdigris_native_build"
    spec = importlib.util.spec_from_file_location(name, root / "kernels/cpu/native_build.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


def wheel_platform() -> str:
    """Return the wheel's platform: on Linux that of the oldest C library it is linked against."""
    machine = platform.machine().lower().replace("amd64", "x86_64")
    if platform.system() == "Linux":
        return f"manylinux_2_17_{machine}.manylinux2014_{machine}"
    if platform.system() == "Darwin":
        return f"macosx_11_0_{machine}"
    return sysconfig.get_platform().replace("-", "_").replace(".", "_")
