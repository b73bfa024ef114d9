"""Compiling the kernels for processors, with the compiler of the `ziglang` package.

Imports nothing of Verdigris, so that the build hook can run it before anything is installed.
`python -m kernels.cpu.native_build` builds the libraries of this machine in place.
"""

from __future__ import annotations

import ast
import hashlib
import os
import platform
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

HERE = Path(__file__).resolve().parent
NATIVE, CUDA, LIBRARIES = HERE / "native", HERE.parent / "cuda", HERE / "lib"
RECIPE = HERE.parent / "recipe.py"
UNITS = (
    *("pool", "pointwise", "blur", "refine", "guided", "denoise", "moving", "packing", "probe"),
    *("unmix", "unmix_regional", "unmix_local"),
)
"""Names of the .cpp files; `pointwise` is compiled for wide groups of pixels and for 8."""
WIDE = 64
"""Pixels of a wide group: four vectors of the widest processors, worked on side by side."""
FLAGS = (
    "-std=c++20",
    "-O3",
    "-fPIC",
    "-fvisibility=hidden",
    "-fno-exceptions",
    "-fno-rtti",
    "-fno-sanitize=all",
    # Infinities and not-a-number keep their meaning; errno and traps were never looked at.
    "-fno-math-errno",
    "-fno-trapping-math",
    # a * b + c written in one expression is rounded once where the processor can: the same wherever
    # the expression is compiled, whatever the group's width.
    "-ffp-contract=on",
)


@dataclass(frozen=True)
class Target:
    """One library: a processor's level on a system."""

    level: str
    triple: str
    processor: str

    @property
    def file_name(self) -> str:
        """The library's file."""
        ending = {"windows": "dll", "macos": "dylib"}.get(self.triple.split("-")[1].split(".")[0])
        return f"verdigris_{self.level}.{ending or 'so'}"

    @property
    def flags(self) -> tuple[str, ...]:
        """The compiler's options for this target."""
        wide = ("-mprefer-vector-width=512",) if self.level == "v4" else ()
        return ("-target", self.triple, f"-mcpu={self.processor}", *wide)


_SYSTEMS = {
    ("Linux", "x86_64"): "x86_64-linux-gnu.2.17",
    ("Linux", "arm64"): "aarch64-linux-gnu.2.17",
    ("Darwin", "x86_64"): "x86_64-macos.11.0",
    ("Darwin", "arm64"): "aarch64-macos.11.0",
    ("Windows", "x86_64"): "x86_64-windows-gnu",
    ("Windows", "arm64"): "aarch64-windows-gnu",
}
LEVELS = ("v2", "v3", "v4")


def targets(system: str = "", machine: str = "") -> list[Target]:
    """Return the libraries of a system; none where there is no compiler for it."""
    machine = (machine or platform.machine()).lower()
    plain = {"amd64": "x86_64", "x86_64": "x86_64", "arm64": "arm64", "aarch64": "arm64"}
    kind = plain.get(machine, "")
    triple = _SYSTEMS.get((system or platform.system(), kind))
    if triple is None:
        return []
    if kind == "arm64":
        return [Target("arm64", triple, "apple_m1" if "macos" in triple else "generic")]
    return [Target(level, triple, f"x86_64_{level}") for level in LEVELS]


def source_files() -> list[Path]:
    """Return every file that the libraries are made from."""
    mine = [p for p in NATIVE.iterdir() if p.suffix in (".cpp", ".hpp")]
    kernels = [p for p in CUDA.iterdir() if p.suffix in (".cu", ".cuh")]
    return sorted([*mine, *kernels], key=lambda p: p.name)


class NoCompilerError(RuntimeError):
    """The kernels cannot be compiled here."""


def kinds() -> list[str]:
    """Return the kinds of extractors in the order of their codes, read from the recipe's text."""
    for node in ast.parse(RECIPE.read_text(encoding="utf-8")).body:
        if not (isinstance(node, ast.AnnAssign) and isinstance(node.value, ast.Dict)):
            continue
        if isinstance(node.target, ast.Name) and node.target.id == "EXTRACTORS":
            keys = [key.value for key in node.value.keys if isinstance(key, ast.Constant)]
            return [str(key) for key in keys]
    raise NoCompilerError(f"{RECIPE} has no table of extractors")


@lru_cache(maxsize=1)
def digest() -> str:
    """Return what tells one state of the sources, and of how they are compiled, from another."""
    found = hashlib.sha256(repr((UNITS, WIDE, FLAGS, targets(), kinds())).encode())
    for path in source_files():
        found.update(path.name.encode() + b"\0" + path.read_bytes())
    return found.hexdigest()[:16]


def compiler() -> list[str]:
    """Return the command of the C++ compiler that `ziglang` brings. Raises NoCompilerError."""
    try:
        import ziglang  # type: ignore[import-not-found,import-untyped,unused-ignore]
    except ImportError as error:
        raise NoCompilerError("the 'ziglang' package is not installed") from error
    program = Path(ziglang.__file__).with_name("zig.exe" if os.name == "nt" else "zig")
    return [str(program), "c++"]


def build(
    wanted: list[Target], folder: Path, *, workers: int = 0, force: bool = False
) -> list[Path]:
    """Compile libraries into a folder and return their paths; those up to date are left alone.

    Raises NoCompilerError, with the compiler's words, when that fails.
    """
    state = digest()
    missing = [t for t in wanted if force or not _current(folder / t.file_name, state)]
    if missing:
        command = compiler()
        folder.mkdir(parents=True, exist_ok=True)
        with (
            tempfile.TemporaryDirectory() as scratch,
            ThreadPoolExecutor(workers or os.cpu_count() or 1) as pool,
        ):
            objects = {
                t: [pool.submit(_compile, command, t, u, w, Path(scratch)) for u, w in _pieces()]
                for t in missing
            }
            for target, pieces in objects.items():
                _link(command, target, [p.result() for p in pieces], folder, state)
    return [folder / t.file_name for t in wanted]


def _current(library: Path, state: str) -> bool:
    return library.exists() and state.encode() in library.read_bytes()


def _pieces() -> list[tuple[str, int]]:
    return [("pointwise", WIDE), ("pointwise", 8), *((u, WIDE) for u in UNITS if u != "pointwise")]


def _compile(command: list[str], target: Target, unit: str, wide: int, scratch: Path) -> Path:
    made = scratch / f"{target.level}-{unit}-{wide}.o"
    includes = ("-I", str(CUDA), "-I", str(NATIVE))
    source = str(NATIVE / f"{unit}.cpp")
    defines = [f"-DPX={wide}"]
    if unit == "pointwise":
        defines += [f"-DKIND_{kind.upper()}={code}" for code, kind in enumerate(kinds())]
    if unit == "pool":  # alone, so that the compiler's own cache serves the others
        defines.append(f'-DVERDIGRIS_SOURCES="{digest()}"')
    _run([*command, *target.flags, *FLAGS, *defines, *includes, "-c", source, "-o", str(made)])
    return made


def _link(
    command: list[str], target: Target, objects: list[Path], folder: Path, state: str
) -> None:
    made = folder / f".{target.file_name}.{os.getpid()}"
    threads = () if "windows" in target.triple else ("-lpthread",)
    files = [str(path) for path in objects]
    options = ("-shared", "-nostdlib++", "-s", "-o", str(made))
    _run([*command, *target.flags, *files, *options, *threads])
    made.replace(folder / target.file_name)
    for rest in folder.glob(f".{target.file_name}.*"):  # import libraries and the like
        rest.unlink()
    for path in objects:  # some linkers name those after the first object
        (folder / path.name).with_suffix(".lib").unlink(missing_ok=True)


def _run(command: list[str]) -> None:
    result = subprocess.run(command, capture_output=True, text=True, check=False)
    if result.returncode:
        raise NoCompilerError(f"{' '.join(command)}\n{result.stderr[-4000:]}")


if __name__ == "__main__":
    for path in build(targets(), LIBRARIES, force="--force" in sys.argv):
        print(path)
