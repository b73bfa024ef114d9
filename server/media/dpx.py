"""DPX headers may be shorter than the standard's 2048 bytes: what is then no header is forgotten.

Source: SMPTE ST 268-1, the file's sections and the places of their fields.
"""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

_LITTLE = b"XPDS"
_ENDS: dict[int, tuple[str, ...]] = {
    1680: ("smpte:KeyCode", "dpx:FilmEdgeCode"),
    1712: ("dpx:Format",),
    1716: ("dpx:FramePosition",),
    1720: ("dpx:SequenceLength",),
    1724: ("dpx:HeldCount",),
    1728: ("dpx:FrameRate",),
    1732: ("dpx:ShutterAngle",),
    1764: ("dpx:FrameId",),
    1864: ("dpx:SlateInfo",),
    1924: ("smpte:TimeCode", "dpx:TimeCode"),
    1928: ("dpx:UserBits",),
    1929: ("dpx:Interlace",),
    1930: ("dpx:FieldNumber",),
    1931: ("dpx:Signal",),
    1936: ("dpx:HorizontalSampleRate",),
    1940: ("dpx:VerticalSampleRate",),
    1944: ("dpx:TemporalFrameRate",),
    1948: ("dpx:TimeOffset",),
    1952: ("dpx:Gamma",),
    1956: ("dpx:BlackLevel",),
    1960: ("dpx:BlackGain",),
    1964: ("dpx:BreakPoint",),
    1968: ("dpx:WhiteLevel",),
    1972: ("dpx:IntegrationTimes",),
}
"""Where a field of the film and television sections ends -> OpenImageIO's names for it."""


def header_size(path: Path) -> int:
    """Bytes before the pixels, by the file's own statement: of the file and of its first element.

    A statement of nothing, or of less than the generic section's 768 bytes, says nothing.
    """
    with path.open("rb") as stream:
        start = stream.read(812)
    if len(start) < 812:
        return len(start)
    order = "<" if start[:4] == _LITTLE else ">"
    offsets = (struct.unpack_from(f"{order}I", start, at)[0] for at in (4, 808))
    return int(min((o for o in offsets if 768 <= o < 0xFFFFFFFF), default=2048))


def forget_beyond_header(path: Path, spec: Any) -> None:
    """Take out of a spec what the library read from beyond the header: from pixels."""
    size = header_size(path)
    for end, names in _ENDS.items():
        if end > size:
            for name in names:
                spec.erase_attribute(name)
