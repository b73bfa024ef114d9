"""Time code arithmetic and its packed form."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import OpenEXR
import pytest

from server.media import write_exr
from server.media.attributes import snap_rate
from server.media.timecode import advance, is_timecode, parse_timecode

NTSC = Fraction(30000, 1001)


@pytest.mark.parametrize(
    ("start", "frames", "fps", "expected"),
    [
        ("01:00:00:00", 24, Fraction(24), "01:00:01:00"),
        ("23:59:59:23", 1, Fraction(24), "00:00:00:00"),
        ("00:00:59;29", 1, NTSC, "00:01:00;02"),
        ("00:09:59;29", 1, NTSC, "00:10:00;00"),
        ("00:00:00;00", 17982, NTSC, "00:10:00;00"),
        ("00:00:00;00", 107892, NTSC, "01:00:00;00"),
        ("01:13:00;02", 17982, NTSC, "01:23:00;02"),
        ("12:00:00;00", 107892, NTSC, "13:00:00;00"),
        ("00:00:59;59", 1, Fraction(60000, 1001), "00:01:00;04"),
    ],
)
def test_counting(start: str, frames: int, fps: Fraction, expected: str) -> None:
    """Source: SMPTE ST 12-1: 17 982 frames in ten minutes and 107 892 in an hour of drop frame."""
    first = parse_timecode(start)
    assert first is not None
    assert str(advance(first, frames, fps)) == expected


def test_every_drop_frame_number_of_an_hour_is_met_once() -> None:
    """Source: SMPTE ST 12-1: frames 00 and 01 are left out except in every tenth minute."""
    first = parse_timecode("00:00:00;00")
    assert first is not None
    met = {str(advance(first, n, NTSC)) for n in range(107892)}
    assert len(met) == 107892
    assert "00:01:00;00" not in met
    assert "00:10:00;01" in met


def test_words_are_what_the_openexr_project_unpacks(tmp_path: Path) -> None:
    """Source: the OpenEXR project's Python module, attribute timeCode."""
    code = parse_timecode("10:21:43;17")
    assert code is not None
    path = str(tmp_path / "t.exr")
    write_exr(path, {"": np.zeros((3, 2, 2))}, attributes={"timeCode": code.words(Fraction(24))})
    with OpenEXR.File(path) as file:
        read = file.header()["timeCode"]
    assert (read.hours, read.minutes, read.seconds, read.frame) == (10, 21, 43, 17)
    assert read.dropFrame


@pytest.mark.parametrize(
    ("text", "fps", "frame", "second"),
    [
        ("12:34:56:48", Fraction(50), 24, False),
        ("12:34:56:49", Fraction(50), 24, True),
        ("12:34:56;59", Fraction(60000, 1001), 29, True),
        ("12:34:56:58", Fraction(60), 29, False),
        ("12:34:56:47", Fraction(48), 23, True),
        ("12:34:56:29", NTSC, 29, False),
        ("12:34:56:99", Fraction(100), 24, False),
    ],
)
def test_rates_over_thirty_count_pairs(
    tmp_path: Path, text: str, fps: Fraction, frame: int, second: bool
) -> None:
    """Source: SMPTE ST 12-1: above 30 frames a second the frame digits count pairs and the field
    mark tells the second of a pair; unpacked by the OpenEXR project's Python module."""
    code = parse_timecode(text)
    assert code is not None
    path = str(tmp_path / "t.exr")
    write_exr(path, {"": np.zeros((3, 2, 2))}, attributes={"timeCode": code.words(fps)})
    with OpenEXR.File(path) as file:
        read = file.header()["timeCode"]
    assert (read.hours, read.minutes, read.seconds, read.frame) == (12, 34, 56, frame)
    assert bool(read.fieldPhase) is second
    assert bool(read.dropFrame) is (";" in text)


@pytest.mark.parametrize(
    ("word", "good"),
    [(0x23595929, True), (0x235959E9, True), (0xFFFFFFFF, False), (0x24000000, False),
     (0x00600000, False), (0x0000000A, False), (0xFDFBFDFE, False)],
)  # fmt: skip
def test_words_that_are_no_time_are_told_apart(word: int, good: bool) -> None:
    """Source: SMPTE ST 12-1: binary-coded decimal digits of a time of day, with six flag bits."""
    assert is_timecode(word) is good


@pytest.mark.parametrize("text", ["", "1:2:3:4", "24:00:00:00", "00:60:00:00", "aa:bb:cc:dd"])
def test_other_text_is_no_time_code(text: str) -> None:
    """Common practice, no source."""
    assert parse_timecode(text) is None


def test_rounded_rates_become_exact() -> None:
    """Source: SMPTE ST 12-1 nominal rates divided by 1.001."""
    assert snap_rate(23.976) == Fraction(24000, 1001)
    assert snap_rate(29.97) == NTSC
    assert snap_rate(25.0) == 25
    assert snap_rate(12.5) == Fraction(25, 2)
