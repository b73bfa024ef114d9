"""Stills written by FFmpeg, ImageMagick and the OpenEXR module, against independent readers."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import OpenEXR
import pytest
from numpy.typing import NDArray

from server.media import open_shot, write_exr
from server.media.images import read_header, read_picture
from tests.interop.conftest import HEIGHT, WIDTH, picture, raw

Array = NDArray[Any]
Run = Callable[..., bytes]
pytestmark = pytest.mark.slow

SIZE = f"{WIDTH}x{HEIGHT}"
FFMPEG = {
    "a.dpx": ["-pix_fmt", "rgb24"],
    "b.dpx": ["-pix_fmt", "gbrp10be"],
    "c.dpx": ["-pix_fmt", "gbrp12be"],
    "d.dpx": ["-pix_fmt", "rgb48be"],
    "e.dpx": ["-pix_fmt", "rgb48le"],
    "a.tif": ["-pix_fmt", "rgb24"],
    "b.tif": ["-pix_fmt", "rgb48le", "-compression_algo", "deflate"],
    "c.tiff": ["-pix_fmt", "rgba64le"],
    "a.png": ["-pix_fmt", "rgb24"],
    "b.png": ["-pix_fmt", "rgb48be"],
    "c.png": ["-pix_fmt", "rgba64be"],
    "a.jpg": ["-pix_fmt", "yuvj444p", "-q:v", "1", "-qmin", "1"],
    "b.jpg": ["-pix_fmt", "yuvj420p", "-q:v", "1", "-qmin", "1"],
}
DEPTHS = {"rgb24": 1 / 255, "gbrp10be": 1 / 1023, "gbrp12be": 1 / 4095}


@pytest.mark.parametrize("name", FFMPEG)
def test_stills_by_ffmpeg(ffmpeg: Run, tmp_path: Path, name: str) -> None:
    """Source: the pixels that FFmpeg was given; nothing beyond its short DPX header is metadata."""
    given = picture(3)
    options = FFMPEG[name]
    ffmpeg(
        "-f", "rawvideo", "-pix_fmt", "rgb48le", "-s", SIZE, "-i", "-", "-frames:v", "1", *options,
        tmp_path / name, data=raw([given]),
    )  # fmt: skip
    header, colour, _ = read_picture(tmp_path / name)
    step = DEPTHS.get(options[1], 2 / 65535)
    want = np.moveaxis(given, -1, 0) / 65535
    inner = (slice(None), slice(2, -2), slice(2, -2))
    allowed = 6 / 255 if name.endswith("jpg") else 1.02 * step
    assert np.abs(colour - want)[inner].max() < allowed
    assert header.orientation == 1
    assert not {"timeCode", "keyCode", "slate", "framesPerSecond"} & set(header.attributes)


@pytest.mark.parametrize("kind", ["half", "float"])
@pytest.mark.parametrize("compression", ["none", "rle", "zip1", "zip16"])
def test_exr_by_ffmpeg(ffmpeg: Run, tmp_path: Path, kind: str, compression: str) -> None:
    """Source: the linear pixels that FFmpeg was given, and the OpenEXR project's own module."""
    given = picture(2)
    planes = given.astype("<f4") / 65535
    data = b"".join(planes[..., channel].tobytes() for channel in (1, 2, 0))
    path = tmp_path / "a.exr"
    ffmpeg(
        "-f", "rawvideo", "-pix_fmt", "gbrpf32le", "-s", SIZE, "-i", "-", "-frames:v", "1",
        "-format", kind, "-compression", compression, path, data=data,
    )  # fmt: skip
    _, colour, _ = read_picture(path)
    np.testing.assert_allclose(colour, np.moveaxis(planes, -1, 0), rtol=1e-3, atol=1e-6)
    with OpenEXR.File(str(path), separate_channels=True) as file:
        theirs = np.stack([file.channels()[c].pixels.astype(np.float32) for c in "RGB"])
    np.testing.assert_array_equal(colour, theirs)
    assert open_shot(path).colourspace == "Linear Rec.709 (sRGB)"


MAGICK = {
    "a.tif": ["-depth", "8"],
    "b.tif": ["-depth", "16", "-compress", "LZW"],
    "c.tif": ["-depth", "16", "-compress", "Zip", "-interlace", "plane"],
    "d.tif": ["-depth", "16", "-endian", "MSB"],
    "e.tif": ["-depth", "32", "-define", "quantum:format=unsigned"],
    "g.tif": ["-depth", "16", "-colorspace", "gray"],
    "h.tif": ["-depth", "16", "-colorspace", "gray", "-define", "quantum:polarity=min-is-white"],
    "a.png": ["-depth", "8", "-define", "png:color-type=2"],
    "b.png": ["-depth", "16", "-define", "png:color-type=2"],
    "c.png": ["-depth", "8", "-interlace", "PNG", "-define", "png:color-type=6"],
    "a.jpg": ["-quality", "100", "-sampling-factor", "1x1"],
    "b.jpg": ["-quality", "100", "-sampling-factor", "2x2", "-interlace", "JPEG"],
    "a.dpx": ["-depth", "10", "-set", "colorspace", "sRGB"],
    "b.dpx": ["-depth", "16", "-set", "colorspace", "sRGB"],
}


@pytest.mark.parametrize("name", MAGICK)
def test_stills_by_imagemagick(magick: Run, tmp_path: Path, name: str) -> None:
    """Source: what ImageMagick itself reads in the file that it wrote."""
    (tmp_path / "in.rgb").write_bytes(picture(3).astype("<u2").tobytes())
    source = ["-size", SIZE, "-depth", "16", "-endian", "LSB", f"rgb:{tmp_path / 'in.rgb'}"]
    path = tmp_path / name
    magick(*source, *MAGICK[name], path)
    as_is = ["-set"] if name.endswith("dpx") else []  # its codes, whatever it takes them for
    data = magick(
        path,
        *as_is,
        "-colorspace" if not as_is else "colorspace",
        "sRGB",
        "-depth",
        "16",
        "-endian",
        "LSB",
        "rgb:-",
    )
    theirs = np.frombuffer(data, "<u2").reshape(HEIGHT, WIDTH, 3) / 65535
    _, colour, _ = read_picture(path)
    allowed = 3 / 255 if name.endswith("jpg") else 1.1 / 1023 if name == "a.dpx" else 1.1 / 65535
    np.testing.assert_allclose(np.moveaxis(colour, 0, -1), theirs, atol=allowed)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation(magick: Run, tmp_path: Path, orientation: int) -> None:
    """Source: TIFF 6.0, tag 274; ImageMagick turns its own file upright."""
    names = ["TopLeft", "TopRight", "BottomRight", "BottomLeft", "LeftTop", "RightTop",
             "RightBottom", "LeftBottom"]  # fmt: skip
    (tmp_path / "in.rgb").write_bytes(picture(3).astype("<u2").tobytes())
    path = tmp_path / "a.tif"
    magick(
        "-size", SIZE, "-depth", "16", "-endian", "LSB", f"rgb:{tmp_path / 'in.rgb'}", "-depth",
        "8", "-quality", "100", "-orient", names[orientation - 1], path,
    )  # fmt: skip
    assert read_header(path).orientation == orientation
    data = magick(path, "-auto-orient", "-depth", "16", "-endian", "LSB", "rgb:-")
    size = (HEIGHT, WIDTH) if orientation < 5 else (WIDTH, HEIGHT)
    theirs = np.frombuffer(data, "<u2").reshape(*size, 3) / 65535
    _, colour, _ = read_picture(path)
    np.testing.assert_allclose(np.moveaxis(colour, 0, -1), theirs, atol=2 / 255)


COMPRESSIONS = ["NO", "RLE", "ZIPS", "ZIP", "PIZ", "PXR24", "B44", "B44A", "DWAA", "DWAB"]


@pytest.mark.parametrize("kind", [np.float16, np.float32])
@pytest.mark.parametrize("tiled", [False, True])
@pytest.mark.parametrize("compression", COMPRESSIONS)
def test_exr_by_the_openexr_module(
    tmp_path: Path, compression: str, tiled: bool, kind: type
) -> None:
    """Source: the OpenEXR project's own module writes and reads the file; negative values and
    values far above 1 among them."""
    rgb = (picture(1) / 65535 * 40 - 3).astype(kind)
    header: dict[str, Any] = {
        "compression": getattr(OpenEXR, f"{compression}_COMPRESSION"),
        "type": OpenEXR.tiledimage if tiled else OpenEXR.scanlineimage,
        "framesPerSecond": Fraction(24000, 1001), "reelName": "A001", "owner": "Zoë",
    }  # fmt: skip
    if tiled:
        header["tiles"] = OpenEXR.TileDescription()
    path = str(tmp_path / "a.exr")
    planes = {name: np.ascontiguousarray(rgb[..., i]) for i, name in enumerate("RGB")}
    with OpenEXR.File(header, planes) as file:
        file.write(path)
    with OpenEXR.File(path, separate_channels=True) as file:
        theirs = np.stack([file.channels()[c].pixels.astype(np.float32) for c in "RGB"])
    read, colour, _ = read_picture(Path(path))
    np.testing.assert_array_equal(colour, theirs)
    assert (str(read.fps), read.attributes["owner"]) == ("24000/1001", "Zoë")
    assert read.attributes["reelName"] == "A001"


def test_ours_is_read_by_the_others(ffmpeg: Run, tmp_path: Path) -> None:
    """Source: FFmpeg and the OpenEXR project's own module read an EXR that we wrote."""
    planes = np.moveaxis(picture(2) / 65535, -1, 0).astype(np.float32)
    path = tmp_path / "a.exr"
    write_exr(path, {"": planes}, half=False, interop_id="lin_rec709_scene")
    data = ffmpeg("-i", path, "-f", "rawvideo", "-pix_fmt", "gbrpf32le", "-")
    green, blue, red = np.frombuffer(data, "<f4").reshape(3, HEIGHT, WIDTH)
    np.testing.assert_allclose(np.stack([red, green, blue]), planes, atol=1e-6)
    with OpenEXR.File(str(path), separate_channels=True) as file:
        theirs = np.stack([file.channels()[c].pixels for c in "RGB"])
    np.testing.assert_array_equal(theirs, planes)
