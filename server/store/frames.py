"""The budgeted store of decoded frames: engine memory, host memory, disk.

Least recently used goes first and moves down a tier. In the engine's tier, while playing, the one
whose turn is farthest goes first: else every frame of a shot larger than the budget would be gone
just before its turn. Frames that only a reviewer asked for never push out a frame that the
operator asked for. Decoding is asked for newest wish first; when nobody waits, frames ahead of the
playhead are fetched.
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Iterable
from concurrent.futures import Future
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from cachetools import FIFOCache
from numpy.typing import NDArray

from kernels.errors import VerdigrisError
from server.store.disk_tier import DiskTier
from server.store.frame_types import (
    Budget,
    Decoded,
    FrameId,
    Held,
    NotReadyError,
    decoded_from,
    runs,
)

MAX_WISHES = 12
RETRY_S = 5.0


class Decoder(Protocol):
    """What decodes a source's frames: `server.media.decode.DecodePool` does."""

    def submit(self, frame: int) -> Future[Any]: ...

    def close(self) -> None: ...


@dataclass
class _Source:
    decoder: Decoder
    workers: int
    shape: tuple[int, int]
    stamp: Callable[[int], object]
    busy: int = 0


class FrameStore:
    """Thread-safe but for `held`, which belongs to the thread that owns the engine."""

    def __init__(
        self,
        budget: Budget,
        *,
        on_decoded: Callable[[float], None] = lambda _: None,
        disk: DiskTier | None = None,
        bytes_per_value: int = 4,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.budget = budget
        self.messages: FIFOCache[FrameId, str] = FIFOCache(50)
        """what is wrong with frames; read on any thread"""
        self.coming: dict[FrameId, int] = {}
        """while playing, the frames whose turn comes, and after how many others"""
        self._on_decoded = on_decoded
        self._listeners: list[Callable[[FrameId], None]] = []
        self._disk = disk
        self._bytes_per_value = bytes_per_value
        self._clock = clock
        self._lock = threading.RLock()
        self._sources: dict[str, _Source] = {}
        self._engine: OrderedDict[FrameId, Held] = OrderedDict()
        self._host: OrderedDict[FrameId, Decoded] = OrderedDict()
        self._scratch: tuple[FrameId, Decoded] | None = None
        self._operators: set[FrameId] = set()
        self._pending: set[FrameId] = set()
        self._wishes: OrderedDict[FrameId, bool] = OrderedDict()
        self._ahead: list[FrameId] = []
        self._failed: dict[FrameId, float] = {}
        self._broken: set[FrameId] = set()
        self._healed = False
        self._stamps: dict[FrameId, object] = {}
        self.engine_bytes = self.host_bytes = 0

    def listen(self, on_ready: Callable[[FrameId], None]) -> None:
        """Have a function called for every frame that can be had from now on, on any thread."""
        self._listeners.append(on_ready)

    # ------------------------------------------------------------ sources

    def open(
        self,
        source: str,
        decoder: Decoder,
        shape: tuple[int, int],
        *,
        workers: int = 1,
        stamp: Callable[[int], object] = lambda _: None,
    ) -> None:
        """Take in a source. stamp: identity of a frame's file (size, time), to see changes."""
        with self._lock:
            self._sources[source] = _Source(decoder, workers, shape, stamp)

    def close(self, source: str) -> None:
        """Forget a source and its frames, end its decoder."""
        with self._lock:
            gone = self._sources.pop(source, None)
            for frame in [f for f in self._all() if f.source == source]:
                self._drop(frame)
            self._wishes = OrderedDict(
                (f, o) for f, o in self._wishes.items() if f.source != source
            )
            self._ahead = [f for f in self._ahead if f.source != source]
        if gone is not None:
            gone.decoder.close()

    def close_all(self) -> None:
        """End all decoders and free everything."""
        for source in list(self._sources):
            self.close(source)
        if self._disk is not None:
            self._disk.close()

    # ------------------------------------------------------------ asking

    def ready(self, frame: FrameId) -> bool:
        """Tell whether a frame can be had without decoding (a failed one counts for a while)."""
        with self._lock:
            if frame in self._failed:
                if self._clock() - self._failed[frame] < RETRY_S:
                    return True
                self._drop(frame)
            scratch = self._scratch is not None and self._scratch[0] == frame
            return frame in self._engine or frame in self._host or scratch

    def ask(self, frame: FrameId, *, operator: bool) -> bool:
        """Return True if the frame is ready; else ask for it and return False."""
        with self._lock:
            if operator:
                self._operators.add(frame)
            if self.ready(frame):
                return True
            if frame not in self._pending:
                self._wishes.pop(frame, None)
                self._wishes[frame] = operator
                while len(self._wishes) > MAX_WISHES:
                    self._wishes.popitem(last=False)
        self._pump()
        return False

    def fetch_ahead(self, frames: Iterable[FrameId]) -> None:
        """Say which frames will be needed next, nearest first; replaces what was said before."""
        with self._lock:
            self._ahead = [f for f in frames if f not in self._pending and not self.ready(f)]
            self._operators.update(self._ahead)
        self._pump()

    def _pump(self) -> None:
        while (task := self._next_task()) is not None:
            frame, source, on_disk = task
            self._begin(frame, source, on_disk)

    def _next_task(self) -> tuple[FrameId, _Source, bool] | None:
        """Choose the next frame: operators' wishes newest first, reviewers', then ahead."""
        with self._lock:
            newest = [*self._wishes.items()][::-1]
            operators = [frame for frame, operator in newest if operator]
            reviewers = [frame for frame, operator in newest if not operator]
            for frame in [*operators, *reviewers, *self._ahead]:
                source = self._sources.get(frame.source)
                if source is None or source.busy >= source.workers or frame in self._pending:
                    continue
                self._wishes.pop(frame, None)
                with contextlib.suppress(ValueError):
                    self._ahead.remove(frame)
                self._pending.add(frame)
                source.busy += 1
                return frame, source, self._disk is not None and frame in self._disk
        return None

    def _begin(self, frame: FrameId, source: _Source, on_disk: bool) -> None:
        start = self._clock()
        try:
            self._stamps[frame] = source.stamp(frame.frame)
            if on_disk and self._disk is not None:
                future: Future[Any] = self._disk.load(frame)
            else:
                future = source.decoder.submit(frame.frame)
        except VerdigrisError as error:
            future = Future()
            future.set_exception(error)
        future.add_done_callback(lambda done: self._arrived(frame, source, done, start))

    def _arrived(self, frame: FrameId, source: _Source, future: Future[Any], start: float) -> None:
        error = "" if future.cancelled() else _reason(future.exception())
        if future.cancelled():
            decoded = None
        elif error:
            black = np.zeros((3, *source.shape), np.float16)
            decoded = Decoded(black, missing=True, error=error)
        else:
            result = future.result()
            decoded = result if isinstance(result, Decoded) else decoded_from(result)
        with self._lock:
            source.busy -= 1
            self._pending.discard(frame)
            if decoded is not None and frame.source in self._sources:
                self._put_in(frame, decoded)
        if decoded is not None:
            self._on_decoded(self._clock() - start)
            for listener in self._listeners:
                listener(frame)
        self._pump()

    # ------------------------------------------------------------ tiers

    def _put_in(self, frame: FrameId, decoded: Decoded) -> None:
        if decoded.error:
            self._failed[frame] = self._clock()
            self._broken.add(frame)
            self.messages[frame] = decoded.error
        else:
            self.messages.pop(frame, None)
            self._healed = self._healed or frame in self._broken
            self._broken.discard(frame)
        self._host[frame] = decoded
        self.host_bytes += decoded.nbytes
        while self.host_bytes > self.budget.host and len(self._host) > 1:
            victim = self._victim(self._host, frame)
            self.host_bytes -= self._host[victim].nbytes
            evicted = self._host.pop(victim)
            if victim == frame:
                self._scratch = (frame, decoded)
                break
            if self._disk is not None and not evicted.error:
                self._disk.store(victim, evicted)

    def _victim(self, tier: OrderedDict[FrameId, Any], newest: FrameId) -> FrameId:
        """Return the frame to let go of.

        First the oldest one that only reviewers wanted; then the oldest one, or while playing the
        one whose turn is farthest. A reviewer's own frame never pushes out the operator's.
        """
        others = [f for f in tier if f != newest]
        lesser = next((f for f in others if f not in self._operators), None)
        if lesser is not None:
            return lesser
        if newest not in self._operators:
            return newest
        if tier is self._engine and self.coming:
            return max(others, key=lambda f: self.coming.get(f, len(self.coming)))
        return others[0]

    def held(self, frame: FrameId, hold: Callable[[NDArray[Any]], Any]) -> Held:
        """Return a frame in the engine's memory. Raises NotReadyError if it has to be decoded."""
        with self._lock:
            held = self._engine.get(frame)
            if held is not None:
                self._engine.move_to_end(frame)
                return held
            decoded = self._decoded(frame)
        values = decoded.pixels.size + (decoded.alpha.size if decoded.alpha is not None else 0)
        made = Held(
            hold(decoded.pixels),
            None if decoded.alpha is None else hold(decoded.alpha),
            values * self._bytes_per_value,
            decoded.missing,
            decoded.error,
        )
        with self._lock:
            self._engine[frame] = made
            self.engine_bytes += made.nbytes
            self._fit_engine(frame)
        return made

    def in_engine(self, frame: FrameId) -> bool:
        """Tell whether a frame is in the engine's memory."""
        with self._lock:
            return frame in self._engine

    def decoded(self, frame: FrameId) -> Decoded:
        """Return a frame in host memory. Raises NotReadyError if it has to be decoded."""
        with self._lock:
            return self._decoded(frame)

    def _decoded(self, frame: FrameId) -> Decoded:
        if frame in self._host:
            self._host.move_to_end(frame)
            return self._host[frame]
        if self._scratch is not None and self._scratch[0] == frame:
            return self._scratch[1]
        raise NotReadyError(f"frame {frame.frame} is not in the store")

    def _fit_engine(self, newest: FrameId | None) -> None:
        while self.engine_bytes > self.budget.engine and len(self._engine) > 1:
            victim = self._victim(self._engine, newest or next(reversed(self._engine)))
            if victim == newest:
                victim = next(f for f in self._engine if f != newest)
            self.engine_bytes -= self._engine.pop(victim).nbytes

    def shrink_engine(self, share: float = 0.5) -> None:
        """Engine memory ran out: drop the least recently used part of it (owner thread only)."""
        with self._lock:
            kept, self.budget = (
                self.budget,
                Budget(int(self.engine_bytes * share), self.budget.host, self.budget.disk),
            )
            self._fit_engine(None)
            self.budget = kept

    def healed(self) -> bool:
        """Tell once whether a frame that could not be decoded before has come: what was made of
        its black stand-in must be made again."""
        healed, self._healed = self._healed, False
        return healed

    def refresh(self, frame: FrameId) -> bool:
        """Drop a frame whose file has changed since it was read; True if it was dropped."""
        with self._lock:
            source = self._sources.get(frame.source)
            if source is None or frame not in self._stamps or not self.ready(frame):
                return False
            if source.stamp(frame.frame) == self._stamps[frame]:
                return False
            self._drop(frame)
            return True

    def _drop(self, frame: FrameId) -> None:
        decoded, held = self._host.pop(frame, None), self._engine.pop(frame, None)
        self.host_bytes -= decoded.nbytes if decoded else 0
        self.engine_bytes -= held.nbytes if held else 0
        if self._scratch is not None and self._scratch[0] == frame:
            self._scratch = None
        self._failed.pop(frame, None)
        self.messages.pop(frame, None)
        self._operators.discard(frame)
        if self._disk is not None:
            self._disk.drop(frame)

    def _all(self) -> set[FrameId]:
        kept = {*self._engine, *self._host, *self._failed, *self._operators, *self._stamps}
        return kept | ({*self._disk.frames()} if self._disk is not None else set())

    def ranges(self, source: str) -> list[tuple[int, int]]:
        """Return the runs of frames of a source that need no decoding (memory or disk)."""
        with self._lock:
            there = {f.frame for f in (*self._engine, *self._host) if f.source == source}
            if self._disk is not None:
                there |= {f.frame for f in self._disk.frames() if f.source == source}
        return runs(there)

    def bytes(self) -> dict[str, int]:
        """Return the bytes held in each tier and the budgets."""
        disk = self._disk.bytes if self._disk is not None else 0
        return {
            "engine": self.engine_bytes,
            "engine_budget": self.budget.engine,
            "host": self.host_bytes,
            "host_budget": self.budget.host,
            "disk": disk,
            "disk_budget": self.budget.disk,
        }


def _reason(error: BaseException | None) -> str:
    if error is None:
        return ""
    return str(error) if isinstance(error, VerdigrisError) else f"decoding failed ({error!r})"
