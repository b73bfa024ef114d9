"""Placing the background on a card: the same formulas as `kernels.reference.background.place`."""

from __future__ import annotations

import math
from typing import Any

from kernels.cuda.device import Device, Plane, args_of, blocks, new_plane
from kernels.cuda.filters import Filters
from kernels.cuda.sources import layout
from kernels.plan import num
from kernels.recipe import Background
from kernels.reference.background import CHECKER_ROWS

PLACE = layout("place", "PlaceArgs")
MEAN = layout("place", "BlockMeanArgs")
KINDS = {"picture": 0, "colour": 1, "ramp": 2, "checker": 3}


class Placer:
    """Places backgrounds on one device."""

    def __init__(self, device: Device, filters: Filters) -> None:
        self.device = device
        self._filters = filters

    def place(
        self,
        picture: Plane | None,
        p: Background,
        width: int,
        height: int,
        half: bool,
        pixel_aspect: float = 1.0,
    ) -> Plane:
        """Return the background filling the frame, exposed and defocused, without grain."""
        blurred = num(p.defocus_px) > 0
        made = new_plane(self.device, 3, height, width, half=half and not blurred)
        turn = math.radians(num(p.rotate_deg))
        args = args_of(
            PLACE,
            target=made.address,
            target_stride=made.pitch * height,
            width=width,
            target_pitch=made.pitch,
            height=height,
            target_half=made.half,
            kind=KINDS[p.kind],
            factor=1,
            move_x=num(p.move_x_px),
            move_y=num(p.move_y_px),
            cosine=math.cos(turn),
            sine=math.sin(turn),
            scale=num(p.scale),
            centre_x=width / 2,
            centre_y=height / 2,
            colour=p.colour,
            exposure=2.0 ** num(p.exposure_stops),
        )
        side = max(height / CHECKER_ROWS, 1.0)
        args["side"], args["soft"] = side, min(1.0 / (side * num(p.scale)), 1.0)
        kept = self._picture(args[0], picture, p, width, height) if p.kind == "picture" else None
        self.device.launch("place", "place", blocks(width, height, 32, 8), (32, 8), args)
        del kept  # only now may its memory be used again
        if not blurred:
            return made
        whole = (0, 0, width, height)
        soft = self._filters.blur(made, num(p.defocus_px), whole, pixel_aspect)
        return self._stored(soft) if half else soft

    def _stored(self, plane: Plane) -> Plane:
        """Return a plane as half floats."""
        made = new_plane(self.device, 3, plane.height, plane.width, half=True)
        stride = plane.pitch * plane.height
        args = args_of(
            layout("planes", "CopyArgs"),
            source=plane.address,
            target=made.address,
            source_stride=stride,
            target_stride=stride,
            source_pitch=plane.pitch,
            target_pitch=plane.pitch,
            target_half=True,
            width=plane.width,
            height=plane.height,
        )
        grid = blocks(plane.width, plane.height, 32, 8, 3)
        self.device.launch("planes", "copy_planes", grid, (32, 8), args)
        return made

    def _picture(
        self, args: Any, picture: Plane | None, p: Background, width: int, height: int
    ) -> Plane | None:
        """Fill in the source: the picture, or means of its blocks when it shrinks by 2 or more."""
        if picture is None:
            return None
        columns, rows = picture.width, picture.height
        scale = max(width / columns, height / rows) * num(p.scale)
        factor = max(int(1 / scale + 1e-6), 1)
        args["scale"], args["factor"] = scale, factor
        args["centre_x"], args["centre_y"] = columns / 2, rows / 2
        source = picture if factor == 1 else self.means(picture, factor)
        args["source"], args["source_half"] = source.address, source.half
        args["source_pitch"], args["source_stride"] = source.pitch, source.pitch * source.height
        args["source_width"], args["source_height"] = source.width, source.height
        return source

    def means(self, picture: Plane, factor: int) -> Plane:
        """Return the means of blocks of factor x factor pixels, as float."""
        width, height = -(-picture.width // factor), -(-picture.height // factor)
        channels = picture.channels
        made = new_plane(self.device, channels, height, width, flat=picture.flat)
        args = args_of(
            MEAN,
            source=picture.address,
            target=made.address,
            source_pitch=picture.pitch,
            source_stride=picture.pitch * picture.height,
            target_stride=made.pitch * height,
            source_width=picture.width,
            source_height=picture.height,
            source_half=picture.half,
            target_pitch=made.pitch,
            width=width,
            height=height,
            factor=factor,
        )
        grid = blocks(width, height, 32, 8, channels)
        self.device.launch("place", "block_mean", grid, (32, 8), args)
        return made
