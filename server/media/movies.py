"""Movies with PyAV: frame-accurate, native depth, with the colour flags and the turn honoured.

Frames are numbered from 1 in the order they are shown. An index of time stamps is made once;
reading continues from where the decoder is, or seeks to the key frame before.
"""

from __future__ import annotations

import os
import re
import threading
from bisect import bisect_right
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import av.bitstream
import av.logging
import numpy as np
import numpy.typing as npt

from server.media import yuv
from server.media.attributes import Attribute, readable_text, snap_rate
from server.media.cicp import colour_guess, colour_tags
from server.media.deinterlace import FILTER, deinterlaced
from server.media.errors import MediaError
from server.media.headers import Limits
from server.media.movie_index import build_index, one_line
from server.media.timecode import TimeCode, advance, parse_timecode

Float32 = npt.NDArray[np.float32]

_CONTAINERS = "mov,mp4,m4a,3gp,3g2,mj2,matroska,webm,mxf,avi"
_AHEAD = 16
"""How many frames forward are decoded in passing rather than sought."""
_THREADS = 4
"""Decoder threads: each holds a frame back, so more would make seeking slower."""
_RECENT = 4
"""Decoded frames kept, for callers that ask a little out of order."""
_CENTRED_CHROMA = {"mjpeg", "mpeg1video"}
_SITED = re.compile(r"chroma_sample_loc_type_top_field\s+\d+\s*=\s*(\d+)")
_LOCK = threading.Lock()


class Movie:
    """One open movie. Several threads may read; they take turns."""

    def __init__(
        self, path: Path, limits: Limits | None = None, *, deinterlace: bool = False
    ) -> None:
        self.path = path
        self._deinterlace = deinterlace
        self._limits = limits or Limits()
        self._open()
        self._check_stream()
        self._index = build_index(path, self._container, self._stream)
        self.missing_frames = self._index.missing
        self.frame_count = self._index.count
        self._shown = {stamp: shown for shown, stamp in self._index.stamps.items()}
        self._turn = threading.Lock()
        self._recent: dict[int, Any] = {}
        self._frames: Iterator[Any] | None = None
        self._position = 0
        self.hidden_alpha = self._tag("alpha_mode") == "1"
        self.remarks = self._remarks()
        self._siting_type = self._read_siting()
        self._describe(self._decoded(min(self._index.stamps)))

    def _open(self) -> None:
        options = {"protocol_whitelist": "file", "format_whitelist": _CONTAINERS}
        try:
            self._container: Any = av.open(
                f"file:{self.path.resolve()}", options=options, metadata_errors="surrogateescape"
            )
        except (av.FFmpegError, OSError, ValueError) as error:
            raise MediaError(
                f"'{self.path}' is not a readable movie ({one_line(error)}); it may be cut short "
                "or still being written; copy or export it again"
            ) from None
        if not self._container.streams.video:
            raise MediaError(f"'{self.path}' has no picture track; choose another file")
        self._stream: Any = self._container.streams.video[0]
        if self._stream.codec_context is None:
            raise self._unknown_codec()
        self._stream.thread_type = "AUTO"
        self._stream.codec_context.thread_count = min(_THREADS, os.cpu_count() or 1)

    def _check_stream(self) -> None:
        context = self._stream.codec_context
        if not context.width or not context.height:
            raise self._unknown_codec()
        if max(context.width, context.height) > self._limits.side_px:
            raise MediaError(
                f"'{self.path}' claims {context.width} x {context.height} pixels and at most "
                f"{self._limits.side_px} a side are read; check the file or scale it down"
            )

    def _unknown_codec(self) -> MediaError:
        return MediaError(
            f"'{self.path}' has a picture track in a codec that cannot be read; "
            "transcode it to ProRes, H.264 or EXR first"
        )

    def _remarks(self) -> tuple[str, ...]:
        """What people should know of how the movie is read."""
        told: list[str] = []
        lost = f"{len(self.missing_frames)} of {self.frame_count} frames are missing"
        if self.missing_frames:
            told.append(f"the movie is cut short or damaged: {lost}")
        if self.hidden_alpha:
            told.append("its alpha, kept beside the picture as VP8 and VP9 do, is not read")
        if self._deinterlace:
            told.append(f"interlaced frames are made whole by the filter {FILTER}")
        if self._index.by_order:
            told.append(
                "its frames have no presentation times and are counted from the start: rewrap it "
                "as MOV or MP4 to move about quickly"
            )
        return tuple(told)

    def _read_siting(self) -> int | None:
        """Chroma sample location type from the stream's parameter sets; None if not stated."""
        if self._stream.codec_context.name not in ("h264", "hevc", "av1"):
            return None
        with _LOCK:
            level = av.logging.get_level()
            av.logging.set_level(av.logging.INFO)
            try:
                with av.logging.Capture(local=True) as lines:
                    av.bitstream.BitStreamFilterContext("trace_headers", self._stream)
            except (av.FFmpegError, ValueError):
                return None
            finally:
                av.logging.set_level(level)
        for _, _, text in lines:
            found = _SITED.search(text)
            if found and int(found[1]) in yuv.SITING:
                return int(found[1])
        return None

    def _describe(self, frame: Any) -> None:
        """What the first decoded frame and the stream say about the picture."""
        name = yuv.planar_format(frame.format.name)
        kind = av.VideoFormat(name, 16, 16)
        self._turns = round(int(frame.rotation) / 90) % 4
        size = (int(frame.width), int(frame.height))
        self.width, self.height = size if self._turns % 2 == 0 else size[::-1]
        aspect = self._stream.sample_aspect_ratio or Fraction(1)
        self.pixel_aspect = float(aspect if self._turns % 2 == 0 else 1 / aspect)
        rate = self._stream.average_rate or self._stream.guessed_rate or Fraction(24)
        self.fps = snap_rate(float(rate))
        self.bits = int(kind.components[0].bits)
        self.has_alpha = len(kind.components) in (2, 4)
        self.chroma = _chroma(kind)
        self.signal = self._signal(frame, name)
        flags = (int(frame.color_primaries), int(frame.colorspace))
        self.colour_tags = colour_tags(int(frame.color_trc), *flags)
        self.colour_guess = colour_guess(*flags)
        self._start = self._start_timecode()
        self.attributes: dict[str, Attribute] = {"framesPerSecond": self.fps}
        if self._start is not None:
            self.attributes["timeCode"] = self._start.words(self.fps)
        reel = self._metadata("reel_name")
        if reel:
            self.attributes["reelName"] = reel

    def _signal(self, frame: Any, name: str) -> yuv.Signal:
        """Matrix, range and siting, with the usual defaults where the stream is silent."""
        matrix = int(frame.colorspace)
        if matrix in (yuv.UNSPECIFIED, yuv.RGB_MATRIX) and not name.startswith("gbr"):
            wide = int(frame.color_primaries) == 9
            matrix = 9 if wide else 1 if frame.height > 576 else 6
        full = int(frame.color_range) == yuv.FULL_RANGE or name.startswith("yuvj")
        if name.startswith("gbr"):
            full = int(frame.color_range) != yuv.LIMITED_RANGE
        siting = self._siting_type
        if siting is None:
            centred = self._stream.codec_context.name in _CENTRED_CHROMA
            siting = 1 if centred else 0
        return yuv.Signal(matrix, full, yuv.SITING[siting])

    def _tag(self, name: str) -> str:
        """A tag of the picture track, whose name Matroska's writers spell in either case."""
        tags = {str(key).lower(): str(value) for key, value in self._stream.metadata.items()}
        return tags.get(name, "")

    def _metadata(self, key: str) -> str:
        """A text from the picture track, the file or its time-code track, in any case."""
        holders = [self._stream, self._container, *self._container.streams]
        found = (value for h in holders for k, value in h.metadata.items() if k.lower() == key)
        return next((readable_text(str(value)) for value in found if value), "")

    def _start_timecode(self) -> TimeCode | None:
        return parse_timecode(self._metadata("timecode"))

    def frame_attributes(self, number: int) -> dict[str, Attribute]:
        """Attributes of one frame: its time code, when the movie states where it starts."""
        if self._start is None:
            return {}
        return {"timeCode": advance(self._start, number - 1, self.fps).words(self.fps)}

    def read(self, number: int) -> tuple[Float32, Float32 | None]:
        """Encoded RGB (3, H, W) and alpha (H, W) or None of a frame, upright, float32."""
        with self._turn:
            frame = self._decoded(number)
            if frame.interlaced_frame:
                frame = self._whole(number, frame)
        colour, alpha = yuv.rgb_from_frame(frame, self.signal)
        if self._turns:
            colour = np.ascontiguousarray(np.rot90(colour, self._turns, axes=(1, 2)))
            alpha = None if alpha is None else np.ascontiguousarray(np.rot90(alpha, self._turns))
        if colour.shape[1:] != (self.height, self.width):
            raise MediaError(
                f"frame {number} of '{self.path}' is {colour.shape[2]} x {colour.shape[1]} but the "
                f"movie is {self.width} x {self.height}; export it at one size"
            )
        return colour, alpha

    def _decoded(self, number: int) -> Any:
        """The decoded frame with exactly the time stamp that the index has for the number."""
        try:
            frame = self._recent.get(number) or self._find(number)
        except (av.FFmpegError, OSError) as error:
            self._frames = None
            raise self._damaged(number, one_line(error)) from None
        if frame.is_corrupt:
            raise self._damaged(number, "its data is incomplete")
        if frame.interlaced_frame and not self._deinterlace:
            raise MediaError(
                f"'{self.path}' is interlaced; deinterlace it to whole frames first, or have it "
                "done here with --deinterlace"
            )
        return frame

    def _whole(self, number: int, frame: Any) -> Any:
        """An interlaced frame as a whole one, from it and its neighbours."""
        before = [self._neighbour(number - 1)] if number - 1 in self._index.stamps else []
        after = [self._neighbour(number + 1)] if number + 1 in self._index.stamps else []
        run = [*(f for f in before if f is not None), frame]
        which = len(run) - 1
        run += [f for f in after if f is not None]
        try:
            return deinterlaced(run, which, yuv.planar_format(frame.format.name))
        except (av.FFmpegError, OSError, ValueError) as error:
            raise self._damaged(number, one_line(error)) from None

    def _neighbour(self, number: int) -> Any:
        try:
            return self._decoded(number)
        except MediaError:
            return None

    def _damaged(self, number: int, reason: str) -> MediaError:
        return MediaError(
            f"frame {number} of '{self.path}' cannot be decoded ({reason}); "
            "copy or export the movie again"
        )

    def _count_to(self, number: int) -> Any:
        """The frame that the decoder gives as the number-th; from the start if it is past it."""
        if self._frames is None or number < self._position:
            self._container.seek(0, stream=self._stream, backward=True)
            self._frames, self._position = self._decoding(strict=True), 1
        for frame in self._frames:
            self._keep(self._position, frame)
            self._position += 1
            if self._position > number:
                return frame
        self._frames = None
        raise self._damaged(number, "the decoder does not deliver it")

    def _find(self, number: int) -> Any:
        if self._index.by_order:
            return self._count_to(number)
        target = self._index.stamps[number]
        key = bisect_right(self._index.key_stamps, target) - 1
        if self._frames is not None and self._on_the_way(number, key):
            frame = self._run_to(target, number)
            if frame is not None:
                return frame
        for attempt in (key, key - 1, 0):
            self._seek(max(attempt, 0))
            frame = self._run_to(target, number)
            if frame is not None:
                return frame
        raise self._damaged(number, "the decoder does not deliver it")

    def _on_the_way(self, number: int, key: int) -> bool:
        """Tell whether decoding on is no longer than starting at the key frame before."""
        here = self._index.stamps.get(self._position)
        if number < self._position or here is None:
            return False
        return number - self._position < _AHEAD or self._index.key_stamps[max(key, 0)] <= here

    def _seek(self, key: int) -> None:
        """Start decoding at a key frame, or at the very beginning."""
        seeks = self._index.key_seeks
        stamp = seeks[key] if seeks else min(self._index.stamps.values())
        self._container.seek(stamp, stream=self._stream, backward=True)
        self._frames = self._decoding()

    def _decoding(self, strict: bool = False) -> Iterator[Any]:
        """Frames in the order shown; packets that are damaged are passed over, unless strict."""
        for packet in self._container.demux(self._stream):
            if packet.is_corrupt and not strict:
                continue
            try:
                frames = packet.decode()
            except av.InvalidDataError:
                if strict:
                    raise
                continue
            yield from frames

    def _run_to(self, target: int, number: int) -> Any:
        """Decode forward to a time stamp; None when the decoder is already past it."""
        assert self._frames is not None
        for frame in self._frames:
            stamp = frame.pts if frame.pts is not None else frame.dts
            if stamp is None:
                continue
            if frame.time_base is not None and frame.time_base != self._stream.time_base:
                stamp = round(stamp * frame.time_base / self._stream.time_base)
            if stamp in self._shown:
                self._keep(self._shown[stamp], frame)
            if stamp == target:
                self._position = number + 1
                return frame
            if stamp > target:
                break
        self._frames = None
        return None

    def _keep(self, number: int, frame: Any) -> None:
        self._recent[number] = frame
        while len(self._recent) > _RECENT:
            del self._recent[next(iter(self._recent))]


def _chroma(kind: Any) -> str:
    components = kind.components
    if len(components) < 3 or kind.is_rgb:
        return "4:4:4"
    across = 16 // components[1].width
    down = 16 // components[1].height
    return {(1, 1): "4:4:4", (2, 1): "4:2:2"}.get((across, down), "4:2:0")
