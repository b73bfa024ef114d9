"""The preview: keyed at full resolution and pooled in one launch, encoded by a small second one."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Hashable
from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kernels.cuda.device import Device, blocks
from kernels.cuda.packing import Packed
from kernels.cuda.sources import constants, layout
from kernels.engine import DisplayTable, View
from kernels.plan import Region
from kernels.recipe import Recipe
from kernels.reference.display import false_colour_table
from kernels.reference.pool import box_edges, pixel_ranges
from kernels.reference.view import pooling_of
from kernels.views import FINISHES, VIEW_TABLE

C = constants()
BOX = layout("pointwise", "Box")
CHANNELS = {"colour": 0, "red": 1, "green": 2, "blue": 3, "luminance": 4}
POOLINGS = {"mean": 0, "max": 1, "min": 2}
STRESS = {"off": 0, "screen": 1, "core": 2}
KEPT_TABLES = 32
STRIP, WARPS, EVEN_WARPS = 128, 4, 8
"""As in pointwise.cu: the pixels of a strip, the warps of a block."""
EVEN_COLUMNS, EVEN_ROWS = (4, 8, 16, 32, 64), (1, 2, 4, 8)
"""Widths and heights of boxes that the even kernel pools."""
Axis = tuple[float, float, int, int]
"""Where the boxes of an axis start and stop, how many they are, and the frame's size."""


def tables_key(recipe: Recipe) -> Hashable:
    """Return what decides the tables over hue; empty when no pass has a curve."""
    return tuple(
        (
            n,
            tuple((c.hue_deg, c.value) for c in step.spill_by_hue.points),
            tuple((c.hue_deg, c.value) for c in step.saturation_by_hue.points),
        )
        for n, step in enumerate(recipe.despill)
        if step.spill_by_hue.points or step.saturation_by_hue.points
    )


@lru_cache(maxsize=256)
def boxes(start: float, stop: float, count: int, size: int) -> NDArray[np.void]:
    """Return which pixels each box averages, and their shares: see `reference.pool`."""
    first, end = pixel_ranges(start, stop, count, size)
    edges = box_edges(start, stop, count)
    out = np.zeros(count, BOX)
    out["first"], out["end"] = first, end
    if count > stop - start:
        out["share_first"] = out["share_last"] = out["share_inner"] = 1.0
        return out
    spans = end - first
    share_first = np.maximum(np.minimum(edges[1:], first + 1) - np.maximum(edges[:-1], first), 0)
    share_last = np.maximum(np.minimum(edges[1:], end) - np.maximum(edges[:-1], end - 1), 0)
    share_first = np.where(spans == 1, 1.0, share_first)
    total = np.where(spans == 1, 1.0, share_first + share_last + np.maximum(spans - 2, 0))
    out["share_first"], out["share_last"] = share_first / total, share_last / total
    out["share_inner"] = 1.0 / total
    return out


class Previews:
    """Preview launches of one device, with the small tables they read."""

    def __init__(self, device: Device) -> None:
        self.device = device
        self._tables: OrderedDict[Hashable, Any] = OrderedDict()

    def forget(self) -> None:
        """Drop the tables."""
        self._tables.clear()

    def _kept(self, key: Hashable, make: Any) -> Any:
        if key not in self._tables:
            self._tables[key] = self.device.upload(np.ascontiguousarray(make()))
            while len(self._tables) > KEPT_TABLES:
                self._tables.popitem(last=False)
        self._tables.move_to_end(key)
        return self._tables[key]

    def render(self, packed: Packed, view: View, region: Region, width: int, height: int) -> Any:
        """Launch and return the picture, (view.height, view.width, 3) bytes in device memory."""
        x0, y0, x1, y1 = region
        across = (float(x0), float(x1), view.width, width)
        down = (float(y0), float(y1), view.height, height)
        even = even_boxes(across, down)
        pooling = POOLINGS[pooling_of(view)] << C["POOL_SHIFT"]
        packed = packed.with_flags(pooling | _even_flags(even))
        p = packed.params[0]
        picture = self.device.empty((view.height, view.width, 3), np.uint8)
        pooled = self.device.empty((view.height, view.width, 3), np.float32)
        held = [self._kept(axis, lambda axis=axis: boxes(*axis)) for axis in (across, down)]
        p["columns"], p["rows"] = (self.device.pointer(table) for table in held)
        p["picture"], p["pooled"] = self.device.pointer(picture), self.device.pointer(pooled)
        p["picture_width"], p["picture_height"] = view.width, view.height
        row = VIEW_TABLE[view.name]
        p["finish"] = FINISHES.index(row.finish)
        p["x0"], p["y0"], p["x1"], p["y1"] = region
        if row.marks:
            held.append(self._kept("false colour", false_colour_table))
            p["false_colour"] = self.device.pointer(held[-1])
        if view.name == "matte":
            p["stress_preset"] = STRESS[view.stress.preset]
            p["stress_gain"], p["stress_power"] = view.stress.gain, 1.0 / view.stress.gamma
        self._pack_look(p, view, held)
        if even is not None:
            p["box_share"] = 1.0 / (1 << sum(even))
            size = view.width << even[0], view.height << even[1]
            kernel, grid, warps = "preview_even", blocks(*size, STRIP, EVEN_WARPS), EVEN_WARPS
        else:
            tile = (columns_of_a_tile(*across), rows_of_a_tile((y1 - y0) / view.height))
            p["tile_columns"], p["tile_rows"] = tile
            grid = blocks(view.width, view.height, tile[0], WARPS * tile[1])
            kernel, warps = "preview", WARPS
        self.device.launch(
            "pointwise",
            kernel,
            grid,
            (32, warps),
            packed.params,
            structure=replace(packed.structure, kernel=kernel),
        )
        self.device.launch(
            "finish",
            "finish_picture",
            blocks(view.width, view.height, 32, 8),
            (32, 8),
            packed.params,
        )
        return picture

    def _pack_look(self, p: Any, view: View, held: list[Any]) -> None:
        look = view.look
        p["view_channel"] = CHANNELS[view.channel]
        p["look_exposure"] = 2.0**look.exposure_stops
        p["look_slope"], p["look_offset"] = look.slope, look.offset
        p["look_power"], p["look_saturation"] = look.power, look.saturation
        table = view.display
        if table is None:
            return
        for name, values in (("shaper", table.shaper), ("cube", table.table)):
            held.append(self._kept((name, _table_key(table)), lambda v=values: v))
            p[name] = self.device.pointer(held[-1])
        p["shaper_toe"], p["shaper_low"] = table.toe, table.low_stops
        p["shaper_span"] = table.high_stops - table.low_stops
        p["shaper_floor"] = 2.0**table.low_stops
        p["shaper_size"], p["cube_size"] = len(table.shaper), len(table.table)


def _table_key(table: DisplayTable) -> Hashable:
    return (table.key, len(table.shaper), len(table.table)) if table.key else _Same(table)


class _Same:
    """A key for a table without a name: the object itself, held so that it stays unique."""

    def __init__(self, table: DisplayTable) -> None:
        self.table = table

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Same) and other.table is self.table

    def __hash__(self) -> int:
        return id(self.table)


def even_boxes(across: Axis, down: Axis) -> tuple[int, int] | None:
    """Return the logarithms of the boxes' width and height if the even kernel pools them.

    It does where the width is one of `EVEN_COLUMNS`, the height one of `EVEN_ROWS`, and where they
    begin at a whole pixel, across at a multiple of four.
    """
    width, height = ((stop - start) / count for start, stop, count, _ in (across, down))
    if width not in EVEN_COLUMNS or height not in EVEN_ROWS:
        return None
    if across[0] % 4 or down[0] % 1:
        return None
    return int(width).bit_length() - 1, int(height).bit_length() - 1


def _even_flags(even: tuple[int, int] | None) -> int:
    return 0 if even is None else even[0] << C["COLUMN_SHIFT"] | even[1] << C["ROW_SHIFT"]


@lru_cache(maxsize=256)
def columns_of_a_tile(start: float, stop: float, count: int, size: int) -> int:
    """Return for how many columns the pixels under them fit in one strip (1 where none do)."""
    given = boxes(start, stop, count, size)
    first, end = given["first"] & ~3, given["end"]
    fitting = max(1, min(STRIP, int(STRIP * count / max(stop - start, 1e-6))))
    for n in range(fitting, 1, -1):
        starts = np.arange(0, count, n)
        if (end[np.minimum(starts + n, count) - 1] - first[starts]).max() <= STRIP:
            return n
    return 1


def rows_of_a_tile(ratio: float) -> int:
    """Return how many rows a warp makes: two where they share a source row."""
    return 1 if ratio <= 1 or ratio == int(ratio) else 2
