"""From a plan to the arguments of a fused launch: structure as codes, everything else as values.

The layout and the codes are those of `params.cuh`; the constants that a flat screen allows are
worked out here with the reference's own functions.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kernels.cuda.pack_extractors import (
    extractor_code,
    extractor_line,
    extractor_values,
    levelled,
    ramp_values,
)
from kernels.cuda.sources import Structure, constants, layout
from kernels.plan import Plan, num, refine_is_pointwise
from kernels.recipe import DespillPass, ExtractorBase, Noise
from kernels.reference import assemble, despill
from kernels.reference.background import correlation_root
from kernels.reference.colour import acescct_from_linear, lab_from_acescg
from kernels.reference.unmix import stage as unmixing
from kernels.reference.view import correlation_inverse

C = constants()
STEEP = 32.0
"""Levels of a curved matte that are steeper than this take two steps, which round less."""
PARAMS = layout("pointwise", "Params")

LIMITS = {
    "average": "LIMIT_WEIGHTED",
    "weighted": "LIMIT_WEIGHTED",
    "larger": "LIMIT_LARGER",
    "smaller": "LIMIT_SMALLER",
}
EDGES = {"multiply": "EDGE_MULTIPLY", "subtract": "EDGE_SUBTRACT", "unmix": "EDGE_UNMIX"}


@dataclass(frozen=True)
class Source:
    """A plane a launch may read: its address, and whether it is stored as half floats."""

    address: int
    half: bool = False


@dataclass
class Packed:
    """The arguments of a fused launch, to be completed with a target, and its structure."""

    params: NDArray[np.void]
    structure: Structure
    tables: tuple[Any, ...] = field(default=())
    """what must stay alive while the launch runs"""

    def with_flags(self, flags: int) -> Packed:
        """Return a copy with flags added."""
        return self.with_outputs(self.structure.outputs, self.structure.out_index, flags)

    def with_outputs(self, outputs: int, index: int = 0, flags: int = 0) -> Packed:
        """Return a copy that asks for other outputs; `flags` are added."""
        params = copied(self.params)
        structure = replace(
            self.structure, outputs=outputs, out_index=index, flags=self.structure.flags | flags
        )
        params["outputs"], params["out_index"] = outputs, index
        params["flags"] = structure.flags
        return Packed(params, structure, self.tables)


def copied(params: NDArray[np.void]) -> NDArray[np.void]:
    """Return a copy, made byte by byte: NumPy's own goes through every field, 40 times slower."""
    return np.frombuffer(bytearray(params.tobytes()), params.dtype)


def pack_values(plan: Plan) -> NDArray[np.void]:
    """Return the arguments that depend on the recipe alone, not on the planes there are."""
    params = np.zeros(1, PARAMS)
    p = params[0]
    extractors, passes = p["extractor"], p["pass"]
    for index, e in enumerate(plan.recipe.extractors):
        _pack_extractor(extractors[index], e, plan)
    for n, step in enumerate(plan.recipe.despill):
        _pack_pass(passes[n], step)
    p["extractors"], p["passes"] = len(plan.recipe.extractors), len(plan.recipe.despill)
    p["frame"] = _signed(plan.context.frame)
    _pack_context(p, plan)
    _pack_assembly(p, plan)
    return params


def pack(
    plan: Plan,
    sources: dict[str, Source],
    pitch: int,
    height: int,
    values: NDArray[np.void] | None = None,
) -> Packed:
    """Return the arguments common to all launches of a plan with the given planes.

    sources: planes by the names in `kernels.plan`, those of stages included. values: of
    `pack_values`, when they are known already.
    """
    params = copied(pack_values(plan) if values is None else values)
    p = params[0]
    flags = _flags(plan, sources)
    codes = [_bind_extractor(p, plan, sources, i) for i in range(len(plan.recipe.extractors))]
    passes = [_bind_pass(p, step, sources, n) for n, step in enumerate(plan.recipe.despill)]
    p["flags"], p["pitch"], p["plane"] = flags, pitch, pitch * height
    for name, key in _PLANES.items():
        if name in sources:
            p[key] = sources[name].address
    if plan.error_from in sources:
        p["alpha_error"] = sources[plan.error_from].address + 4 * pitch * height * unmixing.ERROR
    if flags & C["CLEAN_IS_EVEN"]:
        p["neutral_screen"] = _neutral_screen(plan)
    return Packed(params, Structure(tuple(codes), tuple(passes), flags, 0))


_PLANES = {
    "plate": "plate",
    "denoised": "denoised",
    "clean": "clean",
    "background": "background",
    "plate_alpha": "plate_alpha",
    "mask:garbage": "garbage",
    "mask:keep_solid": "keep_solid",
    "mask:screen_light": "area",
    "cumulative": "cumulative",
    "shadow": "shadow",
    "wrap": "wrap",
    "local_foreground": "local_foreground",
}
_HAS = {
    "denoised": "HAS_DENOISED",
    "clean": "HAS_CLEAN",
    "background": "HAS_BACKGROUND",
    "plate_alpha": "HAS_PLATE_ALPHA",
    "mask:garbage": "HAS_GARBAGE",
    "mask:keep_solid": "HAS_KEEP_SOLID",
    "mask:screen_light": "HAS_AREA",
    "cumulative": "HAS_CUMULATIVE",
    "shadow": "HAS_SHADOW",
    "wrap": "HAS_WRAP",
    "local_foreground": "HAS_LOCAL_FOREGROUND",
}
_HALF = {
    "plate": "PLATE_HALF",
    "denoised": "DENOISED_HALF",
    "clean": "CLEAN_HALF",
    "background": "BACKGROUND_HALF",
}


def _signed(frame: int) -> int:
    return (frame + 2**31) % 2**32 - 2**31


def _flags(plan: Plan, sources: dict[str, Source]) -> int:
    recipe = plan.recipe
    flags = sum(C[flag] for name, flag in _HAS.items() if name in sources)
    flags += sum(C[flag] for name, flag in _HALF.items() if name in sources and sources[name].half)
    flags |= C[EDGES[recipe.assemble.edge_colour.method]] << C["EDGE_SHIFT"]
    flags |= plan.context.k << C["PRIMARY_SHIFT"]
    noise = plan.context.noise
    if num(recipe.assemble.background.regrain) and any((*noise.gain, *noise.offset)):
        flags |= C["REGRAIN"]
    if "mask:screen_light" in sources and num(recipe.assemble.screen_light.light):
        flags |= C["HAS_LIGHT"]
    varies = any(
        s.on and (f"fill:{s.id}" in sources or f"mask:{s.id}" in sources or s.mask)
        for s in recipe.despill
    )
    if "clean" not in sources and not varies:
        flags |= C["CLEAN_IS_EVEN"]
    return flags


def _pack_extractor(record: Any, e: ExtractorBase, plan: Plan) -> None:
    record["on"], record["strength"] = e.on, num(e.strength)
    record["sign"], record["offset"] = sign, offset = (-1.0, 1.0) if e.inverted else (1.0, 0.0)
    levels = e.refine.levels
    low, inverse = ramp_values(levels.clear_below, levels.solid_above)
    record["black"], record["span_inverse"] = low, inverse
    line = extractor_line(e)
    whole = levelled(line, e.inverted, low, inverse)
    record["two_steps"] = inverse > STEEP if line is None else whole is None
    if inverse <= STEEP:
        record["scale"], record["shift"] = sign * inverse, (offset - low) * inverse
    if line is not None:
        record["raw"], record["line"] = line.values(), (whole or line).values()
    values = extractor_values(e, plan.context)
    record["v"][: len(values)] = values


def _bind_extractor(p: Any, plan: Plan, sources: dict[str, Source], index: int) -> int:
    e = plan.recipe.extractors[index]
    code = extractor_code(e)
    mask, matte = sources.get(f"mask:{e.id}"), sources.get(f"matte:{e.id}")
    unmixed = sources.get(f"unmix:{e.id}")
    if unmixed is not None:
        p["unmixed"][index] = unmixed.address
    if mask is not None:
        code |= C["HAS_MASK"]
        p["mask"][index] = mask.address
    if matte is not None:
        code |= C["FROM_STAGE"]
        p["matte"][index] = matte.address
    if e.key_from == "denoised" and "denoised" in sources:
        code |= C["READS_DENOISED"]
    p["extractor"][index]["code"] = code
    return code


def _pack_pass(record: Any, step: DespillPass) -> None:
    record["on"] = step.on
    record["weight"] = 0.5 if step.limit == "average" else num(step.weight)
    record["amount"], record["fill_amount"] = num(step.amount), num(step.fill_amount)
    record["mask_sign"], record["mask_offset"] = (-1.0, 1.0) if step.mask_inverted else (1.0, 0.0)


def _bind_pass(p: Any, step: DespillPass, sources: dict[str, Source], n: int) -> int:
    code = C[LIMITS[step.limit]]
    fill = sources.get(f"fill:{step.id}")
    if step.fill == "grey":
        code |= C["FILL_GREY"]
    elif fill is not None:
        code |= C["FILL_BACKGROUND"]
        p["fill"][n] = fill.address
    if step.spill_by_hue.points:
        code |= C["PASS_SPILL_CURVE"]
    if step.saturation_by_hue.points:
        code |= C["PASS_SATURATION_CURVE"]
    shapes, matte = sources.get(f"mask:{step.id}"), sources.get(f"pass_matte:{step.id}")
    if shapes is not None:
        code |= C["PASS_SHAPES"]
        p["pass_mask"][n] = shapes.address
    if step.mask == "cumulative":
        code |= C["MASK_CUMULATIVE"]
    elif step.mask and matte is not None:
        code |= C["MASK_EXTRACTOR"]
        p["pass_matte"][n] = matte.address
    p["pass"][n]["code"] = code
    return code


def _neutral_screen(plan: Plan) -> NDArray[Any]:
    """Return the flat screen after the despill passes."""
    flat = np.asarray(plan.context.screen, np.float32).reshape(3, 1, 1)
    return despill.despill(flat, plan.recipe, plan.context).ravel()


def hue_lines(plan: Plan) -> NDArray[np.float32]:
    """Return the tables over hue of all passes, (passes, 2, 361, 2), of straight lines.

    Entry i serves hues from i to i + 1 degrees: its line's value at turn 0, and its rise over a
    whole turn.
    """
    out = np.zeros((C["MAX_PASSES"], 2, C["HUES"], 2), np.float32)
    degrees = np.arange(C["HUES"])
    for n, step in enumerate(plan.recipe.despill):
        for which, table in enumerate(despill.pass_tables(step)):
            if table is not None:
                ends = np.take(table.astype(np.float64), [*degrees, C["HUES"]], mode="wrap")
                rise = np.diff(ends)
                out[n, which, :, 0] = ends[:-1] - rise * degrees
                out[n, which, :, 1] = rise * 360
    return out


@lru_cache(maxsize=64)
def _screen_values(screen: tuple[float, float, float]) -> tuple[NDArray[Any], ...]:
    flat = np.asarray(screen, np.float32).reshape(3, 1, 1)
    return flat.ravel(), acescct_from_linear(flat).ravel(), lab_from_acescg(flat).ravel()


@lru_cache(maxsize=64)
def _correlation_values(correlation: tuple[float, float, float]) -> tuple[tuple[float, ...], ...]:
    """Return the correlation's inverse (rr gg bb rg rb gb) and its root's lower triangle."""
    m = correlation_inverse(correlation)
    root = correlation_root(Noise(correlation=correlation))
    return (
        (m[0, 0], m[1, 1], m[2, 2], m[0, 1], m[0, 2], m[1, 2]),
        (root[0, 0], root[1, 0], root[1, 1], root[2, 0], root[2, 1], root[2, 2]),
    )


def _pack_context(p: Any, plan: Plan) -> None:
    ctx = plan.context
    p["screen"], p["screen_log"], p["screen_lab"] = _screen_values(tuple(ctx.screen))
    p["weights"] = ctx.weights
    p["noise_gain"], p["noise_offset"] = ctx.noise.gain, ctx.noise.offset
    p["noise_measured"] = float(any((*ctx.noise.gain, *ctx.noise.offset)))
    p["noise_inverse"], p["grain_root"] = _correlation_values(tuple(ctx.noise.correlation))
    c, k = ctx.screen, ctx.k
    i, j = ctx.others
    p["level"] = c[k]
    p["level_share"] = (c[k] - max(c[i], c[j])) / max(c[k], 1e-6)


def _pack_assembly(p: Any, plan: Plan) -> None:
    recipe = plan.recipe
    a = recipe.assemble
    p["black"], p["span_inverse"] = (
        ramp_values(recipe.refine.levels.clear_below, recipe.refine.levels.solid_above)
        if refine_is_pointwise(recipe.refine)
        else (0.0, 1.0)
    )
    p["settle_scale"] = 1.0 / max(assemble.settle_value(plan), assemble.SETTLE_FLOOR)
    p["hold"] = assemble.hold_value(plan)
    exposure = 2.0 ** num(a.foreground_exposure_stops)
    gains = [gain * exposure for gain in a.foreground_gain]
    p["foreground_gain"], p["graded"] = gains, gains != [1.0, 1.0, 1.0]
    p["light_shadows"], p["light_amount"] = num(a.screen_light.shadows), num(a.screen_light.light)
    p["wrap_amount"] = num(a.light_wrap.amount)
    p["grain_amount"] = num(a.background.regrain)
