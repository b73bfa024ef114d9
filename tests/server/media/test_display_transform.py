"""The baked display table against OpenColorIO's CPU path, and the raw display."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import PyOpenColorIO as ocio
import pytest
from numpy.typing import NDArray

from kernels.engine import Look
from kernels.reference.display import apply_display, srgb_display
from server.media import Colour, MediaError, load_colour
from server.media.display import (
    DisplayChoice,
    default_choice,
    display_pixels,
    display_table,
    raw_display,
)

Array = NDArray[Any]
VIEWS = [
    ("sRGB - Display", "ACES 2.0 - SDR 100 nits (Rec.709)"),
    ("sRGB - Display", "Un-tone-mapped"),
    ("sRGB - Display", "Video (colorimetric)"),
    ("Rec.1886 Rec.709 - Display", "ACES 2.0 - SDR 100 nits (Rec.709)"),
    ("Display P3 - Display", "ACES 2.0 - SDR 100 nits (P3 D65)"),
]


@pytest.fixture(scope="module")
def studio() -> Colour:
    return load_colour("ocio://studio-config-latest")


def colours(studio: Colour, saturation: float) -> Array:
    """Random working colours of up to a share of Rec. 709's saturation, 2^-9 to 2^4, (3, 1, n)."""
    rng = np.random.default_rng(7)
    hue = rng.uniform(0, 1, (3, 60000))
    hue /= hue.max(axis=0)
    light = (1 - saturation * (1 - hue)) * 2.0 ** rng.uniform(-9, 4, 60000)
    return studio.to_working(light.astype(np.float32)[:, None], "lin_rec709_scene")


def codes_apart(studio: Colour, choice: DisplayChoice, pixels: Array) -> Array:
    """How far the table is from OpenColorIO, in 8-bit codes of what is shown."""
    table = apply_display(pixels, display_table(studio, choice))
    exact = display_pixels(studio, choice, pixels)
    return np.abs(np.clip(table, 0, 1) - np.clip(exact, 0, 1)) * 255


@pytest.mark.parametrize(("display", "view"), VIEWS)
def test_the_table_is_within_a_code_of_opencolorio(studio: Colour, display: str, view: str) -> None:
    """Source: OpenColorIO's CPU path. Measured: at most 1.0 codes up to half saturation (mean
    0.06); near the display's gamut boundary, where the transforms have kinks, single colours are
    further off: 19 in 20 stay within a code (the tone-mapped views 99 in 100)."""
    choice = DisplayChoice(display, view)
    sane = codes_apart(studio, choice, colours(studio, 0.5))
    assert sane.max() < 1.25
    assert np.quantile(sane, 0.9999) < 1.0
    assert sane.mean() < 0.08
    assert np.quantile(codes_apart(studio, choice, colours(studio, 1.0)), 0.95) < 1.0


def test_a_view_is_not_a_hop_to_a_display_space(studio: Colour) -> None:
    """Source: OpenColorIO: 0.18 is tone-mapped by the view to about 0.35."""
    grey = np.full((3, 1, 1), 0.18, np.float32)
    choice = default_choice(studio)
    assert choice.display == studio.displays()[0] == "sRGB - Display"
    assert choice.view == studio.views(choice.display)[0]
    np.testing.assert_allclose(display_pixels(studio, choice, grey), 0.349, atol=0.002)


def test_exposure_cdl_and_lut_come_before_the_view(studio: Colour, tmp_path: Path) -> None:
    """Source: ASC CDL (slope 2 is one stop); OpenColorIO's own LUT file of the identity."""
    grey = np.full((3, 1, 4), 0.18, np.float32)
    display, view = VIEWS[0]
    plain = display_pixels(studio, DisplayChoice(display, view), grey * 2)
    stop = DisplayChoice(display, view, grade=Look(exposure_stops=1.0))
    slope = DisplayChoice(display, view, grade=Look(slope=(2.0, 2.0, 2.0)))
    np.testing.assert_allclose(display_pixels(studio, stop, grey), plain, atol=1e-5)
    np.testing.assert_allclose(display_pixels(studio, slope, grey), plain, atol=1e-5)
    lut = tmp_path / "identity.cube"
    lut.write_text(
        "LUT_3D_SIZE 2\n"
        + "\n".join(f"{r} {g} {b}" for b in (0, 1) for g in (0, 1) for r in (0, 1))
    )
    through = DisplayChoice(display, view, lut=str(lut))
    np.testing.assert_allclose(display_pixels(studio, through, grey * 2), plain, atol=1e-4)
    assert len({plain_.key for plain_ in (stop, slope, through)}) == 3


@pytest.mark.parametrize(
    ("choice", "match"),
    [
        (DisplayChoice("TV", "x"), "display 'TV'.*sRGB - Display"),
        (DisplayChoice("sRGB - Display", "x"), "view 'x'.*Un-tone-mapped"),
        (DisplayChoice(*VIEWS[0], look="warm"), "look 'warm'"),
        (DisplayChoice(*VIEWS[0], lut="/nowhere.cube"), "LUT '/nowhere.cube' does not exist"),
    ],
)
def test_wrong_names_are_answered_with_the_right_ones(
    studio: Colour, choice: DisplayChoice, match: str
) -> None:
    """Common practice, no source."""
    with pytest.raises(MediaError, match=match):
        display_table(studio, choice)


def test_a_broken_lut(studio: Colour, tmp_path: Path) -> None:
    """Common practice, no source."""
    lut = tmp_path / "bad.cube"
    lut.write_text("LUT_3D_SIZE 2\n0 0 0\n")
    with pytest.raises(MediaError, match=r"bad\.cube' cannot be used"):
        display_table(studio, DisplayChoice(*VIEWS[0], lut=str(lut)))


def test_the_raw_display_is_exact(studio: Colour) -> None:
    """Source: IEC 61966-2-1 as OpenColorIO's sRGB space; the engines' own raw view."""
    pixels = colours(studio, 0.9)
    raw = raw_display(studio, pixels)
    processor = studio.config.getProcessor("ACEScg", "srgb_rec709_scene").getDefaultCPUProcessor()
    packed = np.ascontiguousarray(np.moveaxis(pixels, 0, -1))
    processor.apply(ocio.PackedImageDesc(packed, packed.shape[1], 1, 3))
    exact = np.moveaxis(packed, -1, 0)
    np.testing.assert_allclose(raw, exact, atol=2e-4)
    np.testing.assert_allclose(np.clip(raw, 0, 1), srgb_display(pixels), atol=1e-3)
    assert raw.max() > 1.5
    doubles = raw_display(studio, pixels.astype(np.float64))
    assert doubles.dtype == np.float64
    np.testing.assert_allclose(raw, doubles, rtol=2e-5, atol=1e-6)
