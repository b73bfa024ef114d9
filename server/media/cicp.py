"""Code points for colour, as movies and PNG state them, to names of colour spaces.

Source: ITU-T H.273, tables 2 (primaries), 3 (transfer characteristics) and 4 (matrices).
"""

from __future__ import annotations

from server.media.primaries import StatedSpace

CAMERA_REC2020 = "Camera Rec.2020"
"""BT.2020 recorded by a camera: its transfer curve undone, Rec. 2020 primaries. Offered by us
when the config has no space of this name. Source: ITU-R BT.2020-2, table 4."""

UNSPECIFIED = 2
_CAMERA_CURVES = {1, 6, 14, 15}
_CURVES = {4: "gamma 2.2", 5: "gamma 2.8", 8: "linear", 13: "sRGB curve"}
_CURVES |= dict.fromkeys(_CAMERA_CURVES, "camera curve")
_DISPLAY_CURVE = "gamma 2.4"
"""What is assumed where no curve is stated. Source: ITU-R BT.1886."""

# The primaries of standard definition are near enough to BT.709's to be taken for them.
_GAMUTS = {1: "rec709", 2: "rec709", 5: "rec709", 6: "rec709", 7: "rec709", 9: "rec2020",
           12: "p3d65"}  # fmt: skip
_D65 = (0.3127, 0.3290)
_C = (0.310, 0.316)
_PRIMARIES: dict[int, tuple[float, ...]] = {
    4: (0.67, 0.33, 0.21, 0.71, 0.14, 0.08, *_C),
    8: (0.681, 0.319, 0.243, 0.692, 0.145, 0.049, *_C),
    9: (0.708, 0.292, 0.170, 0.797, 0.131, 0.046, *_D65),
    10: (1.0, 0.0, 0.0, 1.0, 0.0, 0.0, 1 / 3, 1 / 3),
    11: (0.680, 0.320, 0.265, 0.690, 0.150, 0.060, 0.314, 0.351),
    12: (0.680, 0.320, 0.265, 0.690, 0.150, 0.060, *_D65),
    22: (0.630, 0.340, 0.295, 0.605, 0.155, 0.077, *_D65),
}
_NAMES = {
    (4, "rec709"): "g22_rec709_scene",
    (13, "rec709"): "srgb_rec709_scene",
    (13, "p3d65"): "srgb_p3d65_scene",
    (16, "rec2020"): "pq_rec2020_display",
    (16, "p3d65"): "pq_p3d65_display",
    (18, "rec2020"): "hlg_rec2020_display",
}
_REC2020_MATRICES = {9, 10}


def _stated_primaries(primaries: int, matrix: int) -> int:
    """The primaries; those that go with the matrix where they are not stated."""
    return 9 if primaries == UNSPECIFIED and matrix in _REC2020_MATRICES else primaries


def colour_tags(transfer: int, primaries: int, matrix: int = UNSPECIFIED) -> list[str]:
    """Names of the colour space, the config's first; none when no curve is stated."""
    primaries = _stated_primaries(primaries, matrix)
    gamut = _GAMUTS.get(primaries)
    if transfer in _CAMERA_CURVES and gamut == "rec2020":
        return [CAMERA_REC2020]
    if transfer in _CAMERA_CURVES and gamut == "rec709":
        return ["ocio:itu709_rec709_scene", "Camera Rec.709"]
    if transfer == 8 and gamut is not None:
        return [f"lin_{gamut}_scene"]
    if gamut is not None and (transfer, gamut) in _NAMES:
        return [_NAMES[transfer, gamut]]
    if transfer in _CURVES and primaries in _PRIMARIES:
        return [str(StatedSpace(_CURVES[transfer], _PRIMARIES[primaries]))]
    return []


def colour_guess(primaries: int, matrix: int = UNSPECIFIED) -> str:
    """The colour space to assume where the curve is not stated: a display's, of the primaries."""
    primaries = _stated_primaries(primaries, matrix)
    if primaries in _PRIMARIES:
        return str(StatedSpace(_DISPLAY_CURVE, _PRIMARIES[primaries]))
    return "rec1886_rec709_display"
