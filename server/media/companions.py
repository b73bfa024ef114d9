"""The other pictures a recipe needs: clean plate, denoised pass, background."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from kernels.errors import VerdigrisError
from kernels.inputs import needs_background
from kernels.recipe import Recipe
from server.media import Shot, open_shot
from server.media.exr import attribute_in
from server.media.roots import MediaRoots
from server.media.sequence import format_frames

PLATE = "verdigris:plate"
"""Attribute of a baked file: the name of the file that it was baked from."""


class CompanionError(VerdigrisError):
    """Another picture does not go with the shot."""


@dataclass(frozen=True)
class Companions:
    """The other pictures a recipe needs: opened once, read per frame."""

    clean: Shot | None = None
    denoised: Shot | None = None
    background: Shot | None = None


def open_companions(
    recipe: Recipe,
    roots: MediaRoots,
    *,
    clean: str | Path | None = None,
    denoised: str | Path | None = None,
    background: str | Path | None = None,
    ocio: str | None = None,
    opener: Callable[..., Shot] = open_shot,
) -> Companions:
    """Open the clean plate, denoised pass and background; a path given wins over the recipe's name.

    Names inside the recipe are looked up under the media roots only. opener: as `open_shot`.
    """

    def opened(given: str | Path | None, name: str, colourspace: str = "") -> Shot | None:
        if given is None and not name:
            return None
        path = given if given is not None else roots.resolve(name)
        return opener(path, colourspace=colourspace or None, ocio=ocio, missing="hold")

    screen = recipe.screen
    plate_name = screen.clean_plate_path if screen.clean_plate == "file" else ""
    picture = recipe.assemble.background
    return Companions(
        clean=opened(clean, plate_name, screen.clean_plate_colourspace),
        denoised=opened(denoised, recipe.source.denoised_path, recipe.source.denoised_colourspace),
        background=opened(
            background, picture.path if needs_background(recipe) else "", picture.colourspace
        ),
    )


def _serves_all(shot: Shot) -> bool:
    """Tell whether a pass is one picture for all frames; a numbered one is of its frame alone."""
    return len(shot.frames) == 1 and shot.kind != "sequence"


def denoised_frame(shot: Shot, frame: int) -> int | None:
    """Return the frame of a denoised pass that belongs to `frame`; None where it has none.

    Then the plate is read: another frame's picture would make another frame's matte.
    """
    if _serves_all(shot):
        return shot.frames[0]
    return frame if _has(shot.frames, frame) and not _has(shot.missing_frames, frame) else None


def _has(frames: Sequence[int], frame: int) -> bool:
    """Tell whether ordered frame numbers have one: asked for every picture, of long shots too."""
    at = bisect_left(frames, frame)
    return at < len(frames) and frames[at] == frame


def frames_without_pass(denoised: Shot | None, shot: Shot, frames: Sequence[int]) -> list[int]:
    """Return which frames of a shot a denoised pass lacks; none where there is no pass at all."""
    if denoised is None:
        return []
    gone = set(shot.missing_frames)
    return [f for f in frames if f not in gone and denoised_frame(denoised, f) is None]


def check_denoised(denoised: Shot, shot: Shot) -> None:
    """Raise CompanionError for a pass with none of a shot's frames, or baked from another shot."""
    if _serves_all(denoised):
        return
    common = [frame for frame in shot.frames if denoised_frame(denoised, frame) is not None]
    if not common:
        raise CompanionError(
            f"the denoised pass '{denoised.spec}' has the frames {format_frames(denoised.frames)} "
            f"and the shot {format_frames(shot.frames)}: number them alike"
        )
    there = [frame for frame in common if not _has(shot.missing_frames, frame)]
    plate = attribute_in(denoised.source_path(there[0]), PLATE) if there else None
    if plate is not None and plate != shot.source_path(there[0]).name:
        raise CompanionError(
            f"the denoised pass '{denoised.spec}' was baked from '{plate}', which is another shot: "
            "bake this shot's own pass, or take it out"
        )


def companion_frame(
    companion: Shot, shot: Shot, frame: int, offset: int = 0, *, loop: bool = False
) -> int:
    """Return the frame of a companion that belongs to a shot's `frame`.

    A still serves every frame. A sequence is matched by number when its numbers and the shot's
    overlap, else by position: its first frame goes with the shot's first. So is a movie, whose
    frames have no numbers of their own. Beyond its ends the nearest is held, or it loops; where it
    lacks a number, the one before is held.
    """
    numbers = companion.frames
    if len(numbers) == 1:
        return numbers[0]
    first, last = numbers[0], numbers[-1]
    overlap = first <= shot.frames[-1] and shot.frames[0] <= last
    by_number = overlap and companion.kind != "movie"
    wanted = (frame if by_number else frame - shot.frames[0] + first) + offset
    if loop:
        wanted = first + (wanted - first) % (last - first + 1)
    return numbers[max(0, bisect_right(numbers, wanted) - 1)]
