"""Reading still pictures with OpenImageIO: header first, checked, then pixels as stored.

Pixels come back planar float32 in the file's own encoding: integers divided by their largest
value, floating point as it is. Values below 0 and above 1 survive. Nothing is associated with
alpha and no colour is converted here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import OpenImageIO as oiio

from server.media.errors import MediaError
from server.media.headers import Header, as_fraction, portable_attributes

Float32 = npt.NDArray[np.float32]

_READER = {
    ".exr": "openexr", ".dpx": "dpx", ".cin": "cineon", ".tif": "tiff", ".tiff": "tiff",
    ".png": "png", ".jpg": "jpeg", ".jpeg": "jpeg", ".jpe": "jpeg",
}  # fmt: skip


@dataclass(frozen=True)
class Limits:
    """The largest picture that is opened: pixels a side, channels, bytes once decoded."""

    side_px: int = 16384
    channels: int = 64
    megabytes: int = 4096


def library_list() -> str:
    """The image libraries in use with their versions, for the log at start."""
    return str(oiio.get_string_attribute("library_list"))


def read_header(path: Path, limits: Limits | None = None) -> Header:
    """The checked header of a picture. Raises MediaError naming the file and the remedy."""
    reader = _open(path, limits or Limits())
    try:
        return _header(path, reader, limits or Limits())
    finally:
        reader.close()


def read_pixels(header: Header, limits: Limits | None = None) -> tuple[Float32, Float32 | None]:
    """Colour (3, H, W) and alpha (H, W) or None, encoded as in the file, upright, float32.

    The data window is pasted into the display window; what lies outside it is 0, and what is
    stored outside the display window is left out. A grey picture gives three equal channels.
    """
    reader = _open(header.path, limits or Limits())
    try:
        again = _header(header.path, reader, limits or Limits())
        if (again.stored_size, again.data_window) != (header.stored_size, header.data_window):
            raise MediaError(f"'{header.path}' changed while it was being read; read it again")
        wanted = [*header.colour_channels]
        if header.alpha_channel is not None:
            wanted.append(header.alpha_channel)
        low, high = min(wanted), max(wanted) + 1
        stored = reader.read_image(header.subimage, 0, low, high, "float")
        if stored is None:
            reason = reader.geterror() or oiio.geterror()
            raise MediaError(f"'{header.path}' cannot be read ({_clean(reason)}); {_DAMAGED}")
    finally:
        reader.close()
    stored = np.asarray(stored, dtype=np.float32).reshape(*_stored_shape(header), high - low)
    planes = np.zeros((len(wanted), header.stored_size[1], header.stored_size[0]), np.float32)
    x0, y0, x1, y1 = header.data_window
    left, top = max(x0, 0), max(y0, 0)
    right, bottom = min(x1, header.stored_size[0]), min(y1, header.stored_size[1])
    if left < right and top < bottom:
        part = stored[top - y0 : bottom - y0, left - x0 : right - x0]
        for plane, channel in zip(planes, wanted, strict=True):
            plane[top:bottom, left:right] = part[..., channel - low]
    planes = upright(planes, header.orientation)
    colour = planes[: len(header.colour_channels)]
    if len(colour) == 1:
        colour = np.repeat(colour, 3, axis=0)
    alpha = planes[-1] if header.alpha_channel is not None else None
    return np.ascontiguousarray(colour), None if alpha is None else np.ascontiguousarray(alpha)


def upright(planes: Float32, orientation: int) -> Float32:
    """Planes (C, H, W) turned so that the first row is the visual top (TIFF 6.0, tag 274)."""
    if orientation in (5, 6, 7, 8):
        planes = planes.swapaxes(-1, -2)
    if orientation in (2, 3, 6, 7):
        planes = planes[..., :, ::-1]
    if orientation in (3, 4, 7, 8):
        planes = planes[..., ::-1, :]
    return planes


_DAMAGED = "it may be damaged, cut short or still being written; copy or render it again"


def _clean(reason: str) -> str:
    """A library's message as one short line without its own punctuation and paths."""
    line = " ".join(reason.split()) or "the reader gave no reason"
    return line[:160].rstrip(". ")


def _open(path: Path, limits: Limits) -> Any:
    """An open reader, chosen by the file's ending only and under the library's own limits."""
    format_name = _READER.get(path.suffix.lower())
    if format_name is None:
        raise MediaError(
            f"'{path}' is not a picture format that can be read; transcode it to EXR, DPX, TIFF, "
            "PNG or JPEG first"
        )
    if not path.is_file():
        problem = "is a folder, not a picture" if path.is_dir() else "does not exist"
        raise MediaError(f"'{path}' {problem}; check the path")
    try:
        with path.open("rb") as stream:
            empty = not stream.read(1)
    except OSError as error:
        raise MediaError(
            f"'{path}' cannot be opened ({error.strerror}); check its permissions"
        ) from None
    if empty:
        raise MediaError(f"'{path}' is empty; {_DAMAGED}")
    oiio.attribute("limits:resolution", limits.side_px)
    oiio.attribute("limits:channels", limits.channels)
    oiio.attribute("limits:imagesize_MB", limits.megabytes)
    oiio.attribute("try_all_readers", 0)
    wish = oiio.ImageSpec()
    wish.attribute("oiio:UnassociatedAlpha", 1)
    oiio.geterror()
    reader = oiio.ImageInput.open(str(path), wish)
    if reader is None:
        raise MediaError(
            f"'{path}' is not a readable {path.suffix[1:].upper()} file "
            f"({_clean(oiio.geterror())}); {_DAMAGED}"
        )
    return reader


def _header(path: Path, reader: Any, limits: Limits) -> Header:
    index, spec = _colour_part(path, reader, limits)
    names = [str(name) for name in spec.channelnames]
    colour, alpha = _channels(path, names, spec)
    orientation = spec.get_int_attribute("Orientation", 1)
    orientation = orientation if 1 <= orientation <= 8 else 1
    size = (int(spec.full_width), int(spec.full_height))
    width, height = size if orientation < 5 else size[::-1]
    aspect = float(spec.get_float_attribute("PixelAspectRatio", 1.0))
    if not (math.isfinite(aspect) and 0.1 <= aspect <= 10.0):
        aspect = 1.0
    x0, y0 = int(spec.x - spec.full_x), int(spec.y - spec.full_y)
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
        colour_tag=_colour_tag(str(reader.format_name()), spec),
        colour_guess=_colour_guess(str(reader.format_name()), spec),
        chromaticities=_chromaticities(spec),
        attributes=attributes,
    )


def _colour_part(path: Path, reader: Any, limits: Limits) -> tuple[int, Any]:
    """The first part that has red, green and blue, else the first with any picture."""
    fallback: tuple[int, Any] | None = None
    for index in range(limits.channels):
        if not reader.seek_subimage(index, 0):
            break
        spec = reader.spec()
        _check_size(path, spec, limits)
        names = {str(name).rsplit(".", 1)[-1].upper() for name in spec.channelnames}
        if {"R", "G", "B"} <= names or {"RED", "GREEN", "BLUE"} <= names:
            return index, spec
        fallback = fallback or (index, spec)
        if str(reader.format_name()) != "openexr":
            break
    if fallback is None:
        raise MediaError(f"'{path}' holds no picture; {_DAMAGED}")
    reader.seek_subimage(fallback[0], 0)
    return fallback


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


def _channels(path: Path, names: list[str], spec: Any) -> tuple[tuple[int, ...], int | None]:
    """Channel numbers of the colour (three or one) and of alpha, found by name."""
    lower = {name.lower(): number for number, name in reversed(list(enumerate(names)))}
    layers = dict.fromkeys(["", *(n.rsplit(".", 1)[0] + "." for n in lower if "." in n)])
    for layer in layers:
        for triple in (("r", "g", "b"), ("red", "green", "blue")):
            numbers = [lower.get(layer + name) for name in triple]
            if None not in numbers:
                alpha = lower.get(layer + "a", lower.get(layer + "alpha"))
                return tuple(int(n) for n in numbers if n is not None), alpha
    if spec.alpha_channel >= 0 and len(names) <= 2:
        grey = [n for n in range(len(names)) if n != spec.alpha_channel]
        return (grey[0] if grey else spec.alpha_channel,), spec.alpha_channel if grey else None
    if "y" in lower and not {"ry", "by"} & set(lower):
        return (lower["y"],), lower.get("a")
    if len(names) == 1:
        return (0,), None
    unnamed = names[0].lower().startswith("channel")
    if len(names) == 2 and unnamed:
        return (0,), 1
    if len(names) in (3, 4) and unnamed:
        return (0, 1, 2), 3 if len(names) == 4 else None
    raise MediaError(
        f"'{path}' has the channels {', '.join(names[:8])} and no red, green and blue among them; "
        "write channels named R, G, B"
    )


def _associated(format_name: str, spec: Any) -> bool:
    """Whether colour is stored multiplied by alpha: EXR always, TIFF by its tag, others never."""
    if format_name == "openexr":
        return True
    if format_name == "tiff":
        return int(spec.get_int_attribute("oiio:UnassociatedAlpha", 0)) == 0
    return False


def _bits(spec: Any) -> int | None:
    size = {"uint8": 8, "uint16": 16, "uint32": 32, "uint10": 10, "uint12": 12}
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


def _colour_tag(format_name: str, spec: Any) -> str | None:
    """A colour-space name that the file itself states, never one guessed by the reader."""
    if spec.get_int_attribute("acesImageContainerFlag", 0) == 1:
        return "lin_ap0_scene"
    tag = spec.get_string_attribute("colorInteropID", "")
    if tag:
        return str(tag)
    if format_name in ("dpx", "cineon"):
        transfer = spec.get_string_attribute("dpx:Transfer", "")
        return {"Linear": "scene_linear", "ITU-R 709-4": "ocio:itu709_rec709_scene"}.get(transfer)
    if format_name == "openexr":
        return None
    if format_name == "jpeg" and spec.get_int_attribute("Exif:ColorSpace", 0) != 1:
        return None
    return str(spec.get_string_attribute("oiio:ColorSpace", "")) or None


def _colour_guess(format_name: str, spec: Any) -> str | None:
    """Film densities for a logarithmic scan: the published curve nearest to what scanners write."""
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


def _stored_shape(header: Header) -> tuple[int, int]:
    x0, y0, x1, y1 = header.data_window
    return y1 - y0, x1 - x0
