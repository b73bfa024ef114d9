"""Reading in a process of its own, which a decoder may crash without taking the caller along."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, fields
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, TypeVar

from kernels.errors import VerdigrisError
from server.media.decode import DecodePool
from server.media.errors import MediaError
from server.media.opening import open_shot
from server.media.shot import Frame, Shot

T = TypeVar("T")
START_S = 60.0


class Apart:
    """One process that carries out functions one after the other; it is replaced when it dies.

    nice: by how much it gives way to other processes, where the system knows that.
    """

    def __init__(self, *, nice: int = 0) -> None:
        self._nice = nice
        self._lock = threading.Lock()
        self._pipe: Connection | None = None
        self._process: Any = None

    def call(self, about: str, function: Callable[..., T], *args: Any, **options: Any) -> T:
        """What a function of a module gives. Raises MediaError, also for a crash or a time-out.

        about: what is read, for the sentence.
        """
        with self._lock:
            try:
                good, result = self._ask((function, args, options))
            except (EOFError, OSError, TimeoutError):
                self._end()
                raise MediaError(
                    f"'{about}' ends the process that reads it; copy or export it again"
                ) from None
        if good:
            return result  # type: ignore[no-any-return]
        raise MediaError(str(result))

    def _ask(self, work: Any) -> tuple[bool, Any]:
        if self._pipe is None:
            context = multiprocessing.get_context("spawn")
            self._pipe, theirs = context.Pipe()
            self._process = context.Process(target=_serve, args=(theirs, self._nice), daemon=True)
            self._process.start()
            theirs.close()
        self._pipe.send(work)
        end = time.monotonic() + START_S
        while not self._pipe.poll(0.2):
            if time.monotonic() > end:
                raise TimeoutError
        answer: tuple[bool, Any] = self._pipe.recv()
        return answer

    def _end(self) -> None:
        if self._pipe is not None:
            self._pipe.close()
        if self._process is not None:
            self._process.kill()
            self._process.join()
            self._process.close()
        self._pipe = self._process = None

    def close(self) -> None:
        """End the process, whatever it is doing. Another call starts one again."""
        process = self._process
        with contextlib.suppress(ValueError, AttributeError):
            process.kill()
        with self._lock:
            self._end()

    def __enter__(self) -> Apart:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _serve(pipe: Connection, nice: int) -> None:
    if nice and hasattr(os, "nice"):
        os.nice(nice)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the parent's to answer.
    with contextlib.suppress(EOFError, OSError):
        while True:
            function, args, options = pipe.recv()
            try:
                answer = (True, function(*args, **options))
            except VerdigrisError as error:
                answer = (False, str(error))
            except Exception as error:
                answer = (False, f"reading failed ({error!r:.200}); copy or export it again")
            pipe.send(answer)


def check_headers(shot: Shot, frames: list[int] | None) -> None:
    """As the shot's own; a function, so that it can be called in another process."""
    shot.check_headers(frames)


@dataclass(frozen=True)
class ApartShot(Shot):
    """A shot whose frames and headers are read in processes of their own."""

    own: Shot | None = None
    pool: DecodePool | None = None
    apart: Apart | None = None

    def read(self, frame: int) -> Frame:
        """As for any shot; a frame that crashes its decoder is a MediaError."""
        assert self.pool is not None
        self._check_number(frame)
        return self.pool.submit(frame).result()

    def check_headers(self, frames: list[int] | None = None) -> None:
        """As for any shot."""
        assert self.own is not None
        assert self.apart is not None
        self.apart.call(self.spec, check_headers, self.own, frames)

    def __reduce__(self) -> tuple[Any, ...]:
        return _itself, (self.own,)


def _itself(shot: Shot) -> Shot:
    return shot


class ReadingApart:
    """Opens and reads shots in other processes, until it is closed."""

    def __init__(self, workers: int = 1, timeout_s: float = 30.0) -> None:
        self._workers, self._timeout_s = workers, timeout_s
        self._apart = Apart()
        self._pools: list[DecodePool] = []

    def open(self, spec: str | Path, **options: Any) -> Shot:
        """As `open_shot`."""
        return self.of(self._apart.call(str(spec), open_shot, spec, **options))

    def of(self, shot: Shot) -> Shot:
        """The same shot, read in other processes from now on."""
        if isinstance(shot, ApartShot):
            return shot
        pool = DecodePool(shot, self._workers, self._timeout_s)
        self._pools.append(pool)
        values = {f.name: getattr(shot, f.name) for f in fields(Shot)}
        return ApartShot(**values, own=shot, pool=pool, apart=self._apart)

    def call(self, about: str, function: Callable[..., T], *args: Any, **options: Any) -> T:
        """As `Apart.call`."""
        return self._apart.call(about, function, *args, **options)

    def close(self) -> None:
        """End the processes."""
        for pool in self._pools:
            pool.close()
        self._pools.clear()
        self._apart.close()


@contextmanager
def reading_apart(workers: int = 1, timeout_s: float = 30.0) -> Iterator[ReadingApart]:
    """A `ReadingApart` that is closed in the end."""
    reading = ReadingApart(workers, timeout_s)
    try:
        yield reading
    finally:
        reading.close()
