"""Writing what was fitted to the screen: one clean plate for a shot, or one for every frame."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any

from numpy.typing import NDArray

from kernels.errors import VerdigrisError
from kernels.recipe import Primary
from kernels.reference.backing_fit import BackingFit, fit_picture
from server.media import Shot, write_exr

Progress = Callable[[int, int], None]
THREADS = 2
"""Frames fitted at a time."""


class CleanPlateError(VerdigrisError):
    """Clean plates cannot be written."""


def write_clean_plate(shot: Shot, clean: NDArray[Any], path: Path, *, half: bool = False) -> None:
    """Write a clean plate (3, H, W) as an EXR in the working space; whole or not at all."""
    write_exr(
        path,
        {"": clean},
        half=half,
        sources=shot.source_files(),
        interop_id=shot.colour.interop_id(shot.working_space),
        pixel_aspect=shot.pixel_aspect,
    )


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
    waiting: list[tuple[int, Future[BackingFit | None]]] = []
    written = 0
    with ThreadPoolExecutor(THREADS) as pool:
        for step in range(len(frames) + THREADS):
            if step < len(frames):
                pixels = shot.read(frames[step]).pixels
                waiting.append((frames[step], pool.submit(fit_picture, pixels, primary)))
            if step >= THREADS and waiting:
                number, future = waiting.pop(0)
                written += _write(shot, future.result(), folder / f"{name}.{number:04d}.exr")
                if progress is not None:
                    progress(step - THREADS + 1, len(frames))
    return written


def _write(shot: Shot, fit: BackingFit | None, path: Path) -> bool:
    if fit is None:
        return False
    write_clean_plate(shot, fit.clean_at(shot.height, shot.width), path, half=True)
    return True
