"""Which frames a movie has, when each is shown, and where decoding can start."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import av

from server.media.errors import MediaError

_REORDERED = ("h264", "hevc", "vc1", "av1")
_DURATION = re.compile(r"(\d{2,3}):(\d{2}):(\d{2}(?:\.\d+)?)")
REORDER = 16
"""Frames at the end of a cut movie among which those that refer to lost ones may be missing."""


@dataclass(frozen=True)
class Index:
    """The time stamp of every frame that is there, by its number from 1; the key frames to seek
    to; and how many frames there should be."""

    stamps: dict[int, int]
    key_stamps: list[int]
    key_seeks: list[int]
    count: int
    by_order: bool = False
    """Presentation times are not to be had: frames are counted as the decoder gives them."""

    @property
    def missing(self) -> list[int]:
        """Numbers of the frames that should be there and are not."""
        return [number for number in range(1, self.count + 1) if number not in self.stamps]


def build_index(path: Path, container: Any, stream: Any) -> Index:
    """Index a movie without decoding it. Raises MediaError when it has no frame at all.

    Where every frame is a key frame, the container's own table is enough; else the packets are
    read through once.
    """
    entries = list(stream.index_entries)
    declared = int(stream.frames)
    try:
        if entries and len(entries) >= declared > 0 and all(e.is_keyframe for e in entries):
            index = _of_entries(entries, path.stat().st_size, stream)
        else:
            index = _of_packets(container, declared, stream)
        if _lacks_times(container, stream, index):
            index = Index({n: n for n in range(1, index.count + 1)}, [1], [], index.count, True)
    except (av.FFmpegError, OSError) as error:
        raise MediaError(
            f"'{path}' cannot be read ({one_line(error)}); copy or export it again"
        ) from None
    if not index.stamps:
        raise MediaError(f"'{path}' is a movie without a single frame; export it again")
    return index


def _of_entries(entries: Sequence[Any], file_size: int, stream: Any) -> Index:
    shown = [entry for entry in entries if not entry.is_discard]
    whole = [entry for entry in shown if entry.pos + entry.size <= file_size]
    stamps = sorted(int(entry.timestamp) for entry in whole)
    numbers = number_frames(stamps, len(shown), _step(stream))
    return Index(numbers, stamps, stamps, len(shown))


def _of_packets(container: Any, declared: int, stream: Any) -> Index:
    shown: list[int] = []
    keys: list[tuple[int, int]] = []
    seen = 0
    try:
        for packet in container.demux(stream):
            stamp = packet.pts if packet.pts is not None else packet.dts
            if not packet.size or stamp is None or packet.is_corrupt:
                continue
            seen += 1
            if packet.is_keyframe:
                keys.append((stamp, packet.dts if packet.dts is not None else stamp))
            if not packet.is_discard:
                shown.append(stamp)
    except av.FFmpegError:
        if not shown:
            raise
    stamps = sorted(set(shown))
    count = len(stamps) + max(0, declared - seen)
    if declared <= 0 and stamps:
        count += _lost_at_the_end(container, stream, stamps)
    numbers = number_frames(stamps, count, _step(stream))
    keys.sort()
    return Index(
        numbers, [key for key, _ in keys], [seek for _, seek in keys],
        max(count, max(numbers, default=0)),
    )  # fmt: skip


def _lacks_times(container: Any, stream: Any, index: Index) -> bool:
    """Tell whether frames are reordered and the container has decoding times only, as AVI.

    The library makes presentation times up there that are in the order of decoding.
    """
    reorders = stream.codec_context.has_b_frames and stream.codec_context.name in _REORDERED
    only_keys = len(index.key_stamps) >= index.count
    return bool(container.format.name == "avi" and reorders and not only_keys)


def _lost_at_the_end(container: Any, stream: Any, stamps: Sequence[int]) -> int:
    """Frames that the declared length has more than there are, where no number is declared."""
    step = _step(stream)
    if step <= 0:
        return 0
    if stream.duration:
        missing = float(stream.duration) - (stamps[-1] + step - stamps[0])
    else:
        seconds = _seconds(stream.metadata.get("DURATION", ""))
        if seconds is None and len(container.streams) == 1 and container.duration:
            seconds = container.duration / av.time_base
        if seconds is None:
            return 0
        missing = seconds / float(stream.time_base) - (stamps[-1] + step)
    return max(0, round(missing / step))


def _seconds(text: str) -> float | None:
    """A duration such as 00:00:01.200000000, as Matroska's tag has it."""
    found = _DURATION.fullmatch(text.strip())
    if found is None:
        return None
    return int(found[1]) * 3600 + int(found[2]) * 60 + float(found[3])


def _step(stream: Any) -> float:
    """Time stamps from one frame to the next, by the frame rate; 0 when it is not known."""
    rate = stream.average_rate or stream.base_rate
    return float(1 / (rate * stream.time_base)) if rate else 0.0


def number_frames(stamps: Sequence[int], count: int, step: float) -> dict[int, int]:
    """Frame number -> time stamp, ascending from 1.

    When frames are known to be lost (`count` is more than there are stamps), or gaps lie within
    the last REORDER frames as a cut leaves them, the time tells which. Movies of varying frame
    rate are numbered in their order.
    """
    plain = dict(enumerate(stamps, start=1))
    if not stamps or step <= 0:
        return plain
    places = [(stamp - stamps[0]) / step + 1 for stamp in stamps]
    placed = {round(place): stamp for place, stamp in zip(places, stamps, strict=True)}
    steady = all(abs(place - round(place)) < 0.2 for place in places)
    if not steady or len(placed) != len(stamps):
        return plain
    last = max(placed)
    lost = [number for number in range(1, last) if number not in placed]
    if count > len(stamps):
        return placed if last <= count else plain
    return placed if all(number > last - REORDER for number in lost) else plain


def one_line(error: Exception) -> str:
    """A library's error as a short line without an end mark."""
    text = getattr(error, "strerror", None) or str(error)
    return " ".join(str(text).split())[:120].rstrip(". ")
