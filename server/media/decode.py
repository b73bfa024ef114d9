"""Decoding in worker processes: pixels come back through shared memory, a crash costs a frame.

Each worker owns one slot of shared memory, as large as one decoded frame by the parent's own
reading of the header. A worker that dies or takes too long is replaced; a frame that this happens
to twice is set aside until its file changes.
"""

from __future__ import annotations

import os
import threading
from collections import deque
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass, field

from kernels.errors import VerdigrisError
from server.media.decode_worker import Worker, WorkerLostError
from server.media.errors import MediaError
from server.media.shot import Frame, Shot

MAX_TRIES = 2


@dataclass
class Job:
    """One frame asked for, and how often it has been tried."""

    frame: int
    future: Future[Frame]
    tries: int = 0


@dataclass
class _State:
    """What the pool's threads share, under one lock."""

    jobs: deque[Job] = field(default_factory=deque)
    closing: bool = False
    aside: dict[int, tuple[object, str]] = field(default_factory=dict)
    """Frames set aside, with the identity of their file and the reason."""


class DecodePool:
    """Decodes frames of one shot in processes of their own.

    `submit` returns a Future that is set in a thread of the pool; `close` ends the workers and
    frees the shared memory. Futures fail with MediaError only. `on_worker(pid)` is called, in a
    thread of the pool, for every worker started.
    """

    def __init__(
        self,
        shot: Shot,
        workers: int = 2,
        timeout_s: float = 30.0,
        *,
        on_worker: Callable[[int], None] | None = None,
    ) -> None:
        self.shot = shot
        self.timeout_s = timeout_s
        self._on_worker = on_worker
        self._reader_threads = max(1, (os.cpu_count() or 1) // max(1, workers))
        self._state = _State()
        self._wake = threading.Condition()
        self._threads = [
            threading.Thread(target=self._run, name=f"decode-{shot.name}-{n}", daemon=True)
            for n in range(max(1, workers))
        ]
        for thread in self._threads:
            thread.start()

    def submit(self, frame: int) -> Future[Frame]:
        """Ask for a frame; frames are decoded in the order asked for."""
        future: Future[Frame] = Future()
        with self._wake:
            if self._state.closing:
                raise self._closed()
            self._state.jobs.append(Job(frame, future))
            self._wake.notify()
        return future

    def close(self) -> None:
        """End the workers, fail what is waiting, free the shared memory. May be called twice."""
        with self._wake:
            self._state.closing = True
            waiting = list(self._state.jobs)
            self._state.jobs.clear()
            self._wake.notify_all()
        for job in waiting:
            job.future.cancel()
        for thread in self._threads:
            thread.join()

    def __enter__(self) -> DecodePool:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _run(self) -> None:
        """One thread: takes jobs, keeps one worker process alive for them."""
        worker: Worker | None = None
        try:
            while (job := self._next()) is not None:
                if not job.future.set_running_or_notify_cancel():
                    continue
                worker = self._serve(worker, job)
        finally:
            if worker is not None:
                worker.close()

    def _next(self) -> Job | None:
        with self._wake:
            self._wake.wait_for(lambda: self._state.jobs or self._state.closing)
            return None if self._state.closing else self._state.jobs.popleft()

    def _serve(self, worker: Worker | None, job: Job) -> Worker | None:
        """Settle one job's Future; gives back the worker to go on with, None if it was lost."""
        while True:
            try:
                self._refuse_set_aside(job.frame)
                worker = worker or Worker(self.shot, self._on_worker, self._reader_threads)
                job.future.set_result(self._decode(worker, job.frame))
                return worker
            except WorkerLostError as error:
                if worker is not None:
                    worker.close()
                worker = None
                if self._state.closing:
                    job.future.set_exception(self._closed())
                    return None
                job.tries += 1
                if job.tries >= MAX_TRIES:
                    job.future.set_exception(self._set_aside(job.frame, str(error)))
                    return None
            except VerdigrisError as error:
                job.future.set_exception(error)
                return worker
            except Exception as error:  # A defect of ours must not end the thread.
                job.future.set_exception(
                    MediaError(f"frame {job.frame} of '{self.shot.spec}' failed ({error!r})")
                )
                return worker

    def _decode(self, worker: Worker, frame: int) -> Frame:
        """Have the worker decode into its slot, check what it says, and copy the pixels out."""
        reply = worker.ask(frame, self.timeout_s, lambda: self._state.closing)
        if reply.error:
            raise MediaError(reply.error)
        shape = (self.shot.height, self.shot.width)
        if (reply.height, reply.width) != shape:
            raise MediaError(
                f"frame {frame} of '{self.shot.spec}' decodes to {reply.width} x {reply.height} "
                f"but its header says {shape[1]} x {shape[0]}; render it again"
            )
        planes = worker.planes().copy()
        return Frame(
            number=reply.number,
            pixels=planes[:3],
            alpha=planes[3] if reply.has_alpha else None,
            held=reply.held,
            missing=reply.missing,
            nonfinite=reply.nonfinite,
            attributes=reply.attributes,
        )

    def _closed(self) -> MediaError:
        return MediaError(f"the decoding of '{self.shot.spec}' has ended; open it again")

    def _identity(self, frame: int) -> object:
        try:
            status = self.shot.source_path(frame).stat()
        except (OSError, VerdigrisError):
            return None
        return status.st_size, status.st_mtime_ns

    def _refuse_set_aside(self, frame: int) -> None:
        found = self._state.aside.get(frame)
        if found is None:
            return
        if found[0] != self._identity(frame):
            self._state.aside.pop(frame, None)
            return
        raise MediaError(found[1])

    def _set_aside(self, frame: int, reason: str) -> MediaError:
        where = self.shot.source_path(frame)
        message = (
            f"frame {frame} ('{where}') was set aside because {reason} {MAX_TRIES} times; "
            "check the file or render it again"
        )
        self._state.aside[frame] = (self._identity(frame), message)
        return MediaError(message)
