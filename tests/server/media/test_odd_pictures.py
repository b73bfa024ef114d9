"""Pictures that are no flat colour pictures: clear words, or read and said."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import av
import numpy as np
import OpenEXR
import PIL.Image
import pytest
from numpy.typing import NDArray

from server.keying.render_job import compression_warning
from server.media import MediaError, open_shot, write_exr
from server.media.exr_header import text_attributes

Array = NDArray[Any]
ONE = np.ones((8, 8), np.float32)
PLAIN = {"compression": OpenEXR.ZIP_COMPRESSION, "type": OpenEXR.scanlineimage}


def exr(path: Path, channels: dict[str, Array], **header: Any) -> Path:
    with OpenEXR.File({**PLAIN, **header}, channels) as file:
        file.write(str(path))
    return path


def subsampled_exr(path: Path) -> Path:
    """An uncompressed luminance-chroma EXR, 4 x 4, laid out by hand.

    Source: OpenEXR File Layout; Technical Introduction, "Luminance/Chroma Images".
    """

    def attribute(name: bytes, kind: bytes, value: bytes) -> bytes:
        return name + b"\0" + kind + b"\0" + struct.pack("<i", len(value)) + value

    channels = b"".join(
        name + b"\0" + struct.pack("<iB3xii", 2, 0, step, step)
        for name, step in ((b"BY", 2), (b"RY", 2), (b"Y", 1))
    )
    window = struct.pack("<4i", 0, 0, 3, 3)
    head = struct.pack("<II", 20000630, 2)
    head += attribute(b"channels", b"chlist", channels + b"\0")
    head += attribute(b"compression", b"compression", b"\0")
    head += attribute(b"dataWindow", b"box2i", window) + attribute(
        b"displayWindow", b"box2i", window
    )
    head += attribute(b"lineOrder", b"lineOrder", b"\0")
    head += attribute(b"pixelAspectRatio", b"float", struct.pack("<f", 1))
    head += attribute(b"screenWindowCenter", b"v2f", bytes(8))
    head += attribute(b"screenWindowWidth", b"float", struct.pack("<f", 1)) + b"\0"
    lines, offsets, at = b"", b"", len(head) + 8 * 4
    for row in range(4):
        values = np.full(4 + (4 if row % 2 == 0 else 0), 0.25, np.float32).tobytes()
        offsets += struct.pack("<Q", at + len(lines))
        lines += struct.pack("<ii", row, len(values)) + values
    path.write_bytes(head + offsets + lines)
    return path


def test_luminance_and_chroma_at_half_resolution(tmp_path: Path) -> None:
    """Source: OpenEXR, Technical Introduction, "Luminance/Chroma Images"; the file is good by the
    OpenEXR project's own module."""
    path = subsampled_exr(tmp_path / "a.exr")
    assert OpenEXR.isOpenExrFile(str(path))
    with pytest.raises(MediaError, match=r"stores BY, RY at a lower resolution.*write R, G, B"):
        open_shot(path)


@pytest.mark.parametrize("name", ["Z", "depth.Z", "ZBack"])
def test_depth_alone_is_no_picture(tmp_path: Path, name: str) -> None:
    """Source: OpenEXR, Technical Introduction: Z is depth."""
    path = exr(tmp_path / "a.exr", {name: ONE})
    with pytest.raises(MediaError, match=r"depth only; write channels named R, G, B"):
        open_shot(path)


def test_cube_maps_are_refused(tmp_path: Path) -> None:
    """Source: OpenEXR's envmap attribute: six faces below one another."""
    faces = {name: np.ones((48, 8), np.float32) for name in "RGB"}
    with pytest.raises(MediaError, match=r"cube map.*flat picture"):
        open_shot(exr(tmp_path / "a.exr", faces, envmap=OpenEXR.ENVMAP_CUBE))


def test_of_two_views_the_left_one_is_read_and_said(tmp_path: Path) -> None:
    """Source: OpenEXR's view and multiView attributes, in parts and in one part's layers."""
    parts = [
        OpenEXR.Part({**PLAIN, "view": view, "name": view}, dict.fromkeys("RGB", ONE * level))
        for view, level in (("right", 0.25), ("left", 0.5))
    ]
    with OpenEXR.File(parts) as file:
        file.write(str(tmp_path / "parts.exr"))
    layers = dict.fromkeys("RGB", ONE * 0.25) | {f"left.{c}": ONE * 0.5 for c in "RGB"}
    exr(tmp_path / "layers.exr", layers, multiView=["right", "left"])
    for name in ("parts.exr", "layers.exr"):
        shot = open_shot(tmp_path / name)
        assert shot.remarks == ("it holds the views right, left; left is read",)
        np.testing.assert_allclose(shot.read(1).pixels, 0.5, rtol=1e-3)


@pytest.mark.parametrize("name", ["a.png", "a.tif"])
def test_a_palette_is_said(tmp_path: Path, name: str) -> None:
    """Source: pictures of 16 colours by Pillow: right colours, and a word about their depth."""
    picture = PIL.Image.new("RGB", (8, 8), (10, 200, 30))
    picture.paste((200, 10, 60), (0, 0, 4, 8))
    picture.quantize(16).save(tmp_path / name)
    shot = open_shot(tmp_path / name)
    assert "palette" in shot.remarks[0]
    codes = shot.colour.from_working(shot.read(1).pixels, shot.colourspace) * 255
    np.testing.assert_allclose(codes[:, 0, 7], [10, 200, 30], atol=1.2)


def test_alpha_beside_the_picture_is_said(tmp_path: Path) -> None:
    """Source: WebM's alpha_mode; a VP9 movie with alpha by PyAV."""
    path = tmp_path / "a.webm"
    with av.open(str(path), "w") as container:
        stream: Any = container.add_stream("libvpx-vp9", rate=24)
        stream.width, stream.height, stream.pix_fmt = 64, 48, "yuva420p"
        stream.metadata["alpha_mode"] = "1"
        frame = av.VideoFrame.from_ndarray(np.full((48, 64, 4), 128, np.uint8), "rgba")
        container.mux(stream.encode(frame.reformat(format="yuva420p")))
        container.mux(stream.encode(None))
    assert "alpha" in open_shot(path).remarks[0]
    with pytest.raises(MediaError, match=r"alpha beside the picture.*ProRes 4444"):
        open_shot(path, plate_alpha="use")


@pytest.mark.parametrize("name", ["a.ts", "a.m2ts", "a.mpg", "a.wmv"])
def test_other_containers_get_the_remedy(tmp_path: Path, name: str) -> None:
    """Our own rule, no outside source."""
    (tmp_path / name).write_bytes(b"G" * 1000)
    with pytest.raises(MediaError, match="rewrap it as MOV or MP4"):
        open_shot(tmp_path / name)


@pytest.mark.parametrize("compression", ["b44", "b44a"])
def test_b44_is_warned_about_with_a_true_figure(tmp_path: Path, compression: str) -> None:
    """Source: the OpenEXR project's own module reads the alpha back: hard edges are off by as much
    as the warning says, and no more."""
    rng = np.random.default_rng(1)
    alpha = rng.choice([0.0, 0.02, 0.5, 0.98, 1.0], (64, 64)).astype(np.float32)
    picture = np.stack([alpha] * 4)
    write_exr(tmp_path / "a.exr", {"": picture}, compression=compression)
    with OpenEXR.File(str(tmp_path / "a.exr"), separate_channels=True) as file:
        read = file.channels()["A"].pixels.astype(np.float32)
    worst = float(np.abs(read - alpha).max())
    assert 0.01 < worst <= 0.125
    assert "0.125" in compression_warning(compression)
    assert compression_warning("zip") == ""


def test_headers_are_read_without_the_library(tmp_path: Path) -> None:
    """Source: written by the OpenEXR project's own module; damaged ones are never an error."""
    path = exr(tmp_path / "a.exr", dict.fromkeys("RGB", ONE), owner="me", comments="x" * 2000)
    found = text_attributes(path)
    assert (found["owner"], found["comments"]) == ("me", "x" * 2000)
    data = path.read_bytes()
    rng = np.random.default_rng(3)
    for n in range(300):
        torn = bytearray(data[: rng.integers(0, len(data))])
        for _ in range(4):
            if torn:
                torn[rng.integers(0, len(torn))] = rng.integers(0, 256)
        other = tmp_path / f"{n}.exr"
        other.write_bytes(bytes(torn))
        assert isinstance(text_attributes(other), dict)
