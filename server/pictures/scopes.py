"""Histogram, waveform, vectorscope and hues of any view. On the engine's thread.

Measured on every n-th pixel of the frame (values of real pixels, not averages), keyed as a small
frame of its own with its radii scaled, so that scopes cost little beside the picture.
"""

from __future__ import annotations

import base64
import weakref
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kernels.engine import Inputs
from kernels.plan import build_plan
from kernels.recipe import Recipe
from kernels.reference.colour import hue_degrees, saturation
from kernels.views import VIEW_TABLE, ViewName
from server.pictures.keys import Sight
from server.pictures.probe import channels_of, values_of
from server.pictures.resident import ResidentShot
from server.wire.messages import ScopeKind
from server.wire.replies import Density, Histogram, Scope, Target

BINS = 256
SAMPLE_WIDTH = 480
WAVE = (240, 128)
DISC = 144
KR, KB = 0.2126, 0.0722
Array = NDArray[Any]


def scope(
    opened: ResidentShot,
    recipe: Recipe,
    revision: int,
    frame: int,
    name: ViewName,
    extractor: str,
    kinds: list[ScopeKind],
) -> Scope:
    """Measure the scopes asked for; `sequence` is filled in by whoever sends it.

    Views in measuring colours are no signal, so all scopes of them are the plate's.
    """
    measured = name if VIEW_TABLE[name].signal else "plate"
    inputs = _reduced(opened, recipe, frame)
    plan = build_plan(
        recipe,
        frame,
        inputs.planes,
        weights=opened.colour.luminance_weights,
        scale=inputs.width / opened.shot.width,
        pixel_aspect=opened.shot.pixel_aspect,
    )
    values = values_of(
        opened,
        plan,
        inputs,
        measured,
        extractor,
        inputs.whole,
        lambda role: opened.engine.fetch(inputs.planes[role]),
    )
    colour = np.repeat(values[None], 3, 0) if values.ndim == 2 else values
    result: dict[str, Any] = {}
    if "histogram" in kinds:
        result["histogram"] = histogram(colour, opened.colour.luminance_weights)
    if "hues" in kinds:
        result["hues"], result["hue_counts"] = hues(colour)
    if "waveform" in kinds or "vectorscope" in kinds:
        sight = Sight(measured, extractor)
        view = opened.view(recipe, frame, sight, inputs.width, inputs.height)
        codes = opened.engine.render(plan, inputs, view)
        if "waveform" in kinds:
            result["waveform"] = waveform(codes)
        if "vectorscope" in kinds:
            result["vectorscope"] = vectorscope(codes)
            result["targets"] = TARGETS
    return Scope(
        sequence=0,
        name=name,
        extractor=extractor,
        frame=frame,
        revision=revision,
        kinds=kinds,
        **result,
    )


def _reduced(opened: ResidentShot, recipe: Recipe, frame: int) -> Inputs:
    """Return every n-th pixel of the frame as inputs of their own.

    Planes are reduced once and kept, so that a dragged control costs a small key only.
    """
    engine = opened.engine
    full, _ = opened.inputs(recipe, frame)
    step = max(1, -(-full.width // SAMPLE_WIDTH))

    def every(plane: Array) -> Any:
        return engine.hold(plane[..., step // 2 :: step, step // 2 :: step])

    planes: dict[str, Any] = {}
    for name, handle in full.planes.items():
        kept = opened.reduced.get(name)
        if kept is None or kept[0]() is not handle:
            plane = every(_whole(opened, recipe, frame, full, name))
            kept = opened.reduced[name] = (weakref.ref(handle), plane)
        planes[name] = kept[1]
    for name in opened.reduced.keys() - full.planes.keys():
        del opened.reduced[name]
    width = len(range(step // 2, full.width, step))
    height = len(range(step // 2, full.height, step))
    return Inputs(("scope", *_key(full.key)), width, height, planes)


def _whole(opened: ResidentShot, recipe: Recipe, frame: int, full: Inputs, name: str) -> Array:
    """Return a whole plane in host memory."""
    if name in ("plate", "clean", "denoised"):
        pixels: Array = opened.pixels(recipe, frame, full, name)
        return pixels
    return opened.engine.fetch(full.planes[name])


def _key(key: Any) -> tuple[Any, ...]:
    return key if isinstance(key, tuple) else (key,)


def histogram(pixels: Array, weights: tuple[float, float, float]) -> Histogram:
    """Count values of each channel over 256 steps between the smallest and largest value.

    Saturation is counted over 0..1; above 1 (a negative channel) it counts as 1.
    """
    channels = channels_of(pixels, weights)
    low, high = float(pixels.min()), float(pixels.max())
    if high - low < 1e-6:
        low, high = low - 0.5, high + 0.5
    counts = {
        name: np.histogram(values, BINS, (low, high))[0].tolist()
        for name, values in channels.items()
        if name != "saturation"
    }
    share = np.clip(channels["saturation"], 0, 1)
    counts["saturation"] = np.histogram(share, BINS, (0.0, 1.0))[0].tolist()
    return Histogram(low=low, high=high, counts=counts)


def density(x: Array, y: Array, width: int, height: int) -> Array:
    """Count points in cells and return them as bytes, by the square root of the share of the
    fullest cell, so that few pixels are seen beside many."""
    flat = y * width + x
    counts = np.bincount(flat.ravel(), minlength=width * height).astype(np.float64)
    top = counts.max()
    scaled = np.ceil(255 * np.sqrt(counts / top)) if top > 0 else counts
    result: Array = scaled.astype(np.uint8).reshape(height, width)
    return result


def _packed(plane: Array) -> str:
    return base64.b64encode(plane.tobytes()).decode("ascii")


def waveform(codes: Array) -> Density:
    """Count display codes by column: one plane each for red, green, blue; code 255 on top."""
    width, levels = WAVE
    h, w = codes.shape[:2]
    columns = np.broadcast_to(np.arange(w) * width // w, (h, w))
    planes = [
        _packed(
            density(columns, (255 - codes[:, :, c].astype(np.int64)) * levels // 256, width, levels)
        )
        for c in range(3)
    ]
    return Density(width=width, height=levels, planes=planes)


def cb_cr(rgb: Array) -> tuple[Array, Array]:
    """Return Cb and Cr, -0.5..0.5, of encoded values 0..1 in the last axis.

    Y = 0.2126 R + 0.7152 G + 0.0722 B, Cb = (B - Y) / 1.8556, Cr = (R - Y) / 1.5748. Source: ITU-R
    BT.709-6, section 3.
    """
    y = KR * rgb[..., 0] + (1 - KR - KB) * rgb[..., 1] + KB * rgb[..., 2]
    return (rgb[..., 2] - y) / (2 * (1 - KB)), (rgb[..., 0] - y) / (2 * (1 - KR))


def vectorscope(codes: Array) -> Density:
    """Count chroma: Cb to the right, Cr up, both over -0.5..0.5."""
    cb, cr = cb_cr(codes.astype(np.float64) / 255)
    x = _cell(cb + 0.5)
    y = _cell(0.5 - cr)
    return Density(width=DISC, height=DISC, planes=[_packed(density(x, y, DISC, DISC))])


def _cell(share: Array) -> Array:
    cells: Array = np.clip((share * DISC).astype(np.int64), 0, DISC - 1)
    return cells


def hues(pixels: Array) -> tuple[Density, list[int]]:
    """Count scene-linear hues on a disc (angle = hue, radius = saturation) and by degree."""
    angle = hue_degrees(pixels)
    radius = np.clip(saturation(pixels), 0, 1)
    x = _cell(0.5 + 0.5 * radius * np.cos(np.radians(angle)))
    y = _cell(0.5 - 0.5 * radius * np.sin(np.radians(angle)))
    by_degree = np.bincount(
        np.clip(angle.astype(np.int64), 0, 359).ravel(), radius.ravel(), minlength=360
    )
    top = by_degree.max()
    scaled = np.ceil(255 * by_degree / top).astype(int) if top > 0 else by_degree.astype(int)
    disc = Density(width=DISC, height=DISC, planes=[_packed(density(x, y, DISC, DISC))])
    return disc, scaled.tolist()


def _targets() -> list[Target]:
    """The colour bars' places at 75 and 100 %, from the BT.709 matrix."""
    bars = {
        "red": (1, 0, 0),
        "yellow": (1, 1, 0),
        "green": (0, 1, 0),
        "cyan": (0, 1, 1),
        "blue": (0, 0, 1),
        "magenta": (1, 0, 1),
    }
    found = []
    for level in (75, 100):
        for name, bar in bars.items():
            cb, cr = cb_cr(np.array(bar) * level / 100)
            found.append(Target(name=name, level=level, cb=float(cb), cr=float(cr)))
    return found


TARGETS = _targets()
