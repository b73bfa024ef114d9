"""Options that several commands share, and how what they say is read."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal, cast

import typer

if TYPE_CHECKING:
    from server.config import Settings

FRAMES = "FRAMES"
"""what stands for a list of frame numbers in the help"""

# ---------------------------------------------------------------- what is read

ShotArgument = Annotated[
    str, typer.Argument(metavar="SHOT", help="Movie, still, folder or pattern of a sequence.")
]
Colourspace = Annotated[
    str,
    typer.Option(metavar="NAME", help="Input colour space, instead of the one the files name."),
]
Ocio = Annotated[
    str,
    typer.Option(metavar="FILE", help="OpenColorIO configuration, instead of the built-in one."),
]
Deinterlace = Annotated[
    bool,
    typer.Option("--deinterlace", help="Make interlaced frames of movies whole (filter: bwdif)."),
]
Frames = Annotated[
    str,
    typer.Option(
        metavar=FRAMES,
        help="Which frames, as 1001-1010,1020 or 1001-1096x12 (every twelfth); all by default.",
    ),
]
Missing = Annotated[
    str, typer.Option(metavar="HOW", help="Frames that are missing: error, hold or black.")
]
MediaRoots = Annotated[
    list[Path] | None,
    typer.Option(
        "--media-root", metavar="FOLDER", help="Folder in which the recipe's names are looked up."
    ),
]

# ---------------------------------------------------------------- what is written

JsonFile = Annotated[
    Path | None, typer.Option("--json", metavar="FILE", help="Write all figures to this file.")
]
Again = Annotated[
    bool, typer.Option("--again", help="Make frames again that were finished before.")
]
Force = Annotated[bool, typer.Option("--force", help="Replace what is there already.")]

# ---------------------------------------------------------------- what does the work

EngineName = Annotated[
    str | None, typer.Option("--engine", metavar="NAME", help="auto, cuda or cpu; auto by default.")
]
Threads = Annotated[
    int | None, typer.Option(help="Threads of the cpu engine; as many as cores by default.")
]

# ---------------------------------------------------------------- how pages reach a service

Host = Annotated[
    str | None,
    typer.Option(
        metavar="NAME", help="Address to listen on; 127.0.0.1 (this machine only) by default."
    ),
]
Port = Annotated[
    int | None, typer.Option(help="Port to listen on; 8765 by default, 0 takes a free one.")
]
Cert = Annotated[Path | None, typer.Option(metavar="FILE", help="TLS certificate (PEM).")]
Key = Annotated[Path | None, typer.Option(metavar="FILE", help="TLS key (PEM).")]
Metrics = Annotated[
    bool, typer.Option("--metrics", help="Serve /metrics (operators, or VERDIGRIS_METRICS_TOKEN).")
]
Verbose = Annotated[bool, typer.Option("--verbose", help="Log every request and visit.")]


def folder_beside(shot: str) -> Path:
    """Return the folder of a SHOT, in which a verdigris.toml may lie."""
    return Path(shot) if Path(shot).is_dir() else Path(shot).parent


def settings_for(beside: Path | None, **given: Any) -> Settings:
    """Return the settings with the options that were given; empty ones were not."""
    from server.config import load_settings

    known = {name: None if value == "" else value for name, value in given.items()}
    configured = load_settings(known, beside=beside)
    if configured.told:
        typer.echo(f"note: {configured.told}", err=True)
    return configured.settings


def missing_named(text: str) -> Literal["error", "hold", "black"]:
    """Return what to do about missing frames; VerdigrisError in one sentence."""
    from kernels.errors import VerdigrisError

    if text not in ("error", "hold", "black"):
        raise VerdigrisError(f"--missing takes error, hold or black, not '{text}'")
    return cast(Literal["error", "hold", "black"], text)


def frames_named(text: str) -> list[int] | None:
    """Return the frame numbers of a list, None where all or the usual ones are meant."""
    from server.media import parse_frames

    return list(parse_frames(text)) if text else None
