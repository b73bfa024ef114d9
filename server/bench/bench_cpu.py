"""The cpu engine against itself on NumPy and against the reference: ratios within one run.

The runs of one thing take turns, so that what else the machine does meets them alike.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from kernels.cpu import library
from kernels.cpu.compiled import CompiledEngine
from kernels.cpu.engine import CpuEngine
from kernels.cpu.processor import processor_name
from kernels.engine import Engine, Inputs, View
from kernels.plan import build_plan
from kernels.recipe import ChromaDistance, Denoise, Noise, Recipe, ValueBand
from kernels.reference import execute
from server.bench.timed_key import key_recipe, picture, prepared
from server.pictures.encode import encode
from server.pictures.keys import Quality

SIZES = {"960x540": (540, 960), "1080p": (1080, 1920)}
RUNS, SLOW_RUNS = 11, 3
WANTED = ("alpha", "composite")
POINTWISE, NEIGHBOURHOOD, DENOISE = 8.0, 3.0, 3.0
"""How many times faster than the NumPy tiles the compiled kernels are to be."""
Work = Callable[[], object]


def eight_extractors() -> Recipe:
    """Return the timed key with five extractors more, of the other kinds."""
    recipe = key_recipe()
    for channel in ("luminance", "smallest"):
        band = ValueBand(name=channel, low_out=0.1, low_in=0.4, role="edge", strength=0.3)
        recipe.extractors.append(band.model_copy(update={"channel": channel}))
    for inner in (0.02, 0.05, 0.08):
        recipe.extractors.append(
            ChromaDistance(name=f"chroma {inner}", inner=inner, outer=0.3, strength=0.4)
        )
    return recipe


def with_neighbourhoods() -> Recipe:
    """Return the timed key with every extractor refined, and a wide light wrap."""
    recipe = key_recipe()
    for extractor in recipe.extractors:
        refine = extractor.refine
        refine.despeckle.holes_px = refine.despeckle.specks_px = 2.0
        refine.guide.radius_px, refine.choke_px, refine.soften_px = 8.0, 1.5, 3.0
    recipe.assemble.light_wrap.amount, recipe.assemble.light_wrap.reach_px = 0.5, 64.0
    return recipe


def bench_cpu(threads: int | None = None) -> dict[str, Any]:
    """Time keys, pictures and denoising on compiled kernels and on NumPy tiles."""
    choice = library.choose()
    tiles = CpuEngine(threads)
    engines: dict[str, Any] = {"NumPy tiles": tiles}
    if choice.library is not None:
        engines = {"compiled": CompiledEngine(choice.library, threads, choice.reason), **engines}
    try:
        rows = [*_keys(engines), *_pictures(engines), _denoise(engines)]
    finally:
        for engine in engines.values():
            engine.close()
    found = {name: engine.description for name, engine in engines.items()}
    if "compiled" not in found:
        found["compiled"] = f"not run: {choice.reason}"
    return {"processor": processor_name(), "engines": found, "timings": rows}


@dataclass(frozen=True)
class Taken:
    """Medians in milliseconds: on the clock, and of processor time over all threads.

    The second hardly changes with what else the machine does.
    """

    clock: float
    processor: float


def in_turn(works: Mapping[str, Work], runs: int) -> dict[str, Taken]:
    """Return what each work takes, run one after the other, over and over."""
    times: dict[str, list[tuple[float, float]]] = {name: [] for name in works}
    for turn in range(runs + 1):
        for name, work in works.items():
            clock, processor = time.perf_counter(), time.process_time()
            work()
            taken = (time.perf_counter() - clock, time.process_time() - processor)
            if turn:  # the first warms up
                times[name].append(taken)
    return {
        name: Taken(*(1000 * statistics.median(column) for column in zip(*taken, strict=True)))
        for name, taken in times.items()
    }


def row(what: str, taken: Mapping[str, Taken], target: float | None = None) -> dict[str, Any]:
    """Return a line of the result: medians in milliseconds, ratios to the compiled engine."""
    line: dict[str, Any] = {"name": what}
    for name, each in taken.items():
        line[f"{name} ms"] = round(each.clock, 2)
        line[f"{name}, processor time ms"] = round(each.processor, 2)
    compiled = taken.get("compiled")
    if compiled is None:
        return line
    for name, each in taken.items():
        if name != "compiled":
            line[f"times faster than {name}"] = round(each.clock / compiled.clock, 2)
            ratio = each.processor / compiled.processor
            line[f"times less processor time than {name}"] = round(ratio, 2)
    if target is not None:
        reached = line["times faster than NumPy tiles"] >= target
        line |= {"target": target, "verdict": "reached" if reached else "missed"}
    return line


def _keys(engines: Mapping[str, Any]) -> list[dict[str, Any]]:
    rows = []
    for size, (height, width) in SIZES.items():
        for count, recipe in (("3", key_recipe()), ("8", eight_extractors())):
            works = _planes_of(engines, recipe, height, width, reference=True)
            what = f"{count} extractors, levels, despill, over; {size} to float planes"
            rows.append(row(what, in_turn(works, RUNS if size != "1080p" else 7), POINTWISE))
    height, width = SIZES["1080p"]
    works = _planes_of(engines, with_neighbourhoods(), height, width, reference=False)
    what = "3 extractors, each despeckle 2, guide 8, choke 1.5, soften 3; light wrap 64; 1080p"
    rows.append(row(what, in_turn(works, SLOW_RUNS), NEIGHBOURHOOD))
    return rows


def _planes_of(
    engines: Mapping[str, Any], recipe: Recipe, height: int, width: int, *, reference: bool
) -> dict[str, Work]:
    """Return for each engine what makes the key from nothing but its inputs."""

    def work(engine: Engine, inputs: Inputs) -> Work:
        plan = build_plan(recipe, 1, inputs.planes)

        def make() -> None:
            if plan.stages:
                forget_stages(engine)
            engine.planes(plan, inputs, WANTED)

        return make

    works = {name: work(e, prepared(e, recipe, height, width)) for name, e in engines.items()}
    if reference:
        inputs = prepared(engines["NumPy tiles"], recipe, height, width)
        planes = {name: plane.array for name, plane in inputs.planes.items()}
        plan = build_plan(recipe, 1, planes)
        works["the reference"] = lambda: execute.planes(plan, planes, WANTED)
    return works


def forget_stages(engine: Any) -> None:
    """Drop the planes of stages alone, so that they are made again."""
    engine._kept.clear()


def _pictures(engines: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Time a 1080p frame to JPEG, keyed at full size."""
    height, width = SIZES["1080p"]
    recipe = key_recipe()
    rows = []
    for wide, quality in ((960, Quality.MOVING), (1920, Quality.REST)):
        works: dict[str, Work] = {}
        for name, engine in engines.items():
            inputs = prepared(engine, recipe, height, width)
            plan = build_plan(recipe, 1, inputs.planes)
            view = View("composite", wide, wide * 9 // 16)

            def make(
                engine: Any = engine, plan: Any = plan, inputs: Any = inputs, view: View = view,
                quality: Quality = quality,
            ) -> None:  # fmt: skip
                encode(engine.render(plan, inputs, view), quality, 0, 0)

            works[name] = make
        what = f"1080p keyed at full size to a JPEG {wide} wide, {quality.name.lower()}"
        rows.append(row(what, in_turn(works, RUNS)))
    return rows


def _denoise(engines: Mapping[str, Any]) -> dict[str, Any]:
    height, width = SIZES["1080p"]
    plates = [picture(height, width, seed) for seed in (0, 1, 2)]
    noise = Noise(gain=(1e-4, 2e-4, 1e-4), offset=(1e-5, 1e-5, 1e-5))

    def work(engine: Any) -> Work:
        return lambda: engine.denoise(plates, noise, Denoise())

    what = "denoising a 1080p frame, with a neighbour on each side"
    return row(what, in_turn({n: work(e) for n, e in engines.items()}, 2), DENOISE)
