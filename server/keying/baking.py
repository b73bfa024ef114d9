"""What `verdigris prepare` needs beside the denoised pass: a recipe, and a clean plate baked."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from kernels.recipe import Recipe
from kernels.recipe_file import RecipeError, load_recipe, parse_recipe
from server.keying.bake_folder import check_clean_plate, clean_name
from server.keying.clean_plates import (
    CleanPlateError,
    GivenPlate,
    folder_of,
    numbered,
    write_clean_plate,
    write_clean_plates,
)
from server.keying.prepare import make_folder
from server.keying.suggest import SuggestError, suggest, suggest_shot
from server.media import Shot
from server.media.companions import open_companions
from server.media.roots import MediaRoots, is_inside

Progress = Callable[[int, int], None]


def roots_of(shot: Shot, recipe: Path | None, more: Sequence[str | Path]) -> MediaRoots:
    """Return the folders in which a recipe's names are looked up, those given first."""
    beside = [recipe.parent or Path(".")] if recipe is not None else []
    return MediaRoots([*more, *beside, *(p.parent for p in shot.source_files()[:1]), Path(".")])


def started(shot: Shot, out: Path, progress: Progress | None = None) -> Recipe:
    """Return the recipe that an earlier run left in `out`, or measure the shot for one.

    Measuring bakes the clean plate too. Raises SuggestError when there is no screen.
    """
    made = out / f"{shot.name}.json"
    if made.is_file():
        return load_recipe(made)
    plate = out / clean_name(shot)
    check_clean_plate(plate)
    make_folder(out)
    return suggest(shot, progress, clean_plate=plate)


def with_denoise(recipe: Recipe, **settings: Any) -> Recipe:
    """Return a copy with other denoise settings, None left out; RecipeError when out of range."""
    for name, value in settings.items():
        if value is not None and not math.isfinite(value):
            raise RecipeError(f"{value} is no {name}: give a number")
    data = recipe.dump()
    data["source"]["denoise"] |= {k: v for k, v in settings.items() if v is not None}
    return parse_recipe(json.dumps(data), "the recipe with these settings")


def bake_clean_plate(
    shot: Shot,
    recipe: Recipe,
    out: Path,
    roots: MediaRoots,
    progress: Progress | None = None,
    *,
    ocio: str | None = None,
) -> bool:
    """Bake the recipe's clean plate into `out`, or build one where it keys a flat colour.

    The recipe is changed to name what was baked. Returns False, and leaves it at its flat colour,
    where no screen is found to build one from. Raises CleanPlateError and MediaError.
    """
    make_folder(out)
    screen = recipe.screen
    if screen.clean_plate == "file" and screen.clean_plate_path:
        path = roots.resolve(screen.clean_plate_path)
        if is_inside(path, out.resolve()):
            screen.clean_plate_path = path.relative_to(out.resolve()).as_posix()
            return True
        check_clean_plate(out / clean_name(shot))
        name = _copied(shot, recipe, out, roots, progress, ocio)
    else:
        check_clean_plate(out / clean_name(shot))
        try:
            name = _built(shot, out, progress)
        except SuggestError:
            return False
    screen.clean_plate, screen.clean_plate_path = "file", name
    screen.clean_plate_colourspace = shot.working_space
    return True


def _built(shot: Shot, out: Path, progress: Progress | None) -> str:
    plate = out / clean_name(shot)
    found = suggest_shot(shot, progress)
    if not found.findings.moving:
        write_clean_plate(shot, found.clean, plate)
        return plate.name
    if not any(folder_of(plate).glob("*.exr")):
        write_clean_plates(shot, found.findings.primary, plate, progress)
    return numbered(plate.name)


def _copied(
    shot: Shot,
    recipe: Recipe,
    out: Path,
    roots: MediaRoots,
    progress: Progress | None,
    ocio: str | None,
) -> str:
    """Write the clean plate that the recipe names, in the working space."""
    plate = open_companions(Recipe(screen=recipe.screen), roots, ocio=ocio).clean
    if plate is None:
        raise CleanPlateError("the recipe names no clean plate")
    given = GivenPlate(plate, recipe.screen.clean_plate_path)
    gone = set(plate.missing_frames)
    numbers = [frame for frame in plate.frames if frame not in gone]
    still = len(numbers) == 1
    baked = out / clean_name(shot)
    folder = folder_of(baked)
    if not still:
        folder.mkdir(exist_ok=True)
    for done, number in enumerate(numbers, start=1):
        [picture] = given.pictures(shot, [number]).values()
        path = baked if still else folder / f"{folder.name}.{number:04d}.exr"
        write_clean_plate(shot, picture, path, half=not still)
        if progress is not None:
            progress(done, len(numbers))
    return baked.name if still else numbered(baked.name)
