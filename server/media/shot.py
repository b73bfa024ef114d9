"""A shot: a still, a numbered sequence or a movie, read frame by frame into the working space."""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt

from server.media import images
from server.media.attributes import Attribute
from server.media.colour import DECIDED, Colour, Origin, load_colour
from server.media.errors import MediaError
from server.media.headers import Header, Limits
from server.media.sequence import Pattern

if TYPE_CHECKING:
    from server.media.movies import Movie

Float32 = npt.NDArray[np.float32]
Kind = Literal["still", "sequence", "movie"]
Chroma = Literal["4:4:4", "4:2:2", "4:2:0"]
MissingPolicy = Literal["error", "hold", "black"]
PlateAlpha = Literal["ignore", "use"]

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
    deinterlace: bool = False
    """Interlaced frames of a movie are made whole; else they are refused."""
    remarks: tuple[str, ...] = ()
    """What people should know of how the files are read, as sentences without a full stop."""
    pattern: Pattern | None = None
    path: Path | None = None

    @property
    def working_space(self) -> str:
        """Name of the scene-linear space that frames are read into."""
        return self.colour.working_space

    @property
    def colourspace_decided(self) -> str:
        """How the colour space was decided, in words for people."""
        return DECIDED[self.colourspace_origin]

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
        before = file_stamp(path)
        try:
            return self._read_image(frame, path)
        except MediaError:
            young = time.time() - before[1] < _SETTLE_S
            if young:
                time.sleep(_SETTLE_S / 4)
            if not young and file_stamp(path) == before:
                raise
        return self._read_image(frame, path)

    def _read_image(self, frame: int, path: Path) -> Frame:
        header, pixels, alpha = images.read_picture(path, self.limits, self._check_header)
        return self._finish(frame, pixels, alpha, header.alpha_associated, header.attributes)

    def _read_movie(self, frame: int) -> Frame:
        if frame in self.missing_frames:
            return self._stand_in(frame)
        stamp = file_stamp(self.path) if self.path else None
        movie = open_movie(self.path, stamp, self.limits, self.deinterlace)
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
        pixels = self.colour.to_working(pixels, self.colourspace, in_place=True)
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


def file_stamp(path: Path) -> tuple[int, float]:
    """Size and time of change: what tells a file from its next version."""
    try:
        status = path.stat()
    except OSError as error:
        raise MediaError(f"'{path}' cannot be read ({error.strerror}); check the path") from None
    return status.st_size, status.st_mtime


@lru_cache(maxsize=4)
def open_movie(
    path: Path | None, stamp: tuple[int, float] | None, limits: Limits, deinterlace: bool = False
) -> Movie:
    """The movie of a path, opened once in this process for each version of the file."""
    from server.media.movies import Movie

    assert path is not None
    return Movie(path, limits, deinterlace=deinterlace)


@lru_cache(maxsize=16)
def _number_set(frames: tuple[int, ...]) -> set[int]:
    return set(frames)
