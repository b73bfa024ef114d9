"""`verdigris bench`: this machine's numbers."""

from __future__ import annotations

import json
from typing import Annotated, Any

import typer

from server.commands.options import JsonFile

PLACE = 10
"""where it stands in the list of commands"""


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("bench")(bench)


def bench(
    json_file: JsonFile = None,
    only: Annotated[
        str,
        typer.Option(
            metavar="PARTS",
            help="Parts to run, of cpu, render, service, page, cuda, card; all by default.",
        ),
    ] = "",
) -> None:
    """Measure this machine: keying, the service, the page, the card. Medians.

    Example: verdigris bench --only cpu --json figures.json

    The part page needs a browser and Playwright, the parts cuda and card an NVIDIA card and CuPy;
    what cannot run here says what it lacks.
    """
    from kernels.errors import VerdigrisError
    from kernels.recipe_file import check_text_output, write_text_atomically
    from server.bench.bench import SECTIONS, run

    if json_file is not None:
        check_text_output(json_file)
    sections = tuple(name.strip() for name in only.split(",") if name.strip()) or SECTIONS
    for name in sections:
        if name not in SECTIONS:
            raise VerdigrisError(f"there is no section '{name}': choose from {', '.join(SECTIONS)}")
    found = run(sections)
    for name in sections:
        typer.echo(f"{name}:")
        _show(found[name], 1)
    if json_file is not None:
        write_text_atomically(json_file, json.dumps(found, indent=1) + "\n")


def _show(value: Any, depth: int) -> None:
    pad = "  " * depth
    if isinstance(value, dict) and "p50_ms" in value:
        target = value.get("target_ms")
        goal = f"  target {target:g} ms: {value.get('verdict', '')}" if target else ""
        typer.echo(
            f"{pad}{value.get('name', '')}: p50 {value['p50_ms']:.2f} ms, "
            f"p99 {value.get('p99_ms', float('nan')):.2f} ms{goal}"
        )
    elif isinstance(value, dict):
        for key, item in value.items():
            if isinstance(item, dict | list):
                typer.echo(f"{pad}{key}:")
                _show(item, depth + 1)
            else:
                typer.echo(
                    f"{pad}{key}: {item:.4g}" if isinstance(item, float) else f"{pad}{key}: {item}"
                )
    elif isinstance(value, list):
        for item in value:
            if isinstance(item, dict | list):
                _show(item, depth)
            else:
                typer.echo(f"{pad}{item}")
