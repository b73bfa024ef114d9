"""Why a starting recipe is as it is: the notes that `explain` prints."""

from __future__ import annotations

from kernels.measure.screen_find import channel_index
from kernels.parameters import Keys
from server.keying.findings import (
    CLEAR_LOW,
    DRIFT,
    LEAST_SEPARATED,
    Findings,
    clear_pool_px,
    following_gain,
    screen_level,
    solid_from,
)
from server.words import counted


def notes_of(found: Findings, sigma: float, plate: bool, plain: bool) -> dict[str, str]:
    """Return the reasons, by path, as `explain` prints them."""
    _, i, j = channel_index(found.primary)
    names = ("red", "green", "blue")
    notes = {
        "screen": f"{found.primary} was measured over {counted(found.frames, 'frame')}; "
        + (
            "the clean plate was fitted to the screen, so uneven light is followed"
            if plate
            else "one flat colour is used because no place for a clean plate was given"
        ),
        "extractors.edges": "the plain form: the larger of the other channels is compared with"
        if plain
        else f"the weights {found.weights[0]:.2f} for {names[i]} and "
        f"{found.weights[1]:.2f} for {names[j]} fit the subject's own colours near the screen, "
        "so edges are read with the least bias",
        "extractors.solid": f"fills what reads {solid_from(found):g} and more over a few pixels; "
        f"the subject's least separated colours read {found.separation:.2f}, and spill on it "
        f"measured {100 * found.spill:.0f} % of the screen's excess",
        "extractors.clear": f"the matte's noise over bare screen is {sigma:.4f}; what does not "
        f"rise {CLEAR_LOW:g} deviations over it in a {2 * clear_pool_px(found) + 1:g} px window "
        "is screen",
        "despill.spill": "the limit weighs the other two channels as the edges do; grey keeps "
        "the luminance",
    }
    if sigma > 0.25:
        notes["noise"] = (
            "the noise exceeds a quarter of the screen's excess: denoise the shot first"
        )
    elif found.separation < LEAST_SEPARATED:
        notes["keep_solid"] = (
            "part of the subject reads like the screen: draw a keep-solid shape inside it if it is "
            "solid, never over glass or smoke"
        )
    levels = list(found.drift.values())
    if isinstance(following_gain(found, 1.0), Keys):
        notes["light"] = (
            f"the screen's level drifts by {100 * (max(levels) - min(levels)):.0f} % "
            "over the shot, so the gains are keyed"
        )
    if found.garbage:
        notes["garbage"] = (
            f"{counted(len(found.garbage), 'still marker')}, well away from the subject in every "
            "frame looked at: taken out by garbage shapes; check that nothing passes them"
        )
    if found.outside:
        notes["outside"] = (
            f"{counted(len(found.outside), 'garbage shape')} over what lies outside the screen's "
            "cloth in every frame looked at: check that the subject never passes there"
        )
    if found.shaded:
        notes["assemble.screen_light"] = (
            f"{counted(len(found.shaded), 'shadow')} of the subject on the screen found: the "
            "shapes are there, switched off; switch them on to take the shadows over to the "
            "background"
        )
    left = found.markers - len(found.garbage)
    if left > 0:
        notes["markers"] = (
            f"{counted(left, 'marker')} near the subject left in the matte: draw garbage shapes "
            "that follow what passes them, or paint them out"
        )
    if found.moving:
        notes["camera"] = _moves(found, plate)
    if found.over_range > 0.0005:
        notes["highlights"] = (
            f"{100 * found.over_range:.2f} % of the picture is brighter than "
            "1; colour differences keep it solid"
        )
    return notes


def notes_of_unmix(found: Findings) -> dict[str, str]:
    """Return the reasons that unmix has of its own."""
    notes = {
        "extractors.unmix": "coverage and the subject's own colour are solved together under the "
        "measured noise, so no part is filled or cleared by a threshold; the view 'Matte error' "
        "shows where it is unsure",
        "assemble.edge_colour": "the colour that unmix found, less the screen's light by each "
        "surface's own hue; the despill pass acts only where the edges are coloured otherwise",
    }
    if found.subsampled:
        notes["source.chroma"] = (
            f"the recording holds its colour {found.chroma}, so unmix solves it against full "
            "brightness and coarser colour"
        )
    if found.over_range > 0.0005:
        notes["highlights"] = (
            f"{100 * found.over_range:.2f} % of the picture is brighter than 1; unmix trusts the "
            "coloured fringes about it less"
        )
    if isinstance(screen_level(found), Keys):
        levels = list(found.drift.values())
        notes["light"] = (
            f"the screen's level drifts by {100 * (max(levels) - min(levels)):.0f} % over the "
            "shot, so it is keyed"
        )
    return notes


def notes_of_given(found: Findings, plate: str) -> dict[str, str]:
    """Return what is to be said otherwise when the clean plate was given."""
    notes = {
        "screen": f"{found.primary} was measured over {counted(found.frames, 'frame')}; "
        f"the clean plate {plate} was there and is kept: none was fitted to the screen"
    }
    level = sum(found.drift.values()) / max(len(found.drift), 1)
    if not isinstance(following_gain(found, 1.0), Keys) and abs(level - 1.0) > DRIFT:
        notes["light"] = (
            f"the screen is {100 * level:.0f} % as bright in the shot as in the clean plate, "
            "which the key makes up for"
        )
    if found.moving:
        notes["camera"] = (
            f"{_what_moves(found)}: see to it that the clean plate moves with it, frame by frame"
        )
    return notes


def _moves(found: Findings, plate: bool) -> str:
    what = _what_moves(found)
    if not plate:
        return f"{what}, and one flat colour is all there is to follow it"
    return f"{what}, so every frame has its own clean plate, fitted to that frame alone"


def _what_moves(found: Findings) -> str:
    if found.camera_px is not None and found.camera_px > 0:
        return f"the camera moves by about {found.camera_px:.1f} px a frame"
    return "the light on the screen moves in the picture, as it does when the camera moves"
