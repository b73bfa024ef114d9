"""Denoising on a card: the same averages as `kernels.reference.denoise`, frame by frame."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kernels.cuda.device import Device, Plane, args_of, blocks, new_plane
from kernels.cuda.sources import layout
from kernels.plan import num
from kernels.recipe import Denoise, Noise
from kernels.reference.denoise import (
    DECAY,
    NEIGHBOUR_REACH_PX,
    REACH_PX,
    Stabiliser,
    stabiliser,
)

GUIDE = layout("denoise", "GuideArgs")
AVERAGE = layout("denoise", "AverageArgs")
FINISH = layout("denoise", "FinishArgs")
TILE = (32, 8)


KEPT = 7
"""Frames kept with their guides: a frame and all its neighbours."""


class Denoiser:
    """Denoises pictures of one device; keeps the frames it saw last."""

    def __init__(self, device: Device) -> None:
        self.device = device
        self._kept: OrderedDict[tuple[int, str], tuple[Any, Plane, Plane]] = OrderedDict()

    def forget(self) -> None:
        """Drop the kept frames."""
        self._kept.clear()

    def denoise(
        self,
        frames: Sequence[NDArray[Any]],
        noise: Noise,
        settings: Denoise,
        weights: Sequence[float],
        hold: Callable[..., Plane],
    ) -> Plane:
        """Return the denoised picture of frames[0]. hold: takes a picture to the device."""
        to = stabiliser(noise)
        return self.averaged([self.held(f, noise, to, hold) for f in frames], settings, weights)

    def held(
        self, frame: NDArray[Any], noise: Noise, to: Stabiliser, hold: Callable[..., Plane]
    ) -> tuple[Plane, Plane]:
        """Return a frame's picture and guide, from those kept if it was seen before."""
        key = (id(frame), noise.model_dump_json())
        found = self._kept.get(key)
        if found is None:
            plane = hold(frame, storage="float32")
            if plane.half:  # given as half: it may be read as float only once it is
                plane = hold(np.asarray(frame, np.float32), storage="float32")
            found = (frame, plane, self.guide(plane, to))
            self._kept[key] = found
        self._kept.move_to_end(key)
        while len(self._kept) > KEPT:
            self._kept.popitem(last=False)
        return found[1], found[2]

    def guide(self, frame: Plane, to: Stabiliser) -> Plane:
        """Return the guide of a picture held as float."""
        made = self._like(frame)
        start = np.sqrt(0.375 * to.gain**2 + to.offset)
        straight = to.gain**2 < 1e-12 * to.offset
        self._launch(
            "denoise_guide",
            frame,
            args_of(
                GUIDE,
                source=frame.address,
                target=made.address,
                gain=to.gain,
                start=start,
                slope=np.where(straight, 0.0, 2.0 / np.where(straight, 1.0, to.gain)),
                mixing=to.mixing.ravel(),
            ),
        )
        return made

    def averaged(
        self,
        frames: Sequence[tuple[Plane, Plane]],
        settings: Denoise,
        weights: Sequence[float],
    ) -> Plane:
        """Return the denoised picture of the first of `frames`: pictures with their guides."""
        plate, guide = frames[0]
        total, made = self._like(plate), self._like(plate)
        share = new_plane(self.device, 1, plate.height, plate.width)
        strength = num(settings.strength)
        for n, (picture, other) in enumerate(frames):
            args = args_of(
                AVERAGE,
                guide=guide.address,
                other=other.address,
                picture=picture.address,
                total=total.address,
                share=share.address,
                reach=NEIGHBOUR_REACH_PX if n else REACH_PX,
                own=n == 0,
                scale=-1.0 / (6.0 * 9.0 * strength * strength * DECAY),
                constant=1.0 / DECAY,
            )
            self._launch("denoise_average", plate, args)
        args = args_of(
            FINISH,
            plate=plate.address,
            total=total.address,
            share=share.address,
            target=made.address,
            keep=num(settings.keep_luminance),
            weights=weights,
        )
        self._launch("denoise_finish", plate, args)
        return made

    def _like(self, plane: Plane) -> Plane:
        return new_plane(self.device, 3, plane.height, plane.width)

    def _launch(self, kernel: str, frame: Plane, args: Any) -> None:
        args["stride"], args["pitch"] = frame.pitch * frame.height, frame.pitch
        args["width"], args["height"] = frame.width, frame.height
        grid = blocks(frame.width, frame.height, *TILE)
        self.device.launch("denoise", kernel, grid, TILE, args)
