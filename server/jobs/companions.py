"""The other pictures a recipe needs: clean plate, denoised pass, backdrop."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from kernels.inputs import needs_backdrop
from kernels.recipe import Recipe
from server.media import Shot, open_shot
from server.roots import MediaRoots


@dataclass(frozen=True)
class Companions:
    """The other pictures a recipe needs: opened once, read per frame."""

    clean: Shot | None = None
    denoised: Shot | None = None
    backdrop: Shot | None = None


def open_companions(
    recipe: Recipe,
    roots: MediaRoots,
    *,
    clean: str | Path | None = None,
    denoised: str | Path | None = None,
    backdrop: str | Path | None = None,
    ocio: str | None = None,
) -> Companions:
    """Open the clean plate, denoised pass and backdrop; a path given wins over the recipe's name.

    Names inside the recipe are looked up under the media roots only.
    """

    def opened(given: str | Path | None, name: str, colourspace: str = "") -> Shot | None:
        if given is None and not name:
            return None
        path = given if given is not None else roots.resolve(name)
        return open_shot(path, colourspace=colourspace or None, ocio=ocio, missing="hold")

    backing = recipe.backing
    plate_name = backing.clean_plate_path if backing.clean_plate == "file" else ""
    picture = recipe.assemble.backdrop
    return Companions(
        clean=opened(clean, plate_name, backing.clean_plate_colourspace),
        denoised=opened(denoised, recipe.source.denoised_path),
        backdrop=opened(
            backdrop, picture.path if needs_backdrop(recipe) else "", picture.colourspace
        ),
    )


def companion_frame(shot: Shot, frame: int, offset: int = 0, *, loop: bool = False) -> int:
    """Return the frame of a companion that belongs to `frame`.

    A still serves every frame; a sequence is matched by number when the numbers overlap, else by
    position from its start; beyond its ends the nearest is held, or it loops.
    """
    if len(shot.frames) == 1:
        return shot.frames[0]
    first, last = shot.frames[0], shot.frames[-1]
    wanted = frame + offset
    if loop:
        return first + (wanted - first) % (last - first + 1)
    return min(max(wanted, first), last)
