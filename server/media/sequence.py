"""The grammar of SHOT: one meaning for every still, folder and numbered pattern.

* ``name.####.exr`` and ``name.%04d.exr``: numbers written with at least four digits, zeros in
  front; a number that needs more digits has them all. ``#`` and ``%d`` mean no zeros in front.
* A frame range may stand directly before the placeholder, after ``.``, ``_``, ``-`` or at the
  start of the name: ``name.1001-1096####.exr``. Digits glued to a letter belong to the name.
* A folder means the one sequence, movie or still that is in it.

Frames keep the numbers their files have, a still by itself too: ``name.1003.exr`` is frame 1003.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from server.media.errors import MediaError

IMAGE_SUFFIXES = frozenset(
    {".exr", ".dpx", ".cin", ".tif", ".tiff", ".png", ".jpg", ".jpeg", ".jpe"}
)
MOVIE_SUFFIXES = frozenset({".mov", ".mp4", ".m4v", ".mkv", ".mxf", ".avi", ".webm"})
MAX_FRAMES = 1_000_000

_PART = re.compile(r"(?P<first>-?\d+)(?:-(?P<last>-?\d+)(?:x(?P<step>\d+))?)?", re.ASCII)
_PLACEHOLDER = re.compile(r"#+|%(?:0(?P<width>\d{1,2}))?d")
_RANGE_PART = r"-?\d+(?:--?\d+(?:x\d+)?)?"
_RANGE_AT_END = re.compile(rf"(?:^|(?<=[._\- ]))(?P<range>{_RANGE_PART}(?:,{_RANGE_PART})*)$")
_STILL = re.compile(r"(?:^|(?<=[._\- ]))\d{1,7}$", re.ASCII)
"""The frame number in a still's name; more digits are a date or the like."""
_NUMBERED = re.compile(r"^(?P<prefix>.*?)(?P<digits>\d+)(?P<suffix>\.[A-Za-z]+)$")


@dataclass(frozen=True)
class Pattern:
    """Where the files of a numbered sequence are: folder, text before and after, digits."""

    folder: Path
    prefix: str
    digits: int
    suffix: str

    def path(self, frame: int) -> Path:
        """The file of one frame."""
        return self.folder / f"{self.prefix}{frame:0{self.digits}d}{self.suffix}"

    def __str__(self) -> str:
        return str(self.folder / f"{self.prefix}{'#' * self.digits}{self.suffix}")

    def frame_of(self, name: str) -> int | None:
        """The frame number that a file name stands for, or None when it is another file."""
        if not (name.startswith(self.prefix) and name.endswith(self.suffix)):
            return None
        middle = name[len(self.prefix) : len(name) - len(self.suffix)]
        if not re.fullmatch(r"-?\d+", middle, re.ASCII):
            return None
        frame = int(middle)
        return frame if f"{frame:0{self.digits}d}" == middle else None


def parse_frames(text: str) -> list[int]:
    """Frame numbers from text such as ``1001``, ``1-10x2,15`` or ``10-1``.

    The order is the one written, each number once; the step after ``x`` is a positive count.
    Raises MediaError for anything else and for more than a million frames.
    """
    frames: dict[int, None] = {}
    for part in text.replace(" ", "").split(","):
        match = _PART.fullmatch(part)
        step = int(match["step"] or 1) if match else 0
        if match is None or step == 0 or len(part) > 40:
            raise MediaError(
                f"'{text}' is not a frame range; write numbers such as 1001, 1001-1096 or 1-10x2,15"
            )
        first = int(match["first"])
        last = int(match["last"]) if match["last"] else first
        run = range(first, last + 1, step) if last >= first else range(first, last - 1, -step)
        if len(run) + len(frames) > MAX_FRAMES:
            raise MediaError(f"'{text}' names more than {MAX_FRAMES} frames; give a shorter range")
        frames.update(dict.fromkeys(run))
    return list(frames)


def format_frames(frames: Iterable[int]) -> str:
    """The shortest usual notation of frame numbers, ascending: ``1001-1003,1007``."""
    runs: list[list[int]] = []
    for frame in sorted(set(frames)):
        if runs and frame == runs[-1][1] + 1:
            runs[-1][1] = frame
        else:
            runs.append([frame, frame])
    return ",".join(str(a) if a == b else f"{a}-{b}" for a, b in runs)


def is_pattern(text: str | Path) -> bool:
    """Whether the file name has a frame placeholder (``####`` or ``%04d``)."""
    return _PLACEHOLDER.search(Path(text).name) is not None


def parse_pattern(text: str | Path) -> tuple[Pattern, list[int] | None]:
    """A numbered pattern and its frame range, which is None when none is written."""
    path = Path(text)
    matches = list(_PLACEHOLDER.finditer(path.name))
    if len(matches) != 1 or _PLACEHOLDER.search(str(path.parent)):
        raise MediaError(
            f"'{text}' must have exactly one frame placeholder, in the file name; "
            "write it as name.####.exr or name.%04d.exr"
        )
    match = matches[0]
    digits = len(match[0]) if match[0][0] == "#" else max(1, int(match["width"] or 1))
    prefix = path.name[: match.start()]
    written = _RANGE_AT_END.search(prefix)
    frames = sorted(parse_frames(written["range"])) if written else None
    if written:
        prefix = prefix[: written.start("range")]
    return Pattern(path.parent, prefix, digits, path.name[match.end() :]), frames


def format_path(pattern: str | Path, frame: int) -> Path:
    """The path of one frame of ``name.####.exr`` or ``name.%04d.exr``."""
    return parse_pattern(pattern)[0].path(frame)


def still_frame(path: Path) -> int:
    """The frame number of a still by itself: the one in its name, else 1."""
    found = _STILL.search(path.stem)
    return int(found[0]) if found else 1


def list_folder(folder: Path) -> list[str]:
    """File names in a folder, without hidden and temporary ones; MediaError if unreadable."""
    try:
        with os.scandir(folder) as entries:
            return sorted(e.name for e in entries if not e.name.startswith(".") and e.is_file())
    except FileNotFoundError:
        raise MediaError(f"'{folder}' does not exist; check the path") from None
    except OSError as error:
        raise MediaError(f"'{folder}' cannot be listed ({error.strerror}); check it") from None


def find_frames(pattern: Pattern) -> list[int]:
    """Numbers of the files on disk that belong to a pattern, ascending."""
    found = (pattern.frame_of(name) for name in list_folder(pattern.folder))
    return sorted(frame for frame in found if frame is not None)


def group_folder(folder: Path) -> tuple[list[Pattern], list[Path]]:
    """The numbered sequences in a folder, and its other pictures and movies.

    A lone numbered file is a still. Numbers whose digits vary only because they outgrow the
    zeros in front (``9``, ``10``; ``9999``, ``10000``) are one sequence.
    """
    sequences, singles = numbered_folder(folder)
    return list(sequences), singles


def numbered_folder(folder: Path) -> tuple[dict[Pattern, list[int]], list[Path]]:
    """As `group_folder`, with the frames of each sequence, ascending; lists the folder once."""
    groups: dict[tuple[str, str], list[str]] = {}
    singles: list[Path] = []
    for name in list_folder(folder):
        suffix = Path(name).suffix.lower()
        match = _NUMBERED.match(name)
        if suffix in MOVIE_SUFFIXES or (suffix in IMAGE_SUFFIXES and match is None):
            singles.append(folder / name)
        elif suffix in IMAGE_SUFFIXES and match is not None:
            groups.setdefault((match["prefix"], match["suffix"]), []).append(match["digits"])
    sequences: dict[Pattern, list[int]] = {}
    for (prefix, suffix), numbers in sorted(groups.items()):
        for digits in _paddings(numbers):
            pattern = Pattern(folder, prefix, digits, suffix)
            found = (pattern.frame_of(f"{prefix}{number}{suffix}") for number in numbers)
            frames = sorted(frame for frame in found if frame is not None)
            if len(frames) == 1:
                singles.append(pattern.path(frames[0]))
            else:
                sequences[pattern] = frames
    return sequences, singles


def is_text(name: str | Path) -> bool:
    """Tell whether a name is text: one whose bytes are not UTF-8 can be neither sent nor kept."""
    return not any("\ud800" <= c <= "\udfff" for c in str(name))


def _paddings(numbers: list[str]) -> list[int]:
    """The digit counts needed to explain the numbers, the fewest that do."""
    fixed = {len(n) for n in numbers if n.startswith("0") and len(n) > 1}
    if not fixed:
        return [min(len(n) for n in numbers)]
    widths = sorted(fixed)
    rest = [n for n in numbers if not any(len(n) >= w for w in widths)]
    return widths + ([min(len(n) for n in rest)] if rest else [])
