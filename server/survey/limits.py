"""The limits that verdicts go by: one table, each row with its remedy and its source."""

from __future__ import annotations

from dataclasses import dataclass

COMMON = "common practice, no source"


@dataclass(frozen=True)
class Threshold:
    """One row: from which value a measure costs work, and from which only light can help.

    work, relight: values in `unit` (None: this measure alone never asks for it). rising: larger
    values are worse. weight: of the score's penalty when the work value is reached.
    """

    measure: str
    title: str
    unit: str
    work: float
    relight: float | None
    rising: bool
    weight: float
    remedy: str
    source: str = COMMON
    percent: bool = False
    good: float | None = None

    def severity(self, value: float) -> float:
        """0 where nothing is to be wished, 1 at work, 2 at relight, at most 3.

        `good` is where nothing is to be wished; without it that lies half the way from relight to
        work beyond work, never below 0 for a rising measure of which 0 is the best.
        """
        sign = 1.0 if self.rising else -1.0
        far = self.relight if self.relight is not None else _beyond(self)
        span = sign * (far - self.work)
        above = sign * (value - self.work)
        if above >= 0:
            return min(1.0 + above / span, 3.0)
        room = min(0.5 * span, self.work) if self.rising and self.work > 0 else 0.5 * span
        if self.good is not None:
            room = sign * (self.work - self.good)
        return max(0.0, 1.0 + above / room)


def _beyond(row: Threshold) -> float:
    """Return where the severity of a measure without a relight value would reach 2."""
    step = max(abs(row.work), 1e-3)
    return row.work + step if row.rising else row.work - step


TABLE: tuple[Threshold, ...] = (
    Threshold(
        "evenness_stops",
        "evenness of the screen",
        "stops",
        0.5,
        1.0,
        True,
        2.0,
        "even the screen out: more light on the dark side, less on the bright one, lamps "
        "further back and flagged off the subject",
        "Common practice, no source: even within about half a stop keys well, over about one "
        "stop wants relighting. Measured on generated set-ups keyed with a fitted clean plate: "
        "9 % worse on average at 1.1 to 2.1 stops, 35 to 84 % worse at 2.4 to 3.1, three times as "
        "bad at 3.5 with a noisy dark part",
    ),
    Threshold(
        "level_low",
        "exposure of the screen",
        "stops from 18 % grey",
        -2.0,
        -3.5,
        False,
        6.0,
        "put more light on the screen, or open up if the subject allows it",
    ),
    Threshold(
        "level_high",
        "exposure of the screen",
        "stops from 18 % grey",
        1.5,
        2.5,
        True,
        6.0,
        "take light off the screen: brighter than the subject it spills and clips",
    ),
    Threshold(
        "purity",
        "purity of the screen's colour",
        "of its key channel",
        0.36,
        0.2,
        False,
        5.0,
        "use a purer screen or lamps that suit its paint, and keep the subject's light "
        "and daylight off it",
        percent=True,
    ),
    Threshold(
        "clipped_share",
        "clipped screen",
        "of the screen",
        0.01,
        0.15,
        True,
        8.0,
        "close down or take light off the clipped part: clipped screen has no colour left",
        percent=True,
    ),
    Threshold(
        "snr_key_db",
        "signal to noise in the key channel",
        "dB",
        28.0,
        18.0,
        False,
        5.0,
        "more light on the screen and a lower gain setting on the camera; else denoise",
    ),
    Threshold(
        "matte_noise",
        "noise of a colour-difference matte on bare screen",
        "of full alpha",
        0.1,
        0.25,
        True,
        8.0,
        "more light on the screen, a lower gain setting, or denoise before keying",
        "Common practice, no source; from a half on, the colour difference begins to take the "
        "screen for none (two deviations)",
        percent=True,
    ),
    Threshold(
        "alpha_noise_edge",
        "expected noise of the matte on edges",
        "of full alpha",
        0.06,
        None,
        True,
        5.0,
        "more light on the screen, a lower gain setting, or denoise before keying",
        "Cramer-Rao bound of a per-pixel unbiased estimate (Kay 1993); the limit itself is "
        "common practice, no source",
        percent=True,
    ),
    Threshold(
        "separation_matte",
        "separation of the subject's colours from the screen",
        "of full alpha",
        0.85,
        None,
        False,
        10.0,
        "change what is near the screen's hue (costume, props), or "
        "use the other screen colour; else draw a keep-solid shape inside what is solid, never "
        "over glass or smoke, which read like this too",
        percent=True,
        good=1.0,
    ),
    Threshold(
        "spill",
        "spill on the subject",
        "of the screen's excess",
        0.3,
        None,
        True,
        6.0,
        "move the subject further forward, flag the screen's edges off, or light less of it",
        percent=True,
    ),
    Threshold(
        "chroma_loss",
        "chroma subsampling",
        "",
        1.0,
        None,
        True,
        1.5,
        "record 4:2:2 or 4:4:4: 4:2:0 halves the colour's resolution on edges",
    ),
    Threshold(
        "block_step_codes",
        "codec blocks",
        "8-bit codes",
        1.0,
        None,
        True,
        2.0,
        "record at a higher bit rate or intra-frame",
    ),
    Threshold(
        "crease_share",
        "creases",
        "of the screen",
        0.03,
        None,
        True,
        2.0,
        "stretch or steam the screen",
        percent=True,
    ),
    Threshold(
        "uncovered",
        "picture with no screen behind it",
        "of the frame's border",
        0.45,
        None,
        True,
        2.0,
        "widen the screen or frame tighter; else draw garbage shapes outside it",
        percent=True,
    ),
    Threshold(
        "edge_width",
        "width of the subject's edges (10-90 %)",
        "of the frame's width",
        0.01,
        None,
        True,
        2.0,
        "more depth of field or a shorter shutter where soft edges aren't wanted",
        percent=True,
    ),
    Threshold(
        "motion_px",
        "motion",
        "px a frame",
        24.0,
        None,
        True,
        1.5,
        "a shorter shutter, or accept that motion blur needs work at its edges",
    ),
    Threshold(
        "camera_px",
        "camera motion",
        "px a frame",
        4.0,
        None,
        True,
        1.0,
        "shoot a clean plate with the same move, or lock the camera off",
    ),
    Threshold(
        "key_bias",
        "bias of a key at the subject's edges",
        "of full alpha",
        0.4,
        None,
        True,
        2.0,
        "give those edges an extractor with weights or swatches of their own, or use the other "
        "screen colour: colours far from neutral are misread where they are partly see-through",
        "The algebra of Smith & Blinn 1996; the limit itself is common practice, no source",
        percent=True,
    ),
    Threshold(
        "expected_error",
        "expected error of a first key",
        "of the frame",
        0.004,
        None,
        True,
        2.0,
        "see to what costs most",
        "Fitted to the keys of 163 generated set-ups and checked on others that were held out; the "
        "limit itself is common practice, no source",
        percent=True,
    ),
)
