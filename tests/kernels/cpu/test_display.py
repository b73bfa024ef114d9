"""The cpu engine's display transform against the reference's."""

from __future__ import annotations

import numpy as np
import pytest

from kernels.cpu.display import display_codes, finish
from kernels.reference.display import apply_display, to_8bit
from kernels.reference.view import finish_view
from kernels.views import DisplayTable, Look, View


def table(size: int, shaper: int = 2, bend: float = 1.0) -> DisplayTable:
    """Return a smooth made-up transform whose channels depend on one another."""
    axis = np.linspace(0, 1, size, dtype=np.float32)
    r, g, b = np.meshgrid(axis, axis, axis, indexing="ij")
    cube = np.stack([r**1.2 * 0.9 + 0.1 * g, g * (0.8 + 0.2 * b), 0.7 * b + 0.3 * r * g], axis=-1)
    curve = np.linspace(0, 1, shaper, dtype=np.float32) ** bend
    return DisplayTable(curve.astype(np.float32), -0.01, -7.0, 7.0, cube.astype(np.float32), "t")


def pixels(height: int = 37, width: int = 53) -> np.ndarray:
    rng = np.random.default_rng(4)
    image = (2.0 ** rng.normal(-2, 3, (3, height, width))).astype(np.float32)
    image[:, 0, :4] = [[0, -0.02, 0.18, 1], [0, 0.5, 0.18, 1], [0, 1e6, 0.18, 1]]
    return image


@pytest.mark.parametrize(
    ("size", "shaper", "bend"), [(2, 2, 1), (17, 2, 1), (81, 2, 1), (33, 65, 2)]
)
def test_codes_are_the_references(size: int, shaper: int, bend: float) -> None:
    """Common practice, no source: the reference, which is held to OpenColorIO elsewhere."""
    image, made = pixels(), table(size, shaper, bend)
    expected = apply_display(image, made)
    codes = display_codes(image, made).astype(int)
    assert np.abs(codes - 255 * np.moveaxis(expected, 0, -1)).max() < 0.5 + 0.2
    assert (codes != to_8bit(expected)).mean() < 0.05


def test_what_is_not_a_number_is_dark() -> None:
    """Common practice, no source."""
    image = np.full((3, 1, 2), np.nan, np.float32)
    image[:, 0, 1] = np.inf
    codes = display_codes(image, table(9))
    assert codes[0, 0].max() == 0
    assert codes[0, 1].min() >= 250


@pytest.mark.parametrize("name", ["composite", "matte", "deciding"])
def test_every_kind_of_view_is_finished_as_by_the_reference(name: str) -> None:
    """Common practice, no source."""
    values = pixels() if name != "matte" else pixels()[0]
    view = View(
        name,
        values.shape[-1],
        values.shape[-2],
        display=table(17),
        channel="green",  # type: ignore[arg-type]
        look=Look(exposure_stops=0.5, slope=(1.1, 0.9, 1.0), saturation=0.8),
    )
    weights = (0.27, 0.67, 0.06)
    difference = finish(values, view, weights).astype(int) - finish_view(values, view, weights)
    assert np.abs(difference).max() <= 1
    assert (difference != 0).mean() < 0.02
