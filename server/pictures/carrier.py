"""Frames on their way from host memory to a card, without keeping its thread from making pictures.

Checking, converting and the copy to pinned memory run on a thread of their own; the owner of the
engine only starts the copy to the card.
"""

from __future__ import annotations

import logging
import threading
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any

from kernels.engine import Engine
from server.pictures.renderer import RenderThread, Urgency
from server.store.frame_types import Decoded, FrameId, NotReadyError
from server.store.frames import FrameStore

log = logging.getLogger("verdigris.carrier")


class Carrier:
    """Copies frames of a store to the engine's memory ahead of need, one at a time."""

    def __init__(self, store: FrameStore, thread: RenderThread) -> None:
        self._store, self._thread = store, thread
        self._pool = ThreadPoolExecutor(1, thread_name_prefix="carrier")
        self._under_way: set[FrameId] = set()
        self._lock = threading.Lock()

    def carry(self, engine: Engine, frame: FrameId) -> None:
        """Have a frame carried over, if the engine has memory of its own, without it yet."""
        if not engine.abilities.own_memory or self._store.in_engine(frame):
            return
        with self._lock:
            if frame in self._under_way:
                return
            self._under_way.add(frame)
        try:
            self._pool.submit(self._stage, engine, frame)
        except RuntimeError:  # closed
            self._done(frame)

    def close(self) -> None:
        """End the thread."""
        self._pool.shutdown(wait=True, cancel_futures=True)

    def _stage(self, engine: Engine, frame: FrameId) -> None:
        try:
            decoded = self._store.decoded(frame)
            pictures = [p for p in (decoded.pixels, decoded.alpha) if p is not None]
            staged = [(picture, engine.stage(picture)) for picture in pictures]
        except (NotReadyError, MemoryError):
            self._done(frame)
            return
        except Exception:
            self._done(frame)
            log.exception("frame %d could not be made ready for the card", frame.frame)
            return
        future = self._thread.submit(
            Urgency.SCOPE, lambda: self._hold(engine, frame, decoded, staged)
        )
        future.add_done_callback(lambda done: self._arrived(frame, done))

    def _hold(
        self, engine: Engine, frame: FrameId, decoded: Decoded, staged: list[tuple[Any, Any]]
    ) -> None:
        """On the engine's thread. Other pixels than those staged were decoded anew meanwhile."""
        ready = {id(picture): prepared for picture, prepared in staged}
        self._store.held(frame, lambda picture: engine.hold(ready.get(id(picture), picture)))

    def _arrived(self, frame: FrameId, future: Future[None]) -> None:
        self._done(frame)
        if future.cancelled():
            return
        error = future.exception()
        if error is not None and not isinstance(error, (NotReadyError, MemoryError)):
            log.error("frame %d could not be copied to the card", frame.frame, exc_info=error)

    def _done(self, frame: FrameId) -> None:
        with self._lock:
            self._under_way.discard(frame)
