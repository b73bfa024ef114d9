"""Opening SHOT: what a path, folder or pattern means, and what its first header says."""

from __future__ import annotations

import logging
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

from kernels.errors import VerdigrisError
from server.media import images
from server.media.colour import config_source, load_colour
from server.media.errors import MediaError
from server.media.headers import Header, Limits
from server.media.sequence import (
    IMAGE_SUFFIXES,
    MAX_FRAMES,
    MOVIE_SUFFIXES,
    Pattern,
    find_frames,
    format_frames,
    group_folder,
    is_pattern,
    is_text,
    parse_pattern,
    still_frame,
)
from server.media.shot import MissingPolicy, PlateAlpha, Shot, file_stamp, open_movie

log = logging.getLogger("verdigris.media")
DEFAULT_FPS = Fraction(24)


def open_shot(
    spec: str | Path,
    *,
    colourspace: str | None = None,
    ocio: str | None = None,
    plate_alpha: PlateAlpha = "ignore",
    missing: MissingPolicy = "error",
    deinterlace: bool = False,
    limits: Limits | None = None,
    fps: float | None = None,
) -> Shot:
    """Open SHOT: a still, a folder, a numbered pattern or a movie.

    colourspace: the input space, instead of the one the files or the config's rules state.
    deinterlace: make interlaced frames of a movie whole, instead of refusing them.
    ocio: an OpenColorIO config, else the variable OCIO, else the built-in studio config.
    fps: frames a second, instead of what the files state.
    Raises MediaError in one sentence that says what to do.
    """
    try:
        options: dict[str, Any] = {
            "spec": str(spec),
            "ocio": config_source(ocio),
            "plate_alpha": plate_alpha,
            "missing": missing,
            "deinterlace": deinterlace,
            "limits": limits or Limits(),
        }
        found = _open_shot(spec, colourspace, options)
        return replace(found, fps=Fraction(fps).limit_denominator(1001)) if fps else found
    except (VerdigrisError, KeyboardInterrupt):
        raise
    except Exception as error:  # Whatever a library raises: one take must not stop the others.
        log.warning("opening '%s' failed", spec, exc_info=True)
        reason = " ".join(f"{type(error).__name__}: {error}".split())[:160]
        raise MediaError(f"'{spec}' cannot be opened ({reason}); copy or export it again") from None


def _open_shot(spec: str | Path, colourspace: str | None, options: dict[str, Any]) -> Shot:
    if not str(spec).strip():
        raise MediaError("no shot is named; give a movie, a still, a folder or a pattern")
    if not is_text(spec):
        shown = str(spec).encode("utf-8", "replace").decode()
        raise MediaError(f"'{shown}' has a name that is not UTF-8 text; rename it")
    load_colour(options["ocio"])
    return _open(Path(spec), colourspace, options)


def _open(path: Path, colourspace: str | None, options: dict[str, Any]) -> Shot:
    if is_pattern(path) and not path.exists():
        pattern, frames = parse_pattern(path)
        return _open_sequence(pattern, frames, colourspace, options)
    if path.is_dir() and path.suffix.lower() not in IMAGE_SUFFIXES | MOVIE_SUFFIXES:
        found = _only_item(path)
        if isinstance(found, Pattern):
            return _open_sequence(found, None, colourspace, options)
        path = found
    if path.suffix.lower() in MOVIE_SUFFIXES:
        return _open_movie_shot(path, colourspace, options)
    return _open_still(path, colourspace, options)


def _only_item(folder: Path) -> Pattern | Path:
    """The one sequence, still or movie in a folder."""
    patterns, singles = group_folder(folder)
    items: list[Pattern | Path] = [*patterns, *singles]
    if not items:
        raise MediaError(
            f"'{folder}' holds no pictures or movies that can be read; check the path, or "
            "transcode the camera's files to EXR, DPX, TIFF or a movie first"
        )
    if len(items) > 1:
        names = [i.name if isinstance(i, Path) else Path(str(i)).name for i in items]
        listed = ", ".join(names[:8]) + (f" and {len(names) - 8} more" if len(names) > 8 else "")
        raise MediaError(f"'{folder}' holds {len(items)} shots ({listed}); name one of them")
    return items[0]


def _open_sequence(
    pattern: Pattern, wanted: list[int] | None, colourspace: str | None, options: dict[str, Any]
) -> Shot:
    found = find_frames(pattern)
    if not found:
        raise MediaError(f"no file matches '{pattern}'; check the folder, the name and the digits")
    frames = wanted if wanted is not None else _span(pattern, found)
    there = set(found)
    present = [frame for frame in frames if frame in there]
    if not present:
        raise MediaError(
            f"'{pattern}' has the frames {format_frames(found)} and none of "
            f"{format_frames(frames)}; correct the range"
        )
    header = images.read_header(pattern.path(present[0]), options["limits"])
    gaps = [frame for frame in frames if frame not in there]
    name = pattern.prefix.rstrip("._- ") or pattern.folder.resolve().name
    return _image_shot(
        header, colourspace, options, name=name, kind="sequence", frames=frames,
        missing_frames=gaps, pattern=pattern,
    )  # fmt: skip


def _span(pattern: Pattern, found: list[int]) -> list[int]:
    if found[-1] - found[0] >= MAX_FRAMES:
        raise MediaError(
            f"'{pattern}' spans frames {found[0]} to {found[-1]}; give a range in the pattern"
        )
    return list(range(found[0], found[-1] + 1))


def _open_still(path: Path, colourspace: str | None, options: dict[str, Any]) -> Shot:
    header = images.read_header(path, options["limits"])
    return _image_shot(
        header, colourspace, options, name=path.stem, kind="still", frames=[still_frame(path)],
        missing_frames=[], path=path,
    )  # fmt: skip


def _image_shot(
    header: Header, colourspace: str | None, options: dict[str, Any], **fields: Any
) -> Shot:
    colour = load_colour(options["ocio"])
    if header.colour_refusal and colourspace is None:
        raise MediaError(
            f"'{header.path}' {header.colour_refusal}; convert it to sRGB, or name its colour "
            "space with --colourspace"
        )
    space = colour.input_space(
        header.path,
        override=colourspace,
        tags=header.colour_tags,
        chromaticities=header.chromaticities,
        floating=header.bits is None,
        guess=header.colour_guess,
    )
    return Shot(
        width=header.width,
        height=header.height,
        pixel_aspect=header.pixel_aspect,
        fps=header.fps or DEFAULT_FPS,
        colourspace=space.name,
        colourspace_origin=space.origin,
        encoded_bits=header.bits,
        chroma=header.chroma,  # type: ignore[arg-type]
        metadata=header.attributes,
        has_alpha=header.alpha_channel is not None and options["plate_alpha"] == "use",
        remarks=header.remarks,
        **fields,
        **options,
    )


def _open_movie_shot(path: Path, colourspace: str | None, options: dict[str, Any]) -> Shot:
    if not path.is_file():
        problem = "is a folder, not a movie" if path.is_dir() else "does not exist"
        raise MediaError(f"'{path}' {problem}; check the path")
    movie = open_movie(path, file_stamp(path), options["limits"], options["deinterlace"])
    if movie.hidden_alpha and options["plate_alpha"] == "use":
        raise MediaError(
            f"'{path}' keeps its alpha beside the picture, as VP8 and VP9 do, where it is not "
            "read; transcode it to ProRes 4444 or EXR"
        )
    space = load_colour(options["ocio"]).input_space(
        path,
        override=colourspace,
        tags=movie.colour_tags,
        chromaticities=None,
        floating=False,
        guess=movie.colour_guess,
    )
    return Shot(
        name=path.stem,
        kind="movie",
        frames=list(range(1, movie.frame_count + 1)),
        missing_frames=movie.missing_frames,
        width=movie.width,
        height=movie.height,
        pixel_aspect=movie.pixel_aspect,
        fps=movie.fps,
        colourspace=space.name,
        colourspace_origin=space.origin,
        encoded_bits=movie.bits,
        chroma=movie.chroma,  # type: ignore[arg-type]
        metadata=movie.attributes,
        has_alpha=movie.has_alpha and options["plate_alpha"] == "use",
        remarks=movie.remarks,
        path=path,
        **options,
    )
