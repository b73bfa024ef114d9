"""The cpu engine on compiled kernels: the card's own runner, with the processor as its device."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import replace
from typing import Any, Literal
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray

from kernels.cpu.device import ProcessorDevice
from kernels.cpu.engine import CpuEngine, CpuPlane
from kernels.cpu.library import Library
from kernels.cpu.processor import processor_name, sensible_threads
from kernels.cuda.device import ROW_MULTIPLE, Plane
from kernels.cuda.holding import Holder, Prepared
from kernels.cuda.runner import DeviceEngine
from kernels.cuda.sources import constants, served_kinds
from kernels.cuda.staging import Kept
from kernels.engine import F32, U8, Abilities, Inputs, Storage, View, finite
from kernels.plan import Plan, Region, build_plan
from kernels.stages import STAGES


def served(plan: Plan) -> bool:
    """Tell whether the kernels compiled for the processor have code for all of a plan.

    They have none for pixels that are not square.
    """
    known = served_kinds()
    kinds = constants()
    return plan.pixel_aspect == 1 and all(
        kinds.get(f"KIND_{getattr(e, 'kind').upper()}", -1) in known  # noqa: B009
        for e in plan.recipe.extractors
    )


class HostHolder(Holder):
    """Gives planes as they lie in memory where that is what was asked for."""

    def fetch_region(self, plane: Plane, region: Region) -> F32:
        """Return a region of all channels; the plane's own memory where it is the whole of it."""
        x0, y0, x1, y1 = region
        part: F32 = plane.array[:, y0:y1, x0:x1]
        if plane.half or not part.flags.c_contiguous:
            return super().fetch_region(plane, region)
        return part


class CompiledEngine(DeviceEngine):
    """Implements `kernels.engine.Engine` on the processor's cores."""

    name: Literal["cpu", "cuda"] = "cpu"
    abilities = Abilities(own_memory=False, uses_cores=True, drafts=True, bytes_per_value=5)
    """Float32 and, when drafts need it, the halved copy; pictures given as half take less."""

    def __init__(self, library: Library, threads: int | None = None, reason: str = "") -> None:
        self.threads = threads or sensible_threads()
        super().__init__(ProcessorDevice(library, self.threads), "float32")
        self._holder = HostHolder(self.device)
        count = f"{self.threads} thread" + ("" if self.threads == 1 else "s")
        why = f" ({reason})" if reason else ""
        self.description = f"{processor_name()}, {count}, {library.description}{why}"
        self._tiles: CpuEngine | None = None
        self._as_arrays: WeakKeyDictionary[Plane, CpuPlane] = WeakKeyDictionary()
        self._halved: WeakKeyDictionary[Plane, Plane] = WeakKeyDictionary()

    def free_bytes(self) -> int:
        """Return 0: there is no memory apart from the host's."""
        return 0

    def hold(self, image: NDArray[Any] | Prepared, *, storage: Storage | None = None) -> Plane:
        """Take an image as it is where its rows need no padding; it must not change afterwards.

        Pictures given as half floats stay half, all else is held as float32.
        """
        if isinstance(image, Prepared) or storage == "float16":
            return super().hold(image, storage=storage)
        flat = image.ndim == 2
        image = np.ascontiguousarray(finite(image))
        if flat or image.dtype != np.float16:
            image = image.astype(np.float32, copy=False)
        planes = image[None] if flat else image
        if image.shape[-1] % ROW_MULTIPLE:
            return super().hold(image, storage="float32")
        channels, height, width = planes.shape
        half = planes.dtype == np.float16
        return Plane(planes, width, height, channels, flat, self.device.pointer(planes), half)

    def render(self, plan: Plan, inputs: Inputs, view: View) -> U8:
        """Return the (height, width, 3) 8-bit picture of a view; drafts are keyed at half size.

        A region with odd edges is keyed whole.
        """
        if not served(plan):
            return self._on_tiles().render(plan, self._for_tiles(inputs), view)
        region = view.region or inputs.whole
        if view.draft != 2 or any(edge % 2 for edge in region):
            return super().render(plan, inputs, view)
        small = build_plan(
            plan.recipe,
            plan.context.frame,
            plan.inputs,
            weights=plan.context.weights,
            scale=0.5,
        )
        planes = {name: self.half_size(plane) for name, plane in inputs.planes.items()}
        size = -(-inputs.width // 2), -(-inputs.height // 2)
        half = Inputs((inputs.key, "half"), *size, planes)
        self._halve_kept(plan, inputs, small, half)
        x0, y0, x1, y1 = (n // 2 for n in region)
        return super().render(small, half, replace(view, region=(x0, y0, x1, y1), draft=1))

    def _halve_kept(self, plan: Plan, inputs: Inputs, small: Plan, half: Inputs) -> None:
        """Keep for a draft what stages of the whole frame made at full size, where it is valid.

        So that only a change of its own values makes a stage anew at half size.
        """
        for stage in plan.stages:
            kept = self._kept.get((stage.out, 1.0))
            if not STAGES[stage.kind].whole or kept is None:
                continue
            names = sorted(plan.reads(stage, inputs.planes))
            sources = tuple(inputs.planes[name].address for name in names)
            if kept.serves(sources, plan.decides(stage), inputs.whole):
                held = tuple(half.planes[name] for name in names)
                plane, at = self.half_size(kept.plane), tuple(p.address for p in held)
                made = Kept(at, small.decides(stage), half.whole, plane, held)
                self._kept[stage.out, small.scale] = made

    def planes(
        self, plan: Plan, inputs: Inputs, wanted: Sequence[str], region: Region | None = None
    ) -> dict[str, F32]:
        """Return full-resolution float planes of `region`; see `Engine.planes`."""
        if not served(plan):
            return self._on_tiles().planes(plan, self._for_tiles(inputs), wanted, region)
        return super().planes(plan, inputs, wanted, region)

    def _on_tiles(self) -> CpuEngine:
        """The engine on NumPy, for extractors that the kernels have no code for."""
        if self._tiles is None:
            self._tiles = CpuEngine(self.threads)
        return self._tiles

    def _for_tiles(self, inputs: Inputs) -> Inputs:
        tiles = self._on_tiles()
        for plane in inputs.planes.values():
            if plane not in self._as_arrays:
                self._as_arrays[plane] = tiles.hold(self.fetch(plane))
        planes = {name: self._as_arrays[plane] for name, plane in inputs.planes.items()}
        return replace(inputs, planes=planes)

    def forget(self, key: Hashable | None = None) -> None:
        """Drop kept planes, tables and copies."""
        super().forget(key)
        self._halved.clear()
        self._as_arrays.clear()
        if self._tiles is not None:
            self._tiles.forget(key)

    def close(self) -> None:
        """Release memory and end the threads."""
        super().close()
        if self._tiles is not None:
            self._tiles.close()
            self._tiles = None

    def half_size(self, plane: Plane) -> Plane:
        """Return a plane's area average over 2 x 2 pixels, kept as long as the plane is."""
        found = self._halved.get(plane)
        if found is None:
            found = self._halved[plane] = self._placer.means(plane, 2)
        return found
