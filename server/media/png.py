"""What a PNG file states about its colour, beside a profile.

Source: PNG, third edition, 4.3 (cICP before iCCP before sRGB before gAMA and cHRM) and 11.3.2.
"""

from __future__ import annotations

import struct
from pathlib import Path

from server.media.cicp import colour_tags
from server.media.icc import StatedColour, named
from server.media.primaries import CHROMATICITIES, are_colours, same_colours

_WANTED = (b"cICP", b"iCCP", b"sRGB", b"gAMA", b"cHRM")
_REC709 = CHROMATICITIES["lin_rec709_scene"]
_MOST_CHUNKS = 1000


def colour_of_png(path: Path) -> StatedColour | None:
    """What the chunks before the pixels state; None where they state nothing, or a profile."""
    chunks = _chunks(path)
    try:
        if b"cICP" in chunks:
            primaries, transfer, matrix, full = struct.unpack(">4B", chunks[b"cICP"])
            tags = colour_tags(transfer, primaries)
            if matrix != 0 or full != 1 or not tags:
                return StatedColour(
                    refusal=f"states code points ({primaries}, {transfer}, {matrix}, {full}) of a "
                    "colour space that is not read"
                )
            return StatedColour(tuple(tags))
        if b"iCCP" in chunks or b"sRGB" in chunks:
            return None
        return _gamma_and_primaries(chunks)
    except struct.error:
        return StatedColour(refusal="has a damaged colour chunk")


def is_palette(path: Path) -> bool:
    """Tell whether a PNG's header names the colour type of a palette."""
    with path.open("rb") as stream:
        return stream.read(26)[25:26] == b"\x03"


def _gamma_and_primaries(chunks: dict[bytes, bytes]) -> StatedColour | None:
    curve = ""
    if b"gAMA" in chunks:
        (gamma,) = struct.unpack(">I", chunks[b"gAMA"])
        if not 20000 <= gamma <= 500000:
            return StatedColour(refusal=f"states an unlikely gamma of {gamma / 100000:g}")
        power = round(100000 / gamma, 2)
        curve = "linear" if power == 1 else f"gamma {power:g}"
    colours = _REC709
    if b"cHRM" in chunks:
        white_first = [v / 100000 for v in struct.unpack(">8I", chunks[b"cHRM"])]
        colours = (*white_first[2:], *white_first[:2])
        if not are_colours(colours):
            return StatedColour(refusal="states primaries that are no colours")
    if same_colours(colours, _REC709) and curve in ("", "gamma 2.2"):
        return None
    return named(curve or "sRGB curve", colours)


def _chunks(path: Path) -> dict[bytes, bytes]:
    found: dict[bytes, bytes] = {}
    with path.open("rb") as stream:
        stream.seek(8)
        for _ in range(_MOST_CHUNKS):
            head = stream.read(8)
            if len(head) < 8 or head[4:] in (b"IDAT", b"IEND"):
                break
            (size,) = struct.unpack_from(">I", head)
            if head[4:] in _WANTED and head[4:] not in found:
                found[head[4:]] = stream.read(min(size, 64))
                stream.seek(size - min(size, 64) + 4, 1)
            else:
                stream.seek(size + 4, 1)
    return found
