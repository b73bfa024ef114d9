"""`verdigris suggest`: measure a shot and write a starting recipe."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("suggest")(suggest)


def suggest(
    shot: Annotated[str, typer.Argument(metavar="SHOT", help="Movie, still, folder or pattern.")],
    out: Annotated[Path, typer.Option(help="The recipe to write (.json).")],
    clean_plate: Annotated[
        Path | None,
        typer.Option(help="Where the built clean plate goes (.exr); beside the recipe by default."),
    ] = None,
    flat: Annotated[
        bool, typer.Option("--flat", help="Key one flat colour and write no clean plate.")
    ] = False,
    frames: Annotated[str, typer.Option(help="Frames to look at; five by default.")] = "",
    colourspace: Annotated[str, typer.Option(help="Input colour space, over the files' own.")] = "",
    ocio: Annotated[str, typer.Option(help="OpenColorIO configuration.")] = "",
    force: Annotated[bool, typer.Option("--force", help="Replace an existing recipe.")] = False,
) -> None:
    """Measure a shot; write a starting recipe and a clean plate.

    Example: verdigris suggest 'plates/gate.####.exr' --out gate.json

    The reasons are in the recipe: verdigris recipe explain gate.json prints them. When the screen
    moves in the picture, as with a moving camera, every frame gets a clean plate, in a folder.
    """
    from kernels.recipe_file import RecipeError, check_text_output, save_recipe
    from server.config import load_settings
    from server.jobs.clean_plates import folder_of
    from server.jobs.suggest import suggest as suggested
    from server.media import open_shot, parse_frames
    from server.progress import progress

    if out.exists() and not force:
        raise RecipeError(f"{out} exists already: choose another name or add --force")
    check_text_output(out)
    if clean_plate is not None and clean_plate.exists() and not force:
        raise RecipeError(
            f"{clean_plate} exists already and the clean plate built here would replace it: choose "
            "another name or add --force"
        )
    beside = Path(shot) if Path(shot).is_dir() else Path(shot).parent
    settings = load_settings({"ocio": ocio or None}, beside=beside).settings
    source = open_shot(
        shot, colourspace=colourspace or None, ocio=settings.ocio or None, missing="hold"
    )
    plate = None if flat else clean_plate or out.with_name(f"{out.stem}.clean.exr")
    with progress("suggest") as report:
        recipe = suggested(
            source,
            report,
            clean_plate=plate,
            clean_plate_name=None if plate is None else _name(plate, out),
            frames=parse_frames(frames) if frames else None,
        )
    recipe.source.colourspace = source.colourspace if colourspace else ""
    save_recipe(recipe, out)
    if plate is not None:
        several = "#" in recipe.backing.clean_plate_path
        typer.echo(f"wrote {folder_of(plate) if several else plate}")
    typer.echo(f"wrote {out}")


def _name(plate: Path, recipe: Path) -> str:
    """Return the clean plate's name as the recipe refers to it: relative to its own folder."""
    try:
        return plate.resolve().relative_to(recipe.resolve().parent).as_posix()
    except ValueError:
        return plate.name
