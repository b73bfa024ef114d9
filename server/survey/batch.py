"""Surveying many takes: what a list of names means, and running them over processes."""

from __future__ import annotations

import logging
import multiprocessing
import os
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from kernels.errors import VerdigrisError
from server.media import open_shot
from server.media.exr import made_here
from server.media.sequence import Pattern, find_frames, group_folder, is_pattern
from server.survey.survey import SurveyError, SurveyResult, survey_shot

log = logging.getLogger("verdigris.survey")
Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class Batch:
    """What came of several shots, in the order they were named. failed: name and sentence."""

    results: list[SurveyResult]
    failed: list[tuple[str, str]] = field(default_factory=list)


def expand(specs: Sequence[str]) -> list[str]:
    """Return the shots that the given names mean.

    A folder means every movie, sequence and still in it and in its direct subfolders, but not what
    was baked and rendered from them; anything else is a shot by itself. Raises SurveyError for a
    folder without pictures.
    """
    shots: list[str] = []
    for spec in specs:
        path = Path(spec)
        if is_pattern(path) or not path.is_dir():
            shots.append(spec)
            continue
        inside = [*_items(path), *(i for sub in _subfolders(path) for i in _items(sub))]
        takes = [str(item) for item in inside if not made_here(_first(item))]
        if not takes:
            raise SurveyError(
                f"'{spec}' holds only what was baked or rendered: name the plates"
                if inside
                else f"'{spec}' holds no pictures or movies that can be read; check the "
                "path, or transcode the camera's files first"
            )
        shots.extend(takes)
    return list(dict.fromkeys(shots))


def _items(folder: Path) -> list[Pattern | Path]:
    patterns, singles = group_folder(folder)
    return sorted([*patterns, *singles], key=str)


def _first(item: Pattern | Path) -> Path:
    return item if isinstance(item, Path) else item.path(find_frames(item)[0])


def _subfolders(folder: Path) -> list[Path]:
    return sorted(p for p in folder.iterdir() if p.is_dir() and not p.name.startswith("."))


def survey_many(
    shots: Sequence[str],
    progress: Progress | None = None,
    *,
    frames: Sequence[int] | None = None,
    workers: int | None = None,
    **options: Any,
) -> Batch:
    """Survey several shots; one in this process, more spread over `workers` processes.

    options: as for `open_shot`. A shot that cannot be read doesn't stop the others: it is named
    in `failed`. progress: (done, total), in frames for one shot and in shots for several.
    """
    if len(shots) == 1:
        try:
            return Batch([survey_one(shots[0], frames, options, progress)])
        except VerdigrisError as error:
            return Batch([], [(shots[0], str(error))])
    count = min(len(shots), workers or max(1, os.cpu_count() or 1))
    found = _Found({}, {}, progress, len(shots))
    if progress is not None:
        progress(0, len(shots))
    lost = _spread(dict(enumerate(shots)), count, frames, options, found)
    for n, shot in lost.items():  # One of them ended the process: by itself, each tells which.
        for gone in _spread({n: shot}, 1, frames, options, found):
            found.fail(gone, f"'{shot}' could not be surveyed: its reading ended a process")
    return Batch(
        [found.results[n] for n in sorted(found.results)],
        [(shots[n], found.failed[n]) for n in sorted(found.failed)],
    )


@dataclass
class _Found:
    results: dict[int, SurveyResult]
    failed: dict[int, str]
    progress: Progress | None
    total: int

    def fail(self, n: int, sentence: str) -> None:
        self.failed[n] = sentence
        self.tell()

    def tell(self) -> None:
        if self.progress is not None:
            self.progress(len(self.results) + len(self.failed), self.total)


def _spread(
    shots: dict[int, str],
    workers: int,
    frames: Sequence[int] | None,
    options: dict[str, Any],
    found: _Found,
) -> dict[int, str]:
    """Survey shots in processes; returns those that were not done when a process died."""
    lost: dict[int, str] = {}
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(workers, mp_context=context, initializer=_single_threaded) as pool:
        futures = {pool.submit(survey_one, shot, frames, options): n for n, shot in shots.items()}
        try:
            for future in as_completed(futures):
                n = futures[future]
                try:
                    found.results[n] = future.result()
                    found.tell()
                except VerdigrisError as error:
                    found.fail(n, str(error))
                except BrokenProcessPool:
                    lost[n] = shots[n]
                except Exception as error:
                    log.warning("surveying '%s' failed", shots[n], exc_info=True)
                    found.fail(n, f"'{shots[n]}' could not be surveyed ({error!r:.200})")
        except KeyboardInterrupt:
            pool.shutdown(wait=False, cancel_futures=True)
            raise
    return lost


def survey_one(
    shot: str,
    frames: Sequence[int] | None,
    options: dict[str, Any],
    progress: Progress | None = None,
) -> SurveyResult:
    """Open and survey one shot."""
    threads = 1 if progress is None else 2
    return survey_shot(open_shot(shot, **options), frames, progress, threads=threads)


def _single_threaded() -> None:
    import cv2

    cv2.setNumThreads(1)
