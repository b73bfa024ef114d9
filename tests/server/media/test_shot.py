"""Opening shots and reading their frames into the working space."""

from __future__ import annotations

import os
import pickle
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import OpenImageIO as oiio
import PIL.Image
import pytest
from numpy.typing import NDArray

from server.media import MediaError, load_colour, open_shot, write_exr
from server.media.images import read_picture

Array = NDArray[Any]


def write_frames(folder: Path, numbers: list[int], size: tuple[int, int] = (6, 8)) -> None:
    for number in numbers:
        picture = np.full((3, *size), number / 2048, np.float32)
        write_exr(folder / f"a.{number:04d}.exr", {"": picture}, interop_id="lin_ap1_scene")


def level(pixels: Array) -> float:
    return round(float(pixels.mean()) * 2048)


@pytest.mark.parametrize("spec", ["", "a.####.exr", "a.%04d.exr", "a.1001-1003####.exr"])
def test_one_sequence_by_each_of_its_names(tmp_path: Path, spec: str) -> None:
    """Common practice, no source: frames keep their numbers."""
    write_frames(tmp_path, [1001, 1002, 1003])
    shot = open_shot(tmp_path / spec)
    assert (shot.kind, shot.frames, shot.missing_frames) == ("sequence", [1001, 1002, 1003], [])
    assert (shot.name, shot.width, shot.height) == ("a", 8, 6)
    assert [level(shot.read(n).pixels) for n in shot.frames] == shot.frames
    assert [p.name for p in shot.source_files()] == [f"a.{n}.exr" for n in shot.frames]


def test_a_frame_of_a_sequence_by_itself_keeps_its_number(tmp_path: Path) -> None:
    """Common practice, no source: frames are never renumbered."""
    write_frames(tmp_path, [1003, 1004])
    shot = open_shot(tmp_path / "a.1003.exr")
    assert (shot.kind, shot.frames) == ("still", [1003])
    assert level(shot.read(1003).pixels) == 1003
    with pytest.raises(MediaError, match="no frame 1; it has 1003"):
        shot.read(1)
    (tmp_path / "a.1003.exr").unlink()
    assert open_shot(tmp_path).frames == [1004]


def test_shots_travel_to_other_processes(tmp_path: Path) -> None:
    """Common practice, no source."""
    write_frames(tmp_path, [1, 2])
    shot = open_shot(tmp_path)
    again = pickle.loads(pickle.dumps(shot))
    assert again == shot
    np.testing.assert_array_equal(again.read(2).pixels, shot.read(2).pixels)


def test_missing_frames_are_named_held_or_black(tmp_path: Path) -> None:
    """Common practice, no source: policy error, hold or black; numbers never change."""
    write_frames(tmp_path, [1001, 1004])
    strict = open_shot(tmp_path)
    assert strict.frames == [1001, 1002, 1003, 1004]
    assert strict.missing_frames == [1002, 1003]
    with pytest.raises(MediaError, match=r"frame 1002 is missing .*a\.1002\.exr"):
        strict.read(1002)
    with pytest.raises(MediaError, match=r"a\.1002\.exr"):
        strict.check_headers()
    held = open_shot(tmp_path, missing="hold").read(1003)
    assert (held.number, held.held, held.missing, level(held.pixels)) == (1003, True, True, 1001)
    black = open_shot(tmp_path, missing="black").read(1003)
    assert (black.number, black.held, black.missing, level(black.pixels)) == (1003, False, True, 0)


def test_a_hold_before_the_first_file_takes_the_next(tmp_path: Path) -> None:
    """Common practice, no source."""
    write_frames(tmp_path, [1003, 1004])
    shot = open_shot(tmp_path / "a.1001-1004####.exr", missing="hold")
    assert level(shot.read(1001).pixels) == 1003


def test_a_file_that_went_away_or_came_later(tmp_path: Path) -> None:
    """Common practice, no source: a watched shot grows; a deleted file is a missing frame."""
    write_frames(tmp_path, [1, 2, 3])
    shot = open_shot(tmp_path / "a.1-4####.exr", missing="hold")
    assert shot.missing_frames == [4]
    write_frames(tmp_path, [4])
    assert not shot.read(4).held
    (tmp_path / "a.0003.exr").unlink()
    assert level(shot.read(3).pixels) == 2


def test_other_frame_numbers_are_refused(tmp_path: Path) -> None:
    """Common practice, no source."""
    write_frames(tmp_path, [1, 2])
    with pytest.raises(MediaError, match=r"no frame 3; it has 1-2"):
        open_shot(tmp_path).read(3)


def test_half_written_frames_are_read_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Common practice, no source: a renderer is still writing the newest file."""
    write_frames(tmp_path, [1, 2])
    whole = (tmp_path / "a.0002.exr").read_bytes()
    (tmp_path / "a.0002.exr").write_bytes(whole[: len(whole) // 2])
    shot = open_shot(tmp_path)
    waits: list[float] = []

    def finish_writing(seconds: float) -> None:
        waits.append(seconds)
        (tmp_path / "a.0002.exr").write_bytes(whole)

    monkeypatch.setattr("server.media.shot.time.sleep", finish_writing)
    assert level(shot.read(2).pixels) == 2
    assert len(waits) == 1


def test_frame_rate_aspect_and_attributes_come_along(tmp_path: Path) -> None:
    """Source: OpenEXR's standard attributes."""
    given = {
        "framesPerSecond": Fraction(24000, 1001), "timeCode": (0x10203004, 0), "reelName": "A003",
        "capDate": "2026:05:01 10:00:00", "expTime": 0.02, "isoSpeed": 800.0,
        "lensModel": "spherical 32 mm", "cameraMake": "own", "myNote": "kept",
    }  # fmt: skip
    write_exr(tmp_path / "a.exr", {"": np.zeros((3, 4, 4))}, attributes=given, pixel_aspect=2.0)
    shot = open_shot(tmp_path / "a.exr")
    assert (shot.fps, shot.pixel_aspect) == (Fraction(24000, 1001), 2.0)
    frame = shot.read(1)
    for name, value in given.items():
        if isinstance(value, float):
            assert frame.attributes[name] == pytest.approx(value)
        else:
            assert frame.attributes[name] == value


def test_nan_and_infinity_are_counted_and_replaced(tmp_path: Path) -> None:
    """Common practice, no source."""
    picture = np.full((3, 5, 5), 0.5, np.float32)
    picture[0, 0, 0] = np.nan
    picture[:, 1, 1] = np.inf
    picture[2, 2, 2] = -np.inf
    write_exr(tmp_path / "a.exr", {"": picture}, half=False, interop_id="lin_ap1_scene")
    frame = open_shot(tmp_path / "a.exr").read(1)
    assert frame.nonfinite == 3
    assert np.isfinite(frame.pixels).all()
    assert (frame.pixels[0, 0, 0], frame.pixels[0, 1, 1]) == (0.0, 65504.0)
    assert frame.pixels[2, 2, 2] == -65504.0


@pytest.mark.parametrize("associated", [True, False])
def test_plate_alpha_is_divided_out_before_colour_is_converted(
    tmp_path: Path, associated: bool
) -> None:
    """Source: Porter & Duff 1984: straight = premultiplied / alpha; EXR stores it associated
    (OpenEXR), PNG straight (PNG specification); IEC 61966-2-1 for the curve."""
    straight = np.random.default_rng(8).uniform(0.2, 0.9, (3, 6, 6)).astype(np.float32)
    alpha = np.random.default_rng(9).uniform(0.3, 1.0, (6, 6)).astype(np.float32)
    alpha[0, 0] = 0.0
    if associated:
        path = tmp_path / "a.exr"
        stored = np.concatenate([straight * alpha, alpha[None]])
        write_exr(path, {"": stored}, half=False, interop_id="srgb_rec709_scene")
    else:
        path = tmp_path / "a.png"
        rgba = np.rint(np.concatenate([straight, alpha[None]]) * 255).astype(np.uint8)
        PIL.Image.fromarray(np.ascontiguousarray(np.moveaxis(rgba, 0, -1))).save(path)
        straight, alpha = rgba[:3] / np.float32(255), rgba[3] / np.float32(255)
    frame = open_shot(path, plate_alpha="use").read(1)
    expected = load_colour().to_working(straight, "srgb_rec709_scene")
    assert frame.alpha is not None
    np.testing.assert_allclose(frame.alpha, alpha, atol=1e-6)
    inside = alpha > 0
    np.testing.assert_allclose(frame.pixels[:, inside], expected[:, inside], atol=2e-5)
    ignored = open_shot(path).read(1)
    assert ignored.alpha is None
    _, raw, _ = read_picture(path)
    np.testing.assert_allclose(
        ignored.pixels, load_colour().to_working(raw, "srgb_rec709_scene"), atol=1e-6
    )


def test_an_all_zero_camera_alpha_hurts_nothing_when_ignored(tmp_path: Path) -> None:
    """Common practice, no source: cameras write alpha of all 0 or all 1."""
    picture = np.concatenate([np.full((3, 4, 4), 0.3), np.zeros((1, 4, 4))])
    write_exr(tmp_path / "a.exr", {"": picture}, half=False, interop_id="lin_ap1_scene")
    np.testing.assert_allclose(open_shot(tmp_path / "a.exr").read(1).pixels, 0.3, rtol=1e-6)


def test_override_beats_metadata_beats_rules_beats_assumption(tmp_path: Path) -> None:
    """Common practice, no source; the assumption is that of OpenEXR, Technical Introduction, "RGB
    Color", which the built-in config's rule for the ending does not outweigh."""
    zeros = {"": np.zeros((3, 4, 4))}
    write_exr(tmp_path / "tagged.exr", zeros, interop_id="lin_rec709_scene")
    write_exr(tmp_path / "plain.exr", zeros)
    tagged = open_shot(tmp_path / "tagged.exr")
    assert (tagged.colourspace, tagged.colourspace_origin) == ("Linear Rec.709 (sRGB)", "metadata")
    plain = open_shot(tmp_path / "plain.exr")
    assert (plain.colourspace, plain.colourspace_origin) == ("Linear Rec.709 (sRGB)", "assumed")
    forced = open_shot(tmp_path / "tagged.exr", colourspace="acescg")
    assert (forced.colourspace, forced.colourspace_origin) == ("ACEScg", "override")


def test_chromaticities_are_metadata_too(tmp_path: Path) -> None:
    """Source: OpenEXR's chromaticities attribute; ITU-R BT.2020-2 primaries."""
    spec = oiio.ImageSpec(4, 4, 3, "half")
    primaries = (0.708, 0.292, 0.170, 0.797, 0.131, 0.046, 0.3127, 0.3290)
    spec.attribute("chromaticities", oiio.TypeDesc("float[8]"), primaries)
    writer = oiio.ImageOutput.create("openexr")
    assert writer.open(str(tmp_path / "a.exr"), spec)
    writer.write_image(np.zeros((4, 4, 3), np.float32))
    writer.close()
    assert open_shot(tmp_path / "a.exr").colourspace == "Linear Rec.2020"


def test_the_environments_config_is_used(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Source: OpenColorIO: the variable OCIO names the config."""
    monkeypatch.setenv("OCIO", "ocio://cg-config-latest")
    write_exr(tmp_path / "a.exr", {"": np.zeros((3, 4, 4))})
    assert open_shot(tmp_path / "a.exr").ocio == "ocio://cg-config-latest"
    given = open_shot(tmp_path / "a.exr", ocio="ocio://studio-config-latest")
    assert given.ocio == "ocio://studio-config-latest"


def test_windows_and_overscan_survive_to_a_written_file(tmp_path: Path) -> None:
    """Source: OpenImageIO, display windows with an offset origin."""
    picture = np.random.default_rng(1).random((3, 10, 12)).astype(np.float32)
    write_exr(
        tmp_path / "a.exr", {"": picture}, half=False, interop_id="lin_ap1_scene",
        data_window=(98, 49, 110, 59), display_window=(100, 50, 108, 56),
    )  # fmt: skip
    frame = open_shot(tmp_path / "a.exr").read(1)
    np.testing.assert_array_equal(frame.pixels, picture[:, 1:7, 2:10])
    write_exr(tmp_path / "b.exr", {"": frame.pixels}, attributes=frame.attributes)
    reader = oiio.ImageInput.open(str(tmp_path / "b.exr"))
    spec = reader.spec()
    reader.close()
    assert (spec.full_x, spec.full_y, spec.full_width, spec.full_height) == (100, 50, 8, 6)
    assert (spec.x, spec.y, spec.width, spec.height) == (100, 50, 8, 6)


def test_source_files_are_never_written(tmp_path: Path) -> None:
    """Common practice, no source: opening and reading leave bytes and times as they are."""
    write_frames(tmp_path, [1, 2])
    before = {p: (p.read_bytes(), os.stat(p).st_mtime_ns) for p in tmp_path.iterdir()}
    shot = open_shot(tmp_path)
    for number in shot.frames:
        shot.read(number)
    assert {p: (p.read_bytes(), os.stat(p).st_mtime_ns) for p in tmp_path.iterdir()} == before
