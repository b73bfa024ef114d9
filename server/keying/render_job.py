"""A render job: what to render, the files it makes, and how to tell that one is its own."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import numpy as np

from kernels.errors import VerdigrisError
from kernels.recipe import Recipe
from kernels.recipe_file import recipe_hash
from server.media import Shot, format_path
from server.media.companions import Companions
from server.media.exr import attribute_in
from server.media.sequence import is_pattern, parse_pattern

Layer = Literal["alpha", "straight", "foreground", "composite", "despilled", "extractors", "error"]
LAYERS: tuple[Layer, ...] = (
    "alpha",
    "straight",
    "foreground",
    "composite",
    "despilled",
    "extractors",
    "error",
)
MARK = "verdigris:job"


class RenderError(VerdigrisError):
    """A render cannot start or go on."""


@dataclass(frozen=True)
class RenderJob:
    """What to render, and how the files are written."""

    shot: Shot
    recipe: Recipe
    out: str
    layers: tuple[Layer, ...] = ("alpha",)
    frames: tuple[int, ...] = ()
    half: bool = True
    compression: str = "zip"
    out_colourspace: str = ""
    companions: Companions = field(default_factory=Companions)
    revision: int = 0
    resume: bool = True


@dataclass(frozen=True)
class Rendered:
    """What a render did."""

    written: int
    skipped: int
    seconds: float
    colourspace: str
    clamped: int = 0
    nonfinite: int = 0
    held: tuple[int, ...] = ()
    black: tuple[int, ...] = ()
    seconds_in: Mapping[str, float] = field(default_factory=dict)
    """seconds of each stage, over all threads: `read`, `key`, `convert`, `write`"""


def check_out(out: str, count: int) -> None:
    """Raise an error in one sentence unless `out` names EXR files for `count` frames."""
    if not out.lower().endswith(".exr"):
        raise RenderError(f"'{out}' is not an EXR name: end it in .exr, as in 'dir/name.####.exr'")
    if is_pattern(Path(out)):
        if parse_pattern(out)[1] is not None:
            raise RenderError(
                f"'{out}' has a frame range, which an output cannot have: choose frames with "
                "--frames and leave it out of the name"
            )
    elif any(is_pattern(part) for part in Path(out).parts):
        raise RenderError(f"'{out}' has the frame number in a folder's name: put it in the file's")
    elif count > 1:
        raise RenderError(
            f"'{out}' names one file for {count} frames: write the number as ####, like "
            "'dir/name.####.exr'"
        )


def path_of(job: RenderJob, frame: int) -> Path:
    """Return the file that a frame is written to."""
    if not is_pattern(Path(job.out)):
        return Path(job.out)
    return Path(format_path(job.out, frame))


def mark_of(job: RenderJob, frame: int, colourspace: str) -> str:
    """Return a hash of everything that decides the file's content."""
    parts = [
        recipe_hash(job.recipe),
        sorted(job.layers),
        job.half,
        job.compression,
        colourspace,
        job.shot.colourspace,
        stamp(job.shot, frame),
        *(
            None if shot is None else [shot.spec, shot.colourspace, stamp(shot, None)]
            for shot in (job.companions.clean, job.companions.denoised, job.companions.background)
        ),
    ]
    return hashlib.sha256(json.dumps(parts).encode()).hexdigest()[:24]


def is_done(job: RenderJob, frame: int, colourspace: str) -> bool:
    """Tell whether this very job has written the frame already."""
    return mark_in(path_of(job, frame)) == mark_of(job, frame, colourspace)


def mark_in(path: Path) -> str | None:
    """Return the mark that a job left in an EXR's header; None without one, or without a file."""
    return attribute_in(path, MARK)


def stamp(shot: Shot, frame: int | None) -> list[Any]:
    """Size and time of the file a frame comes from (all files when frame is None)."""
    if frame is not None and frame in shot.missing_frames:
        return ["missing", shot.missing]
    paths = shot.source_files() if frame is None else [shot.source_path(frame)]
    stamps = []
    for path in paths:
        stat = path.stat()
        stamps.append([path.name, stat.st_size, stat.st_mtime_ns])
    return stamps


def all_sources(job: RenderJob) -> list[Path]:
    """Return every file that the job reads."""
    shots: Sequence[Shot | None] = (
        job.shot,
        job.companions.clean,
        job.companions.denoised,
        job.companions.background,
    )
    return [path for shot in shots if shot is not None for path in shot.source_files()]


def compression_warning(compression: str) -> str:
    """Return what to say of a compression that harms mattes; empty for the others."""
    if compression.split(":")[0] not in ("b44", "b44a"):
        return ""
    return (
        f"{compression} is lossy in blocks of 4 x 4: alpha suffers most (up to 0.125 off at hard "
        "edges); zip keeps it exact"
    )


def default_colourspace(shot: Shot) -> str:
    """Return the source's space if scene-linear, else the working space: EXR holds linear light."""
    if is_linear(shot, shot.colourspace):
        return shot.colourspace
    return shot.working_space


def is_linear(shot: Shot, space: str) -> bool:
    """Tell whether a colour space is scene-linear: doubling the light doubles its values."""
    grey = np.full((3, 1, 2), 0.18, np.float32)
    grey[:, :, 1] = 0.36
    encoded = shot.colour.from_working(grey, space)
    return bool(np.allclose(encoded[:, :, 1], 2 * encoded[:, :, 0], rtol=1e-4))
