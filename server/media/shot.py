"""A shot: a still, a numbered sequence or a movie, read frame by frame into the working space."""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import numpy.typing as npt

from server.media import images
from server.media.colour import Colour, Origin, config_source, load_colour
from server.media.errors import MediaError
from server.media.headers import Attribute, Header
from server.media.images import Limits
from server.media.sequence import (
    IMAGE_SUFFIXES,
    MAX_FRAMES,
    MOVIE_SUFFIXES,
    Pattern,
    find_frames,
    format_frames,
    group_folder,
    is_pattern,
    parse_pattern,
)

if TYPE_CHECKING:
    from server.media.movies import Movie

Float32 = npt.NDArray[np.float32]
Kind = Literal["still", "sequence", "movie"]
Chroma = Literal["4:4:4", "4:2:2", "4:2:0"]
MissingPolicy = Literal["error", "hold", "black"]
PlateAlpha = Literal["ignore", "use"]

DEFAULT_FPS = Fraction(24)
HALF_MAX = 65504.0
MIN_ALPHA = 1e-4
_SETTLE_S = 1.0


@dataclass
class Frame:
    """One frame in the working space.

    `pixels` (3, H, W) scene-linear float32, any range; `alpha` (H, W) when the shot uses its plate
    alpha: `pixels` are then straight. `held`: a neighbour's picture stands in for a missing file;
    `missing`: there was no file. `nonfinite` counts pixels that had NaN or Inf and were replaced.
    """

    number: int
    pixels: Float32
    alpha: Float32 | None = None
    held: bool = False
    missing: bool = False
    nonfinite: int = 0
    attributes: dict[str, Attribute] = field(default_factory=dict)


@dataclass(frozen=True)
class Shot:
    """Where a shot's frames are and how to read them. Small, immutable and picklable."""

    name: str
    spec: str
    kind: Kind
    frames: list[int]
    missing_frames: list[int]
    width: int
    height: int
    pixel_aspect: float
    fps: Fraction
    colourspace: str
    colourspace_origin: Origin
    encoded_bits: int | None
    chroma: Chroma | None
    metadata: dict[str, Attribute]
    ocio: str
    plate_alpha: PlateAlpha
    missing: MissingPolicy
    has_alpha: bool
    limits: Limits
    pattern: Pattern | None = None
    path: Path | None = None

    @property
    def working_space(self) -> str:
        """Name of the scene-linear space that frames are read into."""
        return self.colour.working_space

    @property
    def colour(self) -> Colour:
        """The colour management the shot was opened with."""
        return load_colour(self.ocio)

    def source_path(self, frame: int) -> Path:
        """The file that a frame comes from, whether or not it exists."""
        self._check_number(frame)
        if self.path is not None:
            return self.path
        assert self.pattern is not None
        return self.pattern.path(frame)

    def source_files(self) -> list[Path]:
        """Every file the shot is read from."""
        if self.path is not None:
            return [self.path]
        gone = set(self.missing_frames)
        return [self.source_path(frame) for frame in self.frames if frame not in gone]

    def read(self, frame: int) -> Frame:
        """Decode one frame into the working space, in this process.

        A missing file follows the shot's policy: an error, the nearest earlier frame held (the
        nearest later one at the start), or black. Raises MediaError naming the file.
        """
        self._check_number(frame)
        if self.kind == "movie":
            return self._read_movie(frame)
        path = self.source_path(frame)
        if path.exists():
            return self._read_settled(frame, path)
        return self._stand_in(frame)

    def check_headers(self, frames: list[int] | None = None) -> None:
        """Read the headers of the frames and raise MediaError for the first that would not do."""
        gone = set(self.missing_frames)
        for frame in frames if frames is not None else self.frames:
            self._check_number(frame)
            if self.kind != "movie" and not (frame in gone and self.missing != "error"):
                self._check_header(images.read_header(self.source_path(frame), self.limits))

    def _check_number(self, frame: int) -> None:
        if frame not in self._numbers:
            first, last = min(self.frames), max(self.frames)
            raise MediaError(f"'{self.spec}' has no frame {frame}; it has {first}-{last}")

    @property
    def _numbers(self) -> set[int]:
        return _number_set(tuple(self.frames))

    def _check_header(self, header: Header) -> None:
        if (header.width, header.height) != (self.width, self.height):
            raise MediaError(
                f"'{header.path}' is {header.width} x {header.height} but the shot is "
                f"{self.width} x {self.height}; render it again at one size"
            )

    def _read_settled(self, frame: int, path: Path) -> Frame:
        """Read a file, once more if it was still being written when the first try failed."""
        before = _stamp(path)
        try:
            return self._read_image(frame, path)
        except MediaError:
            young = time.time() - before[1] < _SETTLE_S
            if young:
                time.sleep(_SETTLE_S / 4)
            if not young and _stamp(path) == before:
                raise
        return self._read_image(frame, path)

    def _read_image(self, frame: int, path: Path) -> Frame:
        header = images.read_header(path, self.limits)
        self._check_header(header)
        pixels, alpha = images.read_pixels(header, self.limits)
        return self._finish(frame, pixels, alpha, header.alpha_associated, header.attributes)

    def _read_movie(self, frame: int) -> Frame:
        if frame in self.missing_frames:
            return self._stand_in(frame)
        movie = _open_movie(self.path, _stamp(self.path) if self.path else None, self.limits)
        pixels, alpha = movie.read(frame)
        attributes = {**self.metadata, **movie.frame_attributes(frame)}
        return self._finish(frame, pixels, alpha, False, attributes)

    def _finish(
        self,
        number: int,
        pixels: Float32,
        alpha: Float32 | None,
        associated: bool,
        attributes: dict[str, Attribute],
    ) -> Frame:
        """Encoded pixels to working values: repair, divide by alpha, then convert colour."""
        bad = replace_nonfinite(pixels)
        if self.plate_alpha == "ignore":
            alpha = None
        if alpha is not None:
            bad |= replace_nonfinite(alpha[None])
            if associated:
                np.divide(pixels, alpha, out=pixels, where=alpha >= MIN_ALPHA)
        pixels = self.colour.to_working(pixels, self.colourspace)
        bad |= replace_nonfinite(pixels)
        return Frame(
            number, pixels, alpha, nonfinite=int(np.count_nonzero(bad)), attributes=attributes
        )

    def _stand_in(self, frame: int) -> Frame:
        """What the policy gives for a missing frame."""
        if self.missing == "error":
            where = self.source_path(frame)
            raise MediaError(
                f"frame {frame} is missing ('{where}'); supply it, or choose to hold the previous "
                "frame or show black"
            )
        gone = set(self.missing_frames) | {frame}
        there = [number for number in self.frames if number not in gone]
        if self.missing == "black" or not there:
            black = np.zeros((3, self.height, self.width), np.float32)
            alpha = np.zeros((self.height, self.width), np.float32) if self.has_alpha else None
            return Frame(frame, black, alpha, missing=True)
        earlier = [number for number in there if number < frame]
        nearest = self.read(max(earlier) if earlier else min(there))
        nearest.number, nearest.held, nearest.missing = frame, True, True
        return nearest


def replace_nonfinite(planes: Float32) -> npt.NDArray[np.bool_]:
    """Replace NaN by 0 and infinities by +-65504 in place; (H, W) true where a pixel had any."""
    bad: npt.NDArray[np.bool_] = np.logical_not(np.isfinite(planes).all(axis=0))
    if bad.any():
        np.nan_to_num(planes, copy=False, nan=0.0, posinf=HALF_MAX, neginf=-HALF_MAX)
    return bad


def open_shot(
    spec: str | Path,
    *,
    colourspace: str | None = None,
    ocio: str | None = None,
    plate_alpha: PlateAlpha = "ignore",
    missing: MissingPolicy = "error",
    limits: Limits | None = None,
) -> Shot:
    """Open SHOT: a still, a folder, a numbered pattern or a movie.

    colourspace: the input space, instead of the one the files or the config's rules state.
    ocio: an OpenColorIO config, else the variable OCIO, else the built-in studio config.
    Raises MediaError in one sentence that says what to do.
    """
    limits = limits or Limits()
    options: dict[str, Any] = {
        "spec": str(spec),
        "ocio": config_source(ocio),
        "plate_alpha": plate_alpha,
        "missing": missing,
        "limits": limits,
    }
    load_colour(options["ocio"])
    path = Path(spec)
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
        header, colourspace, options, name=path.stem, kind="still", frames=[1],
        missing_frames=[], path=path,
    )  # fmt: skip


def _image_shot(
    header: Header, colourspace: str | None, options: dict[str, Any], **fields: Any
) -> Shot:
    colour = load_colour(options["ocio"])
    space = colour.input_space(
        header.path,
        override=colourspace,
        tags=[header.colour_tag] if header.colour_tag else [],
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
        **fields,
        **options,
    )


def _open_movie_shot(path: Path, colourspace: str | None, options: dict[str, Any]) -> Shot:
    if not path.is_file():
        problem = "is a folder, not a movie" if path.is_dir() else "does not exist"
        raise MediaError(f"'{path}' {problem}; check the path")
    movie = _open_movie(path, _stamp(path), options["limits"])
    space = load_colour(options["ocio"]).input_space(
        path,
        override=colourspace,
        tags=movie.colour_tags,
        chromaticities=None,
        floating=False,
        guess="rec1886_rec709_display",
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
        path=path,
        **options,
    )


def _stamp(path: Path) -> tuple[int, float]:
    """Size and time of change: what tells a file from its next version."""
    try:
        status = path.stat()
    except OSError as error:
        raise MediaError(f"'{path}' cannot be read ({error.strerror}); check the path") from None
    return status.st_size, status.st_mtime


@lru_cache(maxsize=4)
def _open_movie(path: Path | None, stamp: tuple[int, float] | None, limits: Limits) -> Movie:
    """The movie of a path, opened once in this process for each version of the file."""
    from server.media.movies import Movie

    assert path is not None
    return Movie(path, limits)


@lru_cache(maxsize=16)
def _number_set(frames: tuple[int, ...]) -> set[int]:
    return set(frames)
