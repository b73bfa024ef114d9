"""Bad input: always one sentence that names the file and says what to do, and nothing lost."""

from __future__ import annotations

import os
import random
import struct
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import OpenEXR
import OpenImageIO as oiio
import PIL.Image
import pytest
import tifffile
from numpy.typing import NDArray

from server.media import MediaError, open_shot, write_exr
from server.media.headers import Limits

Array = NDArray[Any]
Maker = Callable[..., Path]

STILLS = ["a.exr", "a.dpx", "a.jpg", "a.png", "a.tif"]


@pytest.fixture
def still(tmp_path: Path, gradient: Array, make_dpx: Callable[..., bytes]) -> Callable[[str], Path]:
    """Writes a good picture of a format, old enough not to look half-written."""

    def make(name: str) -> Path:
        path = tmp_path / name
        noisy = gradient ^ np.random.default_rng(0).integers(0, 8, gradient.shape, np.uint8)
        if path.suffix == ".exr":
            planes = np.moveaxis(noisy, -1, 0).astype(np.float32)
            write_exr(path, {"": planes / 255})
        elif path.suffix == ".dpx":
            path.write_bytes(make_dpx(noisy.astype(np.int64) * 4))
        elif path.suffix == ".tif":
            tifffile.imwrite(path, noisy, photometric="rgb")
        else:
            PIL.Image.fromarray(noisy).save(path)
        os.utime(path, (1, 1))
        return path

    return make


def one_sentence(caught: pytest.ExceptionInfo[MediaError], name: str) -> None:
    text = str(caught.value)
    assert name in text
    assert ";" in text
    assert "\n" not in text
    assert len(text) < 500


def attempt(name: str, action: Callable[..., Any], *values: Any) -> Any:
    """What the action gives; None when it fails in one sentence that names the file."""
    try:
        return action(*values)
    except MediaError as error:
        text = str(error)
    assert name in text
    assert "\n" not in text
    return None


def first_pixels(path: Path) -> Array:
    return open_shot(path, limits=Limits(side_px=4096, megabytes=256)).read(1).pixels


@pytest.mark.parametrize("name", STILLS)
def test_pictures_cut_short_anywhere(still: Callable[[str], Path], name: str) -> None:
    """Common practice, no source: an error, or, where only an end mark is gone, all the pixels;
    never a picture with a part made up."""
    path = still(name)
    data = path.read_bytes()
    whole = open_shot(path).read(1).pixels
    cuts = {0, 1, 3, 8, 100, 400, len(data) - 1, len(data) - 3}
    cuts |= {len(data) * n // 16 for n in range(16)}
    errors = 0
    for cut in sorted(cuts):
        path.write_bytes(data[:cut])
        os.utime(path, (1, 1))
        pixels = attempt(name, first_pixels, path)
        if pixels is None:
            errors += 1
        else:
            np.testing.assert_array_equal(pixels, whole)
    assert errors >= len(cuts) - 3


@pytest.mark.parametrize("name", STILLS)
def test_pictures_with_damaged_bytes(still: Callable[[str], Path], name: str) -> None:
    """Common practice, no source: an error or a whole, finite picture."""
    path = still(name)
    data = path.read_bytes()
    rng = random.Random(7)
    for _ in range(40):
        damaged = bytearray(data)
        for _ in range(rng.choice([1, 4, 30])):
            damaged[rng.randrange(min(len(data), rng.choice([64, 4096, len(data)])))] ^= (
                1 << rng.randrange(8)
            )
        path.write_bytes(damaged)
        os.utime(path, (1, 1))
        pixels = attempt(name, first_pixels, path)
        assert pixels is None or np.isfinite(pixels).all()


@pytest.mark.parametrize(
    ("name", "codec", "pix_fmt", "options", "least"),
    [
        ("a.mp4", "libx264", "yuv420p", {"movflags": "faststart"}, 20),
        ("b.mp4", "libx264", "yuv420p", {}, 0),
        ("a.mkv", "libx264", "yuv420p", {}, 20),
        ("a.mov", "prores_ks", "yuv422p10le", {"movflags": "faststart"}, 20),
        ("a.avi", "mjpeg", "yuvj420p", {}, 20),
    ],
)
def test_movies_cut_short_anywhere(
    make_movie: Maker, name: str, codec: str, pix_fmt: str, options: dict[str, str], least: int
) -> None:
    """Common practice, no source: an error, or the frames that are whole and the rest missing."""
    rng = np.random.default_rng(1)
    frames = [rng.integers(0, 200, (48, 64, 3)).astype(np.uint8) for _ in range(8)]
    path = make_movie(name, frames, codec=codec, pix_fmt=pix_fmt, container_options=options)
    data = path.read_bytes()
    whole = open_shot(path)
    good = {n: whole.read(n).pixels for n in whole.frames}
    met = 0
    for cut in sorted({0, 1, 30, len(data) - 1, *(len(data) * n // 12 for n in range(12))}):
        path.write_bytes(data[:cut])
        os.utime(path, (1 + cut, 1 + cut))
        shot = attempt(name, open_shot, path)
        for number in shot.frames if shot else []:
            frame = attempt(name, shot.read, number)
            if frame is not None:
                np.testing.assert_array_equal(frame.pixels, good[number])
                met += 1
    assert met >= least


@pytest.mark.parametrize("name", [*STILLS, "a.cin", "a.mov", "a.mp4", "a.mkv", "a.mxf"])
@pytest.mark.parametrize("content", [b"", b"this is text\n" * 50, bytes(5000), b"\xff" * 5000])
def test_files_that_are_something_else(tmp_path: Path, name: str, content: bytes) -> None:
    """Common practice, no source."""
    (tmp_path / name).write_bytes(content)
    with pytest.raises(MediaError) as caught:
        open_shot(tmp_path / name)
    one_sentence(caught, name)


def exr_header(path: Path, data: tuple[int, ...], display: tuple[int, ...]) -> None:
    """An EXR header with any windows, and no pixels. Source: OpenEXR file layout."""

    def attribute(name: bytes, kind: bytes, value: bytes) -> bytes:
        return name + b"\0" + kind + b"\0" + struct.pack("<i", len(value)) + value

    channel = b"".join(c + b"\0" + struct.pack("<iB3xii", 1, 0, 1, 1) for c in (b"B", b"G", b"R"))
    path.write_bytes(
        struct.pack("<ii", 20000630, 2)
        + attribute(b"channels", b"chlist", channel + b"\0")
        + attribute(b"compression", b"compression", b"\3")
        + attribute(b"dataWindow", b"box2i", struct.pack("<4i", *data))
        + attribute(b"displayWindow", b"box2i", struct.pack("<4i", *display))
        + attribute(b"lineOrder", b"lineOrder", b"\0")
        + attribute(b"pixelAspectRatio", b"float", struct.pack("<f", 1))
        + attribute(b"screenWindowCenter", b"v2f", struct.pack("<2f", 0, 0))
        + attribute(b"screenWindowWidth", b"float", struct.pack("<f", 1))
        + b"\0"
        + bytes(4096)
    )


HUGE = (0, 0, 99999, 99999)
SMALL = (0, 0, 63, 47)


@pytest.mark.parametrize(
    ("data", "display"),
    [
        (HUGE, HUGE),
        (SMALL, HUGE),
        (HUGE, SMALL),
        ((0, 0, 2**31 - 2, 0), SMALL),
        ((9, 9, 0, 0), SMALL),
        ((-(2**30), 0, 2**30, 9), SMALL),
    ],
)
def test_absurd_exr_windows(
    tmp_path: Path, data: tuple[int, ...], display: tuple[int, ...]
) -> None:
    """Common practice, no source: refused by the header, before memory is taken for pixels."""
    exr_header(tmp_path / "a.exr", data, display)
    with pytest.raises(MediaError) as caught:
        open_shot(tmp_path / "a.exr")
    one_sentence(caught, "a.exr")


def test_absurd_sizes_in_other_formats(
    tmp_path: Path, still: Callable[[str], Path], make_dpx: Callable[..., bytes]
) -> None:
    """Source: PNG specification (IHDR and its CRC); SMPTE ST 268-1 (width at 772)."""
    data = bytearray(still("a.png").read_bytes())
    data[16:24] = struct.pack(">II", 100_000, 100_000)
    data[29:33] = struct.pack(">I", zlib.crc32(bytes(data[12:29])))
    (tmp_path / "a.png").write_bytes(data)
    dpx = bytearray(make_dpx(np.zeros((8, 8, 3), np.int64)))
    dpx[772:780] = struct.pack(">II", 100_000, 100_000)
    (tmp_path / "a.dpx").write_bytes(dpx)
    for name in ("a.png", "a.dpx"):
        with pytest.raises(MediaError) as caught:
            open_shot(tmp_path / name)
        one_sentence(caught, name)


def test_a_thousand_channels(tmp_path: Path) -> None:
    """Common practice, no source."""
    channels = {f"layer{n:04d}.R": np.zeros((2, 2), np.float32) for n in range(1000)}
    header = {"compression": OpenEXR.ZIP_COMPRESSION, "type": OpenEXR.scanlineimage}
    with OpenEXR.File(header, channels) as file:
        file.write(str(tmp_path / "a.exr"))
    with pytest.raises(MediaError) as caught:
        open_shot(tmp_path / "a.exr")
    one_sentence(caught, "a.exr")


def test_mixed_sizes_name_the_frame(tmp_path: Path) -> None:
    """Common practice, no source."""
    for number, width in ((1, 8), (2, 8), (3, 10)):
        write_exr(tmp_path / f"a.{number:04d}.exr", {"": np.zeros((3, 6, width))})
    shot = open_shot(tmp_path)
    shot.read(1)
    for attempt in (lambda: shot.read(3), shot.check_headers):
        with pytest.raises(MediaError, match="is 10 x 6 but the shot is 8 x 6") as caught:
            attempt()
        one_sentence(caught, "a.0003.exr")


def test_a_library_code_is_no_reason(tmp_path: Path) -> None:
    """Common practice, no source: a person reads what is wrong, once, without error codes."""
    path = tmp_path / "a.exr"
    path.write_text("not a picture")
    with pytest.raises(MediaError, match=r"\(File is not an OpenEXR file\)") as caught:
        open_shot(path)
    assert str(caught.value).count(str(path)) == 1


def test_folders(tmp_path: Path) -> None:
    """Common practice, no source: an empty one, one of other files, one of several shots."""
    with pytest.raises(MediaError, match="holds no pictures or movies"):
        open_shot(tmp_path)
    (tmp_path / "a.raw").write_text("x")
    with pytest.raises(MediaError, match="transcode"):
        open_shot(tmp_path)
    for name in ("a.0001.exr", "a.0002.exr", "b.0001.exr", "b.0002.exr"):
        write_exr(tmp_path / name, {"": np.zeros((3, 2, 2))})
    with pytest.raises(MediaError, match=r"2 shots \(a\.####\.exr, b\.####\.exr\); name one"):
        open_shot(tmp_path)
    assert open_shot(tmp_path / "b.####.exr").frames == [1, 2]


@pytest.mark.parametrize(
    ("spec", "match"),
    [
        ("nothing.exr", "does not exist"),
        ("nothing.mov", "does not exist"),
        ("nothing", "does not exist"),
        ("camera.raw", "transcode it to EXR"),
        ("n.####.exr", "no file matches"),
        ("gone/n.####.exr", "does not exist"),
        ("a.7-9####.exr", r"has the frames 1-2 and none of 7-9"),
        ("folder.exr", "is a folder, not a picture"),
        ("folder.mov", "is a folder, not a movie"),
        ("a.####.####.exr", "exactly one frame placeholder"),
    ],
)
def test_paths_that_lead_nowhere(tmp_path: Path, spec: str, match: str) -> None:
    """Common practice, no source."""
    for number in (1, 2):
        write_exr(tmp_path / f"a.{number:04d}.exr", {"": np.zeros((3, 2, 2))})
    (tmp_path / "camera.raw").write_text("x")
    (tmp_path / "folder.exr").mkdir()
    (tmp_path / "folder.mov").mkdir()
    with pytest.raises(MediaError, match=match) as caught:
        open_shot(tmp_path / spec)
    one_sentence(caught, str(tmp_path))


def test_files_that_may_not_be_read(
    still: Callable[[str], Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Common practice, no source: as the system words it (a superuser's chmod would not bite)."""
    path = still("a.exr")

    def refuse(self: Path, *_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied", str(self))

    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(MediaError, match="Permission denied") as caught:
        open_shot(path)
    one_sentence(caught, "a.exr")


def test_unknown_colour_spaces(still: Callable[[str], Path]) -> None:
    """Common practice, no source."""
    with pytest.raises(MediaError, match=r"'ACESgc' is not in the config .* 'ACEScg'") as caught:
        open_shot(still("a.exr"), colourspace="ACESgc")
    one_sentence(caught, "ACESgc")


def test_pixels_of_nothing_but_nan(tmp_path: Path) -> None:
    """Common practice, no source."""
    picture = np.full((4, 6, 7), np.nan, np.float32)
    write_exr(tmp_path / "a.exr", {"": picture}, half=False)
    frame = open_shot(tmp_path / "a.exr", plate_alpha="use").read(1)
    assert frame.nonfinite == 42
    assert np.isfinite(frame.pixels).all()
    assert frame.alpha is not None
    assert np.isfinite(frame.alpha).all()


def test_a_log_plate_of_absurd_codes_stays_finite(tmp_path: Path) -> None:
    """Common practice, no source: decoding a log curve of 65504 overflows; it is counted."""
    picture = np.full((3, 2, 2), 0.5, np.float32)
    picture[:, 0, 0] = 60000.0
    write_exr(tmp_path / "a.exr", {"": picture})
    frame = open_shot(tmp_path / "a.exr", colourspace="ARRI LogC4").read(1)
    assert frame.nonfinite == 1
    assert np.isfinite(frame.pixels).all()


@pytest.mark.parametrize("size", [(1, 1), (1, 7), (13, 1), (17, 31)])
def test_awkward_sizes(tmp_path: Path, size: tuple[int, int]) -> None:
    """Common practice, no source."""
    picture = np.random.default_rng(3).random((3, *size)).astype(np.float32)
    write_exr(tmp_path / "a.exr", {"": picture}, half=False, interop_id="lin_ap1_scene")
    np.testing.assert_array_equal(open_shot(tmp_path / "a.exr").read(1).pixels, picture)


def test_what_is_over_the_limits_is_told_with_the_limits(tmp_path: Path) -> None:
    """Our own rule, no outside source: no advice about a library's own switches."""
    spec = oiio.ImageSpec(4, 4, 100, "half")
    writer = oiio.ImageOutput.create("openexr")
    path = tmp_path / "many.exr"
    assert writer.open(str(path), spec)
    assert writer.write_image(np.zeros((4, 4, 100), np.float32))
    writer.close()
    with pytest.raises(MediaError) as caught:
        open_shot(path)
    assert "too large" in str(caught.value)
    assert "64 channels" in str(caught.value)
    assert "attribute" not in str(caught.value)


def test_tristimulus_channels_are_not_taken_for_a_grey_picture(tmp_path: Path) -> None:
    """Source: OpenEXR's channel names, Y is luminance; X Y Z are other data (positions, CIE)."""
    spec = oiio.ImageSpec(4, 4, 3, "half")
    spec.channelnames = ("X", "Y", "Z")
    writer = oiio.ImageOutput.create("openexr")
    assert writer.open(str(tmp_path / "xyz.exr"), spec)
    assert writer.write_image(np.zeros((4, 4, 3), np.float32))
    writer.close()
    with pytest.raises(MediaError) as caught:
        open_shot(tmp_path / "xyz.exr")
    assert "X, Y, Z" in str(caught.value)


def test_a_folder_in_the_output_s_place_is_told_apart_from_a_full_disk(tmp_path: Path) -> None:
    """Our own rule, no outside source: the remedy fits the mistake."""
    (tmp_path / "taken.exr").mkdir()
    with pytest.raises(MediaError) as caught:
        write_exr(tmp_path / "taken.exr", {"": np.zeros((3, 4, 4), np.float32)})
    assert "choose another" in str(caught.value)
    assert "free space" not in str(caught.value)
