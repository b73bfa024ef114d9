"""Timing on a card: shares of the traffic-only kernel, previews, neighbourhood work, one request.

Every figure is a median over many runs with the card's own clock (or the host's for a whole
request), on random data; ratios are against a baseline of the same run.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from typing import Any

import cupy
import numpy as np

from kernels.cuda.launch import CudaEngine, CupyDevice, Form
from kernels.cuda.runner import DeviceEngine
from kernels.cuda.sources import constants
from kernels.engine import Inputs, View
from kernels.plan import Plan, build_plan
from kernels.recipe import (
    ChromaDistance,
    ColourDifference,
    CurvePoint,
    Despeckle,
    Guide,
    HueBand,
    HueCurve,
    Levels,
    NeutralisePass,
    PlateDifference,
    Recipe,
    Refine,
    ValueBand,
)

C = constants()
UHD = (3840, 2160)
EIGHT_K = (7680, 4320)
OUTPUTS = C["OUT_ALPHA"] | C["OUT_COMPOSITE"]
Figures = dict[str, float]


def curve(low: float, high: float) -> HueCurve:
    """Return a hue curve with three points."""
    points = [CurvePoint(hue_deg=h, value=v) for h, v in ((30, low), (120, high), (280, 1.0))]
    return HueCurve(points=points)


def recipe_of(extractors: int) -> Recipe:
    """Return a key of 3 or 8 extractors, levels, one pass with both hue curves."""
    levels = Refine(levels=Levels(black=0.02, white=0.97))
    kinds: list[Any] = [
        ColourDifference(id="a", refine=levels),
        HueBand(id="b", role="edge", strength=0.5, refine=levels),
        ValueBand(id="c", join="subtract", low_out=0.9, low_in=1.4, refine=levels),
        ChromaDistance(id="d", role="edge", refine=levels),
        PlateDifference(id="e", join="average", refine=levels),
        ColourDifference(id="f", excess="weights", role="edge", refine=levels),
        PlateDifference(id="g", norm="largest", relative=True, join="min", refine=levels),
        ValueBand(id="h", channel="saturation", join="multiply", refine=levels),
    ]
    step = NeutralisePass(
        id="n", spill_by_hue=curve(0.3, 1.0), saturation_by_hue=curve(0.8, 1.2)
    )
    return Recipe(extractors=kinds[:extractors], neutralise=[step], refine=levels)


def neighbourhood_recipe() -> Recipe:
    """Return three extractors, each despeckled, guided, choked and softened, and a light wrap."""
    refine = Refine(
        despeckle=Despeckle(holes_px=2, specks_px=2), guide=Guide(radius_px=8), choke_px=1.5,
        soften_px=3,
    )
    recipe = recipe_of(3)
    for e in recipe.extractors:
        e.refine = refine.model_copy(deep=True)
    recipe.assemble.light_wrap.amount = 0.5
    recipe.assemble.light_wrap.reach_px = 64.0
    return recipe


def random_inputs(engine: DeviceEngine, size: tuple[int, int]) -> Inputs:
    """Return random plate, clean plate and backdrop of a size, stored as half."""
    width, height = size
    rng = np.random.default_rng(1)
    planes = {}
    for name in ("plate", "clean", "backdrop"):
        image = rng.random((3, height, width), np.float32)
        if name == "clean":
            image = image * 0.02 + np.array([0.06, 0.4, 0.08], np.float32)[:, None, None]
        planes[name] = engine.hold(image)
    return Inputs(key=object(), width=width, height=height, planes=planes)


def device_ms(card: CupyDevice, work: Callable[[], Any], repeats: int = 60) -> float:
    """Return the median milliseconds of `work` by the card's clock."""
    card.enter()
    for _ in range(5):
        work()
    times = []
    for _ in range(repeats):
        start, end = cupy.cuda.Event(), cupy.cuda.Event()
        start.record(card.stream)
        work()
        end.record(card.stream)
        end.synchronize()
        times.append(cupy.cuda.get_elapsed_time(start, end))
    return float(statistics.median(times))


def host_ms(work: Callable[[], Any], repeats: int = 100) -> tuple[float, float]:
    """Return the median and the 99th percentile of milliseconds of `work` by the host's clock."""
    for _ in range(10):
        work()
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        times.append((time.perf_counter() - start) * 1e3)
    return float(np.percentile(times, 50)), float(np.percentile(times, 99))


def copy_rate(card: CupyDevice) -> float:
    """Return bytes per second, read plus written, of a large copy within the card."""
    card.enter()
    a = cupy.random.random((256 << 20) // 4, cupy.float32)
    b = cupy.empty_like(a)
    rate = 2 * a.nbytes / device_ms(card, lambda: cupy.copyto(b, a), 30) * 1e3
    return float(rate)


def pointwise_figures(engine: CudaEngine, inputs: Inputs) -> Figures:
    """Return times and shares of the fused launch with full-size half output."""
    figures: Figures = {}
    region = inputs.whole
    for count in (3, 8):
        plan = build_plan(recipe_of(count), 1, inputs.planes)
        job = engine._job(plan, inputs, (), region)
        packed = job.packed.with_outputs(OUTPUTS, 0, C["OUTPUT_HALF"])
        target = cupy.empty((4, inputs.height, inputs.planes["plate"].pitch), cupy.float16)

        def run(form: Form, kernel: str, packed: Any = packed, target: Any = target) -> float:
            engine.card.form = form
            return device_ms(engine.card, lambda: engine.launch_pointwise(
                packed, target.data.ptr, region, 0, kernel))

        limit = run("special", "traffic")
        for form in ("special", "array"):
            ms = run(form, "pointwise")  # type: ignore[arg-type]
            figures[f"pointwise_{count}_{form}_ms"] = ms
            figures[f"pointwise_{count}_{form}_share"] = limit / ms
        figures[f"traffic_{count}_ms"] = limit
    engine.card.form = "auto"
    return figures


def preview_figures(engine: CudaEngine, inputs: Inputs, name: str, rate: float) -> Figures:
    """Return times of the preview launch, and its reading rate as a share of the copy rate."""
    figures: Figures = {}
    for count in (3, 8):
        plan = build_plan(recipe_of(count), 1, inputs.planes)
        view = View("composite", 960, 540)
        for form in ("special", "array"):
            engine.card.form = form  # type: ignore[assignment]
            ms = device_ms(engine.card, lambda plan=plan: engine.render_device(plan, inputs, view))
            read = sum(p.array.nbytes for p in inputs.planes.values())
            figures[f"preview_{name}_{count}_{form}_ms"] = ms
            figures[f"preview_{name}_{count}_{form}_share"] = read / (ms * 1e-3) / rate
    engine.card.form = "auto"
    return figures


def kernel_only_preview(engine: CudaEngine, inputs: Inputs, count: int, form: Form) -> float:
    """Return the milliseconds of the preview kernel alone, launched repeatedly as packed."""
    plan = build_plan(recipe_of(count), 1, inputs.planes)
    engine.card.form = form
    calls: list[tuple[Any, ...]] = []
    original = engine.card.launch

    def spy(*args: Any, **more: Any) -> None:
        calls.append((args, more))
        original(*args, **more)

    engine.card.launch = spy  # type: ignore[method-assign]
    picture = engine.render_device(plan, inputs, View("composite", 960, 540))
    engine.card.launch = original  # type: ignore[method-assign]
    args, more = calls[-1]
    ms = device_ms(engine.card, lambda: original(*args, **more))
    del picture
    engine.card.form = "auto"
    return ms


def changing(recipe: Recipe) -> Callable[[], Recipe]:
    """Return a function that gives the recipe with one value of an extractor changed each time."""
    turn = 0

    def change() -> Recipe:
        nonlocal turn
        turn += 1
        recipe.extractors[0].__dict__["gain"] = 1.0 + (turn % 50) * 0.002
        return recipe

    return change


def request_figures(engine: CudaEngine, inputs: Inputs) -> Figures:
    """Return times from a changed recipe to JPEG bytes, 960x540, planning and copies included."""
    figures: Figures = {}
    view = View("composite", 960, 540)
    for name, recipe in (("pointwise", recipe_of(3)), ("neighbours", neighbourhood_recipe())):
        change = changing(recipe)

        def plan(change: Any = change) -> Plan:
            return build_plan(change(), 1, inputs.planes)

        engine.render(plan(), inputs, view)
        time.sleep(1.0)  # the specialised form is ready by now
        engine.render(plan(), inputs, view)
        time.sleep(1.0)
        p50, p99 = host_ms(lambda: engine.render(plan(), inputs, view))
        figures[f"request_{name}_picture_p50_ms"], figures[f"request_{name}_picture_p99_ms"] = p50, p99
        if engine.can_encode_jpeg:
            p50, p99 = host_ms(lambda: engine.encode_jpeg(
                engine.render_device(plan(), inputs, view), 80))
            figures[f"request_{name}_jpeg_p50_ms"], figures[f"request_{name}_jpeg_p99_ms"] = p50, p99
        figures[f"request_{name}_device_ms"] = device_ms(
            engine.card, lambda: engine.render_device(plan(), inputs, view))
    return figures


def bench(*, torch: bool = True, large: bool = True) -> dict[str, Any]:
    """Return all figures of this card; PyTorch's only where it is installed."""
    engine = CudaEngine()
    results: dict[str, Any] = {"card": engine.description}
    rate = copy_rate(engine.card)
    results["copy_bytes_per_second"] = rate
    inputs = random_inputs(engine, UHD)
    results |= pointwise_figures(engine, inputs)
    results |= preview_figures(engine, inputs, "uhd", rate)
    for count in (3, 8):
        for form in ("special", "array"):
            ms = kernel_only_preview(engine, inputs, count, form)  # type: ignore[arg-type]
            results[f"preview_kernel_uhd_{count}_{form}_ms"] = ms
    results |= request_figures(engine, inputs)
    if torch:
        from kernels.cuda.bench_torch import torch_figures

        results |= torch_figures(inputs, results)
    del inputs
    if large:
        engine.forget()
        big = random_inputs(engine, EIGHT_K)
        results |= preview_figures(engine, big, "8k", rate)
        for form in ("special", "array"):
            ms = kernel_only_preview(engine, big, 3, form)  # type: ignore[arg-type]
            results[f"preview_kernel_8k_3_{form}_ms"] = ms
        del big
    engine.close()
    return results
