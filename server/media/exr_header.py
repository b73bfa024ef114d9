"""Text attributes of EXR headers, read without the picture library.

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


@lru_cache(4096)
def _of_version(path: Path, size: int, mtime_ns: int) -> dict[str, str]:
    with path.open("rb") as stream:
        data = stream.read(8)
        if len(data) < 8 or struct.unpack_from("<I", data)[0] != _MAGIC:
            return {}
        return _parsed(stream.read(_LONGEST_HEADER))


def _parsed(data: bytes) -> dict[str, str]:
    found: dict[str, str] = {}
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
        if data[ends[0] + 1 : ends[1]] == b"string":
            name = data[at : ends[0]].decode("utf-8", "replace")
            found[name] = data[value : value + size].decode("utf-8", "replace")
        at = value + size
    return found
