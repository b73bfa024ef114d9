"""Rendering a shot with a recipe to multi-channel EXR files: atomic, resumable, bounded memory."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kernels.cpu.processor import usable_cores
from kernels.engine import Engine
from kernels.plan import build_plan
from kernels.recipe import Recipe
from kernels.recipe_file import recipe_hash
from kernels.stages import pixel_aspect_of
from server.keying.held_stills import HeldStills
from server.keying.render_job import (
    MARK,
    Rendered,
    RenderError,
    RenderJob,
    all_sources,
    check_out,
    default_colourspace,
    is_done,
    mark_of,
    path_of,
)
from server.media import Frame, Shot, guard_output, write_exr
from server.media.companions import check_denoised, companion_frame, denoised_frame
from server.media.exr import remove_stale_parts
from server.media.sequence import format_frames

Progress = Callable[[int, int], None]
STAGES = ("read", "key", "convert", "write")
IN_FLIGHT_BYTES = 1 << 30
"""Memory of the frames that are in flight at a time, about."""
PLANES_IN_FLIGHT = 18
"""Planes of floats that a frame holds on its way, with its layers and what is being written."""


def frames_in_flight(width: int, height: int, cores: int) -> int:
    """Return how many frames are worked on at a time: one more than cores, as memory allows.

    One at least is read or written while another is keyed.
    """
    frame = width * height * 4 * PLANES_IN_FLIGHT
    return max(2, min(cores + 1, IN_FLIGHT_BYTES // frame))


class StageTimes:
    """Seconds spent in each stage, over all threads."""

    def __init__(self) -> None:
        self.seconds = dict.fromkeys(STAGES, 0.0)
        self._lock = threading.Lock()

    @contextmanager
    def timing(self, stage: str) -> Iterator[None]:
        """Add what the block takes."""
        start = time.monotonic()
        try:
            yield
        finally:
            with self._lock:
                self.seconds[stage] += time.monotonic() - start


def _matching(image: NDArray[Any], frame: Frame, what: str) -> NDArray[Any]:
    if image.shape[-2:] != frame.pixels.shape[-2:]:
        raise RenderError(
            f"the {what} is {image.shape[-1]}x{image.shape[-2]} and the shot "
            f"{frame.pixels.shape[-1]}x{frame.pixels.shape[-2]}: give one of the shot's size"
        )
    return image


class Renderer:
    """Renders the frames of one job with one engine.

    A few frames are in flight at a time: while one is keyed, others are read, converted and
    written. They are reported in order.
    """

    def __init__(self, job: RenderJob, engine: Engine, *, in_flight: int | None = None) -> None:
        """in_flight: frames; by default what `frames_in_flight` says."""
        self.job = job
        self.engine = engine
        fitting = frames_in_flight(job.shot.width, job.shot.height, usable_cores())
        self.in_flight = max(1, in_flight or fitting)
        self.times = StageTimes()
        self._held = HeldStills(engine)
        self.cancelled = threading.Event()
        self._engine_lock = threading.Lock()
        self._still: dict[int, NDArray[Any]] = {}
        self.colourspace = job.out_colourspace or default_colourspace(job.shot)
        job.shot.colour.resolve(self.colourspace)
        self._sources = all_sources(job)

    def run(self, progress: Progress | None = None) -> Rendered:
        """Render all frames.

        Raises MediaError or RenderError in one sentence; frames written before stay, and the same
        job goes on after them. `cancelled` stops it between frames.
        """
        job = self.job
        frames = list(job.frames or job.shot.frames)
        self._check(frames)
        space = self.colourspace
        todo = [frame for frame in frames if not (job.resume and is_done(job, frame, space))]
        job.shot.check_headers(todo)
        remove_stale_parts(path_of(job, frame) for frame in frames)
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
            dict(self.times.seconds),
        )

    def _check(self, frames: list[int]) -> None:
        """Say before anything is written what would stop the render halfway."""
        shot = self.job.shot
        check_out(self.job.out, len(frames))
        if self.job.companions.denoised is not None:
            check_denoised(self.job.companions.denoised, shot)
        unknown = set(frames) - set(shot.frames)
        if unknown:
            raise RenderError(
                f"'{shot.spec}' has the frames {format_frames(shot.frames)} and not "
                f"{format_frames(unknown)}: correct --frames"
            )
        gone = set(frames) & set(shot.missing_frames)
        if gone and shot.missing == "error":
            numbers = "frame" if len(gone) == 1 else "the frames"
            raise RenderError(
                f"'{shot.spec}' lacks {numbers} {format_frames(gone)}: supply what is missing, or "
                "choose to hold the previous frame or show black (--missing)"
            )
        for frame in frames:
            guard_output(path_of(self.job, frame), self._sources)

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
        timing = self.times.timing
        with timing("read"):
            plate = self.job.shot.read(frame)
            companions = self.job.companions
            clean = self._companion(companions.clean, frame, plate, "clean plate")
            denoised = self._denoised(frame, plate)
            offset = self.job.recipe.assemble.background.time_offset
            background = self._read(companions.background, frame, offset, loop=True)
        with self._engine_lock, timing("key"):
            layers = self._key(frame, plate, clean, denoised, background)
        with timing("convert"):
            converted = self._converted(layers)
            del layers
        with timing("write"):
            clamped = write_exr(
                path_of(self.job, frame),
                converted,
                attributes=self._attributes(frame, plate),
                half=self.job.half,
                compression=self.job.compression,
                interop_id=self.job.shot.colour.interop_id(self.colourspace),
                chromaticities=self.job.shot.colour.chromaticities(self.colourspace),
                pixel_aspect=pixel_aspect_of(self.job.recipe, self.job.shot.pixel_aspect),
                sources=self._sources,
            )
        stand_in = "held" if plate.held else "black" if plate.missing else ""
        return clamped, plate.nonfinite, stand_in

    def _key(
        self, frame: int, plate: Frame, clean: Any, denoised: Any, background: Any
    ) -> dict[str, NDArray[np.float32]]:
        recipe = self.job.recipe
        inputs = self._held.inputs(
            recipe,
            frame,
            plate=plate.pixels,
            denoised=denoised,
            clean=clean,
            background=background,
            plate_alpha=plate.alpha,
            pixel_aspect=self.job.shot.pixel_aspect,
        )
        weights = self.job.shot.colour.luminance_weights
        aspect = self.job.shot.pixel_aspect
        plan = build_plan(recipe, frame, inputs.planes, weights=weights, pixel_aspect=aspect)
        return self.engine.planes(plan, inputs, self._wanted())

    def _wanted(self) -> list[str]:
        wanted = ["foreground", "alpha"]
        wanted += [
            n for n in self.job.layers if n in ("straight", "composite", "despilled", "error")
        ]
        if "extractors" in self.job.layers:
            wanted += [f"extractor:{e.id}" for e in self.job.recipe.extractors]
        return wanted

    def _converted(self, planes: dict[str, NDArray[np.float32]]) -> dict[str, NDArray[np.float32]]:
        """Colour layers in the output's space, named for the file; mattes as they are."""
        colour = self.job.shot.colour

        def out(image: NDArray[np.float32]) -> NDArray[np.float32]:
            return colour.from_working(image, self.colourspace)

        layers = {"": np.concatenate([out(planes["foreground"]), planes["alpha"][None]])}
        if "alpha" in self.job.layers:
            layers["alpha"] = planes["alpha"]
        if "error" in self.job.layers:
            layers["error"] = planes["error"]
        for name in ("straight", "composite", "despilled"):
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

    def _denoised(self, frame: int, plate: Frame) -> NDArray[Any] | None:
        """Return the denoised pass of a frame; the plate is read where it has none."""
        shot = self.job.companions.denoised
        if shot is None or denoised_frame(shot, frame) is None:
            return None
        return self._companion(shot, frame, plate, "denoised pass")

    def _read(
        self, shot: Shot | None, frame: int, offset: int = 0, *, loop: bool = False
    ) -> NDArray[Any] | None:
        if shot is None:
            return None
        if len(shot.frames) > 1:
            return shot.read(companion_frame(shot, self.job.shot, frame, offset, loop=loop)).pixels
        if id(shot) not in self._still:
            self._still[id(shot)] = shot.read(shot.frames[0]).pixels
        return self._still[id(shot)]

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
            MARK: mark_of(self.job, frame, self.colourspace),
        }


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
