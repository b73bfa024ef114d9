"""Reading still pictures with OpenImageIO: header first, checked, then pixels as stored.

Pixels come back planar float32 in the file's own encoding: integers divided by their largest
value, floating point as it is. Values below 0 and above 1 survive. Nothing is associated with
alpha and no colour is converted here.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import OpenImageIO as oiio

from server.media.errors import MediaError
from server.media.exr_header import subsampled_channels
from server.media.headers import DAMAGED, Header, Limits, header_of, listed_names

Float32 = npt.NDArray[np.float32]
_LIBRARY_WORDS = re.compile(r"EXR Error \(.*?\): (EXR_ERR_\w+ )?|: magic 0x\w+.*")
"""What the EXR library adds to its reason: the path once more, error codes, bytes."""

_READER = {
    ".exr": "openexr", ".dpx": "dpx", ".cin": "cineon", ".tif": "tiff", ".tiff": "tiff",
    ".png": "png", ".jpg": "jpeg", ".jpeg": "jpeg", ".jpe": "jpeg",
}  # fmt: skip


_STREAM = "an MPEG transport or program stream"
_OTHER_MOVIES = {
    ".ts": _STREAM, ".m2ts": _STREAM, ".mts": _STREAM, ".mpg": _STREAM, ".vob": _STREAM,
    ".flv": "a Flash movie", ".wmv": "a Windows Media movie", ".asf": "a Windows Media movie",
    ".ogv": "an Ogg movie",
}  # fmt: skip


def library_list() -> str:
    """The image libraries in use with their versions, for the log at start."""
    return str(oiio.get_string_attribute("library_list"))


def set_threads(count: int) -> None:
    """How many threads the image libraries may use for one picture in this process."""
    oiio.attribute("threads", count)
    oiio.attribute("exr_threads", count)


def read_header(path: Path, limits: Limits | None = None) -> Header:
    """The checked header of a picture. Raises MediaError naming the file and the remedy."""
    limits = limits or Limits()
    with _opened(path, limits) as reader:
        return header_of(path, reader, limits)


def read_picture(
    path: Path,
    limits: Limits | None = None,
    check: Callable[[Header], None] = lambda header: None,
) -> tuple[Header, Float32, Float32 | None]:
    """Header, colour (3, H, W) and alpha (H, W) or None, encoded as in the file, upright, float32.

    `check` sees the header before pixels are read and may raise. The data window is pasted into
    the display window; what lies outside it is 0, and what is stored outside the display window is
    left out. A grey picture gives three equal channels.
    """
    limits = limits or Limits()
    with _opened(path, limits) as reader:
        header = header_of(path, reader, limits)
        check(header)
        stored, low = _stored(header, reader)
    wanted = _wanted(header)
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
    alpha = None if alpha is None else np.ascontiguousarray(alpha)
    return header, np.ascontiguousarray(colour), alpha


def _wanted(header: Header) -> list[int]:
    """Channel numbers to read: the colour's, then alpha's if there is one."""
    alpha = [] if header.alpha_channel is None else [header.alpha_channel]
    return [*header.colour_channels, *alpha]


def _stored(header: Header, reader: Any) -> tuple[Float32, int]:
    """The data window (h, w, channels) as the file has it, and its first channel's number."""
    wanted = _wanted(header)
    low, high = min(wanted), max(wanted) + 1
    spec = reader.spec()
    three = header.format == "tiff" and header.bits == 24
    kind = str(spec.format) if three else "float"
    stored = reader.read_image(header.subimage, 0, low, high, kind)
    if stored is None:
        reason = _clean(reader.geterror() or oiio.geterror())
        raise MediaError(f"'{header.path}' cannot be read ({reason}); {DAMAGED}")
    if header.format == "jpeg" and not _jpeg_is_whole(header.path):
        raise MediaError(f"'{header.path}' ends before its last row; {DAMAGED}")
    x0, y0, x1, y1 = header.data_window
    samples = _three_bytes(stored, kind.startswith("int")) if three else stored
    samples = np.asarray(samples, dtype=np.float32).reshape(y1 - y0, x1 - x0, high - low)
    if header.format == "tiff" and (header.bits or 0) > 8 and _white_is_zero(spec):
        samples = 1.0 - samples  # The library turns samples of at most 8 bits over by itself.
    return samples, low


def _three_bytes(words: npt.NDArray[Any], signed: bool) -> Float32:
    """24-bit samples from what the library makes of them: the bytes in the wrong order, high.

    Source: TIFF 6.0, BitsPerSample and SampleFormat; seen with OpenImageIO 3.2 on files of both
    byte orders.
    """
    word = words.view(np.uint32)
    value = (word >> 24) | (word >> 8 & 0xFF00) | (word << 8 & 0xFF0000)
    if signed:
        whole = np.where(value >= 2**23, value.astype(np.int64) - 2**24, value)
        return (whole / (2**23 - 1)).astype(np.float32)
    return (value / (2**24 - 1)).astype(np.float32)


def _white_is_zero(spec: Any) -> bool:
    """Source: TIFF 6.0, PhotometricInterpretation."""
    return int(spec.get_int_attribute("tiff:PhotometricInterpretation", 2)) == 0


def _jpeg_is_whole(path: Path) -> bool:
    """Whether the end marker follows the last scan: the library fills what is cut off with grey.

    Neither marker can occur inside a scan. Source: ITU-T T.81, B.1.1.
    """
    data = path.read_bytes()
    return data.rfind(b"\xff\xd9") > data.rfind(b"\xff\xda")


def upright(planes: Float32, orientation: int) -> Float32:
    """Planes (C, H, W) turned so that the first row is the visual top (TIFF 6.0, tag 274)."""
    if orientation in (5, 6, 7, 8):
        planes = planes.swapaxes(-1, -2)
    if orientation in (2, 3, 6, 7):
        planes = planes[..., :, ::-1]
    if orientation in (3, 4, 7, 8):
        planes = planes[..., ::-1, :]
    return planes


def _clean(reason: str) -> str:
    """A library's message as one short line without its own punctuation and paths."""
    line = _LIBRARY_WORDS.sub("", " ".join(reason.split())) or "the reader gave no reason"
    return line[:160].rstrip(". ")


@contextmanager
def _opened(path: Path, limits: Limits) -> Iterator[Any]:
    """An open reader that is closed in the end; what the library throws becomes a MediaError."""
    reader = None
    try:
        reader = _open(path, limits)
        yield reader
    except (UnicodeDecodeError, RuntimeError, ValueError, MemoryError, OSError) as error:
        raise MediaError(f"'{path}' cannot be read ({_clean(str(error))}); {DAMAGED}") from None
    finally:
        if reader is not None:
            reader.close()


def _open(path: Path, limits: Limits) -> Any:
    """A reader chosen by the file's ending only, under the library's own limits."""
    format_name = _READER.get(path.suffix.lower())
    _check_file(path)
    if format_name is None:
        movie = _OTHER_MOVIES.get(path.suffix.lower())
        if movie is not None:
            raise MediaError(
                f"'{path}' is {movie}, which is not read; rewrap it as MOV or MP4 first (the "
                "pictures need no new encoding)"
            )
        raise MediaError(
            f"'{path}' is not a picture format that can be read; transcode it to EXR, DPX, TIFF, "
            "PNG or JPEG first"
        )
    if format_name == "openexr" and (coarse := subsampled_channels(path)):
        raise MediaError(
            f"'{path}' stores {listed_names(coarse)} at a lower resolution, as luminance and "
            "chroma are; write R, G, B at full resolution"
        )
    oiio.attribute("limits:resolution", limits.side_px)
    oiio.attribute("limits:channels", limits.channels)
    oiio.attribute("limits:imagesize_MB", limits.megabytes)
    oiio.attribute("try_all_readers", 0)
    wish = oiio.ImageSpec()
    wish.attribute("oiio:UnassociatedAlpha", 1)
    oiio.geterror()
    reader = oiio.ImageInput.open(str(path), wish)
    if reader is None:
        reason = oiio.geterror()
        if '"limits:' in reason:
            raise MediaError(
                f"'{path}' is too large ({_clean(reason.split('exceeds')[0])}); at most "
                f"{limits.side_px} pixels a side, {limits.channels} channels and "
                f"{limits.megabytes} MB are read, so check the file or write a smaller one"
            )
        raise MediaError(
            f"'{path}' is not a readable {path.suffix[1:].upper()} file "
            f"({_clean(reason)}); {DAMAGED}"
        )
    return reader


def _check_file(path: Path) -> None:
    """Plain words for what the library would say in its own way."""
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
        raise MediaError(f"'{path}' is empty; {DAMAGED}")
