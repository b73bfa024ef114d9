"""`verdigris config`: every setting, its value and where it came from."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from server.config import PREFIX, Settings, load_settings

PLACE = 11
"""where it stands in the list of commands"""


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("config")(config)


def config(
    beside: Annotated[
        Path | None,
        typer.Option(metavar="FOLDER", help="Folder of a shot whose verdigris.toml is read too."),
    ] = None,
) -> None:
    """Print every setting, its value and where it came from.

    Example: verdigris config --beside plates/

    An option wins over the environment, that over verdigris.toml in the shot's folder, that
    over your own.
    """
    configured = load_settings(beside=beside)
    for name, field in Settings.model_fields.items():
        value = getattr(configured.settings, name)
        typer.echo(f"{name} = {value!r}  [{configured.origin[name]}]")
        typer.echo(f"    {field.description}; {PREFIX}{name.upper()}")
