"""Every operation on every engine against the reference, on the same frames.

One table of tolerances, each with its reason; be gentle raising them. Frames hold half-precision
values, so that an engine that stores half sees exactly what the reference sees.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kernels.engine import Engine, Inputs, Stress, View, finite
from kernels.inputs import mask_planes
from kernels.parity_cases import NOISE, Case, cases
from kernels.plan import AP1_WEIGHTS, VIEWS, build_plan
from kernels.recipe import (
    ColourDifference,
    Denoise,
    DespillPass,
    HueBand,
    Recipe,
    Screen,
)
from kernels.reference import denoise, execute, pointwise, view
from kernels.reference.background import place

F32 = NDArray[np.float32]

TOLERANCES: dict[str, tuple[float, str]] = {
    "pointwise": (2e-5, "float32 rounding of a few operations; a steep ramp multiplies it"),
    "log": (1e-4, "log2 of the processor and of the card differ in the last bits, ramps multiply"),
    "delta_e": (2e-3, "cube roots and angles of nearly grey colours; a ramp over 0.2 units"),
    "despeckle": (2e-5, "comparisons alone, so only what came before differs"),
    "guide": (5e-5, "running sums in another order"),
    "blur": (1e-5, "float32 sums in another order"),
    "colour": (1e-4, "relative to 1 or the value: products of results within their tolerances"),
    "edge": (1e-3, "colour divided by a small matte multiplies the matte's difference"),
    "unmix": (2e-2, "close candidates may change places; a test says how rarely"),
    "denoise": (1e-4, "weights fall steeply with distances, which are sums in another order"),
    "picture": (1.0, "code values of 255: rounding at a border between two codes"),
}
"""Largest allowed difference, relative to max(1, |value|), and why it is that large."""


@dataclass(frozen=True)
class Difference:
    """The largest difference of one case on one frame."""

    case: str
    frame: str
    engine: str
    error: float
    tolerance: float

    @property
    def good(self) -> bool:
        """Whether the difference is within the tolerance (NaN never is)."""
        return bool(self.error <= self.tolerance)


# ---------------------------------------------------------------- frames


def half(image: NDArray[Any]) -> F32:
    """Return the image with half-precision values, in float32."""
    rounded: F32 = np.asarray(image, np.float16).astype(np.float32)
    return rounded


def frames() -> Iterator[tuple[str, dict[str, F32]]]:
    """Yield named frames: planes `plate`, mostly `denoised` and `clean` too."""
    for name, (h, w) in {
        "random": (48, 64),
        "primes": (31, 37),
        "one row": (1, 53),
        "one pixel": (1, 1),
        "wide": (5, 301),
    }.items():
        rng = np.random.default_rng(h * 1000 + w)
        plate = half(rng.random((3, h, w)))
        yield (
            name,
            {
                "plate": plate,
                "denoised": half(plate * 0.9 + 0.02),
                "clean": half(_lit((h, w), rng)),
            },
        )
    rng = np.random.default_rng(11)
    plate = half(rng.random((3, 45, 62)))
    yield "clean plate", {"plate": plate, "clean": half(_lit((45, 62), rng))}
    rng = np.random.default_rng(7)
    yield "over range and negative", {"plate": half(rng.normal(0.4, 1.5, (3, 40, 56)))}
    yield "all zero", {"plate": np.zeros((3, 20, 24), np.float32)}
    yield "screen", {"plate": half(_screen(rng))}
    broken = half(rng.random((3, 24, 40)))
    broken[0, 3, 4], broken[1, 5, 6], broken[2, 7, 8] = np.nan, np.inf, -np.inf
    yield "not finite", {"plate": broken}


def _lit(size: tuple[int, int], rng: np.random.Generator) -> NDArray[Any]:
    """A green screen, lit unevenly."""
    screen = np.array([0.06, 0.4, 0.08])[:, None, None]
    return np.asarray(screen * (0.9 + 0.2 * rng.random((1, *size))))


def _screen(rng: np.random.Generator) -> NDArray[Any]:
    """A soft-edged disc before a noisy green screen."""
    y, x = np.mgrid[0:72, 0:96]
    alpha = np.clip((26 - np.hypot(x - 48.3, y - 35.7)) / 6, 0, 1)
    subject = np.array([0.5, 0.3, 0.2])[:, None, None]
    screen = np.array([0.05, 0.35, 0.07])[:, None, None]
    noise = rng.normal(0, 0.01, (3, 72, 96))
    return np.asarray(alpha * subject + (1 - alpha) * screen + noise)


# ---------------------------------------------------------------- comparing


def run(
    engines: Sequence[Engine],
    *,
    only: Callable[[Case], bool] = lambda case: True,
    extra_frames: Sequence[tuple[str, dict[str, F32]]] = (),
    views: bool = True,
) -> Iterator[Difference]:
    """Yield the largest difference of every case on every frame and engine."""
    for frame_name, images in [*frames(), *extra_frames]:
        for case in cases():
            if only(case):
                yield from _compare(case, frame_name, images, engines)
        if views:
            yield from _compare_views(frame_name, images, engines)
            yield from _compare_denoise(frame_name, images, engines)


def _planes(recipe: Recipe, images: dict[str, F32]) -> dict[str, F32]:
    """Return the input planes with finite values, the background and the masks."""
    planes = {name: finite(image) for name, image in images.items()}
    h, w = planes["plate"].shape[-2:]
    planes["background"] = half(place(None, recipe.at(1).assemble.background, w, h))
    planes |= {name: half(mask) for name, mask in mask_planes(recipe, 1, w, h).items()}
    return planes


def hold_all(engine: Engine, planes: dict[str, F32]) -> Inputs:
    """Return the planes as an engine's inputs."""
    h, w = planes["plate"].shape[-2:]
    held = {name: engine.hold(image) for name, image in planes.items()}
    return Inputs(key=object(), width=w, height=h, planes=held)


def _compare(
    case: Case, frame: str, images: dict[str, F32], engines: Sequence[Engine]
) -> Iterator[Difference]:
    planes = _planes(case.recipe, images)
    plan = build_plan(case.recipe, 1, planes)
    expected = execute.planes(plan, planes, case.wanted)
    for engine in engines:
        got = engine.planes(plan, hold_all(engine, planes), case.wanted)
        error = max(difference(got[name], expected[name]) for name in case.wanted)
        yield Difference(case.name, frame, engine.name, error, TOLERANCES[case.tolerance][0])


def difference(got: NDArray[Any], expected: NDArray[Any]) -> float:
    """Return the largest |got - expected| / max(1, |expected|); NaN for shapes that differ."""
    if got.shape != expected.shape or got.dtype != np.float32:
        return float("nan")
    scale = np.maximum(1.0, np.abs(expected.astype(np.float64)))
    return float(np.max(np.abs(got.astype(np.float64) - expected) / scale))


def _compare_denoise(
    frame: str, images: dict[str, F32], engines: Sequence[Engine]
) -> Iterator[Difference]:
    plate = finite(images["plate"]) * np.float32(0.04)  # about as much contrast as noise
    neighbours = [np.roll(plate, n, axis=-1) for n in (1, -2)]
    for name, given, settings in (
        ("denoise still", [plate], Denoise()),
        ("denoise in time", [plate, *neighbours], Denoise(strength=0.7)),
        ("denoise colour", [plate, *neighbours], Denoise(strength=2.0, keep_luminance=0.8)),
        ("denoise nothing", [plate], Denoise(strength=0.0)),
    ):
        expected = denoise.denoise(given, NOISE, settings)
        for engine in engines:
            got = engine.denoise(given, NOISE, settings, AP1_WEIGHTS)
            error = difference(got, expected)
            yield Difference(name, frame, engine.name, error, TOLERANCES["denoise"][0])


def _view_recipe() -> Recipe:
    return Recipe(
        screen=Screen(noise=NOISE),
        extractors=[ColourDifference(id="a"), HueBand(id="b", role="edge", strength=0.5)],
        despill=[DespillPass(id="n")],
    )


def _compare_views(
    frame: str, images: dict[str, F32], engines: Sequence[Engine]
) -> Iterator[Difference]:
    recipe = _view_recipe()
    planes = _planes(recipe, images)
    plan = build_plan(recipe, 1, planes)
    h, w = planes["plate"].shape[-2:]
    for name in VIEWS:
        for size in {(w, h), (max(1, w // 2), max(1, h // 2)), (max(1, w * 2 // 3), h), (2 * w, h)}:
            wanted = View(name, *size)
            yield from _compare_view(f"view {name}", frame, plan, planes, wanted, engines)
    for preset in ("screen", "core"):
        wanted = View("matte", max(1, w // 3), max(1, h // 3), stress=Stress(preset, 8, 1.4))
        yield from _compare_view(f"view stress {preset}", frame, plan, planes, wanted, engines)
    region = (w // 4, h // 4, max(w // 4 + 1, w * 3 // 4), max(h // 4 + 1, h * 3 // 4))
    wanted = View("composite", 40, 30, region=region)
    yield from _compare_view("view region", frame, plan, planes, wanted, engines)
    for wanted in _even_views(w, h):
        yield from _compare_view("view even boxes", frame, plan, planes, wanted, engines)


def _even_views(w: int, h: int) -> Iterator[View]:
    """Yield views whose boxes are a whole number of pixels wide and high, for every pooling."""
    for across, down in ((4, 4), (8, 2), (16, 8), (32, 1), (4, 3), (64, 8)):
        x0, y0 = (4, 3) if w >= across + 4 and h >= down + 3 else (0, 0)
        columns, rows = (w - x0) // across, (h - y0) // down
        if columns and rows:
            region = (x0, y0, x0 + columns * across, y0 + rows * down)
            yield View("composite", columns, rows, region=region)
            for preset in ("screen", "core"):
                yield View("matte", columns, rows, region=region, stress=Stress(preset, 8, 1.4))


def reference_picture(plan: Any, planes: dict[str, F32], wanted: View) -> NDArray[np.uint8]:
    """Return a view's picture by the reference alone."""
    h, w = planes["plate"].shape[-2:]
    x0, y0, x1, y1 = wanted.region or (0, 0, w, h)
    tile = execute.run_stages(
        plan,
        execute.cut(planes, (0, 0, w, h)),
        plan.stages_for(wanted.name, wanted.extractor),
        execute.ReferenceNeighbourhood(),
    )
    needs = view.view_needs(plan, wanted)
    source = view.view_source(plan, wanted, pointwise.view_planes(plan, tile, needs))
    pooled = view.pool_view(source, wanted, (float(x0), float(y0), float(x1), float(y1)))
    picture: NDArray[np.uint8] = view.finish_view(pooled, wanted, plan.context.weights)
    return picture


def _compare_view(
    name: str,
    frame: str,
    plan: Any,
    planes: dict[str, F32],
    wanted: View,
    engines: Sequence[Engine],
) -> Iterator[Difference]:
    expected = reference_picture(plan, planes, wanted).astype(np.int16)
    expected = np.broadcast_to(
        expected if expected.ndim == 3 else expected[..., None], (wanted.height, wanted.width, 3)
    )
    for engine in engines:
        got = engine.render(plan, hold_all(engine, planes), wanted)
        error = (
            float("nan")
            if got.shape != expected.shape
            else float(np.abs(got.astype(np.int16) - expected).max())
        )
        yield Difference(name, frame, engine.name, error, TOLERANCES["picture"][0])


def worst(differences: Iterator[Difference]) -> dict[tuple[str, str], Difference]:
    """Return the worst difference of every case and engine, the most over tolerance first."""
    found: dict[tuple[str, str], Difference] = {}
    for d in differences:
        key = (d.engine, d.case)
        old = found.get(key)
        if old is None or not d.good or (old.good and d.error > old.error):
            found[key] = d
    return found
