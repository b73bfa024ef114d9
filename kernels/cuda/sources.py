"""The kernels' source text: one file with its headers put in, structure as `#define` lines.

The same text goes to NVRTC on a machine with a card, to the compile checks on one without, and, as
plain C++, to the emulator of the tests.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from typing import Any

import numpy as np

from kernels.recipe import EXTRACTORS

UNITS = ("pointwise", "finish", "blur", "refine", "place", "planes", "denoise", "unmix")
"""Names of the .cu files."""
OPTIONS = ("--std=c++17",)
"""Compiler options: no fast-math, which would break parity between the engines."""

_INCLUDE = re.compile(r'^#include "([\w.]+)"$', re.MULTILINE)
_KERNEL = re.compile(
    r'extern "C" __global__[^;{]*?\n?(\w+)\(const (?:__grid_constant__ )?(\w+) \w+\)'
)


Lean = tuple[int, bool]
"""A lean size: the channel of the screen's primary, and whether there is a clean plate."""


@dataclass(frozen=True)
class Structure:
    """What the specialised form has as constants: see `params.cuh` for the codes."""

    extractors: tuple[int, ...]
    passes: tuple[int, ...]
    flags: int
    outputs: int
    out_index: int = 0
    kernel: str = "pointwise"

    def defines(self) -> str:
        """Return the `#define` lines that specialise the source to this structure."""
        return (
            "#define SPECIALISED\n"
            f"#define S_KERNEL {constants()['KERNEL_' + self.kernel.upper()]}\n"
            f"#define S_EXTRACTORS {len(self.extractors)}\n"
            f"#define S_EXTRACTOR_CODES {_braces(self.extractors)}\n"
            f"#define S_PASSES {len(self.passes)}\n"
            f"#define S_PASS_CODES {_braces(self.passes)}\n"
            f"#define S_FLAGS {self.flags}\n"
            f"#define S_OUTPUTS {self.outputs}\n"
            f"#define S_OUT_INDEX {self.out_index}\n"
        )

    @property
    def lean(self) -> Lean | None:
        """The general form's lean size that serves this structure, if one does."""
        c = constants()
        lean = (self.flags >> c["PRIMARY_SHIFT"] & 3, bool(self.flags & c["HAS_CLEAN"]))
        limits = lean_limits(*lean)
        serves = (
            self.flags & ~(limits["FLAGS"] | limits["ALWAYS"]) == 0
            and self.flags & (limits["ALWAYS"] | 3 << c["PRIMARY_SHIFT"]) == limits["ALWAYS"]
            and self.outputs & ~limits["OUTPUTS"] == 0
            and all(code & ~limits["CODE"] == 0 for code in self.extractors)
            and all(
                code & c["OPERATION"] & ~c["SPACE_LOG"] in lean_operations()
                for code in self.extractors
            )
            and all(code & ~limits["PASS_CODE"] == 0 for code in self.passes)
        )
        return lean if serves else None


LEAN_FLAGS = (
    "HAS_GARBAGE",
    "HAS_KEEP_SOLID",
    "HAS_CUMULATIVE",
    "CLEAN_IS_EVEN",
    "OUTPUT_HALF",
)
LEAN_ALWAYS = ("PLATE_HALF", "BACKGROUND_HALF", "HAS_BACKGROUND")
LEAN_CLEAN = ("HAS_CLEAN", "CLEAN_HALF")
LEAN_OUTPUTS = ("OUT_ALPHA", "OUT_COMPOSITE", "OUT_MATTE", "OUT_DESPILLED", "OUT_FOREGROUND")


@lru_cache(maxsize=8)
def lean_limits(primary: int, clean: bool) -> dict[str, int]:
    """Return the bits that a lean size understands, by what they are bits of."""
    c = constants()
    flags = sum(c[name] for name in LEAN_FLAGS)
    flags |= 3 << c["POOL_SHIFT"] | 7 << c["COLUMN_SHIFT"] | 3 << c["ROW_SHIFT"]
    flags |= c["EDGE_SUBTRACT"] << c["EDGE_SHIFT"]
    left_out = c["FLOOR_IN_SIGMA"] | c["HAS_MASK"] | c["READS_DENOISED"]
    return {
        "FLAGS": flags,
        "ALWAYS": sum(c[name] for name in (*LEAN_ALWAYS, *(LEAN_CLEAN if clean else ())))
        | primary << c["PRIMARY_SHIFT"],
        "OUTPUTS": sum(c[name] for name in LEAN_OUTPUTS),
        "CODE": (1 << 17) - 1 & ~left_out,
        "PASS_CODE": c["PASS_LIMIT"]
        | c["FILL_GREY"]
        | c["PASS_SPILL_CURVE"]
        | c["PASS_SATURATION_CURVE"],
    }


@lru_cache(maxsize=1)
def lean_operations() -> frozenset[int]:
    """Return the operations that a lean size has code for, as mattes.cuh lists them."""
    listed = re.findall(r"IN_BOTH_SPACES\((KIND_\w+), (\d)\)", _read("mattes.cuh"))
    shift = constants()["MODE_SHIFT"]
    return frozenset(kinds()[kind] | int(mode) << shift for kind, mode in listed)


def _braces(codes: tuple[int, ...]) -> str:
    return "{" + ", ".join(map(str, codes or (0,))) + "}"


@lru_cache(maxsize=64)
def _read(name: str) -> str:
    return files("kernels.cuda").joinpath(name).read_text(encoding="utf-8")


def _expand(text: str, seen: set[str]) -> str:
    def put_in(match: re.Match[str]) -> str:
        name = match.group(1)
        if name in seen:
            return ""
        seen.add(name)
        return _expand(_read(name).replace("#pragma once\n", ""), seen)

    return _INCLUDE.sub(put_in, text)


@lru_cache(maxsize=1)
def kinds() -> dict[str, int]:
    """Return the code of every kind of extractor, as the recipe lists them."""
    return {f"KIND_{kind.upper()}": code for code, kind in enumerate(EXTRACTORS)}


@lru_cache(maxsize=1)
def served_kinds() -> frozenset[int]:
    """Return the codes of the kinds that the kernels have code for."""
    body = _read("mattes.cuh").split("bool is_known(int code)", 1)[1].split("return true", 1)[0]
    return frozenset(kinds()[name] for name in re.findall(r"case (KIND_\w+):", body))


@lru_cache(maxsize=64)
def _unit(name: str) -> str:
    codes = "".join(f"#define {kind} {code}\n" for kind, code in kinds().items())
    return codes + _expand(_read(f"{name}.cu"), set())


def source(unit: str, structure: Structure | None = None, *, lean: Lean | None = None) -> str:
    """Return the whole source of a unit.

    structure: gives the specialised form. lean: gives that smaller size of the general form.
    """
    if structure is not None:
        return structure.defines() + _unit(unit)
    if lean is None:
        return _unit(unit)
    given = lean_limits(*lean).items()
    limits = "".join(f"#define LEAN_{name} {bits}\n" for name, bits in given)
    return f"#define LEAN\n{limits}{_unit(unit)}"


def kernels_of(unit: str, structure: Structure | None = None) -> dict[str, str]:
    """Return the kernels of a unit: name to the type of its one argument.

    The speed limits are there in the specialised form only.
    """
    found = {match.group(1): match.group(2) for match in _KERNEL.finditer(_unit(unit))}
    if structure is not None:
        return {structure.kernel: found[structure.kernel]}
    return {name: argument for name, argument in found.items() if not name.endswith("traffic")}


_CONSTANT = re.compile(r"^#define (\w+) \(?(\d+)(?: << (\d+))?\)?(?:\s*//.*)?$", re.MULTILINE)
_STRUCT = re.compile(r"^struct (\w+) \{\n(.*?)^\};", re.MULTILINE | re.DOTALL)
_FIELD = re.compile(r"^\s*(u64|int|float|double|long long|\w+) ([^;/]+);", re.MULTILINE)
_TYPES = {"u64": "<u8", "long long": "<i8", "int": "<i4", "float": "<f4", "double": "<f8"}


@lru_cache(maxsize=1)
def constants() -> dict[str, int]:
    """Return the integer constants of `params.cuh`, and the kinds: codes have one declaration."""
    found = _CONSTANT.finditer(_read("params.cuh"))
    return kinds() | {m.group(1): int(m.group(2)) << int(m.group(3) or 0) for m in found}


@lru_cache(maxsize=64)
def layout(unit: str, struct: str) -> np.dtype[np.void]:
    """Return the NumPy type of a struct declared in a unit, laid out as C does.

    Raises KeyError when the unit has no such struct.
    """
    bodies = {m.group(1): m.group(2) for m in _STRUCT.finditer(_unit(unit))}
    return _layout(struct, bodies)


def _layout(struct: str, bodies: dict[str, str]) -> np.dtype[np.void]:
    fields: list[tuple[Any, ...]] = []
    for match in _FIELD.finditer(bodies[struct]):
        kind = match.group(1)
        base: Any = _TYPES.get(kind) or _layout(kind, bodies)
        for name in match.group(2).split(","):
            plain, _, count = name.strip().rstrip("]").partition("[")
            size = (constants().get(count) or int(count),) if count else ()
            fields.append((plain, base, *([size] if size else [])))
    return np.dtype(fields, align=True)
