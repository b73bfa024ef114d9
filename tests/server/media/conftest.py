"""Small files made by other libraries, and pictures to compare with."""

from __future__ import annotations

import struct
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest

Array = np.ndarray[Any, Any]


@pytest.fixture
def gradient() -> Array:
    """A smooth 8-bit RGB picture (48, 64, 3) whose channels differ everywhere."""
    y, x = np.mgrid[0:48, 0:64]
    return np.stack([x * 3 + 10, y * 4 + 20, 240 - x * 2 - y], axis=-1).astype(np.uint8)


@pytest.fixture
def make_dpx() -> Callable[..., bytes]:
    """Writes 10-bit RGB DPX files; see `dpx_bytes`."""
    return dpx_bytes


def dpx_bytes(codes: Array, *, transfer: int = 0, fps: float = 24.0) -> bytes:
    """A 10-bit RGB DPX file, filled to 32-bit words from the left, written field by field.

    Source: SMPTE ST 268-1: magic word, image offset at 4, file size at 16, element count at 770,
    width and height at 772, descriptor (50 = RGB), transfer, colorimetric and bit depth of the
    first element from 800, time code at 1920, frame rate at 1940.
    """
    height, width, _ = codes.shape
    header = bytearray(b"\xff" * 2048)
    size = 2048 + width * height * 4
    struct.pack_into(">4sI8sI", header, 0, b"SDPX", 2048, b"V2.0\0\0\0\0", size)
    struct.pack_into(">IIII", header, 20, 1, 1664, 384, 0)
    header[36:660] = bytes(624)
    struct.pack_into(">I", header, 660, 0xFFFFFFFF)
    struct.pack_into(">HHII", header, 768, 0, 1, width, height)
    struct.pack_into(">IIfIf", header, 780, 0, 0, 0.0, 1023, 2.0)
    struct.pack_into(">BBBBHHIII", header, 800, 50, transfer, transfer, 10, 1, 0, 2048, 0, 0)
    struct.pack_into(">II", header, 1628, 1, 1)
    struct.pack_into(">II", header, 1920, 0x10203004, 0)
    struct.pack_into(">f", header, 1940, fps)
    words = codes.astype(np.uint32)
    packed = words[..., 0] << 22 | words[..., 1] << 12 | words[..., 2] << 2
    return bytes(header) + packed.astype(">u4").tobytes()


MovieMaker = Callable[..., Path]


@pytest.fixture
def make_movie(tmp_path: Path) -> MovieMaker:
    """Writes a movie of RGB frames (or of ready VideoFrames) with PyAV."""

    def make(
        name: str,
        frames: list[Any],
        *,
        codec: str = "libx264",
        pix_fmt: str = "yuv420p",
        rate: Fraction | int = 24,
        options: dict[str, str] | None = None,
        setup: Callable[[Any], None] | None = None,
        container_options: dict[str, str] | None = None,
    ) -> Path:
        path = tmp_path / name
        with av.open(str(path), "w", options=container_options or {}) as container:
            stream: Any = container.add_stream(codec, rate=rate)
            first = frames[0]
            ready = isinstance(first, av.VideoFrame)
            stream.width = first.width if ready else first.shape[1]
            stream.height = first.height if ready else first.shape[0]
            stream.pix_fmt = pix_fmt
            stream.options = options or {}
            if setup is not None:
                setup(stream)
            for number, picture in enumerate(frames):
                frame = picture
                if not ready:
                    frame = av.VideoFrame.from_ndarray(picture, "rgb24").reformat(format=pix_fmt)
                frame.pts = number
                frame.time_base = 1 / Fraction(rate)
                container.mux(stream.encode(frame))
            container.mux(stream.encode(None))
        return path

    return make


@pytest.fixture
def numbered_frames() -> Callable[[int], list[Array]]:
    """Plain grey frames whose brightness rises by five codes a frame."""

    def make(count: int) -> list[Array]:
        return [np.full((144, 256, 3), 20 + 5 * n, np.uint8) for n in range(count)]

    return make
