"""The folder that `verdigris prepare` bakes into: what is there already and is not ours to replace.

One folder may hold what several shots need, as long as their names differ.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from kernels.recipe import Recipe
from kernels.recipe_file import load_recipe, save_recipe
from server.keying.clean_plates import FITTED, CleanPlateError
from server.keying.prepare import PLATE_FILE, PrepareError, plate_file
from server.keying.render_job import mark_in
from server.media import Shot
from server.media.exr import attribute_in

OF_THE_PASS = {"source": {"denoise", "denoised_path", "denoised_colourspace"}}
"""What `prepare` itself sets in a recipe."""


def clean_name(shot: Shot) -> str:
    """Return the name of a shot's baked clean plate; where every frame has its own, they lie in a
    folder of that name without the ending."""
    return f"{shot.name}.clean.exr"


def check_folder(shot: Shot, folder: Path, recipe: Path, baked: Mapping[int, Path]) -> None:
    """Raise an error in one sentence unless a shot can be baked into a folder and nothing is lost.

    recipe: the recipe to be written; baked: frames and their files. Refused are the folder with
    the shot's own frames, which would hold several shots then, files that were not baked by
    Verdigris, and a pass of another shot of the same name: none of its frames is from this one's.
    """
    if shot.kind == "sequence" and folder.resolve() == shot.source_files()[0].resolve().parent:
        raise PrepareError(
            f"{folder} holds the shot's own frames: bake into another folder, such as "
            f"{folder / 'baked'}"
        )
    if recipe.exists():
        load_recipe(recipe)
    same = []
    for frame, path in baked.items():
        if not path.exists():
            continue
        if mark_in(path) is None:
            raise PrepareError(
                f"{path} is there and was not baked by Verdigris: bake into another folder, or "
                "take it away"
            )
        same.append(attribute_in(path, PLATE_FILE) in (None, plate_file(shot, frame)))
    if same and not any(same):
        raise PrepareError(
            f"{next(iter(baked.values())).parent} holds a pass that was baked from other files "
            f"called '{shot.name}': bake into another folder, or take that pass away"
        )


def check_clean_plate(path: Path) -> None:
    """Raise CleanPlateError when a clean plate is there that somebody else made."""
    if path.exists() and attribute_in(path, FITTED) is None:
        raise CleanPlateError(
            f"{path} is there and was not built by Verdigris: name it in the recipe, as "
            "`verdigris suggest --clean-plate` does, or bake into another folder"
        )


def save_beside(recipe: Recipe, path: Path) -> Path | None:
    """Save a recipe; return where the one that was there is kept, if it decides anything else.

    A recipe that was baked is worked on afterwards, and the same command may be run again.
    """
    kept = None
    if path.is_file() and _decided(load_recipe(path)) != _decided(recipe):
        n = next(n for n in range(1, 10_000) if not _numbered(path, n).exists())
        kept = _numbered(path, n)
        save_recipe(load_recipe(path), kept)
    save_recipe(recipe, path)
    return kept


def _numbered(path: Path, n: int) -> Path:
    return path.with_name(f"{path.stem}.{n}{path.suffix}")


def _decided(recipe: Recipe) -> dict[str, object]:
    return recipe.model_dump(exclude=OF_THE_PASS | {"screen": {"noise"}})
