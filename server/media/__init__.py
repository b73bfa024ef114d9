"""Frames in and out: finding shots, decoding them into the working space, writing pictures.

Hides file formats, colour conversion, codecs and worker processes.
"""

from server.media.colour import Colour, load_colour
from server.media.decode import DecodePool
from server.media.display import DisplayChoice, default_choice, display_table, raw_display
from server.media.errors import MediaError
from server.media.exr import guard_output, write_exr
from server.media.headers import Limits
from server.media.opening import open_shot
from server.media.sequence import format_frames, format_path, parse_frames
from server.media.shot import Frame, Shot
from server.media.stills import codes_from_display, contact_sheet, write_still

__all__ = [
    "Colour",
    "DecodePool",
    "DisplayChoice",
    "Frame",
    "Limits",
    "MediaError",
    "Shot",
    "codes_from_display",
    "contact_sheet",
    "default_choice",
    "display_table",
    "format_frames",
    "format_path",
    "guard_output",
    "load_colour",
    "open_shot",
    "parse_frames",
    "raw_display",
    "write_exr",
    "write_still",
]
