"""The one thread that owns the engine: work in order of urgency, one piece at a time."""

from __future__ import annotations

import itertools
import logging
import queue
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from enum import IntEnum
from functools import partial
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from kernels.engine import F32, Engine, Inputs
from kernels.plan import Plan, Region

log = logging.getLogger("verdigris.renderer")
R = TypeVar("R")
BAND_PIXELS = 1 << 20
"""Pixels that a card makes for long work before pictures have their turn."""


class Urgency(IntEnum):
    """What comes first on the engine's thread; LOOK: what reviewers measure."""

    PICTURE = 0
    SAMPLE = 1
    SCOPE = 2
    JOB = 3
    LOOK = 4
    END = 9


class RenderThread:
    """Runs what is submitted on one thread; a failure goes to its Future, never further."""

    def __init__(self, name: str = "renderer") -> None:
        self._queue: queue.PriorityQueue[tuple[int, int, Any, Any]] = queue.PriorityQueue()
        self._order = itertools.count()
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)
        self._thread.start()
        self._closed = False

    def submit(self, urgency: Urgency, work: Callable[[], R]) -> Future[R]:
        """Queue a piece of work and return its Future."""
        future: Future[R] = Future()
        if self._closed:
            future.cancel()
            return future
        self._queue.put((int(urgency), next(self._order), work, future))
        return future

    def call(self, urgency: Urgency, work: Callable[[], R]) -> R:
        """Run a piece of work and wait for its result (from another thread)."""
        return self.submit(urgency, work).result()

    def close(self) -> None:
        """End the thread after what is queued already."""
        if not self._closed:
            self._closed = True
            self._queue.put((int(Urgency.END), next(self._order), None, None))
            self._thread.join()

    def _run(self) -> None:
        while True:
            _, _, work, future = self._queue.get()
            if work is None:
                return
            if not future.set_running_or_notify_cancel():
                continue
            try:
                future.set_result(work())
            except Exception as error:
                future.set_exception(error)
            except BaseException as error:
                future.set_exception(error)
                log.critical("the renderer's thread ends: %r", error)
                raise


class SharedEngine:
    """The engine as long work sees it: every call goes through the engine's thread, last in line.

    Between two calls interactive pictures have their turn.
    """

    def __init__(self, engine: Engine, thread: RenderThread) -> None:
        self._engine, self._thread = engine, thread
        self.name = engine.name
        self.description = engine.description
        self.abilities = engine.abilities
        self.device_pictures = None

    def __getattr__(self, name: str) -> Any:
        method = getattr(self._engine, name)

        def call(*args: Any, **options: Any) -> Any:
            return self._thread.call(Urgency.JOB, lambda: method(*args, **options))

        return call

    def hold(self, image: NDArray[Any]) -> Any:
        """Take an image; a card holds it in float32, as files are rendered from."""
        given = self._engine.stage(image, storage="float32")
        return self._thread.call(Urgency.JOB, lambda: self._engine.hold(given))

    def planes(
        self, plan: Plan, inputs: Inputs, wanted: Sequence[str], region: Region | None = None
    ) -> dict[str, F32]:
        """Return full-resolution planes; a card makes them in bands, to let pictures in between."""
        x0, y0, x1, y1 = region or inputs.whole
        rows = max(1, BAND_PIXELS // max(x1 - x0, 1)) if self.abilities.own_memory else y1 - y0
        bands = [(x0, y, x1, min(y + rows, y1)) for y in range(y0, y1, rows)]
        made = [
            self._thread.call(Urgency.JOB, partial(self._engine.planes, plan, inputs, wanted, band))
            for band in bands
        ]
        return {name: np.concatenate([part[name] for part in made], axis=-2) for name in wanted}

    def close(self) -> None:
        """The engine is not this object's to close."""
