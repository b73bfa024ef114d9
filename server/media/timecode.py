"""SMPTE time code: text, frame counts and the two packed words that picture files carry.

Source: SMPTE ST 12-1 (counting, drop frame) and the OpenEXR standard attribute `timeCode`.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction

_TEXT = re.compile(r"(\d{2}):(\d{2}):(\d{2})([:;.])(\d{2,3})")


_FIELD_MARK = 0x8000


def is_timecode(word: int) -> bool:
    """Tell whether a packed time word holds a time of day: decimal digits within their bounds."""
    bounds = ((24, 0x30, 0x0F), (16, 0x70, 0x0F), (8, 0x70, 0x0F), (0, 0x30, 0x0F))
    limits = (23, 59, 59, 39)
    for (shift, tens, units), limit in zip(bounds, limits, strict=True):
        digits = word >> shift & 0xFF
        if digits & units > 9 or (digits & tens) // 16 * 10 + (digits & units) > limit:
            return False
    return True


@dataclass(frozen=True)
class TimeCode:
    """Hours, minutes, seconds, frames; `drop` marks drop-frame counting (29.97 and 59.94)."""

    hours: int
    minutes: int
    seconds: int
    frames: int
    drop: bool = False

    def words(self, fps: Fraction) -> tuple[int, int]:
        """The packed time word and an empty user-bits word, as in OpenEXR's `timeCode`.

        The two digits for frames hold 0 to 39 only, so rates over 30 count pairs of frames, and
        the field mark tells the second of a pair. Rates over 60 count groups of more, unmarked.
        Source: SMPTE ST 12-1, 50 and 60 frames a second; OpenEXR's TimeCode, TV60 packing.
        """
        group = max(1, -(-round(fps) // 30))
        word = 0
        for value in (self.hours, self.minutes, self.seconds, self.frames // group):
            word = word << 8 | (value // 10) << 4 | value % 10
        second = group == 2 and self.frames % 2 == 1
        return word | (0x40 if self.drop else 0) | (_FIELD_MARK if second else 0), 0

    def __str__(self) -> str:
        mark = ";" if self.drop else ":"
        return f"{self.hours:02}:{self.minutes:02}:{self.seconds:02}{mark}{self.frames:02}"


def parse_timecode(text: str) -> TimeCode | None:
    """Time code from `HH:MM:SS:FF`, or `HH:MM:SS;FF` for drop frame; None for anything else."""
    match = _TEXT.fullmatch(text.strip())
    if match is None:
        return None
    hours, minutes, seconds, frames = (int(match[n]) for n in (1, 2, 3, 5))
    if hours > 23 or minutes > 59 or seconds > 59:
        return None
    return TimeCode(hours, minutes, seconds, frames, match[4] != ":")


def advance(start: TimeCode, frames: int, fps: Fraction) -> TimeCode:
    """The time code a number of frames after `start`, wrapping at 24 hours.

    Drop-frame counting leaves out the first two numbers (four at 59.94) of each minute that is
    not a multiple of ten.
    """
    nominal = max(1, round(fps))
    dropped = round(nominal * 2 / 30) if start.drop else 0
    minutes = start.hours * 60 + start.minutes
    count = (minutes * 60 + start.seconds) * nominal + start.frames
    count -= dropped * (minutes - minutes // 10)
    per_minute = nominal * 60 - dropped
    per_ten = per_minute * 10 + dropped
    count = (count + frames) % (per_ten * 6 * 24)
    if dropped:
        tens, rest = divmod(count, per_ten)
        count += dropped * 9 * tens
        if rest >= nominal * 60:
            count += dropped * ((rest - nominal * 60) // per_minute + 1)
    seconds, frame = divmod(count, nominal)
    return TimeCode(seconds // 3600 % 24, seconds // 60 % 60, seconds % 60, frame, start.drop)
