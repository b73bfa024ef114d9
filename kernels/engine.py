"""The Engine protocol: the same operations on the same plan, on a GPU or on a CPU."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from kernels.errors import VerdigrisError
from kernels.plan import Plan, Region
from kernels.recipe import Background, Denoise, Noise
from kernels.views import F32, Channel, DisplayTable, Look, Stress, View

U8 = NDArray[np.uint8]
Storage = Literal["float16", "float32"]


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


@dataclass(frozen=True)
class Abilities:
    """What an engine is like, so that nobody has to go by its name.

    own_memory: pictures are copied into memory of its own, which `free_bytes` tells; they may be
    made ready ahead by `stage`. uses_cores: it works on the processor's cores, which everything
    else needs too: side work waits, and a job gets an engine of its own. drafts: `render` keys at
    reduced size when the view asks for it. bytes_per_value: what a held picture takes, copies that
    it grows included.
    """

    own_memory: bool
    uses_cores: bool
    drafts: bool
    bytes_per_value: int


class DevicePictures(Protocol):
    """An engine's way to a finished JPEG that never leaves its memory."""

    def render_device(self, plan: Plan, inputs: Inputs, view: View) -> Any:
        """Return the picture of a view as a (height, width, 3) array in the engine's memory."""

    def encode_jpeg(self, picture: Any, quality: int, chroma: str = "420") -> bytes:
        """Return the JPEG of a `render_device` picture; chroma `420` or `444`."""


class Engine(Protocol):
    """One implementation of all operations. Used from one thread at a time."""

    name: Literal["cpu", "cuda"]
    """for people; what an engine can do, it says in `abilities`"""
    description: str
    """the processor or card, for people"""

    @property
    def abilities(self) -> Abilities:
        """What the engine is like."""

    @property
    def device_pictures(self) -> DevicePictures | None:
        """Pictures encoded where they were made; None where the engine does not encode."""

    def free_bytes(self) -> int:
        """Return how much of the engine's own memory is free; 0 where it has none of its own."""

    def stage(self, image: NDArray[Any], *, storage: Storage | None = None) -> Any:
        """Do for `hold` what needs no device, on any thread; `hold` takes what it returns.

        storage: how an engine with memory of its own is to hold the picture; its own way if None.
        """

    def hold(self, image: Any) -> Any:
        """Take an image, (3, H, W) or (H, W), into the engine's memory and return its handle.

        image: an array, or what `stage` made of one. NaN and infinities are replaced as `finite`
        says.
        """

    def fetch(self, handle: Any) -> F32:
        """Return a held image as float32 in host memory."""

    def place(
        self,
        picture: Any | None,
        background: Background,
        width: int,
        height: int,
        *,
        pixel_aspect: float = 1.0,
    ) -> Any:
        """Return the handle of the background, placed to fill a (height, width) frame.

        picture: handle of the background's picture (None for colour, ramp and checker). background:
        a resolved recipe's settings; exposure and defocus are applied too, grain is not.
        pixel_aspect: by which the defocus is narrower across.
        """

    def render(self, plan: Plan, inputs: Inputs, view: View) -> U8:
        """Return the (height, width, 3) 8-bit picture of `view`."""

    def planes(
        self, plan: Plan, inputs: Inputs, wanted: Sequence[str], region: Region | None = None
    ) -> dict[str, F32]:
        """Return full-resolution float planes of `region`.

        wanted: of `alpha` (H, W), `error` (H, W), its expected error,
        `despilled straight foreground composite` (3, H, W) and `extractor:<id>` (H, W), an
        extractor's refined matte.
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


__all__ = [
    "F32",
    "HALF_MAX",
    "U8",
    "Abilities",
    "Channel",
    "DevicePictures",
    "DisplayTable",
    "Engine",
    "EngineError",
    "Inputs",
    "Look",
    "Storage",
    "Stress",
    "View",
    "finite",
]
