"""Which frame of a clean plate or background goes with a shot's frame."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from server.media import Shot, open_shot, write_exr
from server.media.companions import companion_frame


def numbered(folder: Path, name: str, frames: list[int]) -> Shot:
    """Write a small sequence, each picture as bright as its number, and open it."""
    folder.mkdir(parents=True, exist_ok=True)
    for frame in frames:
        picture = np.full((3, 2, 4), frame, np.float32)
        write_exr(folder / f"{name}.{frame:04d}.exr", {"": picture}, interop_id="lin_ap1_scene")
    return open_shot(folder / f"{name}.####.exr", missing="hold")


def test_frames_are_matched_by_position_where_no_numbers_are_shared(tmp_path: Path) -> None:
    """Our own rule, no outside source: a plate numbered from 1 goes with a shot from 1001."""
    shot = numbered(tmp_path, "shot", [1001, 1002, 1024, 1048])
    plates = numbered(tmp_path, "clean", list(range(1, 49)))
    matched = [companion_frame(plates, shot, frame) for frame in (1001, 1002, 1024, 1048)]
    assert matched == [1, 2, 24, 48]
    assert float(plates.read(matched[2]).pixels[0, 0, 0]) == 24
    assert companion_frame(plates, shot, 1048, offset=5) == 48, "held beyond its end"
    assert companion_frame(plates, shot, 1001, offset=-5) == 1
    assert companion_frame(plates, shot, 1048, offset=5, loop=True) == 5
    assert companion_frame(plates, shot, 1001, offset=-1, loop=True) == 48


def test_frames_are_matched_by_number_where_numbers_are_shared(tmp_path: Path) -> None:
    """Our own rule, no outside source: one cut a little longer or shorter stays in step."""
    shot = numbered(tmp_path, "shot", [1003, 1004, 1005, 1006])
    plates = numbered(tmp_path, "clean", [1001, 1002, 1003, 1004])
    assert [companion_frame(plates, shot, f) for f in shot.frames] == [1003, 1004, 1004, 1004]
    assert companion_frame(plates, shot, 1005, loop=True) == 1001


@pytest.mark.parametrize(("frame", "expected"), [(10, 10), (11, 10), (12, 12), (13, 12)])
def test_a_number_that_is_left_out_is_held_from_before(
    tmp_path: Path, frame: int, expected: int
) -> None:
    """Our own rule, no outside source."""
    shot = numbered(tmp_path, "shot", [10, 11, 12, 13])
    numbered(tmp_path, "clean", [10, 12, 14])
    plates = open_shot(tmp_path / "clean.10-14x2####.exr", missing="hold")
    assert list(plates.frames) == [10, 12, 14]
    assert companion_frame(plates, shot, frame) == expected


def test_a_still_goes_with_every_frame(tmp_path: Path) -> None:
    """Our own rule, no outside source."""
    shot = numbered(tmp_path, "shot", [7, 8])
    write_exr(tmp_path / "one.exr", {"": np.zeros((3, 2, 4))}, interop_id="lin_ap1_scene")
    still = open_shot(tmp_path / "one.exr")
    assert {companion_frame(still, shot, f, 3, loop=True) for f in shot.frames} == {still.frames[0]}
