"""The grammar of SHOT, against the sequence library and by hand."""

from __future__ import annotations

from pathlib import Path

import fileseq
import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.media.errors import MediaError
from server.media.sequence import (
    find_frames,
    format_frames,
    format_path,
    group_folder,
    parse_frames,
    parse_pattern,
    still_frame,
)


@pytest.mark.parametrize(
    "text", ["5", "1-10", "1-10x2,15", "10-1", "1-3,2-4", "-5-2", "-3--1", "1-10x3", "7,3,1-4"]
)
def test_frame_ranges_mean_what_the_sequence_library_says(text: str) -> None:
    """Source: fileseq (FrameSet), the notation in common use."""
    assert parse_frames(text) == list(fileseq.FrameSet(text))


@given(st.sets(st.integers(-50, 2000), min_size=1, max_size=40))
def test_formatted_frames_read_back(frames: set[int]) -> None:
    """Common practice, no source."""
    assert parse_frames(format_frames(frames)) == sorted(frames)


@pytest.mark.parametrize(
    "text", ["", "a", "1-", "1..5", "1-5x0", "1-5x-2", "1,,2", "1-10y2", "1-99999999", "½", "١"]
)
def test_anything_else_is_refused_with_an_example(text: str) -> None:
    """Common practice, no source."""
    with pytest.raises(MediaError, match=r"1-10x2,15|shorter range"):
        parse_frames(text)


@pytest.mark.parametrize("frame", [0, 7, 1001, 12345, -3])
@pytest.mark.parametrize("pattern", ["a.####.exr", "a.%04d.exr", "a_##.dpx", "a.%d.png", "a.#.tif"])
def test_paths_of_frames(pattern: str, frame: int) -> None:
    """Source: the C standard's %0nd; fileseq with one digit per '#' (PAD_STYLE_HASH1)."""
    ours = format_path(f"dir/{pattern}", frame)
    if "%" in pattern:
        assert str(ours) == f"dir/{pattern % frame}"
    else:
        sequence = fileseq.FileSequence(pattern, pad_style=fileseq.PAD_STYLE_HASH1)
        sequence.setFrameSet(fileseq.FrameSet(str(frame)))
        assert ours.name == Path(str(sequence.frame(frame))).name


@pytest.mark.parametrize(
    "text",
    ["name.1001-1096####.exr", "a.1-10x2,15####.exr", "plate_7####.exr", "take.-5-10####.dpx"],
)
def test_ranges_in_patterns(text: str) -> None:
    """Source: fileseq, one digit per '#'."""
    pattern, frames = parse_pattern(text)
    theirs = fileseq.FileSequence(text, pad_style=fileseq.PAD_STYLE_HASH1)
    assert frames == sorted(theirs.frameSet())
    assert (pattern.prefix, pattern.digits) == (theirs.basename(), theirs.zfill())


def test_digits_glued_to_a_letter_belong_to_the_name() -> None:
    """Common practice, no source: `shot010####.exr` is the shot 010, not its frame 10."""
    pattern, frames = parse_pattern("shot010####.exr")
    assert frames is None
    assert pattern.path(1001).name == "shot0101001.exr"


@pytest.mark.parametrize("text", ["a.exr", "a.####.####.exr", "d.####/a.####.exr"])
def test_a_pattern_has_exactly_one_placeholder(text: str) -> None:
    """Common practice, no source."""
    with pytest.raises(MediaError, match="exactly one frame placeholder"):
        parse_pattern(text)


def test_only_files_with_the_patterns_digits_belong_to_it(tmp_path: Path) -> None:
    """Common practice, no source: frames are never renumbered, other paddings are other shots."""
    for name in ["a.0009.exr", "a.0010.exr", "a.10.exr", "a.10001.exr", "a.010.exr", "b.0011.exr"]:
        (tmp_path / name).touch()
    assert find_frames(parse_pattern(tmp_path / "a.####.exr")[0]) == [9, 10, 10001]
    assert find_frames(parse_pattern(tmp_path / "a.#.exr")[0]) == [10, 10001]


@pytest.mark.parametrize(
    ("name", "frame"),
    [
        ("gate.1003.exr", 1003),
        ("gate_0007.dpx", 7),
        ("0012.png", 12),
        ("gate.exr", 1),
        ("take3.exr", 1),
        ("gate.0.exr", 0),
        ("IMG-20310517123000.jpg", 1),
        ("gate.1003.clean.exr", 1),
    ],
)
def test_a_still_by_itself_keeps_its_number(name: str, frame: int) -> None:
    """Common practice, no source: frames are never renumbered."""
    assert still_frame(Path(name)) == frame


def test_folders_are_grouped_into_sequences_and_single_files(tmp_path: Path) -> None:
    """Common practice, no source."""
    names = ["a.1001.exr", "a.1002.exr", "b_9.png", "b_10.png", "still.tif", "x.0007.dpx", "m.mov"]
    for name in [*names, ".a.1003.exr.77.part", "notes.txt", "._a.1001.exr"]:
        (tmp_path / name).touch()
    patterns, singles = group_folder(tmp_path)
    assert [Path(str(p)).name for p in patterns] == ["a.####.exr", "b_#.png"]
    assert [p.name for p in singles] == ["m.mov", "still.tif", "x.0007.dpx"]
