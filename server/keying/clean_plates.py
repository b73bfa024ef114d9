"""Clean plates: one that was given, or writing what was fitted, for a shot or for every frame."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from kernels.errors import VerdigrisError
from kernels.measure.marks import Marks, find_marks
from kernels.measure.screen_find import gaussian
from kernels.measure.screen_fit import fit_picture
from kernels.measure.screen_surface import resized
from kernels.recipe import Primary
from server.media import Shot, write_exr
from server.media.companions import companion_frame

Progress = Callable[[int, int], None]
THREADS = 2
"""Frames fitted at a time."""
ALONE = 0.06
"""A marker this share of the frame's width from anything but screen is alone."""
MARKER_BLUR_PX = 0.7

FITTED = "verdigris:clean_plate"
"""Attribute of the clean plates that are written here."""


class CleanPlateError(VerdigrisError):
    """Clean plates cannot be written."""


@dataclass(frozen=True)
class GivenPlate:
    """A clean plate that somebody has. name, colourspace: as the recipe is to hold them."""

    shot: Shot
    name: str
    colourspace: str = ""

    def pictures(self, shot: Shot, frames: Sequence[int]) -> dict[int, NDArray[Any]]:
        """Return the plate at frames of a shot. Raises CleanPlateError for another size."""
        if (self.shot.width, self.shot.height) != (shot.width, shot.height):
            raise CleanPlateError(
                f"the clean plate '{self.shot.spec}' is {self.shot.width}x{self.shot.height} and "
                f"the shot {shot.width}x{shot.height}: give one of the shot's size"
            )
        numbers = {frame: companion_frame(self.shot, shot, frame) for frame in frames}
        read = {number: self.shot.read(number).pixels for number in set(numbers.values())}
        return {frame: read[number] for frame, number in numbers.items()}


def write_clean_plate(shot: Shot, clean: NDArray[Any], path: Path, *, half: bool = False) -> None:
    """Write a clean plate (3, H, W) as an EXR in the working space; whole or not at all."""
    write_exr(
        path,
        {"": clean},
        half=half,
        attributes={FITTED: shot.name},
        sources=shot.source_files(),
        interop_id=shot.colour.interop_id(shot.working_space),
        chromaticities=shot.colour.chromaticities(shot.working_space),
        pixel_aspect=shot.pixel_aspect,
    )


def clearance(screen: NDArray[np.bool_], marks: Marks) -> NDArray[Any]:
    """Return each pixel's distance (h, w) to what is neither screen nor a marker on it, in px."""
    free = (screen | marks.marker_mask).astype(np.uint8)
    return np.asarray(cv2.distanceTransform(free, cv2.DIST_L2, 5))


def stands_alone(box: NDArray[Any], distance: NDArray[Any]) -> bool:
    """Tell whether a marker's box, in shares of the frame, is ALONE on the screen."""
    h, w = distance.shape
    x, y = (box[:2] + box[2:]) / 2
    return bool(distance[int(y * h), int(x * w)] >= ALONE * w)


def frame_plate(image: NDArray[Any], primary: Primary) -> NDArray[Any] | None:
    """Return the clean plate (3, H, W) of one picture by itself; None where it shows no screen.

    Markers that stand alone are taken into it as they are, lightly blurred: a moving camera takes
    them along, so that no shape could throw them away.
    """
    fit = fit_picture(image, primary)
    if fit is None:
        return None
    height, width = image.shape[1:]
    small = resized(np.asarray(image, np.float32), *fit.mask.shape)
    marks = find_marks(small, fit)
    clean = fit.clean_at(height, width)
    distance = clearance(fit.mask, marks)
    for box in marks.markers:
        if stands_alone(box, distance):
            grow = 1.5 * fit.step
            x0, y0 = (max(0, int(v - grow)) for v in box[:2] * (width, height))
            x1, y1 = (int(np.ceil(v + grow)) for v in box[2:] * (width, height))
            for plane, seen in zip(clean, image, strict=True):
                plane[y0:y1, x0:x1] = gaussian(seen[y0:y1, x0:x1], MARKER_BLUR_PX)
    return clean


def folder_of(path: Path) -> Path:
    """Return the folder that takes the place of a clean plate when every frame has its own."""
    return path.with_suffix("")


def numbered(name: str) -> str:
    """Return the name of the sequence in place of a clean plate's: gate.clean/gate.clean.####.exr.

    The name is relative, with slashes, as recipes hold it.
    """
    folder, _, last = name.rpartition("/")
    stem = last.removesuffix(".exr")
    return f"{folder}/{stem}/{stem}.####.exr" if folder else f"{stem}/{stem}.####.exr"


def write_clean_plates(
    shot: Shot, primary: Primary, path: Path, progress: Progress | None = None
) -> int:
    """Fit every frame of a shot by itself and write its clean plate; return how many were written.

    The files go into `folder_of(path)`, which appears complete or not at all; half precision.
    Frames that show no screen get none: a sequence holds the frame before. progress: (done, total)
    of the frames. Raises CleanPlateError for a folder that is there already and not empty.
    """
    folder = folder_of(path)
    if folder.is_dir() and any(folder.iterdir()):
        raise CleanPlateError(
            f"{folder} exists already and is not empty: choose another name for the clean plate or "
            "take the folder away"
        )
    part = folder.with_name(f".{folder.name}.{os.getpid()}.part")
    try:
        part.mkdir(parents=True)
        written = _fit_and_write(shot, primary, part, folder.name, progress)
        if folder.is_dir():
            folder.rmdir()
        os.replace(part, folder)
    except OSError as error:
        raise CleanPlateError(
            f"the folder {folder} cannot be written ({error.strerror}); check the free space and "
            "the permissions"
        ) from None
    finally:
        shutil.rmtree(part, ignore_errors=True)
    return written


def _fit_and_write(
    shot: Shot, primary: Primary, folder: Path, name: str, progress: Progress | None
) -> int:
    """Read frames one after another while up to THREADS of them are fitted."""
    gone = set(shot.missing_frames)
    frames = [frame for frame in shot.frames if frame not in gone]
    waiting: list[tuple[int, Future[NDArray[Any] | None]]] = []
    written = 0
    with ThreadPoolExecutor(THREADS) as pool:
        for step in range(len(frames) + THREADS):
            if step < len(frames):
                pixels = shot.read(frames[step]).pixels
                waiting.append((frames[step], pool.submit(frame_plate, pixels, primary)))
            if step >= THREADS and waiting:
                number, future = waiting.pop(0)
                written += _write(shot, future.result(), folder / f"{name}.{number:04d}.exr")
                if progress is not None:
                    progress(step - THREADS + 1, len(frames))
    return written


def _write(shot: Shot, clean: NDArray[Any] | None, path: Path) -> bool:
    if clean is None:
        return False
    write_clean_plate(shot, clean, path, half=True)
    return True
