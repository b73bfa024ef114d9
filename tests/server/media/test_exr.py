"""Written EXRs read back by the OpenEXR project's own module and by OpenImageIO."""

from __future__ import annotations

import os
import resource
import subprocess
import sys
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import OpenEXR
import OpenImageIO as oiio
import pytest
from numpy.typing import NDArray

from server.media import MediaError, guard_output, open_shot, write_exr, write_still
from server.media.exr import COMPRESSIONS

Array = NDArray[Any]
SIZE = (12, 20)
BLACK = np.zeros((2, 2, 3), np.uint8)


@pytest.fixture
def layers() -> dict[str, Array]:
    rng = np.random.default_rng(1)

    def colour() -> Array:
        return rng.uniform(-0.5, 8.0, (3, *SIZE)).astype(np.float32)

    alpha = rng.uniform(0, 1, SIZE).astype(np.float32)
    return {
        "foreground": np.concatenate([colour() * alpha, alpha[None]]),
        "alpha": alpha,
        "straight": colour(),
        "composite": colour(),
        "extractor.hair": rng.uniform(0, 1, SIZE).astype(np.float32),
    }


def channels_of(path: Path) -> dict[str, Array]:
    with OpenEXR.File(str(path), separate_channels=True) as file:
        return {name: channel.pixels.copy() for name, channel in file.channels().items()}


def planes_of(layers: dict[str, Array]) -> dict[str, Array]:
    planes = dict(zip("RGBA", layers["foreground"], strict=True))
    planes["alpha.A"] = layers["alpha"]
    for layer in ("straight", "composite"):
        planes |= {f"{layer}.{c}": p for c, p in zip("RGB", layers[layer], strict=True)}
    planes["extractor.hair.A"] = layers["extractor.hair"]
    return planes


@pytest.mark.parametrize("half", [True, False])
def test_channels_and_values_as_the_openexr_project_reads_them(
    tmp_path: Path, layers: dict[str, Array], half: bool
) -> None:
    """Source: the OpenEXR project's Python module; NumPy's round-to-nearest half."""
    write_exr(tmp_path / "a.exr", layers, half=half)
    read = channels_of(tmp_path / "a.exr")
    kind = np.float16 if half else np.float32
    expected = planes_of(layers)
    assert read.keys() == expected.keys()
    for name, plane in expected.items():
        assert read[name].dtype == kind
        np.testing.assert_array_equal(read[name], plane.astype(kind))


def test_colour_is_associated_as_openimageio_reads_it(
    tmp_path: Path, layers: dict[str, Array]
) -> None:
    """Source: OpenImageIO: EXR colour is associated; unpremult gives straight colour back."""
    write_exr(tmp_path / "a.exr", layers, half=False)
    buffer = oiio.ImageBuf(str(tmp_path / "a.exr"))
    assert buffer.spec().alpha_channel >= 0
    assert buffer.spec().get_int_attribute("oiio:UnassociatedAlpha", 0) == 0
    names = list(buffer.spec().channelnames)
    pixels = np.moveaxis(buffer.get_pixels(oiio.FLOAT), -1, 0)
    np.testing.assert_array_equal(pixels[[names.index(c) for c in "RGBA"]], layers["foreground"])


@pytest.mark.parametrize("compression", [c for c in COMPRESSIONS if c[:2] not in ("b4", "dw")])
def test_lossless_compressions(tmp_path: Path, layers: dict[str, Array], compression: str) -> None:
    """Source: OpenEXR: these are lossless for half; b44 and dwa are not and are left out."""
    write_exr(tmp_path / "a.exr", layers, compression=compression)
    read = channels_of(tmp_path / "a.exr")
    np.testing.assert_array_equal(read["alpha.A"], layers["alpha"].astype(np.float16))


def test_a_clean_header(tmp_path: Path) -> None:
    """Source: OpenEXR standard attributes; a source header with an ACES container flag, its own
    chromaticities and colour tag leaves none of them behind and keeps what describes the take."""
    spec = oiio.ImageSpec(20, 12, 3, "half")
    ap0 = (0.7347, 0.2653, 0.0, 1.0, 0.0001, -0.077, 0.32168, 0.33767)
    spec.attribute("compression", "none")
    spec.attribute("acesImageContainerFlag", 1)
    spec.attribute("colorInteropID", "lin_ap0_scene")
    spec.attribute("chromaticities", oiio.TypeDesc("float[8]"), ap0)
    spec.attribute("smpte:TimeCode", oiio.TypeTimeCode, (0x01020304, 7))
    spec.attribute("framesPerSecond", oiio.TypeDesc("rational2i"), (24000, 1001))
    spec.attribute("reelName", "A001C002")
    spec.attribute("DateTime", "2026:03:04 05:06:07")
    spec.attribute("ExposureTime", 1 / 48)
    spec.attribute("cameraLabel", "second unit")
    writer = oiio.ImageOutput.create("openexr")
    assert writer.open(str(tmp_path / "source.exr"), spec), writer.geterror()
    writer.write_image(np.zeros((12, 20, 3), np.float32))
    writer.close()
    frame = open_shot(tmp_path / "source.exr").read(1)
    write_exr(
        tmp_path / "out.exr",
        {"": frame.pixels},
        attributes={**frame.attributes, "verdigris:recipe": "ab12", "verdigris:revision": 7},
        interop_id="lin_ap1_scene",
    )
    with OpenEXR.File(str(tmp_path / "out.exr")) as file:
        header = dict(file.header())
    assert header["colorInteropID"] == "lin_ap1_scene"
    assert header["chromaticities"][:2] == pytest.approx((0.713, 0.293))
    assert "acesImageContainerFlag" not in header
    assert header["compression"] == OpenEXR.ZIP_COMPRESSION
    assert header["type"] == OpenEXR.scanlineimage
    assert header["framesPerSecond"] == Fraction(24000, 1001)
    code = header["timeCode"]
    assert (code.hours, code.minutes, code.seconds, code.frame) == (1, 2, 3, 4)
    assert header["reelName"] == "A001C002"
    assert header["capDate"] == "2026:03:04 05:06:07"
    assert header["expTime"] == pytest.approx(1 / 48)
    assert header["cameraLabel"] == "second unit"
    assert (header["verdigris:recipe"], header["verdigris:revision"]) == ("ab12", 7)


def test_a_file_has_a_capture_date_only_if_one_is_given(tmp_path: Path) -> None:
    """Source: OpenEXR standard attributes, capDate is when the picture was captured."""
    write_exr(tmp_path / "a.exr", {"": np.zeros((3, 2, 2))}, attributes={"reelName": "A1"})
    with OpenEXR.File(str(tmp_path / "a.exr")) as file:
        assert "capDate" not in file.header()
        assert "DateTime" not in file.header()
        assert file.header()["reelName"] == "A1"


def test_an_aces_container_of_the_source_does_not_spoil_zip(tmp_path: Path) -> None:
    """Source: SMPTE ST 2065-4 allows no compression; OpenImageIO refuses ZIP in such a file."""
    attributes = {"acesImageContainerFlag": 1, "compression": "none", "reelName": "A1"}
    write_exr(
        tmp_path / "a.exr", {"": np.zeros((3, 4, 4))}, attributes=attributes,
        interop_id="lin_ap0_scene",
    )  # fmt: skip
    with OpenEXR.File(str(tmp_path / "a.exr")) as file:
        assert file.header()["compression"] == OpenEXR.ZIP_COMPRESSION


def test_values_beyond_half_are_clamped_and_counted(tmp_path: Path) -> None:
    """Source: IEEE 754 half: the largest finite value is 65504."""
    picture = np.zeros((3, 2, 2), np.float32)
    picture[0, 0] = [70000.0, -1e30]
    picture[1, 0, 0] = 65504.0
    assert write_exr(tmp_path / "a.exr", {"": picture}) == 2
    read = channels_of(tmp_path / "a.exr")
    assert list(read["R"][0]) == [65504.0, -65504.0]
    assert write_exr(tmp_path / "b.exr", {"": picture}, half=False) == 0


@pytest.mark.parametrize("link", ["same", "relative", "symbolic", "hard"])
def test_a_source_is_never_overwritten(tmp_path: Path, link: str) -> None:
    """Common practice, no source: real path, device and inode are compared."""
    source = tmp_path / "plate.exr"
    write_exr(source, {"": np.ones((3, 2, 2))})
    before = source.read_bytes()
    out = {"same": source, "relative": tmp_path / "x" / ".." / "plate.exr"}.get(
        link, tmp_path / "out.exr"
    )
    (tmp_path / "x").mkdir()
    if link == "symbolic":
        out.symlink_to(source)
    elif link == "hard":
        os.link(source, out)
    with pytest.raises(MediaError, match="is a source of this shot"):
        write_exr(out, {"": np.zeros((3, 2, 2))}, sources=[tmp_path / "other.exr", source])
    assert source.read_bytes() == before
    assert guard_output(tmp_path / "new.exr", [source]) == tmp_path / "new.exr"


def test_a_failed_write_leaves_the_old_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Common practice, no source."""
    write_exr(tmp_path / "a.exr", {"": np.ones((3, 2, 2))})
    before = (tmp_path / "a.exr").read_bytes()

    def no_rename(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("server.media.exr.os.replace", no_rename)
    with pytest.raises(MediaError, match=r"a\.exr.*No space left on device.*free space"):
        write_exr(tmp_path / "a.exr", {"": np.zeros((3, 2, 2))})
    assert [p.name for p in tmp_path.iterdir()] == ["a.exr"]
    assert (tmp_path / "a.exr").read_bytes() == before


_FULL_DISK = """
import resource, signal, sys
import numpy as np
from server.media import MediaError, codes_from_display, write_exr, write_still
resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, 200_000))
noise = np.random.default_rng(0).random((4, 400, 400)).astype(np.float32)
for write in (
    lambda: write_exr(sys.argv[1] + "/a.exr", {"": noise}),
    lambda: write_still(sys.argv[1] + "/a.png", codes_from_display(noise[:3])),
    lambda: write_still(sys.argv[1] + "/a.jpg", codes_from_display(noise[:3]), quality=100),
):
    try:
        write()
    except MediaError as error:
        print(error)
"""


def test_a_full_disk_is_one_sentence_and_leaves_nothing(tmp_path: Path) -> None:
    """Common practice, no source: a limit on the file's size makes the system's write calls fail
    in the middle of the picture, as a full disk does."""
    result = subprocess.run(
        [sys.executable, "-c", _FULL_DISK, str(tmp_path)],
        capture_output=True, text=True, check=True, cwd=Path(__file__).parents[3],
    )  # fmt: skip
    lines = result.stdout.strip().splitlines()
    assert len(lines) == 3, result.stdout
    for name, line in zip(("a.exr", "a.png", "a.jpg"), lines, strict=True):
        assert name in line
        assert "check the free space" in line
    assert list(tmp_path.iterdir()) == []
    assert resource.getrlimit(resource.RLIMIT_FSIZE)[0] == resource.RLIM_INFINITY


def test_a_folder_that_cannot_be_made(tmp_path: Path) -> None:
    """Common practice, no source."""
    (tmp_path / "file").write_text("x")
    with pytest.raises(MediaError, match=r"file.*cannot be written"):
        write_exr(tmp_path / "file" / "a.exr", {"": np.zeros((3, 2, 2))})


@pytest.mark.parametrize("name", [b"k\xff.exr", b"take\xff/k.exr", b"k\xff.png"])
def test_a_name_that_is_no_text_is_one_sentence(tmp_path: Path, name: bytes) -> None:
    """Source: PEP 383, bytes that are not UTF-8 become lone surrogates."""
    path = tmp_path / os.fsdecode(name)
    exr = path.suffix == ".exr"
    with pytest.raises(MediaError, match=r"\?.*is not UTF-8 text; write to a name"):
        write_exr(path, {"": np.zeros((3, 2, 2))}) if exr else write_still(path, BLACK)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("layers", "match"),
    [
        ({}, "one size"),
        ({"a": np.zeros((2, 2)), "b": np.zeros((3, 2, 3))}, "one size"),
        ({"a": np.zeros((2, 2, 2))}, "shape"),
        ({"a": np.zeros((0, 2))}, "one size"),
        ({"": np.zeros((3, 2, 2)), "foreground": np.zeros((4, 2, 2))}, "same channel"),
    ],
)
def test_layers_that_do_not_fit(tmp_path: Path, layers: dict[str, Array], match: str) -> None:
    """Common practice, no source."""
    with pytest.raises(MediaError, match=match):
        write_exr(tmp_path / "a.exr", layers)
    assert list(tmp_path.iterdir()) == []


def test_an_unknown_compression_is_named(tmp_path: Path) -> None:
    """Common practice, no source."""
    with pytest.raises(MediaError, match=r"'lzw' is not an EXR compression; use one of zip"):
        write_exr(tmp_path / "a.exr", {"": np.zeros((3, 2, 2))}, compression="lzw")
