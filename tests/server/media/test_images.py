"""Stills of every format, written by other libraries, read by ours."""

from __future__ import annotations

import struct
from collections.abc import Callable
from fractions import Fraction
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
from server.media.images import read_header, read_picture

Array = NDArray[Any]
MakeDpx = Callable[..., bytes]


def read(path: Path) -> tuple[Array, Array | None]:
    return read_picture(path)[1:]


def planar(picture: Array) -> Array:
    return np.moveaxis(picture, -1, 0).astype(np.float32)


def test_png_by_pillow(tmp_path: Path, gradient: Array) -> None:
    """Source: Pillow; an integer sample over its largest value."""
    PIL.Image.fromarray(gradient).save(tmp_path / "a.png")
    colour, alpha = read(tmp_path / "a.png")
    np.testing.assert_allclose(colour, planar(gradient) / 255, atol=1e-7)
    assert alpha is None
    header = read_header(tmp_path / "a.png")
    assert (header.bits, header.chroma, header.width, header.height) == (8, "4:4:4", 64, 48)


def test_png_alpha_is_straight_and_untouched(tmp_path: Path, gradient: Array) -> None:
    """Source: PNG specification, alpha is not premultiplied; Pillow."""
    rgba = np.dstack([gradient, np.full(gradient.shape[:2], 64, np.uint8)])
    PIL.Image.fromarray(rgba).save(tmp_path / "a.png")
    header = read_header(tmp_path / "a.png")
    colour, alpha = read(tmp_path / "a.png")
    assert not header.alpha_associated
    np.testing.assert_allclose(colour, planar(gradient) / 255, atol=1e-7)
    np.testing.assert_allclose(alpha, 64 / 255, atol=1e-7)


@pytest.mark.parametrize(("mode", "channels"), [("L", 1), ("LA", 2)])
def test_grey_pictures_have_three_equal_channels(
    tmp_path: Path, gradient: Array, mode: str, channels: int
) -> None:
    """Source: Pillow, modes L and LA."""
    grey = PIL.Image.fromarray(gradient).convert(mode)
    grey.save(tmp_path / "g.png")
    colour, alpha = read(tmp_path / "g.png")
    luma = np.asarray(grey, np.float32).reshape(48, 64, channels)[..., 0] / 255
    np.testing.assert_allclose(colour, np.stack([luma] * 3), atol=1e-7)
    assert (alpha is not None) == (mode == "LA")


@pytest.mark.parametrize(("subsampling", "chroma"), [(0, "4:4:4"), (1, "4:2:2"), (2, "4:2:0")])
def test_jpeg_by_pillow(tmp_path: Path, gradient: Array, subsampling: int, chroma: str) -> None:
    """Source: Pillow; its own decoding of the same file, one code apart for another DCT."""
    path = tmp_path / "a.jpg"
    PIL.Image.fromarray(gradient).save(path, quality=95, subsampling=subsampling)
    colour, _ = read(path)
    decoded = planar(np.asarray(PIL.Image.open(path)))
    assert np.abs(colour * 255 - decoded).max() <= 1.01
    assert read_header(path).chroma == chroma


@pytest.mark.parametrize("orientation", range(1, 9))
def test_exif_orientation_is_honoured(tmp_path: Path, gradient: Array, orientation: int) -> None:
    """Source: TIFF 6.0 tag 274 as Pillow's exif_transpose applies it."""
    from PIL import ImageOps

    exif = PIL.Image.Exif()
    exif[274] = orientation
    path = tmp_path / "a.jpg"
    PIL.Image.fromarray(gradient).save(path, quality=95, exif=exif)
    upright = ImageOps.exif_transpose(PIL.Image.open(path))
    colour, _ = read(path)
    header = read_header(path)
    assert (header.width, header.height) == upright.size
    assert np.abs(colour * 255 - planar(np.asarray(upright))).max() <= 1.01


@pytest.mark.parametrize(
    ("kind", "scale", "bits"), [("u1", 255, 8), ("u2", 65535, 16), ("f4", 1, None)]
)
def test_tiff_by_tifffile(tmp_path: Path, kind: str, scale: float, bits: int | None) -> None:
    """Source: tifffile; floating point keeps values below 0 and above 1."""
    rng = np.random.default_rng(1)
    if kind == "f4":
        picture = rng.uniform(-1, 4, (30, 20, 3)).astype(kind)
    else:
        picture = rng.integers(0, int(scale), (30, 20, 3)).astype(kind)
    tifffile.imwrite(tmp_path / "a.tif", picture, photometric="rgb")
    colour, _ = read(tmp_path / "a.tif")
    np.testing.assert_allclose(colour, planar(picture) / scale, atol=1e-6)
    assert read_header(tmp_path / "a.tif").bits == bits


@pytest.mark.parametrize(("tag", "associated"), [("assocalpha", True), ("unassalpha", False)])
def test_tiff_alpha_goes_by_its_tag(tmp_path: Path, tag: str, associated: bool) -> None:
    """Source: TIFF 6.0 tag 338 ExtraSamples; tifffile."""
    picture = np.random.default_rng(2).integers(0, 255, (9, 7, 4)).astype(np.uint8)
    tifffile.imwrite(tmp_path / "a.tif", picture, photometric="rgb", extrasamples=[tag])
    assert read_header(tmp_path / "a.tif").alpha_associated == associated
    colour, alpha = read(tmp_path / "a.tif")
    np.testing.assert_allclose(colour, planar(picture)[:3] / 255, atol=1e-7)
    np.testing.assert_allclose(alpha, picture[..., 3] / 255, atol=1e-7)


def test_dpx_by_its_header_fields(tmp_path: Path, make_dpx: MakeDpx) -> None:
    """Source: SMPTE ST 268-1, a 10-bit file laid out field by field (see conftest)."""
    codes = np.random.default_rng(3).integers(0, 1024, (18, 32, 3))
    (tmp_path / "a.dpx").write_bytes(make_dpx(codes, fps=25.0))
    header = read_header(tmp_path / "a.dpx")
    colour, _ = read(tmp_path / "a.dpx")
    assert (header.width, header.height, header.bits) == (32, 18, 10)
    assert header.fps == 25
    assert header.attributes["timeCode"][0] == 0x10203004  # type: ignore[index]
    np.testing.assert_allclose(colour, planar(codes) / 1023, atol=2 / 65535)


@pytest.mark.parametrize(
    ("transfer", "space", "origin"),
    [
        (2, "Linear Rec.709 (sRGB)", "metadata"),
        (3, "ADX10", "assumed"),
        (6, "Camera Rec.709", "metadata"),
        (0, "sRGB Encoded Rec.709 (sRGB)", "assumed"),
    ],
)
def test_dpx_transfer_field_chooses_the_space(
    tmp_path: Path, make_dpx: MakeDpx, transfer: int, space: str, origin: str
) -> None:
    """Source: SMPTE ST 268-1 table of transfer characteristics: 2 linear, 3 logarithmic, 6 709."""
    codes = np.full((8, 8, 3), 445)
    (tmp_path / "a.dpx").write_bytes(make_dpx(codes, transfer=transfer))
    shot = open_shot(tmp_path / "a.dpx")
    assert (shot.colourspace, shot.colourspace_origin) == (space, origin)


def test_cineon(tmp_path: Path) -> None:
    """Source: OpenImageIO's Cineon reader on a header laid out by the 4.5 format's offsets.

    Source: the "Cineon Image File Format Draft" (cineon.com/ff_draft.php), header structures.
    """
    import struct

    codes = np.random.default_rng(4).integers(0, 1024, (10, 16, 3)).astype(np.uint32)
    header = bytearray(2048)
    struct.pack_into(">IIIIII", header, 0, 0x802A5FD7, 2048, 1024, 1024, 0, 2048 + 640)
    struct.pack_into(">8s", header, 24, b"V4.5")
    header[192:194] = bytes([0, 3])
    for channel in range(3):
        at = 196 + channel * 28
        struct.pack_into(">BBBBII", header, at, 0, channel + 1, 10, 0, 16, 10)
        struct.pack_into(">ffff", header, at + 12, 0.0, 0.0, 1023.0, 2.046)
    header[680:684] = bytes([0, 5, 0, 0])
    packed = codes[..., 0] << 22 | codes[..., 1] << 12 | codes[..., 2] << 2
    (tmp_path / "a.cin").write_bytes(bytes(header) + packed.astype(">u4").tobytes())
    colour, _ = read(tmp_path / "a.cin")
    np.testing.assert_allclose(colour, planar(codes) / 1023, atol=2 / 65535)
    assert open_shot(tmp_path / "a.cin").colourspace == "ADX10"


def exr(path: Path, channels: dict[str, Array], **header: Any) -> None:
    """An EXR written by the OpenEXR project's own module."""
    base = {"compression": OpenEXR.ZIP_COMPRESSION, "type": OpenEXR.scanlineimage}
    with OpenEXR.File({**base, **header}, channels) as file:
        file.write(str(path))


@pytest.mark.parametrize("kind", [np.float16, np.float32])
def test_exr_by_the_openexr_project(tmp_path: Path, kind: type) -> None:
    """Source: the OpenEXR project's Python module; over-range and negative values survive."""
    rng = np.random.default_rng(5)
    rgba = rng.uniform(-2, 30, (21, 13, 4)).astype(kind)
    exr(tmp_path / "a.exr", {"RGBA": rgba}, pixelAspectRatio=2.0, framesPerSecond=Fraction(25))
    header = read_header(tmp_path / "a.exr")
    colour, alpha = read(tmp_path / "a.exr")
    np.testing.assert_array_equal(colour, planar(rgba)[:3])
    np.testing.assert_array_equal(alpha, rgba[..., 3].astype(np.float32))
    assert header.alpha_associated
    assert (header.bits, header.pixel_aspect, header.fps) == (None, 2.0, 25)


def test_exr_channels_are_found_by_name_in_layers(tmp_path: Path) -> None:
    """Source: OpenEXR's reserved channel names; its files sort them alphabetically."""
    planes = {name: np.full((4, 6), n, np.float32) for n, name in enumerate(
        ["depth.Z", "beauty.R", "beauty.G", "beauty.B", "beauty.A"])}  # fmt: skip
    exr(tmp_path / "a.exr", planes)
    colour, alpha = read(tmp_path / "a.exr")
    assert [plane[0, 0] for plane in colour] == [1, 2, 3]
    assert alpha is not None
    assert alpha[0, 0] == 4


def test_exr_luminance_only(tmp_path: Path) -> None:
    """Source: OpenEXR: Y is luminance."""
    exr(tmp_path / "a.exr", {"Y": np.full((4, 6), 0.25, np.float32)})
    colour, _ = read(tmp_path / "a.exr")
    np.testing.assert_array_equal(colour, np.full((3, 4, 6), 0.25))


def test_exr_parts_the_first_with_colour_is_read(tmp_path: Path) -> None:
    """Source: the OpenEXR project's multi-part files."""
    kind = {"compression": OpenEXR.ZIP_COMPRESSION, "type": OpenEXR.scanlineimage}
    depth = OpenEXR.Part({**kind, "name": "depth"}, {"Z": np.ones((8, 8), np.float32)})
    rgb = np.random.default_rng(6).random((8, 8, 3), np.float32)
    main = OpenEXR.Part({**kind, "name": "main"}, {"RGB": rgb})
    with OpenEXR.File([depth, main]) as file:
        file.write(str(tmp_path / "a.exr"))
    colour, _ = read(tmp_path / "a.exr")
    np.testing.assert_array_equal(colour, planar(rgb))


def test_exr_in_tiles(tmp_path: Path) -> None:
    """Source: OpenImageIO's tiled EXR writer; a size that is no multiple of the tile."""
    picture = np.random.default_rng(7).random((37, 53, 3), np.float32)
    spec = oiio.ImageSpec(53, 37, 3, "float")
    spec.tile_width = spec.tile_height = 16
    writer = oiio.ImageOutput.create("openexr")
    assert writer.open(str(tmp_path / "a.exr"), spec)
    assert writer.write_tiles(0, 53, 0, 37, 0, 1, picture)
    writer.close()
    colour, _ = read(tmp_path / "a.exr")
    np.testing.assert_array_equal(colour, planar(picture))


@pytest.mark.parametrize(
    ("data", "display"),
    [
        ((2, 3, 9, 8), (0, 0, 19, 11)),
        ((-4, -2, 24, 14), (0, 0, 19, 11)),
        ((-3, 4, 5, 20), (0, 0, 19, 11)),
        ((102, 53, 109, 58), (100, 50, 119, 61)),
        ((40, 40, 44, 44), (0, 0, 19, 11)),
    ],
)
def test_data_window_is_pasted_into_the_display_window(
    tmp_path: Path, data: tuple[int, int, int, int], display: tuple[int, int, int, int]
) -> None:
    """Source: OpenEXR: pixels outside the data window are undefined (here 0); each stored pixel
    holds its own coordinates, so every pixel is checked where it belongs."""
    ys, xs = np.mgrid[data[1] : data[3] + 1, data[0] : data[2] + 1].astype(np.float32)
    rgb = np.stack([xs, ys, np.ones_like(xs)], axis=-1)
    exr(
        tmp_path / "a.exr", {"RGB": rgb},
        dataWindow=(np.array(data[:2], np.int32), np.array(data[2:], np.int32)),
        displayWindow=(np.array(display[:2], np.int32), np.array(display[2:], np.int32)),
    )  # fmt: skip
    colour, _ = read(tmp_path / "a.exr")
    assert colour.shape == (3, display[3] - display[1] + 1, display[2] - display[0] + 1)
    ys, xs = np.mgrid[display[1] : display[3] + 1, display[0] : display[2] + 1]
    inside = (xs >= data[0]) & (xs <= data[2]) & (ys >= data[1]) & (ys <= data[3])
    np.testing.assert_array_equal(colour, np.stack([xs, ys, np.ones_like(xs)]) * inside)


def test_channels_without_colour_are_named_in_the_error(tmp_path: Path) -> None:
    """Common practice, no source."""
    planes = {"depth.Z": np.ones((4, 4), np.float32), "id.U": np.ones((4, 4), np.float32)}
    exr(tmp_path / "a.exr", planes)
    with pytest.raises(MediaError, match=r"depth\.Z.*channels named R, G, B"):
        read_header(tmp_path / "a.exr")


def test_limits_are_checked_before_pixels(tmp_path: Path, gradient: Array) -> None:
    """Common practice, no source."""
    PIL.Image.fromarray(gradient).save(tmp_path / "a.png")
    read_header(tmp_path / "a.png", Limits(side_px=64))
    with pytest.raises(MediaError, match=r"a\.png"):
        read_header(tmp_path / "a.png", Limits(side_px=63))


@pytest.mark.parametrize("order", ["<", ">"])
def test_dpx_fields_beyond_the_image_offset_are_pixels(tmp_path: Path, order: str) -> None:
    """Source: SMPTE ST 268-1: the film and television sections end where the pixels begin; files
    whose pixels begin at 1664, as FFmpeg writes them, have neither."""
    height, width = 36, 64
    header = bytearray(1664)
    size = 1664 + width * height * 3
    magic = b"SDPX" if order == ">" else b"XPDS"
    struct.pack_into(f"{order}4sI8sI", header, 0, magic, 1664, b"V1.0", size)
    struct.pack_into(f"{order}HHII", header, 768, 0, 1, width, height)
    struct.pack_into(f"{order}BBBBHHI", header, 800, 50, 6, 6, 8, 0, 0, 1664)
    pixels = np.full((height, width, 3), 0x11, np.uint8)  # digits that make a time code
    path = tmp_path / "short.dpx"
    path.write_bytes(bytes(header) + pixels.tobytes())
    header_read = read_header(path)
    assert header_read.fps is None
    left = {"timeCode", "keyCode", "slate", "slateFrame", "framesPerSecond"}
    assert not left & set(header_read.attributes)
    colour, _ = read(path)
    np.testing.assert_allclose(colour, 0x11 / 255, atol=1e-6)


def test_header_text_in_latin_1_is_carried(tmp_path: Path) -> None:
    """Source: ISO/IEC 8859-1; the OpenEXR project's module, with two bytes of its text changed:
    the owner is read, and written again as UTF-8."""
    plane = np.ones((4, 4), np.float32)
    path = tmp_path / "a.exr"
    exr(path, {"R": plane, "G": plane, "B": plane}, owner="Jos# \x01B")
    path.write_bytes(path.read_bytes().replace(b"Jos#", b"Jos\xe9"))
    shot = open_shot(path)
    assert shot.metadata["owner"] == "José B"
    out = tmp_path / "out.exr"
    frame = shot.read(1)
    write_exr(out, {"": frame.pixels}, attributes=frame.attributes)
    with OpenEXR.File(str(out)) as file:
        assert file.header()["owner"] == "José B"
