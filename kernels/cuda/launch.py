"""The real device: CuPy's memory, streams and run-time compiler; the only user of its RawModule.

Importing this module raises ImportError without CuPy; `CudaEngine()` raises EngineError when there
is no card or no driver.
"""

from __future__ import annotations

import logging
import threading
from concurrent.futures import Future, ThreadPoolExecutor, wait
from typing import Any, Literal

import cupy
import numpy as np
from numpy.typing import NDArray

from kernels.cuda.encode import JpegEncoder
from kernels.cuda.pinned import PinnedRing, Staged
from kernels.cuda.runner import DeviceEngine
from kernels.cuda.sources import OPTIONS, UNITS, Lean, Structure, source
from kernels.engine import DevicePictures, EngineError, Storage

log = logging.getLogger(__name__)

OLDEST = (7, 5)
"""Compute capability of the oldest cards the current CUDA compiler serves."""
KEPT_STRUCTURES = 128
WAITING = 3
"""Structures that may wait for the compiler; what was asked for before them is no longer seen."""
Form = Literal["auto", "array", "special"]


class CupyDevice:
    """Implements `kernels.cuda.device.Device` on one card."""

    def __init__(self, number: int = 0) -> None:
        self.device = cupy.cuda.Device(number)
        self.device.use()
        properties = cupy.cuda.runtime.getDeviceProperties(number)
        self.architecture = (int(properties["major"]), int(properties["minor"]))
        self.description = properties["name"].decode()
        self.stream = cupy.cuda.Stream(non_blocking=True)
        self.form: Form = "auto"
        self._here = threading.local()
        self._units: dict[tuple[str, Lean | None], Any] = {}
        self._lean: dict[tuple[str, Lean], Future[None]] = {}
        self._special: dict[Structure, Future[Any]] = {}
        self._compiler = ThreadPoolExecutor(1, thread_name_prefix="cuda-compiler")
        self._ring = PinnedRing(self.stream)

    def enter(self) -> None:
        """Make the card and its stream current in the calling thread."""
        if not getattr(self._here, "entered", False):
            self.device.use()
            self.stream.use()
            self._here.entered = True

    # ------------------------------------------------------------ memory

    def empty(self, shape: tuple[int, ...], dtype: Any) -> Any:
        """Return uninitialised memory; raises MemoryError when there is none left."""
        self.enter()
        return cupy.empty(shape, dtype)

    def pointer(self, array: Any) -> int:
        """Return the address of an array."""
        return int(array.data.ptr)

    def upload(self, array: NDArray[Any] | Staged) -> Any:
        """Return a copy in device memory, through pinned memory on the copy stream."""
        self.enter()
        given = array.array if isinstance(array, Staged) else array
        made = cupy.empty(given.shape, given.dtype)
        self._ring.upload(array, made)
        return made

    def stage(self, array: NDArray[Any]) -> Staged:
        """Copy a host array to pinned memory; may be called from any thread."""
        self.enter()
        return self._ring.stage(array)

    def download(self, array: Any) -> NDArray[Any]:
        """Return a copy in host memory. Waits for the device."""
        self.enter()
        return self._ring.download(array)

    def free_bytes(self) -> tuple[int, int]:
        """Return the card's free memory, the pool's unused part included, and its total."""
        self.enter()
        free, total = self.device.mem_info
        return int(free + cupy.get_default_memory_pool().free_bytes()), int(total)

    def release(self) -> None:
        """Give memory that nothing uses back to the card."""
        self.enter()
        cupy.get_default_memory_pool().free_all_blocks()

    def synchronise(self) -> None:
        """Wait for everything launched."""
        self.stream.synchronize()

    def close(self) -> None:
        """Wait, end the compiler's thread, give memory back."""
        self._compiler.shutdown(wait=False, cancel_futures=True)
        self.synchronise()
        self._special.clear()
        self._units.clear()
        self._ring.close()
        self.release()

    # ------------------------------------------------------------ kernels

    def launch(
        self,
        unit: str,
        kernel: str,
        grid: tuple[int, ...],
        block: tuple[int, ...],
        args: NDArray[np.void],
        shared: int = 0,
        structure: Structure | None = None,
    ) -> None:
        """Run a kernel with its one argument by value; in the specialised form once it is there."""
        self.enter()
        module = self._specialised(unit, structure) if structure is not None else None
        if module is None:
            module = self._general(unit, structure)
        module.get_function(kernel)(grid, block, (args[0],), shared_mem=shared)

    def _general(self, unit: str, structure: Structure | None) -> Any:
        """Return a unit's general form; its lean sizes are made behind the scenes."""
        lean = structure.lean if structure is not None else None
        if lean is None:
            return self._unit(unit)
        key = (unit, lean)
        if key not in self._units and self.form == "auto":
            if key not in self._lean:
                self._lean[key] = self._compiler.submit(self._compile_lean, unit, lean)
            return self._unit(unit)
        return self._unit(unit, lean)

    def _compile_lean(self, unit: str, lean: Lean) -> None:
        with self.device:
            module = cupy.RawModule(code=source(unit, lean=lean), options=OPTIONS)
            module.compile()
            self._units[unit, lean] = module

    def _unit(self, unit: str, lean: Lean | None = None) -> Any:
        key = (unit, lean)
        if key not in self._units:
            self._units[key] = cupy.RawModule(code=source(unit, lean=lean), options=OPTIONS)
        return self._units[key]

    def _specialised(self, unit: str, structure: Structure) -> Any | None:
        """Return the module of a structure, or None while it is being compiled."""
        if self.form == "array":
            return None
        compiling = self._special.get(structure)
        if compiling is None:
            self._drop_stale()
            compiling = self._compiler.submit(self._compile, unit, structure)
            self._special[structure] = compiling
        if self.form == "special":
            return compiling.result()
        if not compiling.done() or compiling.cancelled() or compiling.exception() is not None:
            return None
        return compiling.result()

    def _drop_stale(self) -> None:
        """Forget the oldest structures, and those still waiting behind newer ones."""
        waiting = [key for key, future in self._special.items() if not future.done()]
        for key in waiting[:-WAITING]:
            if self._special[key].cancel():
                del self._special[key]
        while len(self._special) >= KEPT_STRUCTURES:
            self._special.pop(next(iter(self._special)))

    def _compile(self, unit: str, structure: Structure) -> Any:
        try:
            with self.device:
                module = cupy.RawModule(code=source(unit, structure), options=OPTIONS)
                module.compile()
                return module
        except Exception:
            log.exception("a specialised kernel does not compile; the general form goes on")
            raise

    def wait_compiled(self, timeout_s: float = 60.0) -> bool:
        """Wait until nothing is compiled behind the scenes; False when it takes longer."""
        return not wait([*self._lean.values(), *self._special.values()], timeout_s).not_done

    def warm(self) -> None:
        """Compile and load every unit in its general form."""
        self.enter()
        for unit in UNITS:
            self._unit(unit).compile()


class CudaEngine(DeviceEngine):
    """Implements `kernels.engine.Engine` on a card."""

    def __init__(
        self,
        *,
        storage: Storage = "float16",
        device: int = 0,
        warm: bool = True,
        threads: int | None = None,
    ) -> None:
        """Open the card. `threads` is for engines that have some. Raises EngineError."""
        card = _open(device)
        try:
            if warm:
                card.warm()
        except Exception as error:
            raise EngineError(f"the CUDA kernels do not compile: {_first_line(error)}") from error
        super().__init__(card, storage)
        self.card = card
        self._jpeg = JpegEncoder(card.stream)

    @property
    def device_pictures(self) -> DevicePictures | None:
        """The card itself, where it encodes JPEG (nvImageCodec is installed and works)."""
        return self if self._jpeg.works else None

    def encode_jpeg(self, picture: Any, quality: int, chroma: str = "420") -> bytes:
        """Return the JPEG of a `render_device` picture; chroma `420` or `444`."""
        self.card.enter()
        return self._jpeg.encode(picture, quality, chroma)


def _open(number: int) -> CupyDevice:
    try:
        if not cupy.cuda.is_available():
            raise EngineError("no NVIDIA card or driver was found")
        device = CupyDevice(number)
    except cupy.cuda.runtime.CUDARuntimeError as error:
        raise EngineError(f"the NVIDIA driver refused: {_first_line(error)}") from error
    if device.architecture < OLDEST:
        raise EngineError(
            f"{device.description} is older than the current CUDA serves; install CuPy's cuda12x "
            "build"
        )
    return device


def _first_line(error: Exception) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0]
