"""Eight-bit 4:2:0 H.264 in memory and on disk: BT.709 encoding, and back to scene-linear."""

from __future__ import annotations

import io
from collections.abc import Iterable, Iterator
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]
Bytes = NDArray[np.uint8]

REC709_FROM_ACESCG = np.array(
    [
        [1.7050509, -0.6217921, -0.0832588],
        [-0.1302564, 1.1408047, -0.0105483],
        [-0.0240034, -0.1289690, 1.1529724],
    ]
)
"""Linear BT.709 of ACEScg, D60 adapted to D65. Source: OpenColorIO's built-in studio config."""

# Source: ITU-R BT.709-6, item 1.2 (curve) and 3.2 to 3.5 (luma, chroma and their quantisation).
KR, KB = 0.2126, 0.0722
KG = 1 - KR - KB


def rec709_encoded(linear: Image) -> Image:
    """BT.709 signal of linear light, clipped to 0..1: 8-bit video has no more room."""
    x = np.clip(linear, 0, 1)
    curve = 1.099 * np.power(np.maximum(x, 0.018), 0.45) - 0.099
    return np.asarray(np.where(x < 0.018, 4.5 * x, curve), np.float32)


def linear_from_rec709(signal: Image) -> Image:
    """Linear light of a BT.709 signal; below 0 the straight part goes on."""
    curve = np.power((np.maximum(signal, 0.081) + 0.099) / 1.099, 1 / 0.45)
    return np.asarray(np.where(signal < 0.081, signal / 4.5, curve), np.float32)


def yuv420_from_working(working: Image) -> tuple[Bytes, Bytes, Bytes]:
    """Narrow-range 8-bit luma and left-sited half-size chroma of (3, h, w) linear ACEScg."""
    linear = np.tensordot(REC709_FROM_ACESCG.astype(np.float32), working, axes=1)
    red, green, blue = rec709_encoded(linear)
    luma = KR * red + KG * green + KB * blue
    planes = [16 + 219 * luma]
    for difference in ((blue - luma) / (2 - 2 * KB), (red - luma) / (2 - 2 * KR)):
        rows = (difference[0::2] + difference[1::2]) / 2
        sited = cv2.sepFilter2D(
            rows, cv2.CV_32F, np.array([0.25, 0.5, 0.25], np.float32), np.ones(1, np.float32)
        )
        planes.append(128 + 224 * np.asarray(sited)[:, 0::2])
    y, cb, cr = (np.clip(np.round(p), 0, 255).astype(np.uint8) for p in planes)
    return y, cb, cr


def working_from_yuv420(y: Bytes, cb: Bytes, cr: Bytes) -> Image:
    """Inverse of `yuv420_from_working`: chroma interpolated at its left siting, in float."""
    height, width = y.shape
    luma = (y.astype(np.float32) - 16) / 219
    columns = np.arange(width, dtype=np.float32)[None, :] / 2
    rows = (np.arange(height, dtype=np.float32)[:, None] - 0.5) / 2
    map_x = np.ascontiguousarray(np.broadcast_to(columns, (height, width)))
    map_y = np.ascontiguousarray(np.broadcast_to(rows, (height, width)))

    def upsampled(plane: Bytes) -> Image:
        values = (plane.astype(np.float32) - 128) / 224
        out = cv2.remap(values, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        return np.asarray(out, np.float32)

    blue = luma + (2 - 2 * KB) * upsampled(cb)
    red = luma + (2 - 2 * KR) * upsampled(cr)
    green = (luma - KR * red - KB * blue) / KG
    linear = linear_from_rec709(np.stack([red, green, blue]))
    return np.tensordot(np.linalg.inv(REC709_FROM_ACESCG).astype(np.float32), linear, axes=1)


def _open_stream(
    container: av.container.OutputContainer, width: int, height: int, fps: int, crf: int
) -> av.VideoStream:
    stream = container.add_stream("libx264", rate=Fraction(fps))
    stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
    stream.options = {
        "crf": str(crf),
        "preset": "veryfast",
        "threads": "2",
        "x264-params": "colorprim=bt709:transfer=bt709:colormatrix=bt709:chromaloc=0:log-level=0",
    }
    context = stream.codec_context
    context.color_range, context.colorspace = 1, 1
    context.color_primaries, context.color_trc = 1, 1
    return stream


def write_movie(
    target: Path | io.BytesIO, frames: Iterable[tuple[Bytes, Bytes, Bytes]], *, fps: int, crf: int
) -> None:
    """Encode 8-bit 4:2:0 frames as H.264 in an MP4, tagged BT.709, narrow range, left siting."""
    where = str(target) if isinstance(target, Path) else target
    with av.open(where, "w", format="mp4") as container:
        stream: av.VideoStream | None = None
        for y, cb, cr in frames:
            if stream is None:
                stream = _open_stream(container, y.shape[1], y.shape[0], fps, crf)
            stacked = np.concatenate([y.ravel(), cb.ravel(), cr.ravel()])
            picture = av.VideoFrame.from_ndarray(
                stacked.reshape(y.shape[0] * 3 // 2, y.shape[1]), format="yuv420p"
            )
            picture.color_range, picture.colorspace = 1, 1
            container.mux(stream.encode(picture))
        if stream is not None:
            container.mux(stream.encode(None))


def read_movie(source: Path | io.BytesIO) -> Iterator[tuple[Bytes, Bytes, Bytes]]:
    """The decoded 8-bit planes of an H.264 4:2:0 movie."""
    where = str(source) if isinstance(source, Path) else source
    with av.open(where, "r") as container:
        for frame in container.decode(video=0):
            packed: Bytes = np.asarray(frame.to_ndarray(), np.uint8)
            height, width = frame.height, frame.width
            quarter = height * width // 4
            flat = packed.ravel()
            chroma = flat[height * width :]
            yield (
                flat[: height * width].reshape(height, width),
                chroma[:quarter].reshape(height // 2, width // 2),
                chroma[quarter:].reshape(height // 2, width // 2),
            )


def through_codec(working: Image, *, crf: int = 18) -> Image:
    """One frame of linear ACEScg (even size) as 8-bit 4:2:0 H.264 hands it back."""
    memory = io.BytesIO()
    write_movie(memory, [yuv420_from_working(working)], fps=24, crf=crf)
    memory.seek(0)
    return np.asarray(working_from_yuv420(*next(read_movie(memory))), np.float32)
