"""Picture attributes between file formats, with their types.

Attribute names are those of the OpenEXR standard (`timeCode`, `framesPerSecond`, `reelName`,
`capDate`, `expTime`, ...), whatever the file format, so that they can be written to an EXR.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
from fractions import Fraction
from typing import Any

import OpenImageIO as oiio

from server.media.timecode import is_timecode

Attribute = str | int | float | Fraction | tuple[int, ...] | tuple[float, ...]

# OpenEXR's name -> OpenImageIO's name, where they differ.
OIIO_NAMES: Mapping[str, str] = {
    "timeCode": "smpte:TimeCode",
    "keyCode": "smpte:KeyCode",
    "capDate": "DateTime",
    "expTime": "ExposureTime",
    "aperture": "FNumber",
    "owner": "Copyright",
    "comments": "ImageDescription",
    "xDensity": "XResolution",
}
EXR_NAMES: Mapping[str, str] = {oiio_name: exr for exr, oiio_name in OIIO_NAMES.items()} | {
    "FramesPerSecond": "framesPerSecond",
    "dpx:InputDevice": "cameraModel",
    "dpx:InputDeviceSerialNumber": "cameraSerialNumber",
    "dpx:TimeCode": "dpxTimeCode",
    "dpx:FrameId": "slateFrame",
    "dpx:SlateInfo": "slate",
    "Make": "cameraMake",
    "Model": "cameraModel",
}
# How the file is stored, or what we set ourselves: never handed on.
_STRUCTURE = frozenset(
    {
        "compression", "chromaticities", "colorInteropID", "acesImageContainerFlag",
        "Orientation", "PixelAspectRatio", "screenWindowCenter", "screenWindowWidth",
        "planarconfig", "XResolution", "YResolution", "ResolutionUnit", "ICCProfile",
        "Software", "textureformat", "wrapmodes", "name", "version", "chunkCount", "type",
        "tiles", "lineOrder", "view", "multiView", "dpxTimeCode", "thumbnail_image",
        "thumbnail_width", "thumbnail_height", "thumbnail_nchannels", "maxSamplesPerPixel",
    }
)  # fmt: skip
_STRUCTURE_PREFIXES = (
    "oiio:", "openexr:", "dpx:", "cineon:", "tiff:", "jpeg:", "png:", "ICCProfile:", "Exif:",
    "GPS:", "IPTC:", "photoshop:", "xmp", "verdigris:", "ACES:",
)  # fmt: skip


def as_fraction(value: Any) -> Fraction | None:
    """A frame rate from a rational pair or a number; None unless between 1 and 1000 per second."""
    try:
        if isinstance(value, tuple):
            rate = Fraction(int(value[0]), int(value[1]))
        else:
            rate = snap_rate(float(value))
    except (TypeError, ValueError, ZeroDivisionError, OverflowError, IndexError):
        return None
    return rate if 1 <= rate <= 1000 else None


def snap_rate(rate: float) -> Fraction:
    """The exact frame rate a rounded number stands for: 23.976 is 24000/1001."""
    for nominal in (24, 25, 30, 48, 50, 60, 120):
        for exact in (Fraction(nominal), Fraction(nominal * 1000, 1001)):
            if abs(rate - float(exact)) < 0.004:
                return exact
    return Fraction(rate).limit_denominator(1001)


def portable_attributes(spec: Any) -> dict[str, Attribute]:
    """The attributes of an OpenImageIO spec worth carrying to another file."""
    found: dict[str, Attribute] = {}
    for item in spec.extra_attribs:
        try:
            name = EXR_NAMES.get(item.name, item.name)
            value = _portable_value(item.type, item.value)
        except UnicodeDecodeError:  # Text in some other encoding: not worth losing the picture.
            continue
        if readable_text(name) != name:
            continue
        if name in _STRUCTURE or name.startswith(_STRUCTURE_PREFIXES):
            continue
        if value is not None and value != "":
            found[name] = value
    return found


def readable_text(text: str) -> str:
    """Text of a header as it can be shown, sent and written again.

    Bytes that are no UTF-8 come from the libraries as lone surrogates: such text is taken for
    Latin-1, where every byte means something. Control characters are left out.
    Source: PEP 383 (surrogateescape); ISO/IEC 8859-1.
    """
    if any("\ud800" <= c <= "\udfff" for c in text):
        text = text.encode("utf-8", "surrogateescape").decode("latin-1")
    return "".join(c for c in text if c in "\n\t" or unicodedata.category(c) != "Cc").strip()


def _portable_value(kind: Any, value: Any) -> Attribute | None:
    """The value as a plain Python object; None for kinds that are not carried."""
    text = str(kind)
    if text.startswith("rational"):
        return as_fraction(value) or None
    if text == "timecode":
        words = tuple(int(word) & 0xFFFFFFFF for word in value)
        return words if is_timecode(words[0]) else None
    if text == "keycode":
        return tuple(int(word) for word in value)
    if isinstance(value, str):
        return readable_text(value) if len(value) <= 65536 else None
    if isinstance(value, bool | int | float):
        return value
    if text in _TUPLE_KINDS and isinstance(value, tuple):
        return tuple(float(v) if "float" in text or text in {"matrix33", "matrix"} else int(v)
                     for v in value)  # fmt: skip
    return None


_TUPLE_KINDS = {
    "float2": 2, "vector2": 2, "float[3]": 3, "vector": 3, "point": 3, "matrix33": 9,
    "matrix": 16, "int2": 2, "box2i": 4, "int[4]": 4, "vector2i": 2,
}  # fmt: skip


def typed_attribute(name: str, value: Attribute) -> tuple[str, Any, Any] | None:
    """OpenImageIO's name, type and value for an attribute; None when it cannot be written."""
    oiio_name = OIIO_NAMES.get(name, name)
    if name == "timeCode":
        return oiio_name, oiio.TypeTimeCode, value
    if name == "keyCode":
        return oiio_name, oiio.TypeKeyCode, value
    if isinstance(value, Fraction):
        pair = (value.numerator, value.denominator)
        return oiio_name, oiio.TypeDesc("rational2i"), pair
    if isinstance(value, bool | int):
        fits = -(2**31) <= value < 2**31
        return (oiio_name, oiio.TypeInt, int(value)) if fits else None
    if isinstance(value, float):
        return oiio_name, oiio.TypeFloat, value
    if isinstance(value, str):
        return oiio_name, oiio.TypeString, value
    kinds = {2: "vector2", 3: "vector", 9: "matrix33", 16: "matrix"}
    if isinstance(value[0], float) and len(value) in kinds:
        return oiio_name, oiio.TypeDesc(kinds[len(value)]), value
    return None
