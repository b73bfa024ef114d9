"""The measures of a shot from those of its frames."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from kernels.measure.codec_marks import ChromaFormat
from kernels.measure.survey import Measures

WORST = ("clipped_share", "motion_px", "camera_px", "over_range_share", "largest_value")
BOXES = ("dark_box", "bright_box", "clipped_box", "separation_box", "crease_box")


def summarise(frames: Sequence[Measures], chroma: ChromaFormat | None = None) -> Measures:
    """Return the measures of a shot: medians, and the worst case where a moment is enough.

    chroma: of the recording, where its container says so. A shot has a screen when more than half
    of its frames have one; frames without are left out.
    Places are those of the frame whose value is nearest the shot's.
    """
    withs = [m for m in frames if m.screen]
    if 2 * len(withs) <= len(frames):
        whole = frames[0].model_copy(update={"screen": False, "primary": None})
        whole.over_range_share = max(m.over_range_share for m in frames)
        return whole
    primaries = [m.primary for m in withs]
    primary = max(sorted({str(p) for p in primaries}), key=[str(p) for p in primaries].count)
    withs = [m for m in withs if m.primary == primary]
    middle = withs[len(withs) // 2].model_copy(deep=True)
    for name in Measures.model_fields:
        values = [getattr(m, name) for m in withs if getattr(m, name) is not None]
        if not values or name in BOXES:
            continue
        if name in WORST:
            setattr(middle, name, max(values))
        elif name == "markers":
            middle.markers = round(float(np.median(values)))
        elif isinstance(values[0], tuple):
            setattr(middle, name, tuple(float(v) for v in np.median(np.array(values), axis=0)))
        elif isinstance(values[0], float):
            setattr(middle, name, float(np.median(values)))
    middle.chroma = chroma or _known_chroma(withs)
    blocks = [m for m in withs if m.block_px]
    middle.block_px = blocks[0].block_px if len(blocks) > 1 or (len(withs) == 1 and blocks) else 0
    _worst_boxes(middle, withs)
    return middle


def _known_chroma(frames: Sequence[Measures]) -> Any:
    known = [m.chroma for m in frames if m.chroma != "unknown"]
    return max(sorted(set(known)), key=known.count) if known else "unknown"


def _worst_boxes(whole: Measures, frames: Sequence[Measures]) -> None:
    """Take each place from the frame that shows the matter most."""
    worst = {
        "dark_box": lambda m: m.evenness_stops or 0.0,
        "bright_box": lambda m: m.evenness_stops or 0.0,
        "clipped_box": lambda m: m.clipped_share,
        "crease_box": lambda m: m.crease_share,
        "separation_box": lambda m: -(m.separation_matte or 1.0),
    }
    for name, badness in worst.items():
        setattr(whole, name, getattr(max(frames, key=badness), name))
