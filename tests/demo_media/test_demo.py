"""The demo on disk: complete, tagged, true, the same every time, and never over anything else."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import OpenImageIO as oiio
import pytest

from demo_media import DemoPaths, make_demo
from demo_media.codec import read_movie
from demo_media.exr import time_code_word
from kernels.errors import VerdigrisError
from server.media import open_shot

SIZE = {"frames": 3, "width": 320, "height": 180}


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> DemoPaths:
    calls: list[tuple[int, int]] = []
    folder = tmp_path_factory.mktemp("home") / "demo"
    made = make_demo(folder, progress=lambda d, n: calls.append((d, n)), workers=2, **SIZE)
    assert calls[-1] == (5, 5)
    assert [done for done, _ in calls] == sorted(done for done, _ in calls)
    return made


def planes(path: Path) -> dict[str, np.ndarray]:
    pixels = oiio.ImageInput.open(str(path))
    spec = pixels.spec()
    values = pixels.read_image("float")
    pixels.close()
    return {name: values[..., i] for i, name in enumerate(spec.channelnames)}


def test_the_shot_opens_as_a_sequence_with_its_tags(demo: DemoPaths) -> None:
    """Source: SMPTE ST 12-1 (time code), OpenEXR attributes, read back by OpenImageIO."""
    assert sorted(p.name for p in demo.folder.iterdir()) == [
        "clean_plate.exr", "demo.json", "gardener.mp4", "greenhouse.exr", "shot", "truth",
    ]  # fmt: skip
    shot = open_shot(str(demo.shot))
    assert (shot.frames, shot.width, shot.height) == ([1001, 1002, 1003], 320, 180)
    assert shot.fps == Fraction(24)
    assert shot.colourspace == "ACEScg"
    spec = oiio.ImageInput.open(str(demo.frame(demo.shot, 1002))).spec()
    assert str(spec.format) == "half"
    assert spec.get_string_attribute("smpte:TimeCode") == "00:00:41:18"
    assert time_code_word(24 * 3661 + 5, 24) == 0x01010105


def test_plate_is_truth_over_clean_plate_within_noise(demo: DemoPaths) -> None:
    """Source: the compositing equation, Smith & Blinn 1996; noise as the demo states it."""
    truth = planes(demo.frame(demo.truth, 1002))
    plate = planes(demo.frame(demo.shot, 1002))
    clean = planes(demo.clean_plate)
    alpha = truth["alpha.A"]
    assert alpha.min() == 0
    assert alpha.max() == 1
    screen = alpha == 0
    assert screen.mean() > 0.3
    for channel in "RGB":
        straight = truth[f"straight.{channel}"]
        assert np.all(straight >= truth[f"despilled.{channel}"] - 2e-3)
        light = alpha * straight + (1 - alpha) * clean[channel]
        difference = plate[channel] - light
        assert abs(difference[screen].mean()) < 2e-4
        assert 0.002 < difference[screen].std() < 0.012
        assert np.abs(difference[alpha == 1]).mean() < 0.03
    assert max(truth[f"straight.{c}"].max() for c in "RGB") > 1.5


def test_something_moves_and_the_screen_does_not(demo: DemoPaths) -> None:
    """Common practice, no source."""
    first, last = (planes(demo.frame(demo.truth, n))["alpha.A"] for n in (1001, 1003))
    assert np.abs(first - last).max() > 0.9
    still = (first == 0) & (last == 0)
    a, b = (planes(demo.frame(demo.shot, n))["G"] for n in (1001, 1003))
    assert abs((a - b)[still].mean()) < 3e-4
    assert (a - b)[still].std() > 0.002


def test_movie_has_the_same_frames_in_bt709(demo: DemoPaths) -> None:
    """Source: ITU-R BT.709-6, ITU-T H.273 flags, read by PyAV."""
    movie = open_shot(str(demo.movie))
    assert len(movie.frames) == 3
    assert movie.fps == Fraction(24)
    assert movie.chroma == "4:2:0"
    assert movie.encoded_bits == 8
    assert len(list(read_movie(demo.movie))) == 3
    sequence = open_shot(str(demo.shot)).read(1001).pixels
    picture = movie.read(movie.frames[0]).pixels
    middle = np.abs(np.clip(sequence, 0, 1) - picture)
    assert np.median(middle) < 0.02


def test_it_is_found_again_and_made_again_the_same(demo: DemoPaths, tmp_path: Path) -> None:
    """Common practice, no source."""
    frame = demo.frame(demo.shot, 1001)
    before = frame.stat().st_mtime_ns
    calls: list[tuple[int, int]] = []
    again = make_demo(demo.folder, progress=lambda d, n: calls.append((d, n)), **SIZE)
    assert again == demo
    assert frame.stat().st_mtime_ns == before
    assert calls == [(1, 1)]
    other = make_demo(tmp_path / "two", workers=1, **SIZE)
    for name in ("R", "G", "B"):
        mine, theirs = (planes(d.frame(d.shot, 1003))[name] for d in (demo, other))
        assert np.array_equal(mine, theirs)


def test_other_folders_are_left_alone(tmp_path: Path) -> None:
    """Common practice, no source."""
    keep = tmp_path / "mine"
    keep.mkdir()
    (keep / "letter.txt").write_text("dear")
    with pytest.raises(VerdigrisError, match="not a demo folder"):
        make_demo(keep, **SIZE)
    (tmp_path / "file").write_text("x")
    with pytest.raises(VerdigrisError, match="not a demo folder"):
        make_demo(tmp_path / "file", **SIZE)
    with pytest.raises(VerdigrisError, match="cannot be written"):
        make_demo(tmp_path / "file" / "below", **SIZE)
    with pytest.raises(VerdigrisError, match="even size"):
        make_demo(tmp_path / "new", frames=1, width=321, height=180)
    assert (keep / "letter.txt").read_text() == "dear"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["file", "mine"]


def test_an_older_demo_is_made_anew_and_the_work_beside_it_stays(tmp_path: Path) -> None:
    """Common practice, no source."""
    folder = tmp_path / "demo"
    made = make_demo(folder, workers=1, frames=2, width=64, height=64)
    (folder / "work").mkdir()
    (folder / "work" / "mine.json").write_text("edits")
    again = make_demo(folder, workers=1, frames=1, width=64, height=64)
    assert again.last == 1001
    assert not made.frame(made.shot, 1002).exists()
    assert planes(again.frame(again.shot, 1001))["R"].shape == (64, 64)
    assert (folder / "work" / "mine.json").read_text() == "edits"
    assert [p.name for p in tmp_path.iterdir()] == ["demo"]


def test_nothing_is_left_when_it_fails(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Common practice, no source."""
    from demo_media import demo as module

    def full(*_: object, **__: object) -> None:
        raise VerdigrisError("the disk is full")

    monkeypatch.setattr(module, "write_movie", full)
    with pytest.raises(VerdigrisError, match="disk is full"):
        make_demo(tmp_path / "demo", workers=1, frames=1, width=64, height=64)
    assert list(tmp_path.iterdir()) == []
