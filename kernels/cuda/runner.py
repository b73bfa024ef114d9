"""The engine on any device: stages, results and previews as launches, planes kept between pictures.

Every plane has the whole frame's size, whatever part of it is worked out, so coordinates never need
an origin. A region's stages are made on the region grown by the halos that come after them.
"""

from __future__ import annotations

import os
from collections import OrderedDict
from collections.abc import Hashable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from kernels.cpu import unmix as compiled_unmix
from kernels.cuda.denoising import Denoiser
from kernels.cuda.device import Device, Plane, blocks, new_plane, padded
from kernels.cuda.filters import Filters
from kernels.cuda.holding import Holder, Prepared
from kernels.cuda.packing import Packed, hue_lines, pack, pack_values
from kernels.cuda.placing import Placer
from kernels.cuda.previews import Previews, tables_key
from kernels.cuda.sources import constants
from kernels.cuda.staging import Job, Kept, index_of, needed_regions
from kernels.engine import F32, U8, Abilities, DevicePictures, Inputs, Storage, View, finite
from kernels.plan import AP1_WEIGHTS, Plan, Region, Stage, num
from kernels.recipe import Background, Denoise, Noise
from kernels.reference import execute
from kernels.reference.unmix import stage as unmixing
from kernels.stages import STAGES, colour_giver, radius_px, refine_of
from kernels.views import VIEW_TABLE

C = constants()
KEPT_STAGES = 48
"""Planes of stages kept for the next picture."""
KEPT_TABLES = 32
SURE = 2.0**20
"""Weight of a colour that needs no help from the despilled plate; a power of two, so exact."""

RESULTS = {
    "alpha": (C["OUT_ALPHA"], 1),
    "despilled": (C["OUT_DESPILLED"], 3),
    "straight": (C["OUT_STRAIGHT"], 3),
    "foreground": (C["OUT_FOREGROUND"], 3),
    "composite": (C["OUT_COMPOSITE"], 3),
}
FROM_STAGES = ("error", "extractor:")
"""Results of `planes` in the order of their bits, with their channels."""
CHANNELS_OF = dict(RESULTS.values()) | {
    C[row.output]: row.channels for row in STAGES.values() if row.output
}


class DeviceEngine:
    """Implements `kernels.engine.Engine` on a `Device`."""

    name: Literal["cpu", "cuda"] = "cuda"
    abilities = Abilities(own_memory=True, uses_cores=False, drafts=False, bytes_per_value=2)

    def __init__(self, device: Device, storage: Storage = "float16") -> None:
        self.device = device
        self.storage = storage
        self.description = device.description
        self._holder = Holder(device)
        self._filters = Filters(device)
        self._previews = Previews(device)
        self._placer = Placer(device, self._filters)
        self._denoiser = Denoiser(device)
        self._kept: OrderedDict[tuple[str, float], Kept] = OrderedDict()
        self._hues: OrderedDict[Hashable, Any] = OrderedDict()

    @property
    def device_pictures(self) -> DevicePictures | None:
        """Nothing: this device encodes no pictures."""
        return None

    # ------------------------------------------------------------ memory

    def stage(self, image: NDArray[Any], *, storage: Storage | None = None) -> Prepared:
        """Do for `hold` what needs no device: check, convert, copy to pinned memory.

        The only method that may be called from any thread; `hold` takes what it returns.
        """
        return self._holder.stage(image, storage or self.storage)

    def hold(self, image: NDArray[Any] | Prepared, *, storage: Storage | None = None) -> Plane:
        """Take an image; mattes and masks are stored as float32, pictures as `storage` says.

        image: (3, H, W) or (H, W), or what `stage` made of it. storage: for this picture; the
        engine's by default. A float16 picture is stored as half in any case. Values beyond 65504
        are held there in half.
        """
        return self._holder.hold(image, storage or self.storage)

    def fetch(self, handle: Plane) -> F32:
        """Return a held image; needs no device memory, so it works when there is none left."""
        return self._holder.fetch(handle)

    def place(
        self,
        picture: Plane | None,
        background: Background,
        width: int,
        height: int,
        *,
        pixel_aspect: float = 1.0,
    ) -> Plane:
        """Return the handle of the placed background, as half if its picture is."""
        half = self.storage == "float16" if picture is None else picture.half
        return self._placer.place(picture, background, width, height, half, pixel_aspect)

    def denoise(
        self,
        frames: Sequence[NDArray[Any]],
        noise: Noise,
        settings: Denoise,
        weights: Sequence[float] = AP1_WEIGHTS,
    ) -> F32:
        """Return the denoised picture of frames[0]; see `Engine.denoise`."""
        if any(frame.shape != frames[0].shape for frame in frames):
            raise ValueError("frames differ in size")
        if num(settings.strength) == 0:
            return np.array(finite(frames[0]), np.float32)
        return self.fetch(self._denoiser.denoise(frames, noise, settings, weights, self.hold))

    def free_bytes(self) -> int:
        """Return the free memory of the card in bytes."""
        return self.device.free_bytes()[0]

    def forget(self, key: Hashable | None = None) -> None:
        """Drop kept planes and tables, and give unused memory back."""
        self._kept.clear()
        self._hues.clear()
        self._previews.forget()
        self._denoiser.forget()
        self.device.release()

    def close(self) -> None:
        """Release everything."""
        self.forget()
        self.device.close()

    def _retried(self, work: Any) -> Any:
        """Do the work; when memory runs out drop what is kept and try once more."""
        try:
            return work()
        except MemoryError:
            self.forget()
            return work()

    # ------------------------------------------------------------ results

    def planes(
        self, plan: Plan, inputs: Inputs, wanted: Sequence[str], region: Region | None = None
    ) -> dict[str, F32]:
        """Return full-resolution float planes of `region`; see `Engine.planes`."""
        where = region or inputs.whole
        made: dict[str, F32] = self._retried(lambda: self._planes(plan, inputs, wanted, where))
        return made

    def _planes(
        self, plan: Plan, inputs: Inputs, wanted: Sequence[str], region: Region
    ) -> dict[str, F32]:
        for name in wanted:
            if name not in RESULTS and not name.startswith(FROM_STAGES):
                raise ValueError(f"there is no plane '{name}'")
        job = self._job(plan, inputs, execute.stages_for(plan, wanted), region)
        results: dict[str, F32] = {}
        together = [name for name in RESULTS if name in wanted]
        if together:
            outputs = sum(RESULTS[name][0] for name in together)
            made = self._pointwise(job, outputs, sum(RESULTS[n][1] for n in together), region)
            stack = self._holder.fetch_region(made, region)
            for name in together:
                count = RESULTS[name][1]
                results[name] = stack[0] if count == 1 else stack[:count]
                stack = stack[count:]
        for name in wanted:
            if name.startswith("extractor:"):
                results[name] = self._extractor(job, name.removeprefix("extractor:"), region)
            elif name == "error":
                results[name] = self._error(job, region)
        return {name: np.ascontiguousarray(results[name]) for name in wanted}

    def _extractor(self, job: Job, extractor: str, region: Region) -> F32:
        if extractor in ("", "cumulative"):
            made = self._pointwise(job, C["OUT_MATTE"], 1, region)
        else:
            index = index_of(job.plan.recipe, extractor)
            made = self._pointwise(job, C["OUT_EXTRACTOR"], 1, region, index)
        cropped: F32 = self._holder.fetch_region(made, region)[0]
        return cropped

    def _error(self, job: Job, region: Region) -> F32:
        """Return the expected error of the matte; 0 where nothing knows it."""
        plane = job.planes.get(job.plan.error_from)
        if plane is None:
            x0, y0, x1, y1 = region
            return np.zeros((y1 - y0, x1 - x0), np.float32)
        found: F32 = self._holder.fetch_region(plane, region)[unmixing.ERROR]
        return found

    def render(self, plan: Plan, inputs: Inputs, view: View) -> U8:
        """Return the (height, width, 3) 8-bit picture of a view; `draft` has no effect."""
        picture: U8 = self._retried(
            lambda: self.device.download(self.render_device(plan, inputs, view))
        )
        return picture

    def render_device(self, plan: Plan, inputs: Inputs, view: View) -> Any:
        """Return the picture of a view as a (height, width, 3) array in device memory."""
        region = view.region or inputs.whole
        job = self._job(plan, inputs, plan.stages_for(view.name, view.extractor), region)
        output, index = self._output(plan, view)
        packed = job.packed.with_outputs(output, index)
        return self._previews.render(packed, view, region, inputs.width, inputs.height)

    def _output(self, plan: Plan, view: View) -> tuple[int, int]:
        if view.name == "matte" and view.extractor:
            return C["OUT_EXTRACTOR"], index_of(plan.recipe, view.extractor)
        return C[VIEW_TABLE[view.name].output], 0

    # ------------------------------------------------------------ stages

    def _job(self, plan: Plan, inputs: Inputs, stages: Sequence[Stage], region: Region) -> Job:
        """Return what a launch on `region` needs, its stages made."""
        job = Job(plan, dict(inputs.planes), inputs.width, inputs.height, region)
        regions = needed_regions(stages, region, inputs.width, inputs.height)
        for stage in stages:
            job.planes[stage.out] = self._stage(job, stage, regions[stage.out])
        self._pass_mattes(job)
        self._pack(job)
        return job

    def _pack(self, job: Job) -> None:
        sources = {name: plane.source for name, plane in job.planes.items()}
        if job.values is None:
            job.values = pack_values(job.plan)
        job.packed = pack(job.plan, sources, padded(job.width), job.height, job.values)
        key = tables_key(job.plan.recipe)
        if key:
            if key not in self._hues:
                self._hues[key] = self.device.upload(hue_lines(job.plan))
                while len(self._hues) > KEPT_TABLES:
                    self._hues.popitem(last=False)
            tables = self._hues[key]
            job.packed.params[0]["hue_tables"] = self.device.pointer(tables)
            job.packed.tables = (tables,)

    def _stage(self, job: Job, stage: Stage, region: Region) -> Plane:
        """Return a stage's plane on `region`, kept from before where it is still right."""
        held = tuple(job.planes[n] for n in sorted(job.plan.reads(stage, job.planes)))
        sources = tuple(plane.address for plane in held)
        settings = job.plan.decides(stage)
        place = (stage.out, job.plan.scale)
        kept = self._kept.get(place)
        if kept is not None and kept.serves(sources, settings, region):
            self._kept.move_to_end(place)
            return kept.plane
        plane = self._make(job, stage, region)
        where = (0, 0, job.width, job.height) if STAGES[stage.kind].whole else region
        self._kept[place] = Kept(sources, settings, where, plane, held)
        while len(self._kept) > KEPT_STAGES:
            self._kept.popitem(last=False)
        return plane

    def _make(self, job: Job, stage: Stage, region: Region) -> Plane:
        row = STAGES[stage.kind]
        if row.whole:
            return self._unmixed(job, stage)
        if stage.kind == "local_foreground" and colour_giver(job.plan.recipe) is not None:
            return self._coloured(job)
        grown = execute.grown(region, stage.halo_px, job.width, job.height)
        if not row.output:
            (source,) = row.reads
            return self._blurred(job, stage, job.planes[source], grown)
        if row.despills:
            self._pass_mattes(job)
        self._pack(job)
        if row.refines:
            return self._refined(job, stage, grown)
        made = self._pointwise(job, C[row.output], row.channels, grown)
        return self._blurred(job, stage, made, grown)

    def _unmixed(self, job: Job, stage: Stage) -> Plane:
        """Return an unmix stage's planes: worked out on the host, then held.

        By the kernels compiled for the processor where there are some, else by the reference. On a
        card the pictures are fetched, which costs time, but only where one of its own values or the
        frame changes.
        """
        planes = {
            name: self._holder.fetch(job.planes[name]) for name in job.plan.reads(stage, job.planes)
        }
        if compiled_unmix.unmixer() is not None:
            solver = unmixing.Solver(compiled_unmix.regional, compiled_unmix.local)
            found = unmixing.stage_planes(job.plan, stage.index, planes, solver=solver)
            return self._holder.hold(found, "float32")
        cores = os.cpu_count() or 1
        rows = max(unmixing.ROWS, -(-job.height // cores))
        with ThreadPoolExecutor(cores, thread_name_prefix="unmix") as pool:
            found = unmixing.stage_planes(job.plan, stage.index, planes, pool.map, rows)
        return self._holder.hold(found, "float32")

    def _coloured(self, job: Job) -> Plane:
        """Return the edges' colour as an unmix extractor found it, with the weight that goes on."""
        (name,) = job.plan.reads(
            next(s for s in job.plan.stages if s.kind == "local_foreground"), job.planes
        )
        found = self._holder.fetch(job.planes[name])
        amount = num(job.plan.recipe.assemble.edge_colour.despill)
        colour = unmixing.coloured(found, amount) * np.float32(SURE)
        weight = np.full((1, *colour.shape[1:]), SURE, np.float32)
        return self._holder.hold(np.concatenate([colour, weight]), "float32")

    def _blurred(self, job: Job, stage: Stage, source: Plane, grown: Region) -> Plane:
        sigma_px = radius_px(stage.kind, job.plan.recipe, stage.index)
        return self._filters.blur(source, sigma_px, grown, job.plan.pixel_aspect)

    def _refined(self, job: Job, stage: Stage, grown: Region) -> Plane:
        settings = refine_of(stage.kind, job.plan.recipe, stage.index)
        guide = None
        if num(settings.guide.radius_px) > 0:
            guide = new_plane(self.device, 1, job.height, job.width)
        row = STAGES[stage.kind]
        index = max(stage.index, 0)
        made = self._pointwise(job, C[row.output], row.channels, grown, index, guide)
        return self._filters.refine(made, settings, guide, grown, job.plan.pixel_aspect)

    def _pass_mattes(self, job: Job) -> None:
        """Make the finished mattes of extractors that limit a despill pass."""
        recipe = job.plan.recipe
        for step in recipe.despill:
            name = f"pass_matte:{step.id}"
            if not step.on or step.mask in ("", "cumulative") or name in job.planes:
                continue
            index = index_of(recipe, step.mask)
            stage = f"matte:{step.mask}"
            if job.plan.has_stage(stage) and stage not in job.planes:
                continue  # a view in which no despilled colour is seen
            self._pack(job)
            where = execute.grown(job.region, job.plan.halo_px, job.width, job.height)
            job.planes[name] = self._pointwise(job, C["OUT_EXTRACTOR"], 1, where, index)

    def _pointwise(
        self,
        job: Job,
        outputs: int,
        channels: int,
        region: Region,
        index: int = 0,
        guide: Plane | None = None,
        half: bool = False,
    ) -> Plane:
        """Launch the fused kernel on a region and return the planes it wrote."""
        made = new_plane(self.device, channels, job.height, job.width, half=half)
        packed = job.packed.with_outputs(outputs, index, C["OUTPUT_HALF"] if half else 0)
        self.launch_pointwise(packed, made.address, region, guide.address if guide else 0)
        return made

    def launch_pointwise(
        self,
        packed: Packed,
        target: int,
        region: Region,
        guide: int = 0,
        kernel: str = "pointwise",
    ) -> None:
        """Run the fused kernel; in the benchmark also its traffic-only counterpart."""
        p = packed.params[0]
        x0, y0, x1, y1 = region
        p["out"], p["out_guide"] = self._targets(packed, target), guide
        p["x0"], p["y0"], p["x1"], p["y1"] = region
        grid = blocks(x1 - (x0 & ~3), y1 - y0, 128, 8)
        self.device.launch(
            "pointwise",
            kernel,
            grid,
            (32, 8),
            packed.params,
            structure=replace(packed.structure, kernel=kernel),
        )

    def _targets(self, packed: Packed, target: int) -> list[int]:
        """Return the address of each output's first plane; outputs lie in the order of bits."""
        structure = packed.structure
        plane = int(packed.params[0]["plane"]) * (2 if structure.flags & C["OUTPUT_HALF"] else 4)
        addresses = [0] * C["OUT_BITS"]
        for bit in range(C["OUT_BITS"]):
            if structure.outputs >> bit & 1:
                addresses[bit] = target
                target += CHANNELS_OF.get(1 << bit, 1) * plane
        return addresses
