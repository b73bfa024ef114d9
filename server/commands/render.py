"""`verdigris render`: a shot and a recipe to EXR files."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from server.commands.options import (
    Again,
    Colourspace,
    Deinterlace,
    EngineName,
    Frames,
    MediaRoots,
    Missing,
    Ocio,
    ShotArgument,
    Threads,
    folder_beside,
    frames_named,
    missing_named,
    settings_for,
)

PLACE = 6
"""where it stands in the list of commands"""


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("render")(render)


def _layers(text: str) -> tuple[Any, ...]:
    from server.keying.render_job import LAYERS, RenderError

    names = [name.strip() for name in text.split(",") if name.strip()]
    for name in names:
        if name not in LAYERS:
            raise RenderError(f"there is no layer '{name}': choose from {', '.join(LAYERS)}")
    return tuple(names)


def render(
    shot: ShotArgument,
    recipe: Annotated[Path, typer.Option(metavar="FILE", help="The recipe (.json).")],
    out: Annotated[
        str, typer.Option(metavar="FILES", help="Files to write, as 'dir/name.####.exr'.")
    ],
    layers: Annotated[
        str,
        typer.Option(
            metavar="LAYERS",
            help="Layers to add to the premultiplied foreground (R G B A): of alpha, straight, "
            "foreground, composite, despilled, extractors, error (what the matte is expected to be "
            "off by, where an unmix extractor tells), with commas between.",
        ),
    ] = "alpha",
    frames: Frames = "",
    clean_plate: Annotated[
        str | None, typer.Option(metavar="SHOT", help="Clean plate, instead of the recipe's.")
    ] = None,
    denoised: Annotated[
        str | None, typer.Option(metavar="SHOT", help="Denoised pass, instead of the recipe's.")
    ] = None,
    background: Annotated[
        str | None,
        typer.Option(metavar="SHOT", help="Background, still or movie, instead of the recipe's."),
    ] = None,
    colourspace: Colourspace = "",
    out_colourspace: Annotated[
        str,
        typer.Option(
            metavar="NAME",
            help="Colour space of the files; by default the source's if that is linear, else the "
            "working space.",
        ),
    ] = "",
    ocio: Ocio = "",
    deinterlace: Deinterlace = False,
    full_float: Annotated[
        bool, typer.Option("--float", help="Write 32-bit float instead of half.")
    ] = False,
    compression: Annotated[
        str,
        typer.Option(
            metavar="NAME", help="zip, zips, piz, none, rle, pxr24, b44, b44a, dwaa or dwab."
        ),
    ] = "zip",
    missing: Missing = "error",
    media_root: MediaRoots = None,
    engine: EngineName = None,
    threads: Threads = None,
    again: Again = False,
) -> None:
    """Render a shot with a recipe to multi-channel EXR files.

    Example: verdigris render 'plates/gate.####.exr' --recipe gate.json --out 'keys/gate.####.exr'

    Finished frames are left alone when the same command runs again; Ctrl-C leaves nothing
    half-written.
    """
    from kernels.engines import choose_engine
    from kernels.recipe_file import load_recipe
    from server.keying.render import Renderer
    from server.keying.render_job import RenderJob, check_out, compression_warning
    from server.media import open_shot
    from server.media.companions import frames_without_pass, open_companions
    from server.media.roots import MediaRoots
    from server.media.sequence import format_frames
    from server.progress import progress

    on_missing = missing_named(missing)
    chosen = _layers(layers)
    key = load_recipe(recipe)
    settings = settings_for(folder_beside(shot), engine=engine, threads=threads, ocio=ocio)
    source = open_shot(
        shot,
        colourspace=colourspace or key.source.colourspace or settings.colourspace or None,
        ocio=settings.ocio or None,
        plate_alpha=key.source.plate_alpha,
        fps=settings.fps or None,
        deinterlace=deinterlace,
        missing=on_missing,
    )
    roots = MediaRoots(
        [
            *(media_root or []),
            *settings.media_roots,
            recipe.parent or Path("."),
            *(path.parent for path in source.source_files()[:1]),
            Path("."),
        ]
    )
    companions = open_companions(
        key,
        roots,
        clean=clean_plate,
        denoised=denoised,
        background=background,
        ocio=settings.ocio or None,
    )
    if background is not None:
        key.assemble.background.kind = "picture"
    wanted = tuple(frames_named(frames) or source.frames)
    check_out(out, len(wanted))
    choice = choose_engine(settings.engine, threads=settings.threads or None, storage="float32")
    typer.echo(f"engine: {choice.engine.name} ({choice.engine.description}): {choice.reason}")
    warning = compression_warning(compression)
    if warning:
        typer.echo(f"warning: {warning}", err=True)
    job = RenderJob(
        shot=source,
        recipe=key,
        out=out,
        layers=chosen,
        frames=wanted,
        half=not full_float,
        compression=compression,
        out_colourspace=out_colourspace,
        companions=companions,
        resume=not again,
    )
    try:
        with progress("rendering") as report:
            result = Renderer(job, choice.engine).run(report)
    finally:
        choice.engine.close()
    _summary(out, result)
    plain = frames_without_pass(companions.denoised, source, wanted)
    if plain and any(e.on and e.key_from == "denoised" for e in key.extractors):
        typer.echo(
            f"keyed from the plate, as the denoised pass lacks them: {format_frames(plain)}; bake "
            "all frames (`verdigris prepare`) before handing over"
        )


def _summary(out: str, result: Any) -> None:
    from server.media.sequence import format_frames
    from server.words import counted

    before = counted(result.skipped, "was finished before", "were finished before")
    typer.echo(
        f"wrote {counted(result.written, 'frame')} to {out} in {result.seconds:.1f} s, "
        f"colour space {result.colourspace}" + (f", {before}" if result.skipped else "")
    )
    if result.nonfinite:
        pixels = counted(result.nonfinite, "pixel of the plate was", "pixels of the plate were")
        typer.echo(f"{pixels} NaN or infinite and replaced")
    if result.clamped:
        values = counted(result.clamped, "value was", "values were")
        typer.echo(f"{values} too large for half and clamped to 65504")
    if result.held:
        typer.echo(f"missing frames held from a neighbour: {format_frames(result.held)}")
    if result.black:
        typer.echo(f"missing frames shown black: {format_frames(result.black)}")
