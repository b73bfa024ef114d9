"""Baking the denoised pass of a shot: a file a frame, resumable, nothing half-written."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kernels.engine import Engine
from kernels.errors import VerdigrisError
from kernels.measure.noise import MeasuredNoise, measure_noise
from kernels.measure.screen_fit import fit_picture
from kernels.measure.survey import measure_frame
from kernels.parameters import resolve
from kernels.recipe import Denoise, Noise, Recipe
from server.keying.render_job import MARK, mark_in, stamp
from server.keying.suggest import median_noise
from server.media import Frame, Shot, format_path, guard_output, write_exr
from server.media.companions import PLATE
from server.media.exr import attribute_in, remove_stale_parts
from server.media.sequence import format_frames, is_pattern

Progress = Callable[[int, int], None]
MEASURED_FRAMES = 3
"""Frames from which the noise is measured where the recipe has none."""
WRITERS = 2
NOISE_LEFT = "verdigris:noise_left"
"""Attribute of the one baked file in which the share of noise left was measured."""
PLATE_FILE = "verdigris:plate_file"
"""Attribute of a baked file: which very file it was baked from, see `plate_file`."""


class PrepareError(VerdigrisError):
    """A denoised pass cannot be baked."""


@dataclass(frozen=True)
class Prepared:
    """What was baked.

    pattern: path of the sequence, or of the one file of a still. noise_left: share of the plate's
    noise that is left on the screen, measured in one frame; None where no screen is seen.
    """

    pattern: str
    written: int
    skipped: int
    noise_left: float | None = None


def has_noise(noise: Noise) -> bool:
    """Tell whether a recipe's noise was measured."""
    return any(value > 0 for value in (*noise.gain, *noise.offset))


def measured_noise(shot: Shot) -> Noise:
    """Return the median noise of a few frames, measured on their screen.

    Raises PrepareError where no screen is seen in them.
    """
    gone = set(shot.missing_frames)
    there = [frame for frame in shot.frames if frame not in gone]
    at = np.linspace(0, len(there) - 1, min(MEASURED_FRAMES, len(there)))
    chosen = sorted({there[round(float(n))] for n in at})
    seen = [measure_frame(shot.read(frame).pixels, detail=False).noise for frame in chosen]
    models = [noise.model for noise in seen if noise is not None and has_noise(noise.model)]
    if not models:
        raise PrepareError(
            f"no screen was found in '{shot.spec}' to measure its noise on: give the recipe "
            "its noise (screen.noise; on the page Screen, Noise), or check the colour space"
        )
    return median_noise(models)


def prepare_shot(
    shot: Shot,
    recipe: Recipe,
    folder: Path,
    name: str,
    *,
    frames: Sequence[int] | None = None,
    engine: Engine | None = None,
    progress: Progress | None = None,
    again: bool = False,
) -> Prepared:
    """Bake the denoised pass with the recipe's `source.denoise` as half-float EXR files.

    They are in the working space and lie in `folder`, `name.####.exr` (`name.exr` for a still),
    with the plate's frame numbers, time code and windows; missing frames stay missing. Frames that
    were baked before from the same plate with the same settings are left alone, unless `again`.
    engine: the cpu engine by default. Raises PrepareError, and MediaError for files that cannot be
    read or written; what was finished is kept.
    """
    pattern = _pattern(shot, folder, name)
    wanted = _wanted(shot, frames)
    noise = recipe.screen.noise if has_noise(recipe.screen.noise) else measured_noise(shot)
    bake = _Bake(shot, recipe, noise, pattern)
    for frame in wanted:
        guard_output(bake.path(frame), shot.source_files())
    todo = [frame for frame in wanted if again or not bake.is_done(frame)]
    skipped = len(wanted) - len(todo)
    shot.check_headers(todo)
    make_folder(folder)
    remove_stale_parts(bake.path(frame) for frame in wanted)

    def report(done: int) -> None:
        if progress is not None:
            progress(skipped + done, len(wanted))

    owned = None if engine is not None else _cpu_engine()
    try:
        bake.run(todo, engine or owned, report)
    finally:
        if owned is not None:
            owned.close()
    left = bake.noise_left if todo else bake.noise_left_before(wanted)
    return Prepared(pattern, len(todo), skipped, left)


def _cpu_engine() -> Engine:
    from kernels.cpu import cpu_engine

    return cpu_engine()


def make_folder(folder: Path) -> None:
    """Make a folder to bake into. Raises PrepareError where that cannot be."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except (FileExistsError, NotADirectoryError):
        there = next(path for path in (folder, *folder.parents) if path.is_file())
        raise PrepareError(f"{there} is a file: name a folder to bake into") from None
    except OSError as error:
        raise PrepareError(
            f"the folder {folder} cannot be made ({error.strerror}); choose another one"
        ) from None


def plate_file(shot: Shot, frame: int) -> str:
    """Return a hash of name, size and time of the file that a frame comes from."""
    return hashlib.sha256(json.dumps(stamp(shot, frame)).encode()).hexdigest()[:16]


def files_to_bake(
    shot: Shot, folder: Path, name: str, frames: Sequence[int] | None = None
) -> dict[int, Path]:
    """Return the frames to bake and their files; PrepareError for frames that are not there."""
    pattern = _pattern(shot, folder, name)
    one = not is_pattern(Path(pattern))
    return {
        frame: Path(pattern if one else format_path(pattern, frame))
        for frame in _wanted(shot, frames)
    }


def _pattern(shot: Shot, folder: Path, name: str) -> str:
    still = len(shot.frames) == 1 and not is_pattern(Path(shot.spec))
    return str(folder / (f"{name}.exr" if still else f"{name}.####.exr"))


def _wanted(shot: Shot, frames: Sequence[int] | None) -> list[int]:
    if not frames:
        gone = set(shot.missing_frames)
        return [frame for frame in shot.frames if frame not in gone]
    unknown = (set(frames) - set(shot.frames)) | (set(frames) & set(shot.missing_frames))
    if unknown:
        raise PrepareError(
            f"'{shot.spec}' lacks the frames {format_frames(unknown)}: it has "
            f"{format_frames(set(shot.frames) - set(shot.missing_frames))}"
        )
    return sorted(set(frames))


@dataclass
class _Bake:
    """One run: frames read in order and kept while they are neighbours of one still to come."""

    shot: Shot
    recipe: Recipe
    noise: Noise
    pattern: str
    noise_left: float | None = None
    _read: dict[int, Frame] = field(default_factory=dict)

    def settings(self, frame: int) -> Denoise:
        return resolve(self.recipe.source.denoise, frame)

    def path(self, frame: int) -> Path:
        one = not is_pattern(Path(self.pattern))
        return Path(self.pattern if one else format_path(self.pattern, frame))

    def neighbours(self, frame: int) -> list[int]:
        """Return the frames that a frame is averaged with, nearest first."""
        there = set(self.shot.frames) - set(self.shot.missing_frames)
        reach = self.settings(frame).reach_frames
        near = [frame + side * n for n in range(1, reach + 1) for side in (-1, 1)]
        return [number for number in near if number in there]

    def mark(self, frame: int) -> str:
        """Return a hash of everything that decides a file's content."""
        parts = [
            "denoised",
            self.settings(frame).model_dump(),
            self.noise.model_dump(),
            self.shot.colourspace,
            [stamp(self.shot, number) for number in (frame, *self.neighbours(frame))],
        ]
        return hashlib.sha256(json.dumps(parts).encode()).hexdigest()[:24]

    def is_done(self, frame: int) -> bool:
        return mark_in(self.path(frame)) == self.mark(frame)

    def noise_left_before(self, frames: list[int]) -> float | None:
        """Return what an earlier run measured and wrote into one of the files."""
        for frame in frames:
            left = attribute_in(self.path(frame), NOISE_LEFT)
            if left is not None:
                return float(left)
        return None

    def run(self, todo: list[int], engine: Any, report: Callable[[int], None]) -> None:
        """Bake frames: the next are read and the last written while one is averaged."""
        report(0)
        middle = todo[len(todo) // 2] if todo else None
        weights = self.shot.colour.luminance_weights
        with ThreadPoolExecutor(1) as reader, ThreadPoolExecutor(WRITERS) as writers:
            writing: list[Future[None]] = []
            try:
                for done, (frame, plates) in enumerate(self._plates(todo, reader)):
                    given = [plate.pixels for plate in plates]
                    smooth = engine.denoise(given, self.noise, self.settings(frame), weights)
                    left = share_left(given[0], smooth) if frame == middle else None
                    self.noise_left = self.noise_left if left is None else left
                    if len(writing) == WRITERS:
                        writing.pop(0).result()
                        report(done - WRITERS + 1)
                    writing.append(writers.submit(self._write, frame, plates[0], smooth, left))
                for future in writing:
                    future.result()
            finally:
                for future in writing:
                    future.cancel()
        report(len(todo))

    def _plates(
        self, todo: list[int], reader: ThreadPoolExecutor
    ) -> Iterator[tuple[int, list[Frame]]]:
        """Yield each frame with its plate and its neighbours', reading one frame ahead."""
        groups = [[frame, *self.neighbours(frame)] for frame in todo]
        ahead: Future[list[Frame]] | None = None
        for n, frame in enumerate(todo):
            group = ahead.result() if ahead is not None else self._group(groups[n])
            ahead = reader.submit(self._group, groups[n + 1]) if n + 1 < len(todo) else None
            yield frame, group

    def _group(self, numbers: list[int]) -> list[Frame]:
        kept = {number: self._read[number] for number in numbers if number in self._read}
        for number in numbers:
            if number not in kept:
                kept[number] = self.shot.read(number)
        self._read = kept
        return [kept[number] for number in numbers]

    def _write(
        self, frame: int, plate: Frame, smooth: NDArray[np.float32], left: float | None
    ) -> None:
        write_exr(
            self.path(frame),
            {"": smooth},
            attributes={
                **plate.attributes,
                MARK: self.mark(frame),
                PLATE: self.shot.source_path(frame).name,
                PLATE_FILE: plate_file(self.shot, frame),
                **({} if left is None else {NOISE_LEFT: f"{left:.6g}"}),
            },
            interop_id=self.shot.colour.interop_id(self.shot.working_space),
            chromaticities=self.shot.colour.chromaticities(self.shot.working_space),
            pixel_aspect=self.shot.pixel_aspect,
            sources=self.shot.source_files(),
        )


def share_left(plate: NDArray[Any], smooth: NDArray[Any]) -> float | None:
    """Return the share of the plate's noise (mean sigma of the channels) left on its screen."""
    fit = fit_picture(plate)
    if fit is None:
        return None
    height, width = plate.shape[1:]
    clean, mask = fit.clean_at(height, width), fit.mask_at(height, width)

    def sigma(picture: NDArray[Any]) -> float:
        measured: MeasuredNoise = measure_noise(picture, clean, mask)
        return float(np.mean(measured.sigma))

    before = sigma(plate)
    return sigma(smooth) / before if before > 0 else None
