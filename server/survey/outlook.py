"""How a first key is expected to turn out, from the survey's measures alone.

The parts add up to the mean of |alpha - truth| over the frame. Each is a measure times a factor;
the factors were fitted (least powers, not negative) to the errors of the keys that `suggest` made
of 163 generated set-ups with exact truth, the tuning ones of
tests/server/survey/batteries.py, and are checked there on others that were held out.
"""

from __future__ import annotations

import math

from kernels.measure.codec_marks import ChromaFormat
from kernels.measure.survey import Measures

EDGE, EDGE_BIAS, EDGE_NOISE, EDGE_CHROMA = 0.023, 0.176, 0.255, 0.040
"""Of the edges' share of the frame: by itself, times bias, times noise, times chroma loss."""
EDGE_SOFT, SHARP = 0.0213, 0.005
"""The same, times the edges' width beyond SHARP (a share of the frame's width) over SHARP."""
BREAKDOWN, HOLDS = 0.825, 0.12
"""Times the square of the matte's noise on the darkest screen beyond HOLDS of full alpha."""
NOT_SOLID, CORE = 0.033, 0.055
"""Where the subject's nearest colours read so little (0.7 falling to 0.58) that they are not made
solid; and times what they lack to 0.6."""
CLIPPED = 0.0143
SPILL, SPILL_FREE = 0.016, 0.05
GOOD_ERROR = 0.012
"""Mean error at which the score has come down to half; good screens come to 0.0015 to 0.002."""
CHROMA_LOSS: dict[ChromaFormat, float] = {"4:4:4": 0.0, "4:2:2": 0.4, "4:2:0": 1.0, "unknown": 0.0}


def expected_parts(m: Measures) -> dict[str, float]:
    """Return what each trouble is expected to add to the key's mean error, in words and 0..1."""
    edges = m.edge_share or 0.0
    noise = m.matte_noise or 0.0
    dark = m.matte_noise_dark if m.matte_noise_dark is not None else noise
    separation = 1.0 if m.separation_matte is None else m.separation_matte
    holes = NOT_SOLID * min(max((0.7 - separation) / 0.12, 0.0), 1.0)
    soft = max(0.0, (m.edge_width or 0.0) - SHARP) / SHARP
    return {
        "the edges themselves": EDGE * edges,
        "the subject's colours at its edges": EDGE_BIAS * edges * (m.key_bias or 0.0),
        "noise on the edges": EDGE_NOISE * edges * noise,
        "soft edges": EDGE_SOFT * edges * soft,
        "chroma subsampling": EDGE_CHROMA * edges * CHROMA_LOSS[m.chroma],
        "noise on the screen's darkest part": BREAKDOWN * max(0.0, dark - HOLDS) ** 2,
        "subject colours near the screen's, or see-through things": holes
        + CORE * max(0.0, 0.6 - separation),
        "clipped screen": CLIPPED * m.clipped_share,
        "spill on the subject": SPILL * max(0.0, (m.spill or 0.0) - SPILL_FREE),
    }


def expected_error(m: Measures) -> float:
    """Return the expected mean of |alpha - truth| over the frame, 0..1."""
    return min(sum(expected_parts(m).values()), 1.0)


PARTS: dict[str, tuple[str, str]] = {
    "the edges themselves": (
        "",
        "frame tighter, or record at a higher resolution: edges then have more pixels",
    ),
    "the subject's colours at its edges": (
        "key_bias",
        "keep colours near the screen's off the subject's outline, or light its rim neutrally",
    ),
    "noise on the edges": (
        "alpha_noise_edge",
        "more light on the screen, a lower gain setting, or denoise before keying",
    ),
    "soft edges": (
        "edge_width",
        "check focus on the subject; more depth of field or a shorter shutter sharpens its edges",
    ),
    "chroma subsampling": ("chroma_loss", "record 4:2:2 or 4:4:4"),
    "noise on the screen's darkest part": (
        "matte_noise",
        "more light on the dark part of the screen, or denoise before keying",
    ),
    "subject colours near the screen's, or see-through things": (
        "separation_matte",
        "change what is near the screen's hue (costume, props); else draw a keep-solid shape "
        "inside what is solid, never over glass or smoke",
    ),
    "clipped screen": ("clipped_share", "close down, or take light off the clipped part"),
    "spill on the subject": (
        "spill",
        "move the subject further forward, or flag the screen's edges off",
    ),
}
"""Of each part of the expected error: the measure whose own reason covers it, and the remedy."""


def main_part(m: Measures) -> str:
    """Return what is expected to cost most, in words: one of `PARTS`."""
    parts = expected_parts(m)
    return max(parts, key=parts.__getitem__)


def score(m: Measures, penalty: float) -> float:
    """Return 0..100: 100 / (1 + E / GOOD_ERROR), lowered a little by every other wish.

    E: the expected error. penalty: the sum of weighted severities; 200 halve the score.
    """
    return 100.0 / (1.0 + expected_error(m) / GOOD_ERROR) * math.exp2(-penalty / 200.0)
