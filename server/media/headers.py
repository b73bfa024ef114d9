"""What a picture file says about itself, checked, in this project's own terms."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

from server.media.attributes import Attribute, as_fraction, portable_attributes, readable_text
from server.media.dpx import forget_beyond_header
from server.media.errors import MediaError
from server.media.icc import StatedColour, space_of_profile
from server.media.png import colour_of_png, is_palette

DAMAGED = "it may be damaged, cut short or still being written; copy or render it again"


@dataclass(frozen=True)
class Limits:
    """The largest picture that is opened: pixels a side, channels, bytes once decoded."""

    side_px: int = 16384
    channels: int = 64
    megabytes: int = 4096


@dataclass(frozen=True)
class Header:
    """One picture's header. Sizes are those of the display window, upright."""

    path: Path
    format: str
    subimage: int
    width: int
    height: int
    pixel_aspect: float
    data_window: tuple[int, int, int, int]
    """Stored pixels relative to the display window, (x0, y0, x1, y1), before turning upright."""
    stored_size: tuple[int, int]
    """Width and height of the display window before turning upright."""
    colour_channels: tuple[int, ...]
    """Channel numbers of red, green, blue; a single one for a grey picture."""
    alpha_channel: int | None
    alpha_associated: bool
    orientation: int
    bits: int | None
    """Bits per encoded integer sample; None for floating point."""
    chroma: str | None
    fps: Fraction | None
    colour_tags: tuple[str, ...]
    """The file's own statement of its colour space, as names or interop identifiers to try."""
    colour_refusal: str
    """Why its statement of its colour cannot be followed; empty where it can."""
    colour_guess: str | None
    """What it most likely is when nothing states it and no rule applies."""
    chromaticities: tuple[float, ...] | None
    remarks: tuple[str, ...] = ()
    """What people should know of how the picture is read."""
    attributes: dict[str, Attribute] = field(default_factory=dict)


def header_of(path: Path, reader: Any, limits: Limits) -> Header:
    """The header of an open OpenImageIO reader, checked before any pixel is read."""
    index, spec, remarks = _colour_part(path, reader, limits)
    names = [str(name) for name in spec.channelnames]
    _check_kind(path, names, spec)
    views = spec.getattribute("multiView")
    views = [readable_text(str(v)) for v in views] if isinstance(views, tuple) else []
    eye = "left." if len(views) > 1 and "left" in views and views[0] != "left" else ""
    colour, alpha = _channels(path, names, spec, eye)
    if len(views) > 1:
        remarks = _of_views(views, "left" if eye else views[0])
    orientation = spec.get_int_attribute("Orientation", 1)
    orientation = orientation if 1 <= orientation <= 8 else 1
    size = (int(spec.full_width), int(spec.full_height))
    width, height = size if orientation < 5 else size[::-1]
    aspect = float(spec.get_float_attribute("PixelAspectRatio", 1.0))
    if not (math.isfinite(aspect) and 0.1 <= aspect <= 10.0):
        aspect = 1.0
    x0, y0 = int(spec.x - spec.full_x), int(spec.y - spec.full_y)
    if str(reader.format_name()) == "dpx":
        forget_beyond_header(path, spec)
    stated = _stated_colour(path, str(reader.format_name()), spec)
    attributes = portable_attributes(spec)
    fps = as_fraction(_first(spec, "framesPerSecond", "FramesPerSecond"))
    fps = fps or as_fraction(_first(spec, "dpx:FrameRate", "dpx:TemporalFrameRate"))
    if fps is not None:
        attributes["framesPerSecond"] = fps
    if str(reader.format_name()) == "openexr":
        attributes["displayWindow"] = _window(spec.full_x, spec.full_y, *size)
        attributes["dataWindow"] = _window(spec.x, spec.y, spec.width, spec.height)
        attributes["pixelAspectRatio"] = aspect
    return Header(
        path=path,
        format=str(reader.format_name()),
        subimage=index,
        width=width,
        height=height,
        pixel_aspect=aspect if orientation < 5 else 1.0 / aspect,
        data_window=(x0, y0, x0 + int(spec.width), y0 + int(spec.height)),
        stored_size=size,
        colour_channels=colour,
        alpha_channel=alpha,
        alpha_associated=_associated(str(reader.format_name()), spec),
        orientation=orientation,
        bits=_bits(spec),
        chroma=_chroma(spec),
        fps=fps,
        colour_tags=stated.names,
        colour_refusal=stated.refusal,
        colour_guess=_colour_guess(str(reader.format_name()), spec),
        chromaticities=_chromaticities(spec),
        remarks=(*remarks, *_palette(path, str(reader.format_name()), spec)),
        attributes=attributes,
    )


def _colour_part(path: Path, reader: Any, limits: Limits) -> tuple[int, Any, tuple[str, ...]]:
    """The first part that has red, green and blue, else the first with any picture.

    Of parts for two eyes the left one's, and a remark that says so.
    """
    coloured: list[tuple[int, str]] = []
    fallback: int | None = None
    for index in range(limits.channels):
        if not reader.seek_subimage(index, 0):
            break
        spec = reader.spec()
        _check_size(path, spec, limits)
        names = {str(name).rsplit(".", 1)[-1].upper() for name in spec.channelnames}
        if {"R", "G", "B"} <= names or {"RED", "GREEN", "BLUE"} <= names:
            coloured.append((index, readable_text(spec.get_string_attribute("view", ""))))
        fallback = index if fallback is None else fallback
        if str(reader.format_name()) != "openexr":
            break
    views = [view for _, view in coloured if view]
    left = next((part for part in coloured if part[1] == "left"), None)
    chosen = left or (coloured[0] if coloured else None)
    if chosen is None and fallback is None:
        raise MediaError(f"'{path}' holds no picture; {DAMAGED}")
    index = chosen[0] if chosen is not None else fallback or 0
    reader.seek_subimage(index, 0)
    return index, reader.spec(), _of_views(views, chosen[1] if chosen else "")


def _of_views(views: Sequence[str], read: str) -> tuple[str, ...]:
    if len(set(views)) < 2:
        return ()
    return (f"it holds the views {listed_names(list(dict.fromkeys(views)))}; {read} is read",)


def _check_kind(path: Path, names: Sequence[str], spec: Any) -> None:
    """Refuse what is no flat picture of a scene."""
    if spec.get_string_attribute("textureformat", "").startswith("CubeFace"):
        raise MediaError(f"'{path}' is a cube map, not a picture; write a flat picture")
    if all(name.rsplit(".", 1)[-1].lower() in ("z", "zback", "depth") for name in names):
        raise MediaError(f"'{path}' holds depth only; write channels named R, G, B")


def _check_size(path: Path, spec: Any, limits: Limits) -> None:
    """Refuse absurd headers before any pixel is read."""
    sides = (spec.width, spec.height, spec.full_width, spec.full_height)
    if min(sides) < 1 or max(sides) > limits.side_px:
        raise MediaError(
            f"'{path}' claims {sides[0]} x {sides[1]} pixels (display {sides[2]} x {sides[3]}) and "
            f"at most {limits.side_px} a side are read; check the file or scale it down"
        )
    if not 1 <= spec.nchannels <= limits.channels:
        raise MediaError(
            f"'{path}' claims {spec.nchannels} channels and at most {limits.channels} are read; "
            "write only the colour and alpha channels"
        )
    megabytes = max(sides[0] * sides[1], sides[2] * sides[3]) * spec.nchannels * 4 / 2**20
    if megabytes > limits.megabytes:
        raise MediaError(
            f"'{path}' would take {megabytes:.0f} MB and at most {limits.megabytes} MB are read; "
            "scale it down or write fewer channels"
        )
    if spec.deep:
        raise MediaError(f"'{path}' holds deep samples; flatten it to an ordinary EXR first")
    if max(spec.depth, spec.full_depth) > 1:
        raise MediaError(f"'{path}' is a volume, not a picture; write its slices as pictures")


def _palette(path: Path, format_name: str, spec: Any) -> tuple[str, ...]:
    """Say so of a picture of few colours: it looks like 8 bits and is not."""
    of_tiff = spec.get_string_attribute("tiff:ColorSpace", "") == "palette"
    if not (of_tiff or (format_name == "png" and is_palette(path))):
        return ()
    return ("it holds a palette of at most 256 colours; write it as RGB to key it well",)


def _channels(
    path: Path, names: list[str], spec: Any, first_layer: str = ""
) -> tuple[tuple[int, ...], int | None]:
    """Channel numbers of the colour (three or one) and of alpha, found by name.

    first_layer: that is looked at before the others.
    """
    lower = {name.lower(): number for number, name in reversed(list(enumerate(names)))}
    layers = dict.fromkeys(
        [first_layer, "", *(n.rsplit(".", 1)[0] + "." for n in lower if "." in n)]
    )
    for layer in layers:
        for triple in (("r", "g", "b"), ("red", "green", "blue")):
            numbers = [lower.get(layer + name) for name in triple]
            if None not in numbers:
                alpha = lower.get(layer + "a", lower.get(layer + "alpha"))
                return tuple(int(n) for n in numbers if n is not None), alpha
    if spec.alpha_channel >= 0 and len(names) <= 2:
        grey = [n for n in range(len(names)) if n != spec.alpha_channel]
        return (grey[0] if grey else spec.alpha_channel,), spec.alpha_channel if grey else None
    others = set(lower)
    if "y" in lower and not ({"ry", "by"} & others or {"x", "z"} <= others):
        return (lower["y"],), lower.get("a")
    if len(names) == 1:
        return (0,), None
    unnamed = names[0].lower().startswith("channel")
    if len(names) == 2 and unnamed:
        return (0,), 1
    if len(names) in (3, 4) and unnamed:
        return (0, 1, 2), 3 if len(names) == 4 else None
    raise MediaError(
        f"'{path}' has the channels {listed_names(names)} and no red, green and blue among them; "
        "write channels named R, G, B"
    )


def listed_names(names: Sequence[str]) -> str:
    """Channel names for a sentence: the first eight, none at length."""
    short = [readable_text(name)[:40] for name in names[:8]]
    return ", ".join(short) + (f" and {len(names) - 8} more" if len(names) > 8 else "")


def _associated(format_name: str, spec: Any) -> bool:
    """Whether colour is stored multiplied by alpha: EXR always, TIFF by its tag, others never."""
    if format_name == "openexr":
        return True
    if format_name == "tiff":
        return int(spec.get_int_attribute("oiio:UnassociatedAlpha", 0)) == 0
    return False


def _bits(spec: Any) -> int | None:
    size = {"uint8": 8, "uint16": 16, "uint": 32, "uint32": 32, "uint10": 10, "uint12": 12}
    size |= {"int8": 8, "int16": 16, "int": 32, "int32": 32}
    bits = size.get(str(spec.format))
    return None if bits is None else int(spec.get_int_attribute("oiio:BitsPerSample", bits))


def _chroma(spec: Any) -> str | None:
    sub = spec.get_string_attribute("jpeg:subsampling", "")
    if sub in ("4:2:0", "4:2:2", "4:4:4"):
        return str(sub)
    return "4:2:0" if sub in ("4:1:1", "4:2:1") else "4:4:4"


def _first(spec: Any, *names: str) -> Any:
    for name in names:
        value = spec.getattribute(name)
        if value is not None:
            return value
    return None


def _stated_colour(path: Path, format_name: str, spec: Any) -> StatedColour:
    """What the file itself states: code points, then a profile, then the reader's own tag."""
    inks = spec.get_string_attribute(f"{format_name}:ColorSpace", "")
    if inks in ("CMYK", "YCCK"):
        return StatedColour(refusal="is printed in inks (CMYK)")
    found = colour_of_png(path) if format_name == "png" else None
    if found is not None:
        return found
    profile = spec.getattribute("ICCProfile")
    if profile is not None:
        return space_of_profile(bytes(bytearray(profile)))
    tag = _colour_tag(format_name, spec)
    return StatedColour(() if tag is None else (tag,))


def _colour_tag(format_name: str, spec: Any) -> str | None:
    """A colour-space name that the file itself states, never one guessed by the reader."""
    if spec.get_int_attribute("acesImageContainerFlag", 0) == 1:
        return "lin_ap0_scene"
    tag = readable_text(spec.get_string_attribute("colorInteropID", ""))
    if tag:
        return tag
    if format_name in ("dpx", "cineon"):
        transfer = spec.get_string_attribute("dpx:Transfer", "")
        return {"Linear": "lin_rec709_scene", "ITU-R 709-4": "ocio:itu709_rec709_scene"}.get(
            transfer
        )
    if format_name == "openexr":
        return None
    if format_name == "jpeg" and spec.get_int_attribute("Exif:ColorSpace", 0) != 1:
        return None
    return readable_text(spec.get_string_attribute("oiio:ColorSpace", "")) or None


def _colour_guess(format_name: str, spec: Any) -> str | None:
    """What a file most likely is: of an EXR without primaries Rec. 709 light, of a logarithmic
    scan film densities in the published curve nearest to what scanners write.

    Source: OpenEXR, Technical Introduction, "RGB Color": without the attribute chromaticities, the
    primaries and the white point are those of Rec. ITU-R BT.709-3.
    """
    if format_name == "openexr":
        return "lin_rec709_scene"
    transfer = spec.get_string_attribute("dpx:Transfer", "")
    if format_name == "cineon" or transfer in ("Logarithmic", "Printing density"):
        return "ADX10"
    return None


def _chromaticities(spec: Any) -> tuple[float, ...] | None:
    value = spec.getattribute("chromaticities")
    if isinstance(value, tuple) and len(value) == 8:
        return tuple(float(v) for v in value)
    return None


def _window(x: int, y: int, width: int, height: int) -> tuple[int, ...]:
    return int(x), int(y), int(x) + int(width), int(y) + int(height)
