"""Images on their way to a device and back: checked, converted, laid out in padded rows."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kernels.cuda.device import Device, Plane, args_of, blocks, new_plane
from kernels.cuda.sources import layout
from kernels.engine import F32, Storage, finite
from kernels.plan import Region

COPY = layout("planes", "CopyArgs")


@dataclass(frozen=True, eq=False)
class Prepared:
    """An image ready to be copied to the device: (channels, height, width), half or float."""

    source: Any
    shape: tuple[int, ...]
    given_half: bool
    half: bool
    flat: bool


class Holder:
    """Holds images in one device's memory, pictures as half or float."""

    def __init__(self, device: Device) -> None:
        self.device = device

    def stage(self, image: NDArray[Any], storage: Storage) -> Prepared:
        """Do for `hold` what needs no device: check, convert, copy to pinned memory.

        The only method that may be called from any thread; `hold` takes what it returns.
        """
        prepared = self._prepared(image, storage)
        return replace(prepared, source=self.device.stage(prepared.source))

    def _prepared(self, image: NDArray[Any], storage: Storage) -> Prepared:
        flat = image.ndim == 2
        image = np.ascontiguousarray(finite(image if not flat else image[None]))
        given_half = image.dtype == np.float16
        if not given_half:
            image = image.astype(np.float32, copy=False)
        half = not flat and (given_half or storage == "float16")
        return Prepared(image, image.shape, given_half, half, flat)

    def hold(self, image: NDArray[Any] | Prepared, storage: Storage) -> Plane:
        """Take an image; mattes and masks are stored as float32, pictures as `storage` says.

        image: (3, H, W) or (H, W), or what `stage` made of it. storage: for this picture; the
        engine's by default. A float16 picture is stored as half in any case. Values beyond 65504
        are held there in half.
        """
        given = image if isinstance(image, Prepared) else self._prepared(image, storage)
        channels, height, width = given.shape
        plane = new_plane(self.device, channels, height, width, half=given.half, flat=given.flat)
        raw = self.device.upload(given.source)
        self._copy(
            (self.device.pointer(raw), given.given_half, width, width * height),
            (plane.address, given.half, plane.pitch, plane.pitch * height),
            (0, 0, width, height),
            channels,
        )
        return plane

    def _copy(
        self,
        source: tuple[int, bool, int, int],
        target: tuple[int, bool, int, int],
        region: Region,
        channels: int,
    ) -> None:
        """Copy a rectangle between layouts: (address, half, pitch, plane stride) each."""
        x0, y0, x1, y1 = region
        args = args_of(
            COPY,
            source=source[0],
            source_half=source[1],
            source_pitch=source[2],
            source_stride=source[3],
            target=target[0],
            target_half=target[1],
            target_pitch=target[2],
            target_stride=target[3],
            x0=x0,
            y0=y0,
            width=x1 - x0,
            height=y1 - y0,
        )
        grid = blocks(x1 - x0, y1 - y0, 32, 8, channels)
        self.device.launch("planes", "copy_planes", grid, (32, 8), args)

    def fetch(self, handle: Plane) -> F32:
        """Return a held image; needs no device memory, so it works when there is none left."""
        rows = self.device.download(handle.array)[:, :, : handle.width]
        image = np.ascontiguousarray(rows, np.float32)
        return image[0] if handle.flat else image

    def fetch_region(self, plane: Plane, region: Region) -> F32:
        """Return a region of all channels in host memory."""
        x0, y0, x1, y1 = region
        width, height = x1 - x0, y1 - y0
        tight = self.device.empty((plane.channels, height, width), np.float32)
        self._copy(
            (plane.address, plane.half, plane.pitch, plane.pitch * plane.height),
            (self.device.pointer(tight), False, width, width * height),
            region,
            plane.channels,
        )
        return self.device.download(tight)
