"""Making the demo shot on disk: EXR frames, a movie, the truth, a clean plate, a background."""

from __future__ import annotations

import json
import multiprocessing
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from demo_media.camera import Noise, expose, lens_blur
from demo_media.codec import write_movie, yuv420_from_working
from demo_media.exr import write_half
from demo_media.gardener import draw_gardener
from demo_media.greenhouse import sunset_greenhouse
from demo_media.scene import mean_colour, straight_colour
from demo_media.screen import ScreenLook, make_screen
from kernels.errors import VerdigrisError

Image = NDArray[np.float32]

VERSION = 1
FIRST_FRAME = 1001
FPS = 24
SCREEN = ScreenLook(level=0.95, falloff_stops=0.9, hot_spot=(0.42, 0.35), creases=2, markers=15)
NOISE = Noise(slope=(0.9e-4, 0.55e-4, 1.05e-4), floor=(6e-6, 4e-6, 6.5e-6))
_MARK = "demo.json"


@dataclass(frozen=True)
class DemoPaths:
    """Where the demo's parts are. `shot` and `truth` are patterns with #### for the frame."""

    folder: Path
    shot: Path
    movie: Path
    truth: Path
    clean_plate: Path
    background: Path
    first: int
    last: int

    @classmethod
    def of(cls, folder: Path, frames: int) -> DemoPaths:
        return cls(
            folder=folder,
            shot=folder / "shot" / "gardener.####.exr",
            movie=folder / "gardener.mp4",
            truth=folder / "truth" / "gardener_truth.####.exr",
            clean_plate=folder / "clean_plate.exr",
            background=folder / "greenhouse.exr",
            first=FIRST_FRAME,
            last=FIRST_FRAME + frames - 1,
        )

    def frame(self, pattern: Path, number: int) -> Path:
        """The file of frame `number` in `shot` or `truth`."""
        return pattern.with_name(pattern.name.replace("####", f"{number:04d}"))


@dataclass(frozen=True)
class _Job:
    folder: Path
    index: int
    frames: int
    width: int
    height: int


def make_demo(
    folder: Path,
    *,
    progress: Callable[[int, int], None] | None = None,
    frames: int = 48,
    width: int = 1920,
    height: int = 1080,
    workers: int | None = None,
) -> DemoPaths:
    """Make the demo in `folder`, or find it there already made; the same bytes every time.

    The folder appears complete or not at all. `progress(done, total)` is called after each step.
    Raises VerdigrisError when the folder holds something else or cannot be written.
    """
    if width % 2 or height % 2 or min(width, height) < 64 or frames < 1:
        raise VerdigrisError(
            f"the demo needs an even size of at least 64 x 64 and one frame or more, "
            f"not {width} x {height} and {frames}"
        )
    wanted = {"version": VERSION, "frames": frames, "width": width, "height": height}
    folder = Path(os.path.abspath(folder))
    if _is_made(folder, wanted):
        if progress is not None:
            progress(1, 1)
        return DemoPaths.of(folder, frames)
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        building = Path(tempfile.mkdtemp(prefix=f".{folder.name}.", dir=folder.parent))
    except OSError as error:
        raise VerdigrisError(
            f"'{folder.parent}' cannot be written ({error.strerror}); choose another folder"
        ) from None
    try:
        _build(building, frames, width, height, progress, workers)
        (building / _MARK).write_text(json.dumps(wanted | _facts(), indent=2) + "\n", "utf-8")
        building.chmod(0o755)
        _put_in_place(building, folder)
    finally:
        shutil.rmtree(building, ignore_errors=True)
    return DemoPaths.of(folder, frames)


def _put_in_place(building: Path, folder: Path) -> None:
    """Give the finished parts their names; in an older demo's folder only its own parts go.

    Whatever else people keep there stays. The mark says "being made" until all parts are in place.
    """
    if not folder.is_dir() or not any(folder.iterdir()):
        os.replace(building, folder)
        return
    (folder / _MARK).write_text('{"version": 0}\n', "utf-8")
    for part in sorted(building.iterdir(), key=lambda path: path.name == _MARK):
        old = folder / part.name
        if old.is_dir():
            shutil.rmtree(old)
        os.replace(part, old)


def _is_made(folder: Path, wanted: dict[str, int]) -> bool:
    """True for a complete demo of these settings; an older demo or an empty folder may be redone.

    Raises VerdigrisError when there is something of somebody else's.
    """
    if not folder.exists():
        return False
    mark = folder / _MARK
    if folder.is_dir() and mark.is_file():
        try:
            found = json.loads(mark.read_text("utf-8"))
        except (OSError, ValueError):
            found = {}
        return all(found.get(key) == value for key, value in wanted.items())
    if folder.is_dir() and not any(folder.iterdir()):
        return False
    raise VerdigrisError(
        f"'{folder}' exists and is not a demo folder; name a folder that is new or empty"
    )


def _facts() -> dict[str, object]:
    return {
        "primary": "green",
        "first_frame": FIRST_FRAME,
        "frames_per_second": FPS,
        "colourspace": "ACEScg",
        "noise_slope_camera_rgb": NOISE.slope,
        "noise_floor_camera_rgb": NOISE.floor,
        "truth_layers": {
            "alpha.A": "coverage after the lens",
            "straight.RGB": "foreground with the screen's light in it",
            "despilled.RGB": "foreground without it",
        },
    }


def _build(
    folder: Path,
    frames: int,
    width: int,
    height: int,
    progress: Callable[[int, int], None] | None,
    workers: int | None,
) -> None:
    paths = DemoPaths.of(folder, frames)
    paths.shot.parent.mkdir()
    paths.truth.parent.mkdir()
    write_half(paths.clean_plate, {"": _screen(width, height)})
    jobs = [_Job(folder, i, frames, width, height) for i in range(frames)]
    total = frames + 2
    with _pool(workers, frames) as pool:
        background = pool.submit(_make_background, paths.background, width, height)

        def planes() -> Iterator[tuple[NDArray[np.uint8], NDArray[np.uint8], NDArray[np.uint8]]]:
            for index, made in enumerate(pool.map(_make_frame, jobs)):
                if progress is not None:
                    progress(index + 1, total)
                yield made

        try:
            write_movie(paths.movie, planes(), fps=FPS, crf=17)
            background.result()
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise
    if progress is not None:
        progress(total, total)


def _pool(workers: int | None, frames: int) -> ProcessPoolExecutor:
    count = workers or min(os.cpu_count() or 1, 8)
    return ProcessPoolExecutor(
        max_workers=max(1, min(count, frames)),
        mp_context=multiprocessing.get_context("spawn"),
        initializer=cv2.setNumThreads,
        initargs=(1,),
    )


@cache
def _screen(width: int, height: int) -> Image:
    """The empty, lit screen through the lens."""
    return lens_blur(make_screen(SCREEN, width, height, np.random.default_rng(3)), _lens(height))


def _lens(height: int) -> float:
    return max(0.85 * height / 1080, 0.5)


def _make_background(path: Path, width: int, height: int) -> None:
    write_half(path, {"": sunset_greenhouse(width, height)})


def _make_frame(job: _Job) -> tuple[NDArray[np.uint8], NDArray[np.uint8], NDArray[np.uint8]]:
    """Draw, photograph and write one frame and its truth; return its 8-bit 4:2:0 planes."""
    screen = _screen(job.width, job.height)
    canvas = draw_gardener(job.width, job.height, job.index, job.frames, mean_colour(screen))
    sigma = _lens(job.height)
    alpha = np.minimum(lens_blur(canvas.alpha, sigma), 1)
    alpha = np.asarray(np.where(alpha < 1e-4, 0, alpha), np.float32)
    clean = lens_blur(canvas.clean, sigma)
    straight = straight_colour(clean + lens_blur(canvas.spill, sigma), alpha)
    blend = alpha * straight + (1 - alpha) * screen
    light = np.asarray(blend, np.float32)
    plate = expose(light, NOISE, np.random.default_rng([20, job.index]))
    paths = DemoPaths.of(job.folder, job.frames)
    number = FIRST_FRAME + job.index
    write_half(paths.frame(paths.shot, number), {"": plate}, frame=number, fps=FPS)
    truth = {"alpha": alpha, "straight": straight, "despilled": straight_colour(clean, alpha)}
    write_half(paths.frame(paths.truth, number), truth, frame=number, fps=FPS)
    return yuv420_from_working(plate)
