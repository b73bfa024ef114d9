"""Colour that a file states for itself: primaries, profiles, code points, integer depths."""

from __future__ import annotations

import struct
import warnings
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import OpenEXR
import PIL.Image
import PIL.ImageCms
import pytest
import tifffile
from numpy.typing import NDArray

from server.media import MediaError, load_colour, open_shot, write_exr
from server.media.icc import space_of_profile
from server.media.primaries import CHROMATICITIES, StatedSpace, parse_space

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # colour-science warns on import that plotting is not there.
    import colour as science

Array = NDArray[Any]

WIDE = (0.7347, 0.2653, 0.1152, 0.8264, 0.1566, 0.0177, 0.3457, 0.3585)
"""ROMM RGB (ISO 22028-2): a set that no config lists."""
CIE_XYZ = (1.0, 0.0, 0.0, 1.0, 0.0, 0.0, 1 / 3, 1 / 3)


def oracle(rgb: Array, stated: tuple[float, ...]) -> Array:
    """Linear RGB of stated primaries as ACEScg, by colour-science and Bradford."""
    own = science.RGB_Colourspace(
        "stated", np.reshape(stated[:6], (3, 2)), np.array(stated[6:]), "stated",
        use_derived_matrix_RGB_to_XYZ=True, use_derived_matrix_XYZ_to_RGB=True,
    )  # fmt: skip
    target = science.RGB_COLOURSPACES["ACEScg"]
    return np.asarray(science.RGB_to_RGB(rgb, own, target, "Bradford"))


def write_plain_exr(path: Path, rgb: Array, **header: Any) -> Path:
    channels = {n: np.full((4, 4), v, np.float32) for n, v in zip("RGB", rgb, strict=True)}
    with OpenEXR.File(
        {"compression": OpenEXR.ZIP_COMPRESSION, "type": OpenEXR.scanlineimage, **header}, channels
    ) as file:
        file.write(str(path))
    return path


@pytest.mark.parametrize("stated", [WIDE, CIE_XYZ])
def test_chromaticities_of_a_file_become_its_matrix(
    tmp_path: Path, stated: tuple[float, ...]
) -> None:
    """Source: OpenEXR, Technical Introduction, "RGB Color" and "CIE XYZ Color"; colour-science's
    matrices as oracle."""
    rgb = np.array([0.3, 0.6, 0.15])
    shot = open_shot(write_plain_exr(tmp_path / "a.exr", rgb, chromaticities=stated))
    assert shot.colourspace_origin == "metadata"
    assert shot.colourspace.startswith("linear, primaries ")
    got = shot.read(1).pixels[:, 1, 1]
    np.testing.assert_allclose(got, oracle(rgb, stated), rtol=2e-3, atol=2e-4)


def test_an_exr_that_states_nothing_has_rec_709_primaries(tmp_path: Path) -> None:
    """Source: OpenEXR, Technical Introduction, "RGB Color": without the attribute the primaries
    and white of Rec. ITU-R BT.709-3 are to be assumed; colour-science."""
    rgb = np.array([0.3, 0.6, 0.15])
    shot = open_shot(write_plain_exr(tmp_path / "a.exr", rgb))
    assert (shot.colourspace, shot.colourspace_origin) == ("Linear Rec.709 (sRGB)", "assumed")
    expected = oracle(rgb, CHROMATICITIES["lin_rec709_scene"])
    np.testing.assert_allclose(shot.read(1).pixels[:, 1, 1], expected, rtol=2e-3)


@pytest.mark.parametrize(
    "stated",
    [(0.6, 0.3, 0.6, 0.3, 0.15, 0.06, 0.31, 0.33), (0.64, 0.33, 0.3, 0.6, 0.15, 0.06, 0.9, 0.05),
     (float("nan"), 0.33, 0.3, 0.6, 0.15, 0.06, 0.31, 0.33)],
)  # fmt: skip
def test_primaries_that_are_no_colours_are_refused(
    tmp_path: Path, stated: tuple[float, ...]
) -> None:
    """Our own rule, no outside source: no picture is made of them, the remedy works."""
    path = write_plain_exr(tmp_path / "a.exr", np.ones(3), chromaticities=stated)
    with pytest.raises(MediaError, match=r"no colours.*--colourspace"):
        open_shot(path)
    assert open_shot(path, colourspace="ACEScg").colourspace == "ACEScg"


def test_a_stated_space_is_written_and_read_again(tmp_path: Path) -> None:
    """Source: colour-science for the way in; there and back is the identity."""
    name = str(StatedSpace("linear", WIDE))
    colour = load_colour()
    picture = np.random.default_rng(2).uniform(0, 2, (3, 4, 4)).astype(np.float32)
    stored = colour.from_working(picture, name)
    write_exr(
        tmp_path / "a.exr", {"": stored}, half=False, chromaticities=colour.chromaticities(name)
    )
    shot = open_shot(tmp_path / "a.exr")
    assert shot.colourspace == name
    np.testing.assert_allclose(shot.read(1).pixels, picture, rtol=1e-4, atol=1e-5)


@pytest.mark.parametrize("space", ["ACEScg", "Linear ARRI Wide Gamut 4", "Linear Rec.2020"])
def test_primaries_of_the_configs_linear_spaces(space: str) -> None:
    """Source: colour-science's conversion from the primaries we tell of a space to ACEScg."""
    colour = load_colour()
    told = colour.chromaticities(space)
    assert told is not None
    rgb = np.array([0.3, 0.6, 0.15])
    want = colour.to_working(rgb.astype(np.float32).reshape(3, 1, 1), space)[:, 0, 0]
    np.testing.assert_allclose(oracle(rgb, told), want, rtol=3e-3, atol=1e-3)
    assert colour.chromaticities("ACEScct") is None


@pytest.mark.parametrize(
    "name",
    ["linear", "linear, primaries", "linear, primaries 1 2 3", "gamma 90, primaries 0.64 0.33 0.3 "
     "0.6 0.15 0.06 0.3127 0.329", "x, primaries 0.64 0.33 0.3 0.6 0.15 0.06 0.3127 0.329",
     "linear, primaries 0.64 0.33 0.64 0.33 0.15 0.06 0.3127 0.329"],
)  # fmt: skip
def test_other_names_are_no_stated_spaces(name: str) -> None:
    """Our own rule, no outside source."""
    assert parse_space(name) is None


def profile(primaries: tuple[float, ...], curve: bytes, kind: bytes = b"RGB ") -> bytes:
    """A display profile of primaries adapted to D50 and one curve, laid out field by field.

    Source: ICC.1:2022, 7.2, 7.3 and 10; the adaptation by colour-science.
    """
    own = science.RGB_Colourspace("p", np.reshape(primaries[:6], (3, 2)),
        np.array(primaries[6:]), "w", use_derived_matrix_RGB_to_XYZ=True)  # fmt: skip
    adapt = science.adaptation.matrix_chromatic_adaptation_VonKries(
        science.xy_to_XYZ(np.array(primaries[6:])), np.array([0.9642, 1.0, 0.8249]),
        transform="Bradford",
    )  # fmt: skip
    columns = adapt @ own.matrix_RGB_to_XYZ
    parts = [(n, b"XYZ \0\0\0\0" + struct.pack(">3i", *np.rint(columns[:, i] * 65536).astype(int)))
             for i, n in enumerate((b"rXYZ", b"gXYZ", b"bXYZ"))]  # fmt: skip
    parts += [(n, curve) for n in (b"rTRC", b"gTRC", b"bTRC", b"kTRC")]
    table, body, at = b"", b"", 132 + 12 * len(parts)
    for name, data in parts:
        table += struct.pack(">4sII", name, at + len(body), len(data))
        body += data + b"\0" * (-len(data) % 4)
    size = at + len(body)
    head = bytearray(128)
    struct.pack_into(">I4sI4s4s4s", head, 0, size, b"none", 0x04000000, b"mntr", kind, b"XYZ ")
    head[36:40] = b"acsp"
    struct.pack_into(">3i", head, 68, 63190, 65536, 54061)
    return bytes(head) + struct.pack(">I", len(parts)) + table + body


def gamma(value: float) -> bytes:
    return b"curv\0\0\0\0" + struct.pack(">IH", 1, round(value * 256))


def as_curve(values: Array) -> bytes:
    codes = np.rint(values * 65535).astype(">u2")
    return b"curv\0\0\0\0" + struct.pack(">I", len(codes)) + codes.tobytes()


PARA_SRGB = b"para\0\0\0\0" + struct.pack(
    ">HH5i", 3, 0, *[round(v * 65536) for v in (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)]
)
ADOBE = CHROMATICITIES["lin_adobergb_scene"]
P3 = CHROMATICITIES["lin_p3d65_scene"]
ARCTAN = np.arctan(np.linspace(0, 4, 64)) / np.arctan(4)


@pytest.mark.parametrize("name", ["a.png", "a.jpg", "a.tif"])
@pytest.mark.parametrize(
    ("data", "space", "decode", "primaries"),
    [
        (profile(ADOBE, gamma(2.19921875)), "Gamma 2.2 Encoded AdobeRGB",
         lambda v: v**2.19921875, ADOBE),
        (profile(P3, PARA_SRGB), "sRGB Encoded P3-D65", science.models.eotf_sRGB, P3),
        (profile(WIDE, gamma(1.8)), "gamma 1.8, primaries", lambda v: v**1.8, WIDE),
    ],
    ids=["Adobe RGB", "P3", "ROMM"],
)  # fmt: skip
def test_profiles_are_honoured(
    tmp_path: Path, name: str, data: bytes, space: str,
    decode: Callable[[Array], Array], primaries: tuple[float, ...],
) -> None:  # fmt: skip
    """Source: ICC.1:2022; profiles laid out by hand, embedded by Pillow, the expected light by
    colour-science."""
    codes = np.array([180, 90, 60])
    picture = PIL.Image.new("RGB", (16, 16), tuple(int(c) for c in codes))
    options = {"quality": 100, "subsampling": 0} if name.endswith("jpg") else {}
    picture.save(tmp_path / name, icc_profile=data, **options)
    shot = open_shot(tmp_path / name)
    assert shot.colourspace_origin == "metadata"
    assert shot.colourspace.startswith(space)
    want = oracle(np.asarray(decode(codes / 255)), primaries)
    np.testing.assert_allclose(shot.read(1).pixels[:, 8, 8], want, atol=6e-3)


def test_pillows_own_profile_is_srgb(tmp_path: Path) -> None:
    """Source: the sRGB profile that Pillow's colour library makes."""
    made = PIL.ImageCms.ImageCmsProfile(PIL.ImageCms.createProfile("sRGB")).tobytes()
    assert space_of_profile(made).names[0] == "srgb_rec709_scene"


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (profile(P3, gamma(2.2), kind=b"CMYK"), "CMYK"),
        (profile(P3, as_curve(ARCTAN)), "curve of its own"),
        (profile(P3, gamma(2.2))[:150], "damaged"),
        (profile(P3, gamma(2.2)).replace(b"rXYZ", b"A2B0"), "look-up table"),
        (b"", "damaged"),
    ],
)
def test_profiles_that_cannot_be_followed_are_refused(data: bytes, reason: str) -> None:
    """Our own rule, no outside source: never taken for sRGB in silence."""
    stated = space_of_profile(data)
    assert stated.names == ()
    assert reason in stated.refusal


def test_the_refusal_of_a_profile_names_the_remedy(tmp_path: Path) -> None:
    """Our own rule, no outside source."""
    picture = PIL.Image.new("RGB", (4, 4), (10, 20, 30))
    picture.save(tmp_path / "a.tif", icc_profile=profile(P3, as_curve(ARCTAN)))
    with pytest.raises(MediaError, match=r"curve of its own.*sRGB.*--colourspace"):
        open_shot(tmp_path / "a.tif")
    assert open_shot(tmp_path / "a.tif", colourspace="ACEScg").colourspace_origin == "override"
    picture.convert("CMYK").save(tmp_path / "c.tif")
    with pytest.raises(MediaError, match="CMYK"):
        open_shot(tmp_path / "c.tif")


def png_with(path: Path, *chunks: tuple[bytes, bytes]) -> Path:
    PIL.Image.new("RGB", (4, 4), (180, 90, 60)).save(path)
    data = path.read_bytes()
    extra = b"".join(
        struct.pack(">I", len(d)) + t + d + struct.pack(">I", zlib.crc32(t + d)) for t, d in chunks
    )
    path.write_bytes(data[:33] + extra + data[33:])
    return path


def chrm(primaries: tuple[float, ...]) -> tuple[bytes, bytes]:
    values = [round(v * 100000) for v in (*primaries[6:], *primaries[:6])]
    return b"cHRM", struct.pack(">8I", *values)


GAMA_22 = (b"gAMA", struct.pack(">I", 45455))


@pytest.mark.parametrize(
    ("chunks", "space"),
    [
        ([], "sRGB Encoded Rec.709 (sRGB)"),
        ([(b"sRGB", b"\0"), chrm(WIDE)], "sRGB Encoded Rec.709 (sRGB)"),
        ([GAMA_22, chrm(ADOBE)], "Gamma 2.2 Encoded AdobeRGB"),
        ([chrm(P3)], "sRGB Encoded P3-D65"),
        ([GAMA_22, chrm(WIDE)], f"gamma 2.2, primaries {' '.join(f'{v:g}' for v in WIDE)}"),
        ([(b"gAMA", struct.pack(">I", 100000))], "Linear Rec.709 (sRGB)"),
        ([(b"cICP", bytes([9, 16, 0, 1])), chrm(P3)], "Rec.2100-PQ - Display"),
        ([(b"cICP", bytes([12, 13, 0, 1]))], "sRGB Encoded P3-D65"),
    ],
)
def test_png_chunks_choose_the_space(
    tmp_path: Path, chunks: list[tuple[bytes, bytes]], space: str
) -> None:
    """Source: PNG, third edition, 4.3: cICP, then iCCP, sRGB, then gAMA and cHRM."""
    assert open_shot(png_with(tmp_path / "a.png", *chunks)).colourspace == space


@pytest.mark.parametrize(
    "chunk",
    [(b"cICP", bytes([9, 16, 9, 1])), (b"cICP", bytes([1, 13, 0, 0])), (b"cICP", b"\1"),
     (b"gAMA", struct.pack(">I", 3)), (b"cHRM", bytes(32))],
)  # fmt: skip
def test_png_chunks_that_cannot_be_followed_are_refused(
    tmp_path: Path, chunk: tuple[bytes, bytes]
) -> None:
    """Our own rule, no outside source."""
    with pytest.raises(MediaError, match="--colourspace"):
        open_shot(png_with(tmp_path / "a.png", chunk))


def tiff_bytes(
    samples: Array, bits: int, *, photometric: int, signed: bool = False, order: str = "<"
) -> bytes:
    """An uncompressed TIFF of whole bytes a sample, of either byte order. Source: TIFF 6.0."""
    height, width, count = samples.shape
    end: Any = "little" if order == "<" else "big"
    data = b"".join(int(v).to_bytes(bits // 8, end, signed=signed) for v in samples.ravel())
    entries = 10
    arrays = 8 + 2 + 12 * entries + 4
    shorts = struct.pack(f"{order}{count}H", *[bits] * count)
    kinds = struct.pack(f"{order}{count}H", *[2 if signed else 1] * count)
    at = arrays + len(shorts) + len(kinds)
    bits_value = arrays if count > 2 else bits
    kind_value = arrays + len(shorts) if count > 2 else (2 if signed else 1)
    tags = [
        (256, 3, 1, width), (257, 3, 1, height), (258, 3, count, bits_value), (259, 3, 1, 1),
        (262, 3, 1, photometric), (273, 4, 1, at), (277, 3, 1, count), (278, 3, 1, height),
        (279, 4, 1, len(data)), (339, 3, count, kind_value),
    ]  # fmt: skip
    head = struct.pack(f"{order}2sHIH", b"II" if order == "<" else b"MM", 42, 8, entries)
    for code, kind, number, value in tags:
        short = kind == 3 and number == 1  # in the first two bytes of the field
        head += struct.pack(f"{order}HHI", code, kind, number)
        head += struct.pack(
            f"{order}HH" if short else f"{order}I", *([value, 0] if short else [value])
        )
    head += struct.pack(f"{order}I", 0)
    return head + shorts + kinds + data


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize(
    ("bits", "signed"),
    [(16, False), (24, False), (32, False), (8, True), (16, True), (24, True), (32, True)],
)
def test_integer_tiff_is_scaled_and_display_referred(
    tmp_path: Path, bits: int, signed: bool, order: str
) -> None:
    """Source: TIFF 6.0 (BitsPerSample, SampleFormat): the largest value is white, whatever the
    depth; read as 16 bits are."""
    top = 2 ** (bits - signed) - 1
    low = -(top // 4) if signed else 0
    samples = np.array([[[low, top // 2, top]] * 4] * 4, object)
    path = tmp_path / "a.tif"
    path.write_bytes(tiff_bytes(samples, bits, photometric=2, signed=signed, order=order))
    shot = open_shot(path)
    assert (shot.colourspace, shot.encoded_bits) == ("sRGB Encoded Rec.709 (sRGB)", bits)
    want = science.models.eotf_sRGB(np.array([max(low, 0) / top, 0.5, 1.0]))
    got = load_colour().from_working(shot.read(1).pixels, "lin_rec709_scene")[:, 2, 2]
    np.testing.assert_allclose(got[1:], want[1:], atol=0.01 if bits == 8 else 1e-4)
    assert bool(got[0] < -0.01) is signed


@pytest.mark.parametrize("bits", [8, 16])
def test_white_is_zero_is_turned_over(tmp_path: Path, bits: int) -> None:
    """Source: TIFF 6.0, PhotometricInterpretation 0."""
    samples = np.array([[[0], [2**bits // 4], [2**bits - 1]]])
    (tmp_path / "a.tif").write_bytes(tiff_bytes(samples, bits, photometric=0))
    shot = open_shot(tmp_path / "a.tif")
    got = shot.colour.from_working(shot.read(1).pixels, shot.colourspace)[0, 0]
    np.testing.assert_allclose(got, [1.0, 0.75, 0.0], atol=0.005)
    with tifffile.TiffFile(tmp_path / "a.tif") as file:
        assert file.pages.first.photometric == tifffile.PHOTOMETRIC.MINISWHITE
