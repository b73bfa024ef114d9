"""Small pictures for people, read back by Pillow."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import PIL.Image
import pytest
from numpy.typing import NDArray

from server.media import MediaError, codes_from_display, contact_sheet, write_still

Array = NDArray[Any]


@pytest.mark.parametrize("channels", [0, 3, 4])
def test_png_is_lossless(tmp_path: Path, channels: int) -> None:
    """Source: Pillow."""
    shape = (9, 7, channels) if channels else (9, 7)
    picture = np.random.default_rng(1).integers(0, 256, shape).astype(np.uint8)
    write_still(tmp_path / "a.png", picture)
    np.testing.assert_array_equal(np.asarray(PIL.Image.open(tmp_path / "a.png")), picture)
    assert [p.name for p in tmp_path.iterdir()] == ["a.png"]


def test_jpeg_keeps_colour(tmp_path: Path, gradient: Array) -> None:
    """Source: Pillow; channels in their order, no chroma subsampling."""
    write_still(tmp_path / "a.jpg", gradient, quality=95)
    read = np.asarray(PIL.Image.open(tmp_path / "a.jpg"), np.int16)
    assert np.abs(read - gradient).max() < 8


def test_codes_are_rounded_and_clipped() -> None:
    """Common practice, no source."""
    values = np.array([[-1.0, 0.0, 0.4999 / 255, 0.5001 / 255, 1.0, 9.0, np.nan]])
    assert codes_from_display(values).tolist() == [[0, 0, 0, 1, 255, 255, 0]]
    assert codes_from_display(np.zeros((3, 4, 5))).shape == (4, 5, 3)


def test_a_contact_sheet_holds_every_picture_in_reading_order() -> None:
    """Common practice, no source."""
    pictures = [np.full((20, 40, 3), 50 + 20 * n, np.uint8) for n in range(5)]
    sheet = contact_sheet(pictures, columns=3, cell_width=40, gap_px=4)
    assert sheet.shape == (2 * 20 + 3 * 4, 3 * 40 + 4 * 4, 3)
    for n in range(5):
        row, column = divmod(n, 3)
        assert sheet[4 + row * 24 + 10, 4 + column * 44 + 20, 0] == 50 + 20 * n
    labelled = contact_sheet(pictures, columns=3, cell_width=40, labels=["1001"])
    assert labelled.shape[0] > sheet.shape[0]
    assert contact_sheet([np.zeros((8, 8), np.uint8)], cell_width=16).shape[2] == 3


@pytest.mark.parametrize(
    ("name", "picture"),
    [
        ("a.gif", np.zeros((2, 2, 3), np.uint8)),
        ("a.png", np.zeros((2, 2, 2), np.uint8)),
        ("a.png", np.zeros((2, 2, 3), np.float32)),
        ("a.jpg", np.zeros((2, 2, 4), np.uint8)),
    ],
)
def test_other_pictures_are_refused(tmp_path: Path, name: str, picture: Array) -> None:
    """Common practice, no source."""
    with pytest.raises(MediaError, match=name.replace(".", r"\.")):
        write_still(tmp_path / name, picture)
    assert list(tmp_path.iterdir()) == []


def test_an_empty_sheet_is_refused() -> None:
    """Common practice, no source."""
    with pytest.raises(MediaError, match="at least one picture"):
        contact_sheet([])
