"""`verdigris suggest`: measure a shot and write a starting recipe."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from server.commands.options import (
    FRAMES,
    Colourspace,
    Deinterlace,
    Force,
    Ocio,
    ShotArgument,
    folder_beside,
    frames_named,
    settings_for,
)

if TYPE_CHECKING:
    from server.keying.clean_plates import GivenPlate
    from server.media import Shot


PLACE = 3
"""where it stands in the list of commands"""


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("suggest")(suggest)


def suggest(
    shot: ShotArgument,
    out: Annotated[Path, typer.Option(metavar="FILE", help="The recipe to write (.json).")],
    clean_plate: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="Clean plate to key with, if there is one: it is never written over. Else where "
            "the one that is built goes (.exr); beside the recipe by default.",
        ),
    ] = None,
    flat: Annotated[
        bool, typer.Option("--flat", help="Key one flat colour and write no clean plate.")
    ] = False,
    frames: Annotated[
        str, typer.Option(metavar=FRAMES, help="Frames to look at; five by default.")
    ] = "",
    colourspace: Colourspace = "",
    ocio: Ocio = "",
    deinterlace: Deinterlace = False,
    force: Force = False,
) -> None:
    """Measure a shot; write a starting recipe and a clean plate.

    Example: verdigris suggest 'plates/gate.####.exr' --out gate.json

    The reasons are in the recipe: verdigris recipe explain gate.json prints them. When the screen
    moves in the picture, as with a moving camera, every frame gets a clean plate, in a folder.
    """
    from kernels.recipe_file import RecipeError, check_text_output, save_recipe
    from server.keying.clean_plates import folder_of
    from server.keying.suggest import suggest as suggested
    from server.media import open_shot
    from server.progress import progress

    if out.exists() and not force:
        raise RecipeError(f"{out} exists already: choose another name or add --force")
    check_text_output(out)
    settings = settings_for(folder_beside(shot), ocio=ocio)
    source = open_shot(
        shot,
        colourspace=colourspace or settings.colourspace or None,
        ocio=settings.ocio or None,
        missing="hold",
        fps=settings.fps or None,
        deinterlace=deinterlace,
    )
    plate = None if flat else clean_plate or out.with_name(f"{out.stem}.clean.exr")
    given = None if plate is None or clean_plate is None else _given(plate, out, settings.ocio)
    if plate is not None and given is None:
        _check_plate(plate, source, force)
    with progress("suggest") as report:
        recipe = suggested(
            source,
            report,
            clean_plate=plate,
            clean_plate_name=None if plate is None else _name(plate, out),
            given=given,
            frames=frames_named(frames),
        )
    recipe.source.colourspace = source.colourspace if colourspace else ""
    save_recipe(recipe, out)
    if given is not None:
        typer.echo(f"keyed with the clean plate {plate}")
    elif plate is not None:
        if "#" in recipe.screen.clean_plate_path:
            folder = folder_of(plate)
            plate = folder / f"{folder.name}.####.exr"
        typer.echo(f"wrote {plate}")
    typer.echo(f"wrote {out}")
    typer.echo(f"next: {_next(shot, out, plate, ocio)}")


def _given(plate: Path, out: Path, ocio: str) -> GivenPlate | None:
    """Return the clean plate that is there already under this name, if any."""
    from server.keying.clean_plates import GivenPlate
    from server.media import open_shot
    from server.media.sequence import is_pattern

    if not (plate.exists() or is_pattern(plate)):
        return None
    return GivenPlate(open_shot(plate, ocio=ocio or None, missing="hold"), _name(plate, out))


def _check_plate(plate: Path, source: Shot, force: bool) -> None:
    """Say before anything is measured what would keep the clean plate from being written."""
    from server.keying.clean_plates import CleanPlateError
    from server.media import guard_output

    guard_output(plate, source.source_files())
    if plate.exists() and not force:
        raise CleanPlateError(
            f"{plate} exists already: key with it by --clean-plate {plate}, choose another name, "
            "or add --force to replace it"
        )


def _next(shot: str, out: Path, plate: Path | None, ocio: str) -> str:
    """Return the command that shows the recipe at work."""
    words = ["verdigris", "serve", shot, "--recipe", str(out)]
    if plate is not None and not _is_beside(plate, out):
        words += ["--clean-plate", str(plate)]
    return shlex.join([*words, *(["--ocio", ocio] if ocio else [])])


def _is_beside(plate: Path, recipe: Path) -> bool:
    return recipe.resolve().parent in plate.resolve().parents


def _name(plate: Path, recipe: Path) -> str:
    """Return the clean plate's name as the recipe refers to it: relative to its own folder."""
    if not _is_beside(plate, recipe):
        return plate.name
    return plate.resolve().relative_to(recipe.resolve().parent).as_posix()
