"""`verdigris recipe new|check|explain|schema`."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Literal

import typer

from kernels.recipe_file import RecipeError, load_recipe, recipe_schema, save_recipe
from server.commands.options import Force

recipe_app = typer.Typer(
    help="Make, check and explain recipes.", no_args_is_help=True, rich_markup_mode=None
)
RecipePath = Annotated[Path, typer.Argument(metavar="FILE", help="A recipe (.json).")]


PLACE = 7
"""where it stands in the list of commands"""


def register(app: typer.Typer) -> None:
    """Add the commands to the program."""
    app.add_typer(recipe_app, name="recipe")


@recipe_app.command()
def new(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The recipe to write.")],
    primary: Annotated[
        Literal["green", "blue", "red"], typer.Option(help="Primary of the screen.")
    ] = "green",
    force: Force = False,
) -> None:
    """Write a plain first recipe.

    Example: verdigris recipe new key.json --primary blue
    """
    from kernels.recipe import starting_recipe

    if file.exists() and not force:
        raise RecipeError(f"{file} exists already: choose another name or add --force")
    recipe = starting_recipe(primary)
    recipe.name = file.stem[:60] or "untitled"
    save_recipe(recipe, file)
    typer.echo(f"wrote {file}")


@recipe_app.command()
def check(file: RecipePath) -> None:
    """Tell whether a recipe can be used, or why not.

    Example: verdigris recipe check key.json

    Exit code 2, with the reason, if it cannot be used.
    """
    from server.media.roots import check_name
    from server.words import counted

    recipe = load_recipe(file)
    screen, background = recipe.screen, recipe.assemble.background
    for name in (recipe.source.denoised_path, screen.clean_plate_path, background.path):
        if name:
            check_name(name)
    typer.echo(
        f"{file}: good, version {recipe.version}, {counted(len(recipe.extractors), 'extractor')}, "
        f"{counted(len(recipe.despill), 'despill pass', 'despill passes')}"
    )


@recipe_app.command()
def explain(file: RecipePath) -> None:
    """Say in plain sentences what a recipe does.

    Example: verdigris recipe explain key.json
    """
    from kernels.explain import explain as sentences

    typer.echo(sentences(load_recipe(file)), nl=False)


@recipe_app.command()
def schema(
    file: Annotated[
        Path | None, typer.Argument(metavar="FILE", help="Where to write it; else it is printed.")
    ] = None,
    force: Force = False,
) -> None:
    """Print the JSON schema of recipes.

    Example: verdigris recipe schema schema.json

    It holds the unit, range, step, default and help of each parameter.
    """
    from kernels.recipe_file import write_text_atomically

    text = json.dumps(recipe_schema(), indent=2) + "\n"
    if file is None:
        typer.echo(text, nl=False)
    elif file.exists() and not force:
        raise RecipeError(f"{file} exists already: choose another name or add --force")
    else:
        write_text_atomically(file, text)
        typer.echo(f"wrote {file}")
