"""Whole frames from interlaced ones, by a filter that the movie library brings.

Source: FFmpeg's bwdif (Bob Weaver: w3fdif's spatial and yadif's temporal interpolation, after the
BBC's R&D report "PAL to HD interpolation"), one frame for each.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from typing import Any

import av
import av.filter

FILTER = "bwdif"
_OPTIONS = "mode=send_frame:parity=auto:deint=all"


def deinterlaced(frames: Sequence[Any], which: int, pixel_format: str) -> Any:
    """One frame of a run of neighbours as a whole frame, in a planar pixel format.

    frames: decoded, in the order shown: the one before, the one wanted and the one after, where
    they are there. which: the wanted one's place in the run. Raises av.FFmpegError.
    """
    graph = av.filter.Graph()
    first = frames[0]
    source = graph.add_buffer(
        width=first.width,
        height=first.height,
        format=av.VideoFormat(pixel_format),
        time_base=Fraction(1, 25),
    )
    filtered = graph.add(FILTER, _OPTIONS)
    sink = graph.add("buffersink")
    source.link_to(filtered)
    filtered.link_to(sink)
    graph.configure()
    for number, frame in enumerate(frames):
        picture = (
            frame if frame.format.name == pixel_format else frame.reformat(format=pixel_format)
        )
        kept = picture.pts, picture.time_base
        picture.pts, picture.time_base = number, Fraction(1, 25)
        graph.push(picture)
        picture.pts, picture.time_base = kept
    graph.push(None)
    for number in range(len(frames)):
        made = graph.pull()
        if number == which:
            return made
    raise av.FFmpegError(0, "the filter gave no frame")
