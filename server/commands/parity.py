"""`verdigris parity`: every operation on every engine against the reference."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from server.commands.options import JsonFile

PLACE = 9
"""where it stands in the list of commands"""


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("parity")(parity)


def parity(
    shot: Annotated[
        str | None, typer.Argument(metavar="SHOT", help="A shot whose first frame is used too.")
    ] = None,
    json_file: JsonFile = None,
    every: Annotated[bool, typer.Option("--all", help="List every case.")] = False,
) -> None:
    """Compare every operation of every engine with the reference.

    Example: verdigris parity 'plates/gate.####.exr' --all

    Exit code 1 if one is over its tolerance.
    """
    from kernels import parity as check
    from kernels.recipe_file import check_text_output, write_text_atomically

    if json_file is not None:
        check_text_output(json_file)
    engines, why = _engines()
    try:
        results = check.worst(check.run(engines, extra_frames=_frames(shot)))
    finally:
        for engine in engines:
            engine.close()
    typer.echo(why)
    for engine in engines:
        typer.echo(f"engine {engine.name}: {engine.description}")
    rows = sorted(results.values(), key=lambda d: (d.good, -d.error / max(d.tolerance, 1e-12)))
    shown = rows if every else [d for i, d in enumerate(rows) if i < 10 or not d.good]
    typer.echo(f"{'engine':6} {'case':42} {'largest error':>14} {'tolerance':>10}  frame")
    for d in shown:
        mark = "" if d.good else "  OVER"
        typer.echo(f"{d.engine:6} {d.case:42} {d.error:14.3g} {d.tolerance:10.3g}  {d.frame}{mark}")
    over = [d for d in rows if not d.good]
    typer.echo(f"{len(rows)} cases, {len(over)} over their tolerance")
    if json_file is not None:
        import json

        write_text_atomically(json_file, json.dumps([vars(d) for d in rows], indent=1) + "\n")
    if over:
        raise typer.Exit(1)


def _engines() -> tuple[list[Any], str]:
    from kernels.engines import choose_engine

    best = choose_engine("auto")
    if best.engine.abilities.uses_cores:
        return [best.engine], best.reason
    return [best.engine, choose_engine("cpu").engine], best.reason


def _frames(shot: str | None) -> list[tuple[str, dict[str, Any]]]:
    if shot is None:
        return []
    from kernels.parity import half
    from server.media import open_shot

    source = open_shot(shot)
    plate = source.read(source.frames[0]).pixels
    return [(source.name, {"plate": half(plate)})]
