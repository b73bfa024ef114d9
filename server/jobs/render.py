"""Rendering a shot with a recipe to multi-channel EXR files: atomic, resumable, bounded memory."""

from __future__ import annotations

import hashlib
import json
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import numpy as np
import OpenImageIO as oiio
from numpy.typing import NDArray

from kernels.engine import Engine
from kernels.errors import VerdigrisError
from kernels.inputs import gather
from kernels.plan import build_plan
from kernels.recipe import Recipe
from kernels.recipe_file import recipe_hash
from server.jobs.companions import Companions, companion_frame
from server.media import Frame, Shot, format_path, guard_output, write_exr
from server.media.sequence import format_frames, is_pattern, parse_pattern

Layer = Literal["alpha", "straight", "cutout", "composite", "neutralised", "extractors"]
LAYERS: tuple[Layer, ...] = (
    "alpha",
    "straight",
    "cutout",
    "composite",
    "neutralised",
    "extractors",
)
Progress = Callable[[int, int], None]
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


def _matching(image: NDArray[Any], frame: Frame, what: str) -> NDArray[Any]:
    if image.shape[-2:] != frame.pixels.shape[-2:]:
        raise RenderError(
            f"the {what} is {image.shape[-1]}x{image.shape[-2]} and the shot "
            f"{frame.pixels.shape[-1]}x{frame.pixels.shape[-2]}: give one of the shot's size"
        )
    return image


class Renderer:
    """Renders the frames of one job with one engine; a few frames are in flight at a time."""

    def __init__(self, job: RenderJob, engine: Engine, *, in_flight: int = 2) -> None:
        self.job = job
        self.engine = engine
        self.in_flight = max(1, in_flight)
        self.cancelled = threading.Event()
        self._engine_lock = threading.Lock()
        self._still: dict[int, NDArray[Any]] = {}
        self.colourspace = job.out_colourspace or _default_out_colourspace(job.shot)
        job.shot.colour.resolve(self.colourspace)
        self._sources = _all_sources(job)

    def run(self, progress: Progress | None = None) -> Rendered:
        """Render all frames.

        Raises MediaError or RenderError in one sentence; frames written before stay, and the same
        job goes on after them. `cancelled` stops it between frames.
        """
        frames = list(self.job.frames or self.job.shot.frames)
        self._check(frames)
        todo = [frame for frame in frames if not (self.job.resume and self._is_done(frame))]
        self.job.shot.check_headers(todo)
        done = skipped = len(frames) - len(todo)
        start = time.monotonic()
        clamped = nonfinite = 0
        held: list[int] = []
        black: list[int] = []
        if progress:
            progress(done, len(frames))
        for frame, result in self._results(todo):
            clamped += result[0]
            nonfinite += result[1]
            if result[2]:
                (held if result[2] == "held" else black).append(frame)
            done += 1
            if progress:
                progress(done, len(frames))
        return Rendered(
            done - skipped,
            skipped,
            time.monotonic() - start,
            self.colourspace,
            clamped,
            nonfinite,
            tuple(held),
            tuple(black),
        )

    def _check(self, frames: list[int]) -> None:
        """Say before anything is written what would stop the render halfway."""
        shot = self.job.shot
        check_out(self.job.out, len(frames))
        unknown = set(frames) - set(shot.frames)
        if unknown:
            raise RenderError(
                f"'{shot.spec}' has the frames {format_frames(shot.frames)} and not "
                f"{format_frames(unknown)}: correct --frames"
            )
        gone = set(frames) & set(shot.missing_frames)
        if gone and shot.missing == "error":
            raise RenderError(
                f"'{shot.spec}' lacks the frame(s) {format_frames(gone)}: supply them, or choose "
                "to hold the previous frame or show black (--missing)"
            )
        for frame in frames:
            guard_output(self._path(frame), self._sources)

    def _results(self, todo: list[int]) -> Iterator[tuple[int, tuple[int, int, str]]]:
        waiting: deque[tuple[int, Future[tuple[int, int, str]]]] = deque()
        with ThreadPoolExecutor(self.in_flight, thread_name_prefix="render") as pool:
            try:
                for frame in todo:
                    if self.cancelled.is_set():
                        break
                    if len(waiting) == self.in_flight:
                        number, future = waiting.popleft()
                        yield number, future.result()
                    waiting.append((frame, pool.submit(self._frame, frame)))
                while waiting:
                    number, future = waiting.popleft()
                    yield number, future.result()
            finally:
                self.cancelled.set()
                for _, future in waiting:
                    future.cancel()

    def _frame(self, frame: int) -> tuple[int, int, str]:
        """Render and write a frame: values clamped, pixels replaced, 'held', 'black' or ''."""
        if self.cancelled.is_set():
            raise RenderError("the render was stopped")
        plate = self.job.shot.read(frame)
        companions = self.job.companions
        clean = self._companion(companions.clean, frame, plate, "clean plate")
        denoised = self._companion(companions.denoised, frame, plate, "denoised pass")
        offset = self.job.recipe.assemble.backdrop.time_offset
        backdrop = self._read(companions.backdrop, frame, offset, loop=True)
        with self._engine_lock:
            layers = self._key(frame, plate, clean, denoised, backdrop)
        clamped = write_exr(
            self._path(frame),
            self._converted(layers),
            attributes=self._attributes(frame, plate),
            half=self.job.half,
            compression=self.job.compression,
            interop_id=self.job.shot.colour.interop_id(self.colourspace),
            pixel_aspect=self.job.shot.pixel_aspect,
            sources=self._sources,
        )
        stand_in = "held" if plate.held else "black" if plate.missing else ""
        return clamped, plate.nonfinite, stand_in

    def _key(
        self, frame: int, plate: Frame, clean: Any, denoised: Any, backdrop: Any
    ) -> dict[str, NDArray[np.float32]]:
        recipe = self.job.recipe
        inputs = gather(
            self.engine,
            recipe,
            frame,
            plate=plate.pixels,
            denoised=denoised,
            clean=clean,
            backdrop=backdrop,
            plate_alpha=plate.alpha,
            pixel_aspect=self.job.shot.pixel_aspect,
        )
        weights = self.job.shot.colour.luminance_weights
        plan = build_plan(recipe, frame, inputs.planes, weights=weights)
        return self.engine.planes(plan, inputs, self._wanted())

    def _wanted(self) -> list[str]:
        wanted = ["cutout", "alpha"]
        wanted += [n for n in self.job.layers if n in ("straight", "composite", "neutralised")]
        if "extractors" in self.job.layers:
            wanted += [f"extractor:{e.id}" for e in self.job.recipe.extractors]
        return wanted

    def _converted(self, planes: dict[str, NDArray[np.float32]]) -> dict[str, NDArray[np.float32]]:
        """Colour layers in the output's space, named for the file; mattes as they are."""
        colour = self.job.shot.colour

        def out(image: NDArray[np.float32]) -> NDArray[np.float32]:
            return colour.from_working(image, self.colourspace)

        layers = {"": np.concatenate([out(planes["cutout"]), planes["alpha"][None]])}
        if "alpha" in self.job.layers:
            layers["alpha"] = planes["alpha"]
        for name in ("straight", "composite", "neutralised"):
            if name in planes:
                layers[name] = out(planes[name])
        for name, extractor in _layer_names(self.job.recipe).items():
            if f"extractor:{extractor}" in planes:
                layers[f"extractor.{name}"] = planes[f"extractor:{extractor}"]
        return layers

    def _companion(
        self, shot: Shot | None, frame: int, plate: Frame, what: str
    ) -> NDArray[Any] | None:
        image = self._read(shot, frame)
        return None if image is None else _matching(image, plate, what)

    def _read(
        self, shot: Shot | None, frame: int, offset: int = 0, *, loop: bool = False
    ) -> NDArray[Any] | None:
        if shot is None:
            return None
        if len(shot.frames) > 1:
            return shot.read(companion_frame(shot, frame, offset, loop=loop)).pixels
        if id(shot) not in self._still:
            self._still[id(shot)] = shot.read(shot.frames[0]).pixels
        return self._still[id(shot)]

    def _path(self, frame: int) -> Path:
        if not is_pattern(Path(self.job.out)):
            return Path(self.job.out)
        return Path(format_path(self.job.out, frame))

    def _attributes(self, frame: int, plate: Frame) -> dict[str, Any]:
        from importlib.metadata import PackageNotFoundError, version

        try:
            ours = version("verdigris")
        except PackageNotFoundError:
            ours = "unknown"
        return {
            **plate.attributes,
            "verdigris:version": ours,
            "verdigris:recipe": recipe_hash(self.job.recipe),
            "verdigris:revision": self.job.revision,
            MARK: self._mark(frame),
        }

    def _mark(self, frame: int) -> str:
        """A hash of everything that decides the file's content."""
        job = self.job
        parts = [
            recipe_hash(job.recipe),
            sorted(job.layers),
            job.half,
            job.compression,
            self.colourspace,
            job.shot.colourspace,
            _stamp(job.shot, frame),
            *(
                None if shot is None else [shot.spec, shot.colourspace, _stamp(shot, None)]
                for shot in (job.companions.clean, job.companions.denoised, job.companions.backdrop)
            ),
        ]
        return hashlib.sha256(json.dumps(parts).encode()).hexdigest()[:24]

    def _is_done(self, frame: int) -> bool:
        """Tell whether this very job has written the frame already."""
        path = self._path(frame)
        if not path.exists():
            return False
        reader = oiio.ImageInput.open(str(path))
        if reader is None:
            oiio.geterror()
            return False
        try:
            return bool(reader.spec().getattribute(MARK) == self._mark(frame))
        finally:
            reader.close()


def _layer_names(recipe: Recipe) -> dict[str, str]:
    """Return file-safe, unique names for the extractors' layers, mapped to their ids."""
    names: dict[str, str] = {}
    for extractor in recipe.extractors:
        base = "".join(c if c.isalnum() or c in "-_" else "_" for c in extractor.name) or "matte"
        name, count = base, 2
        while name in names:
            name, count = f"{base}_{count}", count + 1
        names[name] = extractor.id
    return names


def _stamp(shot: Shot, frame: int | None) -> list[Any]:
    """Size and time of the file a frame comes from (all files when frame is None)."""
    if frame is not None and frame in shot.missing_frames:
        return ["missing", shot.missing]
    paths = shot.source_files() if frame is None else [shot.source_path(frame)]
    stamps = []
    for path in paths:
        stat = path.stat()
        stamps.append([path.name, stat.st_size, stat.st_mtime_ns])
    return stamps


def _all_sources(job: RenderJob) -> list[Path]:
    shots: Sequence[Shot | None] = (
        job.shot,
        job.companions.clean,
        job.companions.denoised,
        job.companions.backdrop,
    )
    return [path for shot in shots if shot is not None for path in shot.source_files()]


def _default_out_colourspace(shot: Shot) -> str:
    """The source's space if scene-linear, else the working space: EXR holds linear light."""
    if is_linear(shot, shot.colourspace):
        return shot.colourspace
    return shot.working_space


def is_linear(shot: Shot, space: str) -> bool:
    """Tell whether a colour space is scene-linear: doubling the light doubles its values."""
    grey = np.full((3, 1, 2), 0.18, np.float32)
    grey[:, :, 1] = 0.36
    encoded = shot.colour.from_working(grey, space)
    return bool(np.allclose(encoded[:, :, 1], 2 * encoded[:, :, 0], rtol=1e-4))
