"""Colour conversions against published curves, colour-science and OpenColorIO itself."""

from __future__ import annotations

import copy
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import PyOpenColorIO as ocio
import pytest
from numpy.typing import NDArray

from server.media import Colour, MediaError, load_colour

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # colour-science warns on import that plotting is not there.
    import colour as science

Array = NDArray[Any]


@pytest.fixture(scope="module")
def studio() -> Colour:
    return load_colour("ocio://studio-config-latest")


def ramp(low: float, high: float) -> Array:
    """Three equal channels over a range, (3, 1, 201)."""
    return np.tile(np.linspace(low, high, 201, dtype=np.float32), (3, 1, 1))


GREY = {
    "sRGB Encoded Rec.709 (sRGB)": lambda v: science.models.eotf_sRGB(v),
    "Camera Rec.709": lambda v: science.models.oetf_inverse_BT709(v),
    "Camera Rec.2020": lambda v: science.models.oetf_inverse_BT2020(v),
    "ACEScct": lambda v: science.models.log_decoding_ACEScct(v),
    "ACEScc": lambda v: science.models.log_decoding_ACEScc(v),
    "ARRI LogC3 (EI800)": lambda v: science.models.log_decoding_ARRILogC3(v),
    "ARRI LogC4": lambda v: science.models.log_decoding_ARRILogC4(v),
    "S-Log3 S-Gamut3.Cine": lambda v: science.models.log_decoding_SLog3(v),
    "V-Log V-Gamut": lambda v: science.models.log_decoding_VLog(v),
    "Log3G10 REDWideGamutRGB": lambda v: science.models.log_decoding_Log3G10(v),
}


@pytest.mark.parametrize("space", GREY)
def test_curves_of_neutral_colours(studio: Colour, space: str) -> None:
    """Source: colour-science for IEC 61966-2-1, ITU-R BT.709-6, BT.2020-2, S-2016-001, S-2014-003
    and the camera makers' published log curves; neutral colours need no primaries."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", science.utilities.ColourUsageWarning)
        encoded = ramp(0.05, 0.95)
        expected = np.asarray(GREY[space](encoded[0, 0].astype(np.float64)))
    linear = studio.to_working(encoded, space)
    assert linear.dtype == np.float32
    np.testing.assert_allclose(linear[:, 0], np.tile(expected, (3, 1)), rtol=3e-3, atol=2e-4)


def test_the_camera_curve_by_hand(studio: Colour) -> None:
    """Source: ITU-R BT.709-6 item 1.2: 4.5 L below 0.018, 1.099 L^0.45 - 0.099 above."""
    light = np.array([0.0, 0.01, 0.018, 0.18, 1.0], np.float32)
    codes = np.array([0.0, 0.045, 0.081, 1.099 * 0.18**0.45 - 0.099, 1.0], np.float32)
    grey = studio.to_working(np.tile(codes, (3, 1, 1)), "Camera Rec.2020")
    np.testing.assert_allclose(grey[1, 0], light, atol=2e-4)


@pytest.mark.parametrize(
    ("space", "theirs"),
    [
        ("Linear Rec.709 (sRGB)", "ITU-R BT.709"),
        ("Linear Rec.2020", "ITU-R BT.2020"),
        ("ACES2065-1", "ACES2065-1"),
        ("Linear P3-D65", "P3-D65"),
    ],
)
def test_primaries(studio: Colour, space: str, theirs: str) -> None:
    """Source: colour-science RGB_to_RGB with Bradford adaptation; negative and over-range values
    survive a matrix."""
    rgb = np.random.default_rng(1).uniform(-0.5, 4.0, (64, 3))
    spaces = science.RGB_COLOURSPACES
    expected = science.RGB_to_RGB(rgb, spaces[theirs], spaces["ACEScg"], "Bradford")
    result = studio.to_working(rgb.T.reshape(3, 8, 8).astype(np.float32), space)
    np.testing.assert_allclose(result.reshape(3, -1).T, expected, atol=2e-3)


@pytest.mark.parametrize(
    "space",
    ["ARRI LogC4", "sRGB Encoded Rec.709 (sRGB)", "ACEScct", "Camera Rec.2020", "Linear Rec.2020"],
)
def test_there_and_back(studio: Colour, space: str) -> None:
    """Common practice, no source: every conversion is undone by its inverse."""
    pixels = np.random.default_rng(2).uniform(0.05, 0.9, (3, 7, 5)).astype(np.float32)
    back = studio.from_working(studio.to_working(pixels, space), space)
    np.testing.assert_allclose(back, pixels, atol=3e-5)


def test_planar_equals_packed(studio: Colour) -> None:
    """Source: OpenColorIO's own packed path on the same processor."""
    pixels = np.random.default_rng(3).uniform(0, 1, (3, 11, 13)).astype(np.float32)
    processor = studio.config.getProcessor("ARRI LogC4", "ACEScg").getDefaultCPUProcessor()
    packed = np.ascontiguousarray(np.moveaxis(pixels, 0, -1))
    processor.applyRGB(packed)
    result = studio.to_working(pixels, "ARRI LogC4")
    np.testing.assert_array_equal(result, np.moveaxis(packed, -1, 0))


def test_the_input_is_not_changed(studio: Colour) -> None:
    """Common practice, no source."""
    pixels = ramp(0, 1)
    before = pixels.copy()
    studio.to_working(pixels, "ACEScct")
    same = studio.to_working(pixels, "ACEScg")
    np.testing.assert_array_equal(pixels, before)
    assert not np.shares_memory(same, pixels)


def test_luminance_weights(studio: Colour, tmp_path: Path) -> None:
    """Source: S-2014-004 (AP1) and ITU-R BT.709-6, the latter's adapted to the ACES
    white."""
    assert studio.luminance_weights == pytest.approx((0.2722287, 0.6740818, 0.0536895))
    config: Any = copy.deepcopy(ocio.Config.CreateFromFile("ocio://studio-config-latest"))
    config.setRole("scene_linear", "Linear Rec.709 (sRGB)")
    path = tmp_path / "config.ocio"
    path.write_text(config.serialize())
    other = Colour(str(path))
    assert other.working_space == "Linear Rec.709 (sRGB)"
    assert sum(other.luminance_weights) == pytest.approx(1.0, abs=1e-4)
    assert other.luminance_weights == pytest.approx((0.2126, 0.7152, 0.0722), abs=0.02)


@pytest.mark.parametrize(
    ("given", "found"),
    [
        ("ACEScg", "ACEScg"),
        ("acescg", "ACEScg"),
        ("lin_ap1_scene", "ACEScg"),
        ("scene_linear", "ACEScg"),
        ("arri logc4", "ARRI LogC4"),
        ("srgb_texture", "sRGB Encoded Rec.709 (sRGB)"),
        ("Camera Rec.2020", "Camera Rec.2020"),
    ],
)
def test_names_aliases_roles_and_interop_identifiers(
    studio: Colour, given: str, found: str
) -> None:
    """Source: the built-in studio config's own aliases."""
    assert studio.resolve(given) == found


@pytest.mark.parametrize(
    ("wrong", "near"), [("ACESgc", "ACEScg"), ("LogC4", "ARRI LogC4"), ("slog3", "S-Log3")]
)
def test_unknown_names_get_the_nearest(studio: Colour, wrong: str, near: str) -> None:
    """Common practice, no source."""
    with pytest.raises(MediaError, match=f"'{wrong}' is not in the config.*{near}"):
        studio.resolve(wrong)


def test_interop_identifiers(studio: Colour) -> None:
    """Source: the built-in studio config."""
    assert studio.interop_id("ACEScg") == "lin_ap1_scene"
    assert studio.interop_id("Camera Rec.2020") is None


@pytest.mark.parametrize("text", [None, "not a config", "ocio_profile_version: 2\n"])
def test_configs_that_cannot_be_used(tmp_path: Path, text: str | None) -> None:
    """Common practice, no source."""
    path = tmp_path / "config.ocio"
    if text is not None:
        path.write_text(text)
    with pytest.raises(MediaError, match=r"config\.ocio.*--ocio"):
        Colour(str(path))


def test_processors_are_cached(studio: Colour) -> None:
    """Common practice, no source."""
    studio.to_working(ramp(0, 1), "ACEScct")
    count = len(studio._processors)
    studio.to_working(ramp(0, 1), "ACEScct")
    assert len(studio._processors) == count
    assert load_colour("ocio://studio-config-latest") is studio
