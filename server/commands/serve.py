"""`verdigris serve` and `verdigris demo`."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from server.commands.options import (
    Cert,
    Colourspace,
    Deinterlace,
    EngineName,
    Frames,
    Host,
    Key,
    Metrics,
    Ocio,
    Port,
    Threads,
    Verbose,
    frames_named,
    settings_for,
)

if TYPE_CHECKING:
    from server.config import Settings
    from server.service.maker import ServeOptions
    from server.service.service import Service


PLACE = 1
"""where it stands in the list of commands"""


def register(app: typer.Typer) -> None:
    """Add the commands to the program."""
    app.command("serve")(serve)
    app.command("demo")(demo)


def serve(
    shot: Annotated[
        str,
        typer.Argument(
            metavar="SHOT|FOLDER",
            help="Movie, still, folder or pattern; with --watch a folder of shots.",
        ),
    ],
    watch: Annotated[
        bool,
        typer.Option("--watch", help="Watch the folder: new shots appear by themselves."),
    ] = False,
    clean_plate: Annotated[
        Path | None,
        typer.Option(metavar="SHOT", help="Clean plate: the screen without the subject."),
    ] = None,
    background: Annotated[
        Path | None,
        typer.Option(metavar="SHOT", help="The new picture behind the subject: still or movie."),
    ] = None,
    recipe: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Recipe to work on (.json); begun if it is not there."),
    ] = None,
    take_over: Annotated[
        bool,
        typer.Option(
            "--take-over",
            help="Work on the recipe though another service does; that one saves no more.",
        ),
    ] = False,
    colourspace: Colourspace = "",
    ocio: Ocio = "",
    deinterlace: Deinterlace = False,
    media_root: Annotated[
        list[Path] | None,
        typer.Option(metavar="FOLDER", help="Folder under which the page may name files."),
    ] = None,
    renders: Annotated[
        Path | None,
        typer.Option(metavar="FOLDER", help="Where renders go; in your data folder by default."),
    ] = None,
    allow_host: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME", help="Another host name by which pages may call the service."),
    ] = None,
    host: Host = None,
    port: Port = None,
    engine: EngineName = None,
    threads: Threads = None,
    cert: Cert = None,
    key: Key = None,
    metrics: Metrics = False,
    verbose: Verbose = False,
) -> None:
    """Serve a shot to a browser page: change anything, see it at once.

    Example: verdigris serve 'plates/gate.####.exr' --background street.jpg
    """
    from server.media import open_shot
    from server.service.maker import ServeOptions
    from server.service.watch import newest
    from server.start import StartError

    folder = Path(shot)
    if watch:
        if not folder.is_dir():
            raise StartError(f"--watch takes a folder, and '{shot}' is none")
        first = newest(folder, deinterlace=deinterlace)
        if first is None:
            raise StartError(f"there is no shot in '{shot}' yet: record one, then start again")
        shot = first
    for path in (clean_plate, background):
        if path is not None and not (path.exists() or "#" in path.name or "%" in path.name):
            raise StartError(f"'{path}' does not exist: check the path")
    roots = [*(media_root or []), *([folder] if watch else [])]
    options = ServeOptions(
        shot=shot,
        recipe=recipe,
        clean_plate=clean_plate,
        background=background,
        colourspace=colourspace,
        deinterlace=deinterlace,
        roots=tuple(roots),
        renders=renders,
        metrics=metrics,
        cert=cert,
        key=key,
        hosts=tuple(allow_host or []),
        watched=folder if watch else None,
        take_over=take_over,
    )
    settings = settings_for(
        Path(shot).parent, host=host, port=port, engine=engine, threads=threads, ocio=ocio
    )
    # A wrong path is told first, whatever else is wrong.
    space = colourspace or settings.colourspace or None
    open_shot(
        shot, colourspace=space, ocio=settings.ocio or None, missing="hold", deinterlace=deinterlace
    )
    _run(options, settings, verbose)


def demo(
    folder: Annotated[
        Path | None, typer.Option(metavar="FOLDER", help="Where the demo shot is, or is made.")
    ] = None,
    render: Annotated[
        Path | None,
        typer.Option(
            metavar="FOLDER", help="Write EXR files and a contact sheet here; serve nothing."
        ),
    ] = None,
    frames: Frames = "",
    host: Host = None,
    port: Port = None,
    engine: EngineName = None,
    threads: Threads = None,
    cert: Cert = None,
    key: Key = None,
    metrics: Metrics = False,
    verbose: Verbose = False,
) -> None:
    """Make the demo shot if needed, serve it, and print the links.

    Example: verdigris demo
    """
    from demo_media import make_demo
    from server.keying.demo import demo_recipe
    from server.progress import progress
    from server.service.maker import ServeOptions

    settings = settings_for(None, host=host, port=port, engine=engine, threads=threads)
    place = folder or Path(settings.data_dir) / "demo"
    with progress("making the demo shot") as report:
        # One step in all: it was found there already made.
        paths = make_demo(place, progress=lambda at, of: report(at, of) if of > 1 else None)
    if render is not None:
        _render_demo(paths, render, frames, settings, folder)
        return
    options = ServeOptions(
        shot=str(paths.shot),
        recipe=place / "work" / "demo.json",
        metrics=metrics,
        cert=cert,
        key=key,
        roots=(place,),
        renders=place / "renders",
        first_recipe=lambda: demo_recipe(paths),
    )
    _run(options, settings, verbose)


def _render_demo(
    paths: Any, out: Path, frames: str, settings: Settings, folder: Path | None
) -> None:
    from kernels.engines import choose_engine
    from server.keying.demo import render_demo
    from server.progress import progress
    from server.words import counted

    choice = choose_engine(settings.engine, threads=settings.threads or None)
    typer.echo(f"engine: {choice.engine.name} ({choice.engine.description}): {choice.reason}")
    wanted = tuple(frames_named(frames) or ())
    try:
        with progress("keying the demo shot") as report:
            rendered, sheet = render_demo(paths, out, choice.engine, frames=wanted, progress=report)
    finally:
        choice.engine.close()
    typer.echo(f"wrote {counted(rendered.written, 'frame')} to {out} in {rendered.seconds:.1f} s")
    typer.echo(f"the shot is {paths.shot}")
    typer.echo(f"the recipe is {paths.folder / 'gardener.json'}")
    live = shlex.join(["verdigris", "demo", *(["--folder", str(folder)] if folder else [])])
    typer.echo(f"look at {sheet}; `{live}` shows the shot live in a browser")


def _run(options: ServeOptions, settings: Settings, verbose: bool) -> None:
    from kernels.errors import StoppedError
    from server.logs import set_up_logs
    from server.media.images import library_list
    from server.start import check_certificate, listen, make_service, run_service

    check_certificate(options)
    listener = listen(settings.host, settings.port, secure=options.cert is not None)
    set_up_logs(settings.log_format, verbose)
    if verbose:
        typer.echo(f"image libraries: {library_list()}", err=True)
    try:
        service = make_service(
            options, settings, listener.address, say=lambda text: typer.echo(text, err=True)
        )
    except BaseException:
        listener.socket.close()
        raise
    try:
        run_service(
            service,
            options,
            settings.host,
            listener,
            ready=lambda: _announce(service, options, settings),
        )
    except KeyboardInterrupt:
        raise StoppedError("stopped; the recipe is saved") from None


def _announce(service: Service, options: ServeOptions, settings: Settings) -> None:
    """Print engine, links and, for tablets, a QR code."""
    import segno

    from server.security import is_loopback

    engine = service.engine
    operator = f"{service.address}/join#{service.gate.make_link('operator')}"
    reviewer = f"{service.address}/join#{service.gate.make_link('reviewer')}"
    typer.echo(f"engine: {engine.name} ({engine.description}): {service.choice.reason}")
    typer.echo(f"shot: {service.opened.shot.spec}")
    typer.echo(f"recipe: {service.recipes.path}")
    typer.echo(f"operator (once, within 15 minutes): {operator}")
    typer.echo(f"reviewers (until revoked):          {reviewer}")
    if not is_loopback(settings.host):
        typer.echo("for the tablet:")
        segno.make(reviewer, micro=False).terminal(compact=True)
        if options.cert is None:
            typer.echo(
                "warning: this service can be reached from the network without encryption: use "
                "--cert and --key outside a network you trust",
                err=True,
            )
    typer.echo("Ctrl-C stops; the recipe is saved after every change")
