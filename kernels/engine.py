"""The Engine protocol: the same operations on the same plan, on a GPU or on a CPU."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from kernels.errors import VerdigrisError, not_installed
from kernels.plan import Plan, Region
from kernels.recipe import Background, Denoise, Noise
from kernels.views import F32, Channel, DisplayTable, Look, Stress, View

U8 = NDArray[np.uint8]
EngineName = Literal["auto", "cuda", "cpu"]


HALF_MAX = 65504.0


def finite(image: NDArray[Any]) -> NDArray[Any]:
    """Return the image with NaN as 0 and infinities as +-65504: what every engine holds.

    The same array when all its values are finite. Readers count and report such pixels before.
    """
    if image.dtype == np.float16:  # by its bits, which is many times faster
        largest = (image.view(np.uint16) & 0x7FFF).max(initial=0)
        if largest < 0x7C00:
            return image
    elif np.isfinite(image).all():
        return image
    replaced: NDArray[Any] = np.nan_to_num(image, nan=0.0, posinf=HALF_MAX, neginf=-HALF_MAX)
    return replaced


class EngineError(VerdigrisError):
    """An engine cannot be had or cannot do what was asked."""


@dataclass(frozen=True, eq=False)
class Inputs:
    """The planes of one frame, held by an engine (`Engine.hold`), by the names in `plan`.

    key identifies the frame's content: engines keep intermediate planes under it. width, height:
    of the full-resolution frame.
    """

    key: Hashable
    width: int
    height: int
    planes: Mapping[str, Any]

    @property
    def whole(self) -> Region:
        """The whole frame as a region."""
        return (0, 0, self.width, self.height)


class Engine(Protocol):
    """One implementation of all operations. Used from one thread at a time."""

    name: Literal["cpu", "cuda"]
    description: str
    """the processor or card, for people"""

    def hold(self, image: NDArray[Any]) -> Any:
        """Take an image, (3, H, W) or (H, W), into the engine's memory and return its handle.

        NaN and infinities are replaced as `finite` says.
        """

    def fetch(self, handle: Any) -> F32:
        """Return a held image as float32 in host memory."""

    def place(self, picture: Any | None, background: Background, width: int, height: int) -> Any:
        """Return the handle of the background, placed to fill a (height, width) frame.

        picture: handle of the background's picture (None for colour, ramp and checker). background:
        a resolved recipe's settings; exposure and defocus are applied too, grain is not.
        """

    def render(self, plan: Plan, inputs: Inputs, view: View) -> U8:
        """Return the (height, width, 3) 8-bit picture of `view`."""

    def planes(
        self, plan: Plan, inputs: Inputs, wanted: Sequence[str], region: Region | None = None
    ) -> dict[str, F32]:
        """Return full-resolution float planes of `region`.

        wanted: of `alpha` (H, W), `despilled straight foreground composite` (3, H, W) and
        `extractor:<id>` (H, W), an extractor's refined matte.
        """

    def denoise(
        self,
        frames: Sequence[NDArray[Any]],
        noise: Noise,
        settings: Denoise,
        weights: Sequence[float],
    ) -> F32:
        """Return the denoised picture of frames[0]; the others are its neighbours in time.

        frames: (3, H, W) each, in host memory; NaN and infinities are replaced as `finite` says.
        An engine may keep frames that it was given last: pass the same arrays again. See
        `reference.denoise`. Raises ValueError where no noise was measured.
        """

    def forget(self, key: Hashable | None = None) -> None:
        """Drop intermediate planes kept for a frame, or for all."""

    def close(self) -> None:
        """Release memory and threads."""


@dataclass(frozen=True)
class EngineChoice:
    """An engine and the reason it was chosen, in one sentence."""

    engine: Engine
    reason: str


def choose_engine(name: EngineName = "auto", **options: Any) -> EngineChoice:
    """Return the engine to use: cuda if it works, else cpu, and say why.

    Raises EngineError when `cuda` was asked for and cannot run.
    """
    if name == "cpu":
        return EngineChoice(_cpu(options), "the cpu engine was asked for")
    try:
        from kernels.cuda.launch import CudaEngine

        engine = CudaEngine(**options)
    except (ImportError, EngineError) as error:
        why = not_installed(error) if isinstance(error, ImportError) else str(error).rstrip(".")
        if name == "cuda":
            raise EngineError(f"the cuda engine cannot run here: {why}") from error
        return EngineChoice(_cpu({}), f"no CUDA engine here ({why}), so the cpu engine runs")
    return EngineChoice(engine, f"{engine.description} works")


def _cpu(options: dict[str, Any]) -> Engine:
    from kernels.cpu import cpu_engine

    return cpu_engine(options.get("threads"))


__all__ = [
    "F32",
    "HALF_MAX",
    "U8",
    "Channel",
    "DisplayTable",
    "Engine",
    "EngineChoice",
    "EngineError",
    "EngineName",
    "Inputs",
    "Look",
    "Stress",
    "View",
    "choose_engine",
    "finite",
]
