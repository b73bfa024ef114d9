"""Real encoders in memory: 8-bit 4:2:0 H.264, 10-bit 4:2:0 HEVC, 10-bit 4:2:2 ProRes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]
Planes = tuple[Image, Image, Image]

# Source: ITU-R BT.709-6, items 3.2 to 3.5.
KR, KB = 0.2126, 0.0722
KG = 1 - KR - KB
FRAMES_PER_SECOND = 24
LEAST_PX = 64
"""The HEVC encoder writes past its own buffers on pictures of less than about 48 pixels."""


@dataclass(frozen=True)
class Codec:
    """An encoder, its pixel format and options; `vertical`: chroma has half the rows too."""

    encoder: str
    pixels: str
    bits: int
    vertical: bool
    decoder: str
    options: dict[str, str] = field(default_factory=dict)


_X264 = "colorprim=bt709:transfer=bt709:colormatrix=bt709:chromaloc=0"
_X265 = "log-level=none:pools=1:frame-threads=1:chromaloc=0:colorprim=1:transfer=1:colormatrix=1"
CODECS = {
    "h264": Codec(
        "libx264",
        "yuv420p",
        8,
        True,
        "h264",
        {"crf": "20", "preset": "fast", "threads": "1", "x264-params": _X264},
    ),
    "hevc10": Codec(
        "libx265",
        "yuv420p10le",
        10,
        True,
        "hevc",
        {"crf": "18", "preset": "fast", "x265-params": _X265},
    ),
    "prores422": Codec(
        "prores_ks", "yuv422p10le", 10, False, "prores", {"profile": "2", "threads": "1"}
    ),
}


def ycbcr_from_rgb(signal: Image) -> Planes:
    """Y' 0..1, Cb and Cr −0.5..0.5 of a signal (3, h, w). Source: ITU-R BT.709-6."""
    red, green, blue = signal
    luma = KR * red + KG * green + KB * blue
    return luma, (blue - luma) / (2 - 2 * KB), (red - luma) / (2 - 2 * KR)


def rgb_from_ycbcr(luma: Image, cb: Image, cr: Image) -> Image:
    """Inverse of `ycbcr_from_rgb`; values outside 0..1 survive."""
    red, blue = luma + (2 - 2 * KR) * cr, luma + (2 - 2 * KB) * cb
    return np.stack([red, (luma - KR * red - KB * blue) / KG, blue])


def halved(plane: Image, vertical: bool) -> Image:
    """Chroma at half width, sited on the even columns; where `vertical`, between two rows."""
    padded = np.pad(plane, ((0, 0), (1, 1)), mode="edge")
    across = (padded[:, :-2] + 2 * padded[:, 1:-1] + padded[:, 2:]) / 4
    half = across[:, 0::2]
    return np.ascontiguousarray((half[0::2] + half[1::2]) / 2 if vertical else half)


def _between(plane: Image, at: float) -> Image:
    """Catmull–Rom along the last axis, a share `at` of a step after each sample, ends held.

    Source: Catmull & Rom 1974, the cubic with parameter 1/2.
    """
    whole = int(np.floor(at))
    t = at - whole
    weights = (
        0.5 * (-t + 2 * t**2 - t**3),
        0.5 * (2 - 5 * t**2 + 3 * t**3),
        0.5 * (t + 4 * t**2 - 3 * t**3),
        0.5 * (-(t**2) + t**3),
    )
    padded = np.pad(plane, ((0, 0), (3, 3)), mode="edge")
    n = plane.shape[1]
    taps = [np.float32(w) * padded[:, 2 + whole + i :][:, :n] for i, w in enumerate(weights)]
    return np.asarray(taps[0] + taps[1] + taps[2] + taps[3], np.float32)


def doubled(plane: Image, vertical: bool) -> Image:
    """Chroma at full size, each sample interpolated from where `halved` sited it."""
    out = np.empty((plane.shape[0], 2 * plane.shape[1]), np.float32)
    out[:, 0::2], out[:, 1::2] = plane, _between(plane, 0.5)
    if not vertical:
        return out
    tall = np.empty((2 * out.shape[0], out.shape[1]), np.float32)
    turned = np.ascontiguousarray(out.T)
    tall[0::2], tall[1::2] = _between(turned, -0.25).T, _between(turned, 0.25).T
    return tall


def _codes(planes: Planes, bits: int) -> list[NDArray[np.uint16]]:
    """Narrow-range code values. Source: ITU-R BT.709-6, item 3.4 and 3.5."""
    step = 2.0 ** (bits - 8)
    scaled = [16 * step + 219 * step * planes[0]]
    scaled += [128 * step + 224 * step * p for p in planes[1:]]
    return [np.clip(np.round(p), step, 255 * step - 1).astype(np.uint16) for p in scaled]


def _write_plane(plane: Any, values: NDArray[np.uint16], bits: int) -> None:
    kind = np.dtype(np.uint8 if bits <= 8 else "<u2")
    rows = np.zeros((plane.height, plane.line_size // kind.itemsize), kind)
    rows[:, : values.shape[1]] = values
    plane.update(rows.tobytes())


def _read_plane(plane: Any, bits: int) -> Image:
    kind = np.dtype(np.uint8 if bits <= 8 else "<u2")
    stride = plane.line_size // kind.itemsize
    values = np.frombuffer(plane, kind)[: stride * plane.height].reshape(plane.height, stride)
    return np.asarray(values[:, : plane.width], np.float32)


def _encoded(frames: Sequence[Planes], codec: Codec) -> list[av.Packet[Any]]:
    """The packets of an elementary stream, headers inside: no container, which adds nothing."""
    height, width = frames[0][0].shape
    context = av.CodecContext.create(codec.encoder, "w")
    if not isinstance(context, av.VideoCodecContext):
        raise TypeError(f"expected a video encoder, got {type(context).__name__}")
    context.width, context.height, context.pix_fmt = width, height, codec.pixels
    context.time_base = Fraction(1, FRAMES_PER_SECOND)
    context.framerate = Fraction(FRAMES_PER_SECOND)
    context.options = dict(codec.options)
    context.color_range, context.colorspace = 1, 1
    context.color_primaries, context.color_trc = 1, 1
    packets = []
    for number, planes in enumerate(frames):
        picture = av.VideoFrame(width, height, codec.pixels)
        picture.pts, picture.time_base = number, context.time_base
        picture.color_range, picture.colorspace = 1, 1
        for plane, values in zip(picture.planes, _codes(planes, codec.bits), strict=True):
            _write_plane(plane, values, codec.bits)
        packets += context.encode(picture)
    return packets + context.encode(None)


def _decoded(packets: Sequence[av.Packet[Any]], codec: Codec) -> list[Planes]:
    context = av.CodecContext.create(codec.decoder, "r")
    if not isinstance(context, av.VideoCodecContext):
        raise TypeError(f"expected a video decoder, got {type(context).__name__}")
    context.thread_count = 1
    step = np.float32(2.0 ** (codec.bits - 8))
    out = []
    for packet in (*packets, None):
        for frame in context.decode(packet):
            if frame.format.name != codec.pixels:
                raise RuntimeError(f"{codec.decoder} gave {frame.format.name}, not {codec.pixels}")
            y, cb, cr = (_read_plane(p, codec.bits) for p in frame.planes)
            chroma = [(p - 128 * step) / (224 * step) for p in (cb, cr)]
            out.append(((y - 16 * step) / (219 * step), chroma[0], chroma[1]))
    return out


def through_codec(signals: Sequence[Image], name: str) -> list[Image]:
    """Signals (3, h, w) of successive frames as one movie of CODECS[name] hands them back.

    Encoding is BT.709 narrow range; chroma comes back at its siting, in float. Even sizes of
    at least 64 only: ValueError otherwise.
    """
    codec = CODECS[name]
    height, width = signals[0].shape[1:]
    if width % 2 or height % 2 or min(width, height) < LEAST_PX:
        raise ValueError(f"expected an even size of at least 64 x 64, got {width} x {height}")
    planes = []
    for signal in signals:
        y, cb, cr = ycbcr_from_rgb(signal)
        planes.append((y, halved(cb, codec.vertical), halved(cr, codec.vertical)))
    back = _decoded(_encoded(planes, codec), codec)
    if len(back) != len(planes):
        raise RuntimeError(f"{codec.encoder} took {len(planes)} frames and gave {len(back)}")
    return [
        rgb_from_ycbcr(y, doubled(cb, codec.vertical), doubled(cr, codec.vertical))
        for y, cb, cr in back
    ]
