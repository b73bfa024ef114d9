"""Every kernel compiles for every generation of cards, in both forms, with no card in the machine.

Source: NVIDIA's run-time compiler, NVRTC, through its own Python binding.
"""

from __future__ import annotations

import platform
from dataclasses import replace

import pytest

from kernels.cuda.packing import Source, pack
from kernels.cuda.sources import (
    UNITS,
    Lean,
    Structure,
    constants,
    kernels_of,
    kinds,
    layout,
    served_kinds,
    source,
)
from kernels.plan import build_plan
from kernels.recipe import (
    ChromaDistance,
    ColourDifference,
    CurvePoint,
    DespillPass,
    HueBand,
    HueCurve,
    PlateDifference,
    Recipe,
    ValueBand,
)
from tests.kernels.cuda.host import HostDevice, library
from tests.kernels.cuda.nvrtc import ARCHITECTURES, compile_text, compiled

C = constants()
OUTPUTS = C["OUT_ALPHA"] | C["OUT_COMPOSITE"]
if (platform.system(), platform.machine()) != ("Linux", "x86_64"):
    pytest.skip(
        "NVIDIA publishes its run-time compiler for this binding on Linux x86-64 only",
        allow_module_level=True,
    )


def structure(kernel: str) -> Structure:
    """Return the structure of a recipe with every kind of extractor and both hue curves."""
    points = [CurvePoint(hue_deg=20, value=0.5), CurvePoint(hue_deg=200, value=1.5)]
    bent = HueCurve(points=points)
    recipe = Recipe(
        extractors=[
            ColourDifference(id="a"),
            ValueBand(id="b", role="edge"),
            HueBand(id="c", combine="min"),
            PlateDifference(id="d", norm="delta_e_2000", combine="average"),
            ChromaDistance(id="e", combine="subtract"),
            PlateDifference(id="f", relative=True),
        ],
        despill=[DespillPass(id="n", spill_by_hue=bent, saturation_by_hue=bent)],
    )
    names = ("plate", "clean", "background")
    plan = build_plan(recipe, 1, names)
    packed = pack(plan, {name: Source(64, True) for name in names}, 64, 64)
    given = packed.with_outputs(OUTPUTS).structure
    return Structure(given.extractors, given.passes, given.flags, given.outputs, 0, kernel)


@pytest.mark.parametrize("architecture", ARCHITECTURES)
@pytest.mark.parametrize("unit", [u for u in UNITS if u != "pointwise"])
def test_units_compile(unit: str, architecture: int) -> None:
    """Source: NVRTC, which accepts or refuses."""
    code, _ = compiled(unit, architecture)
    for kernel in kernels_of(unit):
        assert kernel.encode() in code


@pytest.mark.slow
@pytest.mark.parametrize("architecture", ARCHITECTURES)
@pytest.mark.parametrize("lean", [(1, False), (1, True), None])
def test_the_general_form_compiles(architecture: int, lean: Lean | None) -> None:
    """Source: NVRTC, which accepts or refuses."""
    code, _ = compile_text(source("pointwise", lean=lean), "pointwise", architecture)
    for kernel in ("pointwise", "preview", "preview_even"):
        assert kernel.encode() in code


@pytest.mark.parametrize("architecture", ARCHITECTURES)
@pytest.mark.parametrize("kernel", ["pointwise", "preview", "preview_even"])
def test_the_specialised_form_compiles(kernel: str, architecture: int) -> None:
    """Source: NVRTC, which accepts or refuses; its report says nothing goes to local memory."""
    code, report = compiled("pointwise", architecture, structure(kernel))
    assert kernel.encode() in code
    assert "0 bytes spill stores" in report


def test_a_wrong_kernel_is_refused() -> None:
    """The check can fail: NVRTC refuses a kernel with an unknown name in it."""
    with pytest.raises(RuntimeError, match="unknown_name"):
        compile_text('extern "C" __global__ void k(int* p) { *p = unknown_name; }', "wrong", 80)


@pytest.mark.parametrize("unit", UNITS)
def test_arguments_are_laid_out_as_the_compiler_does(unit: str) -> None:
    """Source: the C++ compiler's sizeof, against the NumPy types made from the declarations."""
    code = library(unit, None, None)
    for kernel, struct in kernels_of(unit).items():
        assert getattr(code, f"size_{kernel}")() == layout(unit, struct).itemsize, kernel


def test_arguments_fit_a_launch() -> None:
    """Source: CUDA C++ Programming Guide: at most 4096 bytes of arguments on every card."""
    assert layout("pointwise", "Params").itemsize < 4096


def test_structure_decides_what_is_compiled() -> None:
    """A value, on/off or strength never changes the structure; a kind or combine does."""
    names = {"plate": Source(64), "background": Source(128)}

    def of(recipe: Recipe) -> Structure:
        return pack(build_plan(recipe, 1, names), names, 64, 64).with_outputs(OUTPUTS).structure

    def key(extractor: ValueBand) -> Recipe:
        return Recipe(extractors=[extractor], despill=[DespillPass(id="n", amount=0.3)])

    first = of(key(ValueBand(id="a")))
    changed = ValueBand(id="a", low_out=0.2, low_in=0.7, strength=0.4, on=False, inverted=True)
    assert of(key(changed)) == first
    assert of(key(ValueBand(id="a", combine="min"))) != first
    assert of(key(ValueBand(id="a", channel="red"))) != first


def test_emulated_memory_shows_unwritten_values() -> None:
    """Fresh memory of the emulated device is not-a-number, so a forgotten write is seen."""
    memory = HostDevice().empty((3, 4), "float32")
    assert (memory != memory).all()


def test_an_extractor_of_an_unknown_kind_is_refused() -> None:
    """By the compiler in the specialised form, by the host before the general form is launched.

    Our own rule, no outside source: a matte of another kind in its place would look plausible.
    """
    assert served_kinds() == set(kinds().values())
    unknown = next(code for code in range(8) if code not in served_kinds())
    given = structure("pointwise")
    wrong = replace(given, extractors=(*given.extractors[:2], given.extractors[2] & ~7 | unknown))
    with pytest.raises(RuntimeError, match="of a kind that has no code here"):
        compile_text(source("pointwise", wrong), "pointwise", ARCHITECTURES[0])

    class Unwritten(ValueBand):
        kind: str = "unwritten"  # type: ignore[assignment]

    recipe = Recipe(extractors=[ValueBand(id="a")])
    recipe.extractors[0] = Unwritten(id="a")
    plan = build_plan(recipe, 1, ("plate",))
    with pytest.raises(TypeError, match="no extractor of kind 'unwritten'"):
        pack(plan, {"plate": Source(64)}, 64, 64)
