"""unmix on compiled kernels: the functions of `kernels.reference.unmix`, several times as fast.

Same names, arguments and results; where no library is there, or a picture is narrower than a group
of pixels, the reference itself runs. alpha, sure, sigma_alpha and what is shown of F and of its
despilled form are the reference's within 5e-4 on all but a thousandth of the pixels (most differ by
less than 1e-5: sums in another order, logarithms of other last places). Two things are left out:
where alpha is 0 for 13 pixels round about, F is the nearest core's colour, not the mixture's; and
of `debug` there are `mix`, `bare`, `solid` and `inside` only. Results are the same bits whatever
the number of threads.

On a card so far there is one kernel, `unmix_mixture` of kernels/cuda/unmix.cu: about two thirds of
the work at full size. Launch it with blocks of 32 x 8 threads over
`blocks(-(-width // PX), height, 32, 8)`, PX = 4, planes padded to a multiple of PX, arguments by
`args_of(layout("unmix", "MixtureArgs"), ...)`: plate (pooled), clean (lit), variance, excess share
and signal-to-noise of `signals` at full size; `skip` as in kernels/cpu/native/unmix_local.cpp, or
zeros; candidates as (count, 4, h', w') planes of the reduced picture, the fourth the log prior. The
regional passes can run on the processor meanwhile: they take a picture of at most 640 across.
"""

from __future__ import annotations

import ctypes
import math
from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kernels.cpu import library as libraries
from kernels.cpu.device import MemoryStore
from kernels.cpu.library import Library
from kernels.cpu.processor import sensible_threads
from kernels.cuda.device import args_of
from kernels.cuda.sources import layout
from kernels.errors import VerdigrisError
from kernels.measure.screen_find import channel_index
from kernels.recipe import Noise
from kernels.reference import unmix as reference
from kernels.reference.unmix import HALO_PX, Regional, UnmixResult, UnmixSettings
from kernels.reference.unmix.chroma import STEP
from kernels.reference.unmix.colours import Candidate
from kernels.reference.unmix.method import coarse_factor

Array = NDArray[Any]
NARROWEST = 16
"""Pixels of a wide group."""
LARGEST_PART = 900_000
"""Pixels solved at a time: the work needs about 60 planes of them."""
REGIONAL, LOCAL = layout("unmix", "RegionalArgs"), layout("unmix", "LocalArgs")
NAMES = (
    *(("near", 0.03), ("over 4", 0.06), ("over 16", 0.10), ("strand", 0.05), ("bright", 0.05)),
    *((f"ray {n}", 0.03) for n in range(8)),
    *(("deep 4", 0.05), ("deep 8", 0.05), ("haze", 0.04), ("haze", 0.04)),
)
"""Candidates in their order, with the relative deviation of their parts."""
MOST_CANDIDATES = 24


class Unmixer:
    """The compiled form with threads of its own. One call at a time runs on all of them."""

    def __init__(self, library: Library, threads: int | None = None) -> None:
        self._library = library
        self._threads: int | None = library.pool(threads or sensible_threads())
        self._memory = MemoryStore()

    def close(self) -> None:
        """End the threads."""
        if self._threads is not None:
            self._library.end_pool(self._threads)
            self._threads = None
        self._memory.clear()

    def regional(
        self, plate: Array, clean: Array, noise: Noise, settings: UnmixSettings
    ) -> Regional:
        """Return what `reference.regional` does."""
        if min(plate.shape[1:]) < NARROWEST:
            return reference.regional(plate, clean, noise, settings)
        plate, clean = _floats(plate), _floats(clean)
        factor = coarse_factor(plate.shape[2])
        height, width = (-(-size // factor) for size in plate.shape[1:])
        averaged = 1.0 if factor == 1 else min(2.5 / factor**2, 1.0)
        counts = {"light": 3, "solid": 1, "inside": 1, "hue": 1, "candidates": 4 * len(NAMES)}
        made = {name: self._planes((n, height, width)) for name, n in counts.items()}
        args = args_of(
            REGIONAL,
            **_addresses(plate=plate, clean=clean, **made),
            **_common(noise, settings, averaged),
            width=plate.shape[2],
            height=plate.shape[1],
            factor=factor,
            doublings=max(1, round(math.log2(max(settings.reach_px, 4) / 2))),
            given=settings.haze_colour is not None,
            haze=settings.haze_colour or (0, 0, 0),
            solidity=settings.solidity,
        )
        self._run("unmix_regional", args)
        planes = made["candidates"].reshape(len(NAMES), 4, height, width)
        count = len(NAMES) - (settings.haze_colour is not None)
        found = [
            Candidate(name, planes[n, :3], tightness, planes[n, 3], name.startswith("deep"))
            for n, (name, tightness) in enumerate(NAMES[:count])
        ]
        solid, inside, hue = (made[name][0] for name in ("solid", "inside", "hue"))
        return Regional(factor, made["light"], solid, inside, found, hue)

    def local(
        self,
        plate: Array,
        clean: Array,
        noise: Noise,
        settings: UnmixSettings,
        region: Regional,
        top: int = 0,
        left: int = 0,
    ) -> UnmixResult:
        """Return what `reference.local` does; large pictures in parts that overlap by the halo."""
        _, h, w = plate.shape
        if w < NARROWEST or len(region.found) > MOST_CANDIDATES:
            return reference.local(plate, clean, noise, settings, region, top, left)
        candidates = _stacked(region.found)
        made = {name: self._planes((h, w)) for name in _PLANES}
        made |= {name: self._planes((3, h, w)) for name in ("colour", "despilled")}
        rows = _rows_at_a_time(h, w)
        for y in range(0, h, rows):
            end = min(y + rows, h)
            # Starts on whole squares of chroma and of the reduced picture.
            first, last = max(0, y - HALO_PX) // 2 * 2, min(h, end + HALO_PX)
            part = plate[:, first:last], clean[:, first:last]
            if (first, last) == (0, h):
                self._part(*part, noise, settings, region, candidates, top, left, made)
                continue
            size = (last - first, w)
            inner = {k: self._planes((*v.shape[:-2], *size)) for k, v in made.items()}
            self._part(*part, noise, settings, region, candidates, top + first, left, inner)
            for name, plane in inner.items():
                made[name][..., y:end, :] = plane[..., y - first : end - first, :]
        debug = {"mix": made["mixed"], "bare": made["bare"]}
        debug |= {"solid": region.solid, "inside": region.inside}
        return UnmixResult(
            made["alpha"],
            made["colour"],
            made["despilled"],
            made["sigma"],
            made["sure"],
            debug,
        )

    def unmix(
        self, plate: Array, clean: Array, noise: Noise, settings: UnmixSettings
    ) -> UnmixResult:
        """Return what `reference.unmix` does."""
        region = self.regional(plate, clean, noise, settings)
        return self.local(plate, clean, noise, settings, region)

    def _planes(self, shape: tuple[int, ...]) -> Array:
        return self._memory.empty(shape, np.float32)

    def _part(
        self,
        plate: Array,
        clean: Array,
        noise: Noise,
        settings: UnmixSettings,
        region: Regional,
        candidates: Array,
        top: int,
        left: int,
        made: dict[str, Array],
    ) -> None:
        plate, clean = _floats(plate), _floats(clean)
        light, inside, hue = (_floats(x) for x in (region.light, region.inside, region.hue))
        rows, columns = STEP[settings.chroma]
        tightness = [one.tightness for one in region.found]
        args = args_of(
            LOCAL,
            **_addresses(plate=plate, clean=clean, candidates=candidates),
            **_addresses(light=light, inside=inside, hue=hue, **made),
            **_common(noise, settings, 1.0),
            width=plate.shape[2],
            height=plate.shape[1],
            factor=region.factor,
            top=top,
            left=left,
            small_width=hue.shape[1],
            small_height=hue.shape[0],
            count=len(tightness),
            rows=rows,
            columns=columns,
            shading=settings.shading,
            despill=settings.despill,
            tightness=tightness + [0.0] * (MOST_CANDIDATES - len(tightness)),
        )
        self._run("unmix_local", args)

    def _run(self, name: str, args: NDArray[np.void]) -> None:
        """Run a pass, with the memory it says it needs. Raises MemoryError."""
        run = self._library.kernel(name, args.dtype.itemsize)
        address = ctypes.c_void_p(args.ctypes.data)
        outcome = run(self._threads, address, 0)
        if outcome == 2:
            memory = self._planes((int(args["floats"].item()),))
            args["memory"] = memory.ctypes.data
            outcome = run(self._threads, address, 0)
        if outcome:
            raise MemoryError


_PLANES = ("alpha", "sigma", "sure", "bare", "mixed")


def _rows_at_a_time(height: int, width: int) -> int:
    if height * width <= LARGEST_PART:
        return height
    return max(2 * HALO_PX, LARGEST_PART // width - 2 * HALO_PX) // 2 * 2


def _floats(array: Array) -> Array:
    return np.ascontiguousarray(array, np.float32)


def _addresses(**arrays: Array) -> dict[str, int]:
    return {name: array.ctypes.data for name, array in arrays.items()}


def _common(noise: Noise, settings: UnmixSettings, averaged: float) -> dict[str, Any]:
    k, i, j = channel_index(settings.primary)
    scale = settings.noise_trust * averaged
    return {
        "k": k,
        "i": i,
        "j": j,
        "gain": np.asarray(noise.gain) * scale,
        "offset": np.asarray(noise.offset) * scale,
        "clean_error": settings.clean_error,
    }


def _stacked(found: Sequence[Candidate]) -> Array:
    """Colours and log priors as (n, 4, h', w'): as they lie in memory if `regional` made them."""
    first = found[0].colour
    plane = 4 * first.shape[1] * first.shape[2]
    start = first.ctypes.data
    if first.dtype == np.float32 and all(
        _lies(one.colour, first.base, start + 4 * n * plane)
        and _lies(one.log_prior, first.base, start + (4 * n + 3) * plane)
        for n, one in enumerate(found)
    ):
        return first
    made = np.empty((len(found), 4, *first.shape[1:]), np.float32)
    for planes, one in zip(made, found, strict=True):
        planes[:3], planes[3] = one.colour, one.log_prior
    return made


def _lies(array: Any, memory: Any, address: int) -> bool:
    return (
        isinstance(array, np.ndarray)
        and memory is not None
        and array.base is memory
        and array.ctypes.data == address
        and bool(array.flags.c_contiguous)
    )


@lru_cache(maxsize=1)
def unmixer() -> Unmixer | None:
    """Return the compiled form for this processor, or None."""
    try:
        found = libraries.choose().library
    except VerdigrisError:
        found = None
    return None if found is None else Unmixer(found)


def regional(plate: Array, clean: Array, noise: Noise, settings: UnmixSettings) -> Regional:
    """Passes 1 to 9: see `kernels.reference.unmix.regional`."""
    return (unmixer() or reference).regional(plate, clean, noise, settings)


def local(
    plate: Array,
    clean: Array,
    noise: Noise,
    settings: UnmixSettings,
    region: Regional,
    top: int = 0,
    left: int = 0,
) -> UnmixResult:
    """Passes 10 to 16: see `kernels.reference.unmix.local`."""
    return (unmixer() or reference).local(plate, clean, noise, settings, region, top, left)


def unmix(plate: Array, clean: Array, noise: Noise, settings: UnmixSettings) -> UnmixResult:
    """Solve p = a F + (1 - a) c for alpha and F: see `kernels.reference.unmix.unmix`."""
    return (unmixer() or reference).unmix(plate, clean, noise, settings)
