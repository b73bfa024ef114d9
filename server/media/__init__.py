"""Frames in and out: finding shots, decoding them into the working space, writing pictures."""

from server.media.colour import Colour, load_colour
from server.media.errors import MediaError
from server.media.exr import guard_output, write_exr
from server.media.images import Limits
from server.media.sequence import format_frames, format_path, parse_frames
from server.media.shot import Frame, Shot, open_shot

__all__ = [
    "Colour",
    "Frame",
    "Limits",
    "MediaError",
    "Shot",
    "format_frames",
    "format_path",
    "guard_output",
    "load_colour",
    "open_shot",
    "parse_frames",
    "write_exr",
]
