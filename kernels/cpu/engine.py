"""The cpu engine: the reference's pointwise functions in row tiles over threads, OpenCV's filters.

Pointwise results equal the reference's to the last bit. Filters stay within `parity`'s tolerances.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from kernels.cpu import denoise as fast_denoise
from kernels.cpu.display import finish
from kernels.cpu.filters import FastNeighbourhood
from kernels.cpu.processor import processor_name, sensible_threads
from kernels.engine import F32, U8, Abilities, DevicePictures, Inputs, Storage, View, finite
from kernels.plan import AP1_WEIGHTS, Plan, Region, Stage, build_plan
from kernels.recipe import Background, Denoise, Noise
from kernels.reference import execute, pointwise, view
from kernels.reference.background import place
from kernels.reference.pointwise import Tile
from kernels.reference.unmix import stage as unmixing
from kernels.stages import STAGES, StageName

Array = NDArray[Any]

TILE_PIXELS = 48 * 1024
"""Pixels of a row tile: its planes stay in a core's cache."""
KEPT_STAGES = 24
"""Planes of stages that are kept for the next picture."""


class CpuPlane:
    """An image held by the cpu engine, with its halved copy made when it is first needed."""

    def __init__(self, array: F32) -> None:
        self.array = array
        self._half: F32 | None = None

    def at(self, draft: int) -> F32:
        """Return the plane at full size (1) or half size (2), an exact area average."""
        if draft == 1:
            return self.array
        if self._half is None:
            self._half = halved(self.array)
        return self._half


def halved(array: F32) -> F32:
    """Return the area average over 2x2 pixels; an odd last row or column averages what is there."""
    planes = array if array.ndim == 3 else array[None]
    h, w = planes.shape[-2:]
    half = ((h + 1) // 2, (w + 1) // 2)
    pad = ((0, 0), (0, h % 2), (0, w % 2))
    even = np.pad(planes, pad, mode="edge") if h % 2 or w % 2 else planes
    out = np.stack([cv2.resize(p, half[::-1], interpolation=cv2.INTER_AREA) for p in even])
    return out if array.ndim == 3 else out[0]


@dataclass(frozen=True, eq=False)
class _Kept:
    """A stage's plane and everything it was made from, compared by identity and by value."""

    sources: tuple[Any, ...]
    settings: Hashable
    plane: Array

    def serves(self, sources: tuple[Any, ...], settings: Hashable) -> bool:
        same = len(sources) == len(self.sources) and all(
            a is b for a, b in zip(sources, self.sources, strict=True)
        )
        return same and settings == self.settings


class CpuEngine:
    """Implements `kernels.engine.Engine` on the processor's cores."""

    name: Literal["cpu", "cuda"] = "cpu"
    abilities = Abilities(own_memory=False, uses_cores=True, drafts=True, bytes_per_value=5)
    """A picture in float32 and, when drafts need it, its halved copy."""
    device_pictures: DevicePictures | None = None

    def __init__(self, threads: int | None = None) -> None:
        self.threads = threads or sensible_threads()
        count = f"{self.threads} thread" + ("" if self.threads == 1 else "s")
        self.description = f"{processor_name()}, {count}, NumPy"
        self._pool = ThreadPoolExecutor(self.threads, thread_name_prefix="cpu-engine")
        self._filters = FastNeighbourhood(self._pool, self.threads)
        self._kept: OrderedDict[Hashable, _Kept] = OrderedDict()

    def free_bytes(self) -> int:
        """Return 0: pictures are held in the host's memory."""
        return 0

    def stage(self, image: NDArray[Any], *, storage: Storage | None = None) -> NDArray[Any]:
        """Return the image: it is in host memory already."""
        return image

    def hold(self, image: NDArray[Any]) -> CpuPlane:
        """Take an image, (3, H, W) or (H, W), as contiguous float32."""
        return CpuPlane(np.ascontiguousarray(finite(image), np.float32))

    def fetch(self, handle: CpuPlane) -> F32:
        """Return a held image."""
        return handle.array

    def place(
        self,
        picture: CpuPlane | None,
        background: Background,
        width: int,
        height: int,
        *,
        pixel_aspect: float = 1.0,
    ) -> CpuPlane:
        """Return the handle of the background placed to fill the frame."""
        image = None if picture is None else picture.array
        placed = place(image, background, width, height, pixel_aspect=pixel_aspect)
        return CpuPlane(np.ascontiguousarray(placed, np.float32))

    def planes(
        self, plan: Plan, inputs: Inputs, wanted: Sequence[str], region: Region | None = None
    ) -> dict[str, F32]:
        """Return full-resolution float planes of `region`; see `Engine.planes`."""
        region = region or inputs.whole
        arrays = {name: plane.at(1) for name, plane in inputs.planes.items()}
        stages = execute.stages_for(plan, wanted)
        tile = self._staged(plan, arrays, stages, region)
        tile = execute.crop(tile, region)
        return self._tiled(tile, lambda t: execute.wanted_planes(plan, t, wanted))

    def render(self, plan: Plan, inputs: Inputs, view_: View) -> U8:
        """Return the (height, width, 3) 8-bit picture of a view."""
        region = view_.region or inputs.whole
        draft = view_.draft
        at_full = plan
        box = _box(region, draft)
        if draft > 1:
            plan = build_plan(
                plan.recipe,
                plan.context.frame,
                plan.inputs,
                weights=plan.context.weights,
                scale=1.0 / draft,
                pixel_aspect=plan.pixel_aspect,
            )
        arrays = {name: plane.at(draft) for name, plane in inputs.planes.items()}
        height, width = arrays["plate"].shape[-2:]
        seen = execute.grown(_outer(box), 0, width, height)
        stages = plan.stages_for(view_.name, view_.extractor)
        if draft > 1:
            self._halve_kept(at_full, plan, inputs, stages, arrays)
        tile = execute.crop(self._staged(plan, arrays, stages, seen), seen)
        inner = (box[0] - seen[0], box[1] - seen[1], box[2] - seen[0], box[3] - seen[1])
        return self._picture(plan, tile, view_, inner)

    def denoise(
        self,
        frames: Sequence[Array],
        noise: Noise,
        settings: Denoise,
        weights: Sequence[float] = AP1_WEIGHTS,
    ) -> F32:
        """Return the denoised picture of frames[0]; see `Engine.denoise`."""
        held = [np.ascontiguousarray(finite(frame), np.float32) for frame in frames]
        return fast_denoise.denoise(held, noise, settings, weights, self._pool)

    def forget(self, key: Hashable | None = None) -> None:
        """Drop kept stage planes."""
        self._kept.clear()

    def close(self) -> None:
        """End the threads."""
        self._kept.clear()
        self._pool.shutdown(wait=True, cancel_futures=True)

    # ------------------------------------------------------------ stages

    def _staged(
        self, plan: Plan, arrays: Mapping[str, Array], stages: Sequence[Stage], region: Region
    ) -> Tile:
        """Return the region plus halo with the stages' planes, from the kept ones where valid."""
        height, width = arrays["plate"].shape[-2:]
        halo = plan.halo_px if stages else 0
        grown = execute.grown(region, halo, width, height)
        tile = execute.cut(arrays, grown)
        made = dict(arrays)
        for stage in stages:
            whole = STAGES[stage.kind].whole
            settings = (plan.decides(stage), None if whole else grown, plan.scale)
            sources = tuple(made[name] for name in sorted(plan.reads(stage, made)))
            place_ = (stage.out, plan.scale)
            kept = self._kept.get(place_)
            if kept is not None and kept.serves(sources, settings):
                self._kept.move_to_end(place_)
                plane = kept.plane
            elif whole:
                plane = self._unmixed(plan, stage, made)
            else:
                tile = execute.run_stages(plan, tile, [stage], self._filters, self._source)
                plane = tile[stage.out]
            if kept is None or plane is not kept.plane:
                self._keep(place_, _Kept(sources, settings, plane))
            made[stage.out] = plane
            here = execute.cut({stage.out: plane}, grown)[stage.out] if whole else plane
            tile = Tile({**tile.planes, stage.out: here}, tile.origin)
        return tile

    def _keep(self, place_: Hashable, kept: _Kept) -> None:
        self._kept[place_] = kept
        while len(self._kept) > KEPT_STAGES:
            self._kept.popitem(last=False)

    def _unmixed(self, plan: Plan, stage: Stage, planes: Mapping[str, Array]) -> Array:
        """Return an unmix stage's planes, solved in parts of rows over the threads."""
        height = planes["plate"].shape[-2]
        rows = max(unmixing.ROWS, -(-height // self.threads))
        return unmixing.stage_planes(plan, stage.index, planes, self._pool.map, rows)

    def _halve_kept(
        self,
        at_full: Plan,
        plan: Plan,
        inputs: Inputs,
        stages: Sequence[Stage],
        arrays: Mapping[str, Array],
    ) -> None:
        """Keep for a draft what stages of the whole frame made at full size, where it is valid.

        So that only a change of its own values makes a stage anew at half size.
        """
        full = {name: plane.at(1) for name, plane in inputs.planes.items()}
        for stage in stages:
            place_, kept = (stage.out, plan.scale), self._kept.get((stage.out, 1.0))
            if not STAGES[stage.kind].whole or kept is None:
                continue
            names = sorted(plan.reads(stage, arrays))
            if not kept.serves(tuple(full[n] for n in names), (at_full.decides(stage), None, 1.0)):
                continue
            sources, settings = tuple(arrays[n] for n in names), (plan.decides(stage), None)
            halves = self._kept.get(place_)
            if halves is None or not halves.serves(sources, (*settings, plan.scale)):
                self._keep(place_, _Kept(sources, (*settings, plan.scale), halved(kept.plane)))

    def _source(self, plan: Plan, tile: Tile, kind: StageName, index: int) -> tuple[Array, ...]:
        """Evaluate what a stage starts from, in tiles."""
        made = self._tiled(
            tile,
            lambda t: dict(enumerate(pointwise.stage_source(plan, t, kind, index))),
        )
        return tuple(made[i] for i in sorted(made))

    # ------------------------------------------------------------ pointwise work in row tiles

    def _tiled(self, tile: Tile, work: Callable[[Tile], Mapping[Any, Array]]) -> dict[Any, Array]:
        """Run pointwise `work` on row tiles over the threads and put its planes together."""
        height, width = tile.shape
        bands = row_bands(height, width)
        if len(bands) == 1:
            return dict(work(tile))
        results: dict[Any, Array] = {}
        first = work(_rows(tile, *bands[0]))
        for name, plane in first.items():
            whole = plane.shape[-2:] == (bands[0][1] - bands[0][0], width)
            shape = (*plane.shape[:-2], height, width) if whole else plane.shape
            results[name] = np.empty(shape, plane.dtype)
            _put(results[name], plane, *bands[0], whole)

        def run(band: tuple[int, int]) -> None:
            for name, plane in work(_rows(tile, *band)).items():
                _put(results[name], plane, *band, plane.shape[-2:] == (band[1] - band[0], width))

        list(self._pool.map(run, bands[1:]))
        return results

    def _picture(
        self, plan: Plan, tile: Tile, view_: View, box: tuple[float, float, float, float]
    ) -> U8:
        """Evaluate, pool and encode a view in bands of output rows over the threads."""
        needs = view.view_needs(plan, view_)
        out = np.empty((view_.height, view_.width, 3), np.uint8)
        rows_per_line = (box[3] - box[1]) / view_.height
        height, width = tile.shape
        lines = max(1, int(TILE_PIXELS / width / max(rows_per_line, 1e-6)))
        edges = [*range(0, view_.height, lines), view_.height]

        def run(index: int) -> None:
            top, end = edges[index], edges[index + 1]
            y0 = box[1] + rows_per_line * top
            y1 = box[1] + rows_per_line * end
            r0 = max(0, min(int(np.floor(y0 + 1e-9)), height - 1))
            r1 = max(r0 + 1, min(int(np.ceil(y1 - 1e-9)), height))
            part = _rows(tile, r0, r1)
            source = view.view_source(plan, view_, pointwise.view_planes(plan, part, needs))
            band = replace(view_, height=end - top)
            pooled = pool(source, band, (box[0], y0 - r0, box[2], y1 - r0))
            out[top:end] = finish(pooled, view_, plan.context.weights)

        list(self._pool.map(run, range(len(edges) - 1)))
        return out


def pool(source: Array, view_: View, box: tuple[float, float, float, float]) -> Array:
    """Return `view.pool_view`, by OpenCV where an exact area average is a plain block mean."""
    h, w = source.shape[-2:]
    whole = box == (0.0, 0.0, float(w), float(h))
    fits = w % view_.width == 0 and h % view_.height == 0 and w >= view_.width
    if view.pooling_of(view_) != "mean" or not (whole and fits):
        return view.pool_view(source, view_, box)
    if (w, h) == (view_.width, view_.height):
        return source
    size = (view_.width, view_.height)
    planes = source if source.ndim == 3 else source[None]
    out = np.stack(
        [cv2.resize(np.ascontiguousarray(p), size, interpolation=cv2.INTER_AREA) for p in planes]
    )
    return out if source.ndim == 3 else out[0]


def row_bands(height: int, width: int) -> list[tuple[int, int]]:
    """Return (first, past last) rows of tiles of about TILE_PIXELS."""
    rows = max(1, TILE_PIXELS // max(width, 1))
    return [(y, min(y + rows, height)) for y in range(0, height, rows)]


def _rows(tile: Tile, first: int, end: int) -> Tile:
    planes = {name: plane[..., first:end, :] for name, plane in tile.planes.items()}
    return Tile(planes, (tile.origin[0], tile.origin[1] + first))


def _put(target: Array, plane: Array, first: int, end: int, rows: bool) -> None:
    if rows:
        target[..., first:end, :] = plane
    else:
        target[...] = plane


def _box(region: Region, draft: int) -> tuple[float, float, float, float]:
    x0, y0, x1, y1 = region
    return (x0 / draft, y0 / draft, x1 / draft, y1 / draft)


def _outer(box: tuple[float, float, float, float]) -> Region:
    return (
        int(np.floor(box[0])),
        int(np.floor(box[1])),
        int(np.ceil(box[2])),
        int(np.ceil(box[3])),
    )
