"""`verdigris prepare`: bake the denoised pass and the clean plate, ready to key."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from server.commands.options import (
    Again,
    Colourspace,
    Deinterlace,
    EngineName,
    Frames,
    MediaRoots,
    Ocio,
    ShotArgument,
    Threads,
    folder_beside,
    frames_named,
    settings_for,
)

if TYPE_CHECKING:
    from kernels.recipe import Recipe
    from server.keying.prepare import Prepared
    from server.media import Shot

DENOISED = "denoised"
"""Folder of the baked pass inside the one that is named."""


PLACE = 5
"""where it stands in the list of commands"""


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("prepare")(prepare)


def prepare(
    shot: ShotArgument,
    out: Annotated[Path, typer.Option(metavar="FOLDER", help="Folder for all that is written.")],
    recipe: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="The recipe (.json); else the shot is measured for one."),
    ] = None,
    strength: Annotated[
        float | None,
        typer.Option(help="How much noise goes, in units of what was measured; 0.8 by default."),
    ] = None,
    reach: Annotated[
        int | None, typer.Option(help="Neighbouring frames on each side, 0 to 3; 1 by default.")
    ] = None,
    frames: Frames = "",
    colourspace: Colourspace = "",
    ocio: Ocio = "",
    deinterlace: Deinterlace = False,
    media_root: MediaRoots = None,
    engine: EngineName = None,
    threads: Threads = None,
    again: Again = False,
) -> None:
    """Bake (write as frames) the denoised pass and the clean plate.

    Example: verdigris prepare 'plates/gate.####.exr' --recipe gate.json --out baked

    The folder then holds the denoised frames, the clean plate, and a recipe that names them.
    Finished frames are left alone when the same command runs again.
    """
    from kernels.engines import choose_engine
    from kernels.recipe import Recipe
    from kernels.recipe_file import load_recipe
    from server.keying.bake_folder import check_folder, save_beside
    from server.keying.baking import bake_clean_plate, roots_of, started, with_denoise
    from server.keying.prepare import files_to_bake, has_noise, measured_noise, prepare_shot
    from server.media import open_shot
    from server.progress import progress

    settings = settings_for(folder_beside(shot), engine=engine, threads=threads, ocio=ocio)
    key = load_recipe(recipe) if recipe is not None else None
    source = open_shot(
        shot,
        colourspace=colourspace
        or (key.source.colourspace if key else "")
        or settings.colourspace
        or None,
        ocio=settings.ocio or None,
        missing="hold",
        fps=settings.fps or None,
        deinterlace=deinterlace,
    )
    wanted = frames_named(frames)
    name = recipe.name if recipe is not None else f"{source.name}.json"
    with_denoise(key or Recipe(), strength=strength, reach_frames=reach)
    check_folder(
        source, out, out / name, files_to_bake(source, out / DENOISED, source.name, wanted)
    )
    if key is None:
        with progress("measuring") as report:
            key = started(source, out, report)
    else:
        roots = roots_of(source, recipe, [*(media_root or []), *settings.media_roots])
        with progress("clean plate") as report:
            bake_clean_plate(source, key, out, roots, report, ocio=settings.ocio or None)
    key = with_denoise(key, strength=strength, reach_frames=reach)
    if colourspace:
        key.source.colourspace = colourspace
    if not has_noise(key.screen.noise):
        key.screen.noise = measured_noise(source)
    choice = choose_engine(settings.engine, threads=settings.threads or None, storage="float32")
    typer.echo(f"engine: {choice.engine.name} ({choice.engine.description}): {choice.reason}")
    try:
        with progress("denoising") as report:
            made = prepare_shot(
                source,
                key,
                out / DENOISED,
                source.name,
                frames=wanted,
                engine=choice.engine,
                progress=report,
                again=again,
            )
    finally:
        choice.engine.close()
    key.source.denoised_path = f"{DENOISED}/{Path(made.pattern).name}"
    key.source.denoised_colourspace = source.working_space
    saved = out / name
    kept = save_beside(key, saved)
    _summary(shot, source, made, saved, key, ocio)
    if kept is not None:
        typer.echo(f"the recipe that was there decided other things: it is kept as {kept}")


def _summary(shot: str, source: Shot, made: Prepared, saved: Path, key: Recipe, ocio: str) -> None:
    from server.words import counted

    before = counted(made.skipped, "was finished before", "were finished before")
    typer.echo(
        f"wrote {counted(made.written, 'frame')} to {made.pattern}"
        + (f", {before}" if made.skipped else "")
    )
    if made.noise_left is not None:
        typer.echo(f"noise left on the screen: {made.noise_left:.0%} of the plate's")
    if key.screen.clean_plate == "file":
        typer.echo(f"clean plate: {saved.parent / key.screen.clean_plate_path}")
    typer.echo(f"wrote {saved}")
    words = ["verdigris", "serve", shot, "--recipe", str(saved)]
    typer.echo(f"next: {shlex.join([*words, *(['--ocio', ocio] if ocio else [])])}")
