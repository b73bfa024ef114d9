"""The neighbourhood operations on a card: blur and a matte's refinement, pass by pass.

The same operations, in the same order, as `kernels.reference.refine`. They work on a rectangle of
whole-frame planes; pixels outside it are not looked at.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kernels.cuda.device import Device, Plane, args_of, blocks, new_plane
from kernels.cuda.pack_extractors import ramp_values
from kernels.cuda.sources import layout
from kernels.plan import Region, gauss_radius, num
from kernels.recipe import Refine
from kernels.reference.octagon import oblong_parts, octagon_arms
from kernels.reference.refine import box_across, gauss_weights, guide_radii
from kernels.stages import protected_px, radii_px

REFINE = layout("refine", "RefineArgs")
BLUR = layout("blur", "BlurArgs")

TILE = 32
ROW_OUT, ROW_SPAN, ROW_LINES, COLUMN_OUT = 8, 256, 4, 16
GUIDE_THREADS, GUIDE_ROWS = 256, 64
STEP = 8
"""Largest radius of a square and largest number of crosses that one launch erodes by."""
KEPT_TAPS = 64


class Filters:
    """Neighbourhood operations of one device."""

    def __init__(self, device: Device) -> None:
        self.device = device
        self._taps: dict[float, Any] = {}

    def _taps_of(self, sigma_px: float) -> Any:
        if sigma_px not in self._taps:
            if len(self._taps) >= KEPT_TAPS:
                self._taps.clear()
            self._taps[sigma_px] = self.device.upload(taps(sigma_px))
        return self._taps[sigma_px]

    def blur(
        self, source: Plane, sigma_px: float, region: Region, pixel_aspect: float = 1.0
    ) -> Plane:
        """Return float planes after a Gaussian of `sigma_px` (the source itself for none)."""
        sigma_across, sigma_down = radii_px(sigma_px, pixel_aspect)
        radius, radius_down = gauss_radius(sigma_across), gauss_radius(sigma_down)
        if radius == 0 and radius_down == 0 and not source.half:
            return source
        across = self._like(source)
        x0, y0, x1, y1 = region
        args = args_of(
            BLUR,
            source=source.address,
            target=across.address,
            source_half=source.half,
            taps=self.device.pointer(self._taps_of(sigma_across)),
            radius=radius,
            pitch=source.pitch,
            source_stride=source.pitch * source.height,
            x0=x0,
            y0=y0,
            x1=x1,
            y1=y1,
            target_stride=source.pitch * source.height,
        )
        strip = ROW_SPAN + 2 * radius + ROW_OUT
        count = ((2 * radius + 1 + 7) & ~7) + ROW_LINES * (strip + strip // ROW_OUT)
        size, deep = (x1 - x0, y1 - y0), source.channels
        self.device.launch(
            "blur",
            "blur_rows",
            blocks(*size, ROW_SPAN, ROW_LINES, deep),
            (32, ROW_LINES),
            args,
            4 * count,
        )
        made = self._like(source)
        args["source"], args["target"], args["source_half"] = across.address, made.address, False
        args["taps"] = self.device.pointer(self._taps_of(sigma_down))
        args["radius"] = radius_down
        self.device.launch(
            "blur",
            "blur_columns",
            blocks(*size, 32, 8 * COLUMN_OUT, deep),
            (32, 8),
            args,
            4 * (2 * radius_down + 1),
        )
        return made

    def _like(self, plane: Plane) -> Plane:
        return new_plane(self.device, plane.channels, plane.height, plane.width, flat=plane.flat)

    def refine(
        self,
        matte: Plane,
        settings: Refine,
        guide: Plane | None,
        region: Region,
        pixel_aspect: float = 1.0,
    ) -> Plane:
        """Return a matte after its whole refinement."""
        aspect = pixel_aspect
        m = self._despeckled(matte, num(settings.despeckle.holes_px), -1.0, region, aspect)
        m = self._despeckled(m, num(settings.despeckle.specks_px), 1.0, region, aspect)
        across, down = guide_radii(num(settings.guide.radius_px), aspect)
        if down and guide is not None:
            smoothness = num(settings.guide.smoothness)
            m = self._guided(m, guide, (across, down), smoothness, region)
        m = self._levelled(m, settings, region, aspect)
        choke = num(settings.choke_px)
        m = self._eroded(m, abs(choke), 1.0 if choke > 0 else -1.0, region, aspect)
        return self.blur(m, num(settings.soften_px), region, aspect)

    def _args(self, source: Plane, target: Plane, region: Region, **more: Any) -> NDArray[np.void]:
        x0, y0, x1, y1 = region
        return args_of(
            REFINE,
            source=source.address,
            target=target.address,
            pitch=source.pitch,
            x0=x0,
            y0=y0,
            x1=x1,
            y1=y1,
            **more,
        )

    def _each(self, kernel: str, region: Region, args: NDArray[np.void]) -> None:
        x0, y0, x1, y1 = region
        self.device.launch("refine", kernel, blocks(x1 - x0, y1 - y0, TILE, 8), (TILE, 8), args)

    def _tiles(self, kernel: str, region: Region, args: NDArray[np.void], count: int) -> None:
        x0, y0, x1, y1 = region
        self.device.launch(
            "refine", kernel, blocks(x1 - x0, y1 - y0, TILE, TILE), (TILE, 8), args, 4 * count
        )

    def _despeckled(
        self, m: Plane, size_px: float, sign: float, region: Region, pixel_aspect: float
    ) -> Plane:
        if size_px == 0:
            return m
        whole = int(size_px)
        reach = whole + (1 if size_px > whole else 0)
        made = self._like(m)
        narrower, _ = radii_px(1.0, pixel_aspect)
        args = self._args(
            m, made, region, sign=sign, size=whole, share=size_px - whole, narrower=narrower
        )
        beside, high = box_across(reach, pixel_aspect), TILE + reach - 1
        cells = (TILE + 2 * beside) * (TILE + 2 * reach) + high * (TILE + beside - 1 + TILE)
        self._tiles("despeckle", region, args, cells)
        return made

    def _guided(
        self,
        m: Plane,
        guide: Plane,
        radii: tuple[int, int],
        smoothness: float,
        region: Region,
    ) -> Plane:
        shape = (m.height, m.pitch)
        slopes = self.device.empty(shape, np.float64)
        bases = self.device.empty(shape, np.float64)
        x0, y0, x1, y1 = region
        across, down = radii
        grid = blocks(x1 - x0, y1 - y0, GUIDE_THREADS - 2 * across, GUIDE_ROWS)
        args = self._args(m, m, region, guide=guide.address, size=down, across=across)
        args["smoothness"] = smoothness
        args["target"], args["extra"] = self.device.pointer(slopes), self.device.pointer(bases)
        self.device.launch("refine", "guide_lines", grid, (GUIDE_THREADS,), args)
        made = self._like(m)
        args["source"], args["target"] = self.device.pointer(slopes), made.address
        self.device.launch("refine", "guide_apply", grid, (GUIDE_THREADS,), args)
        return made

    def _levelled(self, m: Plane, settings: Refine, region: Region, pixel_aspect: float) -> Plane:
        clear, solid = num(settings.levels.clear_below), num(settings.levels.solid_above)
        px, amount = protected_px(settings), num(settings.protect_edges.amount)
        low, inverse = ramp_values(clear, solid)
        if px == 0:
            if (clear, solid) == (0.0, 1.0):
                return m  # a matte lies in 0..1 already
            made = self._like(m)
            self._each("levels", region, self._args(m, made, region, low=low, inverse=inverse))
            return made
        edge, levelled = self._like(m), self._like(m)
        self._each(
            "soft_edge",
            region,
            self._args(m, edge, region, low=low, inverse=inverse, extra=levelled.address),
        )
        grown = self._eroded(edge, px / 2, -1.0, region, pixel_aspect)
        near = self._box_mean(grown, radii_px(px / 2, pixel_aspect), region)
        made = self._like(m)
        self._each(
            "protect_edges",
            region,
            self._args(
                m,
                made,
                region,
                guide=near.address,
                extra=levelled.address,
                amount=amount * min(px, 1.0),
            ),
        )
        return made

    def _box_mean(self, m: Plane, radii: tuple[float, float], region: Region) -> Plane:
        for down, radius_px in enumerate(radii):
            whole = int(radius_px)
            made = self._like(m)
            self._each(
                "box_mean",
                region,
                self._args(m, made, region, size=whole, crosses=down, share=radius_px - whole),
            )
            m = made
        return m

    def _eroded(
        self, m: Plane, radius_px: float, sign: float, region: Region, pixel_aspect: float
    ) -> Plane:
        """Minimum (sign 1) or maximum (-1) over an octagon: see `reference.octagon.erode`."""
        if radius_px == 0:
            return m
        across, down = radii_px(radius_px, pixel_aspect)
        if across != down:
            return self._eroded_oblong(m, across, down, sign, region)
        whole = int(radius_px)
        square, crosses = whole // 2, whole - whole // 2
        share = radius_px - whole
        while True:
            size, turns = min(square, STEP), min(crosses, STEP)
            square, crosses = square - size, crosses - turns
            last = square == 0 and crosses == 0
            made = self._like(m)
            args = self._args(
                m,
                made,
                region,
                sign=sign,
                size=size,
                crosses=turns,
                share=share if last else 0.0,
                next_square=whole % 2,
            )
            reach = size + turns + (1 if last and share else 0)
            self._tiles("erode", region, args, 2 * (TILE + 2 * reach) ** 2)
            m = made
            if last:
                return m

    def _eroded_oblong(
        self, m: Plane, across_px: float, down_px: float, sign: float, region: Region
    ) -> Plane:
        (across, down, _), *further = oblong_parts(across_px, down_px)
        out = self._oblong(m, across, down, sign, region)
        for across, down, share in further:
            other, made = self._oblong(m, across, down, sign, region), self._like(m)
            args = self._args(out, made, region, extra=other.address, share=share)
            self._each("erode_mix", region, args)
            out = made
        return out

    def _oblong(self, m: Plane, across: int, down: int, sign: float, region: Region) -> Plane:
        passes: list[tuple[str, dict[str, int]]] = [
            ("erode_line", {"size": size // 2, "crosses": axis})
            for axis, size in enumerate((across, down))
            if size // 2
        ]
        passes += [
            ("erode_arms", {"across": wide, "size": high})
            for wide, high in octagon_arms(across, down)
        ]
        for kernel, sizes in passes:
            made = self._like(m)
            self._each(kernel, region, self._args(m, made, region, sign=sign, **sizes))
            m = made
        return m


@lru_cache(maxsize=256)
def taps(sigma_px: float) -> NDArray[np.float32]:
    """Return the weights of a Gaussian as the kernels take them."""
    return np.ascontiguousarray(gauss_weights(sigma_px), np.float32)
