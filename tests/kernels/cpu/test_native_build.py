"""The build: for other systems too, and an installation where it cannot run."""

from __future__ import annotations

import builtins
import importlib.util
import os
import platform
import subprocess
import sys
import sysconfig
import tomllib
import zipfile
from pathlib import Path
from typing import Any

import pytest

from kernels.cpu import native_build
from kernels.cpu.native_build import NoCompilerError, Target
from kernels.cuda import sources

ROOT = Path(__file__).parents[3]
MAGIC = {"Linux": b"\x7fELF", "Darwin": b"\xcf\xfa\xed\xfe", "Windows": b"MZ"}


def test_every_level_has_a_library_here() -> None:
    """The libraries of this machine are those of these sources; those it can't run are made too."""
    if os.environ.get("VERDIGRIS_NO_NATIVE", "") not in ("", "0"):
        pytest.skip("VERDIGRIS_NO_NATIVE is set: this installation runs on NumPy")
    state = native_build.digest().encode()
    for target in native_build.targets():
        made = (native_build.LIBRARIES / target.file_name).read_bytes()
        assert b"sources:" + state in made, f"{target.file_name} is old: install again"


@pytest.mark.slow
@pytest.mark.parametrize(
    ("system", "machine"),
    [("Linux", "aarch64"), ("Darwin", "arm64"), ("Windows", "AMD64"), ("Darwin", "x86_64")],
)
def test_other_systems_libraries_are_compiled(system: str, machine: str, tmp_path: Path) -> None:
    """Source: the formats' own first bytes (ELF, Mach-O, PE); one level of each system."""
    pytest.importorskip("ziglang", reason="the compiler comes with the 'ziglang' package")
    target = native_build.targets(system, machine)[0]
    [made] = native_build.build([target], tmp_path, workers=2)
    data = made.read_bytes()
    assert data.startswith(MAGIC[system])
    for kernel in (b"verdigris_pointwise", b"verdigris_preview", b"verdigris_denoise_average"):
        assert kernel in data
    assert [path.name for path in tmp_path.iterdir()] == [target.file_name]


def test_kinds_have_the_codes_that_arguments_are_packed_with() -> None:
    """Source: `kernels.cuda.sources`, which takes them from the recipe itself."""
    codes = {f"KIND_{kind.upper()}": code for code, kind in enumerate(native_build.kinds())}
    assert codes == sources.kinds()


def test_systems_without_a_compiler_have_no_targets() -> None:
    """Common practice, no source."""
    assert native_build.targets("Linux", "riscv64") == []
    assert native_build.targets("Plan9", "x86_64") == []


def test_a_compiler_that_refuses_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Our own rule, no outside source: what the compiler says is in the error."""
    program = [sys.executable, "-c", "import sys; sys.exit('no such processor')"]
    monkeypatch.setattr(native_build, "compiler", lambda: program)
    with pytest.raises(NoCompilerError, match="no such processor"):
        native_build.build([Target("v2", "x86_64-linux-gnu", "none")], tmp_path, force=True)
    assert list(tmp_path.iterdir()) == []


class _Hook:
    """The build hook with what hatchling gives it."""

    def __init__(self) -> None:
        path = ROOT / "kernels/cpu/build_hook.py"
        spec = importlib.util.spec_from_file_location("hook_under_test", path)
        assert spec is not None
        assert spec.loader is not None
        module: Any = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
        self.said: list[str] = []
        self.module = module
        self.hook = module.NativeKernels(str(ROOT), {}, None, None, str(ROOT), "wheel", self)

    def display_warning(self, text: str) -> None:
        self.said.append(text)

    def run(self) -> dict[str, Any]:
        data: dict[str, Any] = {"artifacts": [], "pure_python": True, "tag": None}
        self.hook.initialize("standard", data)
        return data


def test_the_hook_can_be_turned_off(monkeypatch: pytest.MonkeyPatch) -> None:
    """Our own rule, no outside source: VERDIGRIS_NO_NATIVE=1 makes a wheel without libraries."""
    monkeypatch.setenv("VERDIGRIS_NO_NATIVE", "1")
    hook = _Hook()
    assert hook.run() == {"artifacts": [], "pure_python": True, "tag": None}
    assert "will run on NumPy" in hook.said[0]


def test_without_a_compiler_the_wheel_is_made_all_the_same(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Our own rule, no outside source: the installation succeeds and says what it lacks."""
    monkeypatch.delenv("VERDIGRIS_NO_NATIVE", raising=False)
    importing = builtins.__import__

    def without(name: str, *rest: Any, **more: Any) -> Any:
        if name == "ziglang":
            raise ImportError("No module named 'ziglang'")
        return importing(name, *rest, **more)

    hook = _Hook()
    loaded = hook.module._native_build(ROOT)
    monkeypatch.setattr(loaded, "LIBRARIES", tmp_path)
    monkeypatch.setattr(hook.module, "_native_build", lambda root: loaded)
    monkeypatch.setattr(builtins, "__import__", without)
    data = hook.run()
    monkeypatch.undo()
    assert data["artifacts"] == []
    assert data["pure_python"]
    assert "the 'ziglang' package is not installed" in hook.said[0]


def test_the_wheel_names_its_platform_and_holds_the_libraries(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Source: PyPA's platform compatibility tags; PEP 600 for the C library's version."""
    monkeypatch.delenv("VERDIGRIS_NO_NATIVE", raising=False)
    data = _Hook().run()
    names = [f"kernels/cpu/lib/{target.file_name}" for target in native_build.targets()]
    assert data["artifacts"] == names
    assert data["tag"].startswith("py3-none-")
    if platform.system() == "Linux":
        assert "manylinux_2_17" in data["tag"]


def test_the_compiler_is_pinned() -> None:
    """Our own rule, no outside source: the same sources give the same libraries."""
    text = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    needed = tomllib.loads(text)["build-system"]["requires"]
    assert any(each.startswith("ziglang==") for each in needed)


@pytest.mark.slow
def test_a_wheel_is_built_and_its_kernels_run_without_any_other_compiler(tmp_path: Path) -> None:
    """Our own rule, no outside source: nothing but Python is on the path of build and program."""
    pytest.importorskip("ziglang", reason="the compiler comes with the 'ziglang' package")
    bare = {**os.environ, "PATH": str(tmp_path / "nothing"), "CC": "no-such-compiler"}
    build = [sys.executable, "-m", "build", "--wheel", "--no-isolation", "-o", str(tmp_path)]
    subprocess.run([*build, str(ROOT)], env=bare, check=True, capture_output=True, timeout=600)
    [wheel] = tmp_path.glob("*.whl")
    assert "-none-any" not in wheel.name
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(tmp_path / "there")
    code = "from kernels.cpu import cpu_engine; e = cpu_engine(); print(e.description); e.close()"
    site = sysconfig.get_paths()["purelib"]
    environment = {**bare, "PYTHONPATH": os.pathsep.join([str(tmp_path / "there"), site])}
    environment.pop("VERDIGRIS_CPU_LEVEL", None)
    said = subprocess.run(
        [sys.executable, "-c", code], env=environment, cwd=tmp_path, check=True,
        capture_output=True, text=True,
    ).stdout  # fmt: skip
    assert "kernels compiled for" in said
