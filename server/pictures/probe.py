"""Values under the pointer, and which channel tells two regions apart.

The engine's thread is asked for one band after the other, so that pictures have their turn between
two; what is counted is counted elsewhere.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kernels.engine import Inputs
from kernels.plan import Plan, Region
from kernels.recipe import Recipe
from kernels.reference.colour import acescct_from_linear, hue_degrees, luminance, saturation
from kernels.reference.view import view_needs, view_source
from kernels.views import VIEW_TABLE, View, ViewName
from server.pictures.keys import Sight
from server.pictures.resident import ResidentShot
from server.wire.messages import Sample, Separate
from server.wire.replies import ChannelSeparation, Sampled, Separated

MAX_BOX_PIXELS = 4_000_000
BAND_PIXELS = 1 << 17
"""pixels that are measured before pictures have their turn"""
OnEngine = Callable[[Callable[[], Any]], Any]
"""carries out a piece of work on the engine's thread and returns its result"""
ACESCCT_BITS = 10
Array = NDArray[Any]


def clipped(box: Region, width: int, height: int) -> Region:
    """Return a box inside the frame with at least one pixel."""
    x0, y0 = min(max(box[0], 0), width - 1), min(max(box[1], 0), height - 1)
    return x0, y0, min(max(box[2], x0 + 1), width), min(max(box[3], y0 + 1), height)


def limited(box: Region) -> Region:
    """Return a box of at most MAX_BOX_PIXELS: a larger one is cut around its centre."""
    x0, y0, x1, y1 = box
    share = (MAX_BOX_PIXELS / max(1, (x1 - x0) * (y1 - y0))) ** 0.5
    if share >= 1:
        return box
    w, h = max(1, int((x1 - x0) * share)), max(1, int((y1 - y0) * share))
    cx, cy = (x0 + x1 - w) // 2, (y0 + y1 - h) // 2
    return cx, cy, cx + w, cy + h


def values_of(
    opened: ResidentShot,
    plan: Plan,
    inputs: Inputs,
    name: ViewName,
    extractor: str,
    box: Region,
    pixels: Callable[[str], Array],
) -> Array:
    """Return the values of a view over a box, (3, h, w) or (h, w) for a matte.

    pixels: returns a whole input picture by its role. A measure is no signal: the plate's values.
    """
    x0, y0, x1, y1 = box
    known = any(e.id == extractor for e in plan.recipe.extractors)
    seen = View(
        name if VIEW_TABLE[name].signal else "plate", x1 - x0, y1 - y0, extractor if known else ""
    )
    needs = view_needs(plan, seen)
    planes = {
        role: pixels(role)[..., y0:y1, x0:x1].astype(np.float32)
        for role in needs
        if role in inputs.planes
    }
    keyed = {
        plane.replace("matte:", "extractor:"): plane
        for plane in needs
        if plane not in ("plate", "denoised", "clean")
    }
    made = opened.engine.planes(plan, inputs, list(keyed), box) if keyed else {}
    planes |= {keyed[wanted]: values for wanted, values in made.items()}
    return view_source(plan, seen, planes)


def bands_of(box: Region) -> list[Region]:
    """Return a box in bands of whole rows, each of at most BAND_PIXELS (but one row at least)."""
    x0, y0, x1, y1 = box
    rows = max(1, BAND_PIXELS // (x1 - x0))
    return [(x0, y, x1, min(y + rows, y1)) for y in range(y0, y1, rows)]


def sample(
    opened: ResidentShot,
    recipe: Recipe,
    revision: int,
    frame: int,
    message: Sample,
    on_engine: OnEngine = lambda work: work(),
) -> Sampled:
    """Measure a view over a box."""
    inputs, _ = on_engine(lambda: opened.inputs(recipe, frame))
    plan = on_engine(lambda: opened.plan(recipe, frame, inputs))
    box = limited(clipped(message.box, inputs.width, inputs.height))

    def pixels(role: str) -> Array:
        held: Array = opened.pixels(recipe, frame, inputs, role)
        return held

    def measured(band: Region) -> tuple[Array, Array]:
        values = values_of(opened, plan, inputs, message.name, message.extractor, band, pixels)
        return values, opened.engine.planes(plan, inputs, ["alpha"], band)["alpha"]

    parts = [on_engine(partial(measured, band)) for band in bands_of(box)]
    values = np.concatenate([part[0] for part in parts], axis=-2)
    alpha = np.concatenate([part[1] for part in parts], axis=-2)
    matte = values.ndim == 2
    planes = (np.repeat(values[None], 3, 0) if matte else values).reshape(3, -1)
    mean = planes.mean(axis=1, dtype=np.float64)
    pixel = mean.reshape(3, 1, 1).astype(np.float32)
    weights = opened.colour.luminance_weights
    code, bits = (None, None) if matte else code_values(opened, pixel)
    return Sampled(
        id=message.id,
        name=message.name,
        extractor=message.extractor,
        frame=frame,
        revision=revision,
        box=box,
        pixels=planes.shape[1],
        linear=_three(mean),
        low=_three(planes.min(axis=1)),
        high=_three(planes.max(axis=1)),
        log=_three(mean if matte else acescct_from_linear(pixel).reshape(3)),
        code=code,
        code_bits=bits,
        display=on_engine(lambda: shown(opened, plan, inputs, recipe, message, box)),
        hue_deg=float(hue_degrees(pixel).item()),
        saturation=float(saturation(pixel).item()),
        luminance=float(luminance(pixel, weights).item()),
        alpha=float(alpha.mean(dtype=np.float64)),
    )


def code_values(
    opened: ResidentShot, pixel: Array
) -> tuple[tuple[float, float, float] | None, int | None]:
    """Return the recording's code values of a working-space pixel.

    Integer recordings: its own encoding at its own depth. Others hold linear light and have no
    codes of their own: ACEScct at 10 bits.
    """
    bits = opened.shot.encoded_bits
    if bits is None or bits > 16 or opened.shot.colourspace == opened.shot.working_space:
        encoded, bits = acescct_from_linear(pixel), ACESCCT_BITS
    else:
        encoded = opened.colour.from_working(pixel, opened.shot.colourspace)
    return _three(np.asarray(encoded).reshape(3) * (2**bits - 1)), bits


def shown(
    opened: ResidentShot, plan: Plan, inputs: Inputs, recipe: Recipe, message: Sample, box: Region
) -> tuple[int, int, int]:
    """Return the mean 8-bit values as the view shows them."""
    width, height = min(box[2] - box[0], 64), min(box[3] - box[1], 64)
    sight = Sight(message.name, message.extractor, region=box)
    view = opened.view(recipe, plan.context.frame, sight, width, height)
    mean = opened.engine.render(plan, inputs, view).reshape(-1, 3).mean(axis=0)
    return round(float(mean[0])), round(float(mean[1])), round(float(mean[2]))


def _three(values: Any) -> tuple[float, float, float]:
    return float(values[0]), float(values[1]), float(values[2])


# ---------------------------------------------------------------- separation


CHANNELS = ("red", "green", "blue", "luminance", "largest", "smallest", "saturation")


def channels_of(pixels: Array, weights: tuple[float, float, float]) -> dict[str, Array]:
    """Return the channels that a value band can work on, of (3, ...) values."""
    return {
        "red": pixels[0],
        "green": pixels[1],
        "blue": pixels[2],
        "luminance": luminance(pixels, weights),
        "largest": pixels.max(axis=0),
        "smallest": pixels.min(axis=0),
        "saturation": saturation(pixels),
    }


def separate(
    opened: ResidentShot,
    recipe: Recipe,
    frame: int,
    message: Separate,
    on_engine: OnEngine = lambda work: work(),
) -> Separated:
    """Rank the channels by how far two regions of the plate lie apart in them.

    separation = |mean a - mean b| / sqrt((var a + var b) / 2), linear and ACEScct. Source: the
    sensitivity index d' of signal detection theory (Green & Swets 1966).
    """
    inputs, _ = on_engine(lambda: opened.inputs(recipe, frame))

    def read(box: Region) -> Array:
        x0, y0, x1, y1 = box
        plate: Array = opened.pixels(recipe, frame, inputs, "plate")[:, y0:y1, x0:x1]
        return plate.astype(np.float32)

    regions = []
    for box in (message.box_a, message.box_b):
        whole = limited(clipped(box, inputs.width, inputs.height))
        bands = [on_engine(partial(read, band)) for band in bands_of(whole)]
        regions.append(np.concatenate(bands, axis=1).reshape(3, 1, -1))
    weights = opened.colour.luminance_weights
    found: list[ChannelSeparation] = []
    for space in ("linear", "log"):
        a, b = (r if space == "linear" else acescct_from_linear(r) for r in regions)
        values_a, values_b = channels_of(a, weights), channels_of(b, weights)
        found += [_separation(name, space, values_a[name], values_b[name]) for name in CHANNELS]
    found.sort(key=lambda channel: -channel.separation)
    return Separated(id=message.id, frame=frame, channels=found, suggestion=suggestion(found[0]))


def _separation(name: str, space: Any, a: Array, b: Array) -> ChannelSeparation:
    mean_a, mean_b = float(a.mean(dtype=np.float64)), float(b.mean(dtype=np.float64))
    sigma_a, sigma_b = float(a.std(dtype=np.float64)), float(b.std(dtype=np.float64))
    spread = max(((sigma_a**2 + sigma_b**2) / 2) ** 0.5, 1e-4)
    return ChannelSeparation(
        channel=name,
        space=space,
        a_mean=mean_a,
        a_sigma=sigma_a,
        b_mean=mean_b,
        b_sigma=sigma_b,
        separation=abs(mean_a - mean_b) / spread,
    )


def suggestion(best: ChannelSeparation) -> dict[str, Any]:
    """Return fields of a value band that takes region a and leaves region b.

    The ramp runs over the middle half of the gap between the means; the other end stays open.
    """
    low, high = sorted((best.a_mean, best.b_mean))
    quarter = (high - low) / 4
    ends: dict[str, Any] = {"low_out": None, "low_in": None, "high_in": None, "high_out": None}
    if best.a_mean >= best.b_mean:
        ends |= {"low_out": low + quarter, "low_in": high - quarter}
    else:
        ends |= {"high_in": low + quarter, "high_out": high - quarter}
    return {"kind": "value_band", "channel": best.channel, "space": best.space, **ends}
