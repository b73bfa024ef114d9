"""What EXR headers say, read without the picture library.

Folders are looked through for what jobs have written: whatever lies there, reading it must not be
able to end the process. Source: OpenEXR File Layout: magic number, version, then attributes as
name, type, size and value up to an empty name.
"""

from __future__ import annotations

import struct
from functools import lru_cache
from pathlib import Path

_MAGIC = 20000630
_LONGEST_HEADER = 1 << 20
_MOST_ATTRIBUTES = 1000


def text_attributes(path: Path) -> dict[str, str]:
    """The text attributes of an EXR's first part; none of a file that is no EXR or not readable."""
    try:
        seen = path.stat()
        return _of_version(path, seen.st_size, seen.st_mtime_ns)
    except (OSError, ValueError):
        return {}


def subsampled_channels(path: Path) -> list[str]:
    """Names of the channels of an EXR's first part that are not of its full resolution."""
    try:
        data = _header(path).get("channels", ("", b""))[1]
    except OSError:
        return []
    found, at = [], 0
    while (end := data.find(b"\0", at)) > at and end + 17 <= len(data):
        across, down = struct.unpack_from("<ii", data, end + 9)
        if (across, down) != (1, 1):
            found.append(data[at:end].decode("utf-8", "replace"))
        at = end + 17
    return found


@lru_cache(4096)
def _of_version(path: Path, size: int, mtime_ns: int) -> dict[str, str]:
    return {
        name: value.decode("utf-8", "replace")
        for name, (kind, value) in _header(path).items()
        if kind == "string"
    }


def _header(path: Path) -> dict[str, tuple[str, bytes]]:
    """Type and bytes of each attribute, by name."""
    with path.open("rb") as stream:
        data = stream.read(8)
        if len(data) < 8 or struct.unpack_from("<I", data)[0] != _MAGIC:
            return {}
        return _parsed(stream.read(_LONGEST_HEADER))


def _parsed(data: bytes) -> dict[str, tuple[str, bytes]]:
    found: dict[str, tuple[str, bytes]] = {}
    at = 0
    for _ in range(_MOST_ATTRIBUTES):
        ends = (data.find(b"\0", at), -1)
        if ends[0] <= at:
            break
        ends = (ends[0], data.find(b"\0", ends[0] + 1))
        if ends[1] < 0 or ends[1] + 5 > len(data):
            break
        (size,) = struct.unpack_from("<i", data, ends[1] + 1)
        value = ends[1] + 5
        if size < 0 or value + size > len(data):
            break
        name, kind = (
            part.decode("utf-8", "replace")
            for part in (data[at : ends[0]], data[ends[0] + 1 : ends[1]])
        )
        found[name] = (kind, data[value : value + size])
        at = value + size
    return found
