"""Timing on a card: shares of the traffic-only kernel, previews, neighbourhood work, one request.

Every figure is a median over many runs with the card's own clock (or the host's for a whole
request), on random data; ratios are against a baseline of the same run.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import Any

import cupy
import numpy as np

from kernels.cuda.launch import CudaEngine, CupyDevice, Form
from kernels.cuda.runner import DeviceEngine
from kernels.cuda.sources import constants
from kernels.engine import EngineError, Inputs, View
from kernels.plan import AP1_WEIGHTS, Plan, build_plan
from kernels.recipe import (
    ChromaDistance,
    ColourDifference,
    CurvePoint,
    Denoise,
    Despeckle,
    DespillPass,
    Guide,
    HueBand,
    HueCurve,
    Levels,
    Noise,
    PlateDifference,
    Recipe,
    Refine,
    ValueBand,
)
from kernels.reference.denoise import stabiliser

C = constants()
UHD = (3840, 2160)
EIGHT_K = (7680, 4320)
OUTPUTS = C["OUT_ALPHA"] | C["OUT_COMPOSITE"]
FORMS: tuple[Form, Form] = ("special", "array")
ROUNDS = 5
"""Rounds in which the speed limit and the forms take turns, against drifting clocks."""
Figures = dict[str, float]


def curve(low: float, high: float) -> HueCurve:
    """Return a hue curve with three points."""
    points = [CurvePoint(hue_deg=h, value=v) for h, v in ((30, low), (120, high), (280, 1.0))]
    return HueCurve(points=points)


def recipe_of(extractors: int) -> Recipe:
    """Return a key of 3 or 8 extractors, levels, one pass with both hue curves.

    The levels clean the screen of `screen`, as a key in use does.
    """
    levels = Refine(levels=Levels(clear_below=0.2, solid_above=0.95))
    greys: dict[str, Any] = {"low_out": None, "low_in": None, "high_in": 0.2, "high_out": 0.5}
    kinds: list[Any] = [
        ColourDifference(id="a", refine=levels),
        HueBand(id="b", role="edge", strength=0.5, refine=levels),
        ValueBand(id="c", low_out=0.9, low_in=1.4, refine=levels),
        ChromaDistance(id="d", role="edge", refine=levels),
        PlateDifference(id="e", combine="average", refine=levels),
        ColourDifference(id="f", excess="balance", role="edge", refine=levels),
        PlateDifference(id="g", norm="largest", relative=True, combine="min", refine=levels),
        ValueBand(id="h", channel="saturation", combine="union", refine=levels, **greys),
    ]
    step = DespillPass(id="n", spill_by_hue=curve(0.3, 1.0), saturation_by_hue=curve(0.8, 1.2))
    return Recipe(extractors=kinds[:extractors], despill=[step], refine=levels)


def neighbourhood_recipe() -> Recipe:
    """Return three extractors, each despeckled, guided, choked and softened, and a light wrap."""
    refine = Refine(
        despeckle=Despeckle(holes_px=2, specks_px=2),
        guide=Guide(radius_px=8),
        choke_px=1.5,
        soften_px=3,
    )
    recipe = recipe_of(3)
    for e in recipe.extractors:
        e.refine = refine.model_copy(deep=True)
    recipe.assemble.light_wrap.amount = 0.5
    recipe.assemble.light_wrap.reach_px = 64.0
    return recipe


def screen(size: tuple[int, int], seed: int = 1) -> np.ndarray[Any, Any]:
    """Return a made-up shot: a noisy green screen, lit unevenly, before it a soft-edged subject."""
    width, height = size
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    distance = np.hypot(x - 0.55 * width, (y - 0.6 * height) * 0.8) / height
    alpha = np.clip((0.42 + 0.03 * np.sin(x / 37) - distance) / 0.02, 0, 1)
    waves = [0.35 + 0.3 * np.sin(x / (90 + 40 * c) + y / (70 + 25 * c) + c) for c in range(3)]
    light = (1.0 - 0.2 * (x / width))[None]
    screen = np.array([0.06, 0.4, 0.08], np.float32)[:, None, None] * light
    image = alpha * np.stack(waves) + (1 - alpha) * screen
    image += rng.normal(0, 0.012, (3, height, width)).astype(np.float32)
    return np.asarray(image, np.float32)


def noise(size: tuple[int, int], seed: int = 1) -> np.ndarray[Any, Any]:
    """Return uniform noise: the worst case, neighbouring pixels have nothing in common."""
    return np.random.default_rng(seed).random((3, size[1], size[0]), np.float32)


def made_inputs(engine: DeviceEngine, size: tuple[int, int], picture: Any = screen) -> Inputs:
    """Return plate, clean plate and background of a size, stored as half."""
    width, height = size
    light = np.linspace(1.0, 0.8, width, dtype=np.float32)
    clean = np.array([0.06, 0.4, 0.08], np.float32)[:, None, None] * light
    planes = {
        "plate": engine.hold(picture(size)),
        "clean": engine.hold(np.broadcast_to(clean, (3, height, width))),
        "background": engine.hold(noise(size, 2)),
    }
    return Inputs(key=object(), width=width, height=height, planes=planes)


def device_ms(
    card: CupyDevice, work: Callable[[], Any], repeats: int = 30, inner: int = 10
) -> float:
    """Return the median milliseconds of `work` by the card's clock, `inner` of them in a row."""
    card.enter()
    for _ in range(5):
        work()
    times = []
    for _ in range(repeats):
        start, end = cupy.cuda.Event(), cupy.cuda.Event()
        start.record(card.stream)
        for _ in range(inner):
            work()
        end.record(card.stream)
        end.synchronize()
        times.append(cupy.cuda.get_elapsed_time(start, end) / inner)
    return float(statistics.median(times))


def host_ms(work: Callable[[], Any], repeats: int = 200) -> tuple[float, float]:
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
    rate = 2 * a.nbytes / device_ms(card, lambda: cupy.copyto(b, a)) * 1e3
    return float(rate)


def pointwise_figures(engine: CudaEngine, inputs: Inputs, name: str = "pointwise") -> Figures:
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
            return device_ms(
                engine.card,
                lambda: engine.launch_pointwise(packed, target.data.ptr, region, 0, kernel),
            )

        rounds = [
            (run("special", "traffic"), *(run(form, "pointwise") for form in FORMS))
            for _ in range(ROUNDS + 1)
        ][1:]  # the first one wakes the card up
        limit, *times = (statistics.median(column) for column in zip(*rounds, strict=True))
        for form, ms in zip(FORMS, times, strict=True):
            figures[f"{name}_{count}_{form}_ms"] = ms
            figures[f"{name}_{count}_{form}_share"] = limit / ms
        figures[f"{name}_{count}_traffic_ms"] = limit
    engine.card.form = "auto"
    return figures


def preview_ms(
    engine: CudaEngine,
    inputs: Inputs,
    count: int,
    form: Form,
    *,
    limit: bool = False,
    size: tuple[int, int] = (960, 540),
) -> float:
    """Return the milliseconds of the preview launch alone, or of its speed limit, as packed."""
    plan = build_plan(recipe_of(count), 1, inputs.planes)
    engine.card.form = form
    calls: list[Any] = []
    launch = engine.card.launch

    def noted(unit: str, kernel: str, *args: Any, **more: Any) -> None:
        if kernel.startswith("preview"):
            kernel += "_traffic" if limit else ""
            more["structure"] = replace(more["structure"], kernel=kernel)
            calls.append(partial(launch, unit, kernel, *args, **more))
        launch(unit, kernel, *args, **more)

    engine.card.launch = noted  # type: ignore[method-assign]
    try:
        picture = engine.render_device(plan, inputs, View("composite", *size))
    finally:
        engine.card.launch = launch  # type: ignore[method-assign]
    ms = device_ms(engine.card, calls[0])
    del picture  # its memory is written by every launch
    engine.card.form = "auto"
    return ms


def preview_figures(
    engine: CudaEngine,
    inputs: Inputs,
    name: str,
    rate: float,
    size: tuple[int, int] = (960, 540),
) -> Figures:
    """Return times of the preview launch, and its shares of the speed limits.

    `share`: of the launch that reads and pools the same and keys nothing. `copy_share`: its reading
    rate as a share of the copy rate.
    """
    figures: Figures = {}
    read = sum(plane.array.nbytes for plane in inputs.planes.values())
    for count in (3, 8):
        rounds = [
            (
                preview_ms(engine, inputs, count, "special", limit=True, size=size),
                *(preview_ms(engine, inputs, count, form, size=size) for form in FORMS),
            )
            for _ in range(ROUNDS)
        ]
        limit, *times = (statistics.median(column) for column in zip(*rounds, strict=True))
        figures[f"preview_{name}_{count}_traffic_ms"] = limit
        for form, ms in zip(FORMS, times, strict=True):
            figures[f"preview_{name}_{count}_{form}_ms"] = ms
            figures[f"preview_{name}_{count}_{form}_share"] = limit / ms
            figures[f"preview_{name}_{count}_{form}_copy_share"] = read / (ms * 1e-3) / rate
    return figures


def denoise_figures(engine: CudaEngine, frames: int = 24) -> Figures:
    """Return the milliseconds of a denoised 1080p frame in a run of frames, and frames a second.

    Each frame is new to the card and goes there once, with its neighbours; its result comes back.
    `card_ms` is the card's own share.
    """
    rng = np.random.default_rng(3)
    still = screen((1920, 1080))
    taken = [still + rng.normal(0, 0.004, still.shape).astype(np.float32) for _ in range(frames)]
    noise = Noise(gain=(1e-4, 2e-4, 1e-4), offset=(1e-5, 1e-5, 1e-5))
    settings = Denoise()

    def bake(n: int) -> None:
        engine.denoise([taken[n], taken[n - 1], taken[(n + 1) % frames]], noise, settings)

    bake(0)
    start = time.perf_counter()
    for n in range(1, frames):
        bake(n)
    ms = (time.perf_counter() - start) * 1e3 / (frames - 1)
    held = [engine._denoiser.held(f, noise, stabiliser(noise), engine.hold) for f in taken[:3]]
    card = device_ms(
        engine.card,
        lambda: engine._denoiser.averaged(held, settings, AP1_WEIGHTS),
        repeats=5,
        inner=2,
    )
    engine._denoiser.forget()
    return {
        "denoise_1080p_ms": ms,
        "denoise_1080p_frames_a_second": 1e3 / ms,
        "denoise_1080p_card_ms": card,
    }


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
    if engine.device_pictures is not None:
        fixed = engine.render_device(build_plan(recipe_of(3), 1, inputs.planes), inputs, view)
        figures["jpeg_960x540_ms"] = host_ms(lambda: engine.encode_jpeg(fixed, 80))[0]
    for name, recipe in (("pointwise", recipe_of(3)), ("neighbours", neighbourhood_recipe())):
        change = changing(recipe)

        def plan(change: Any = change) -> Plan:
            return build_plan(change(), 1, inputs.planes)

        engine.render(plan(), inputs, view)
        time.sleep(1.0)  # the specialised form is ready by now
        engine.render(plan(), inputs, view)
        time.sleep(1.0)
        p50, p99 = host_ms(lambda: engine.render(plan(), inputs, view))
        figures |= {f"request_{name}_picture_p50_ms": p50, f"request_{name}_picture_p99_ms": p99}
        if engine.device_pictures is not None:
            p50, p99 = host_ms(
                lambda: engine.encode_jpeg(engine.render_device(plan(), inputs, view), 80)
            )
            figures |= {f"request_{name}_jpeg_p50_ms": p50, f"request_{name}_jpeg_p99_ms": p99}
    return figures


def bench(*, torch: bool = True, large: bool = True) -> dict[str, Any]:
    """Return all figures of this card; PyTorch's only where it is installed."""
    try:
        engine = CudaEngine()
    except EngineError as error:
        return {"not run": str(error)}
    results: dict[str, Any] = {"card": engine.description}
    rate = copy_rate(engine.card)
    results["copy_bytes_per_second"] = rate
    inputs = made_inputs(engine, UHD)
    results |= pointwise_figures(engine, inputs)
    results |= preview_figures(engine, inputs, "uhd", rate)
    results |= preview_figures(engine, inputs, "uhd_uneven", rate, size=(900, 506))
    random = made_inputs(engine, UHD, noise)
    results |= pointwise_figures(engine, random, "noise")
    del random
    results |= request_figures(engine, inputs)
    results |= denoise_figures(engine)
    if torch:
        from kernels.cuda.bench_torch import torch_figures

        results |= torch_figures(inputs, results)
    del inputs
    if large:
        engine.forget()
        big = made_inputs(engine, EIGHT_K)
        results |= preview_figures(engine, big, "8k", rate)
        del big
    engine.close()
    return results
