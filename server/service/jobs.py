"""Long work started from the page: one after the other, with progress, time left and cancel.

A kind of job is a function `(JobContext) -> JobResult`. It runs on the runner's own thread and may
take the engine only through `JobContext.engine`, which lets interactive pictures go first.
"""

from __future__ import annotations

import logging
import secrets
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from kernels.engine import Engine
from kernels.errors import VerdigrisError
from kernels.recipe import Recipe
from server.media import Shot, open_shot
from server.media.roots import MediaRoots
from server.wire.messages import JobKind
from server.wire.state import JobInfo

log = logging.getLogger("verdigris.jobs")
MAX_QUEUED = 8
MAX_KEPT = 40
REPORT_EVERY_S = 0.25


class JobError(VerdigrisError):
    """A job cannot be started or go on: one sentence."""


class JobCancelledError(Exception):
    """The job was asked to stop."""


@dataclass(frozen=True)
class JobContext:
    """What a job works on. out: a folder of the job's own for reports and pictures."""

    shot: Shot
    recipe: Recipe
    revision: int
    options: dict[str, Any]
    roots: MediaRoots
    engine: Callable[[], Engine]
    out: Path
    renders: Path
    """folder under which renders are written"""
    plates: Path
    """folder for clean plates, a media root"""
    cancelled: threading.Event
    report: Callable[[int, int], None]
    """(done, total); raises JobCancelledError once the job was asked to stop"""
    ocio: str | None = None
    take_log: Path | None = None
    """file in which surveys are kept"""
    opener: Callable[..., Shot] = open_shot
    """opens further shots, as `open_shot`"""
    read_watched: Callable[[str], Shot] | None = None
    """opens the files of a shot of the watched folder"""


@dataclass(frozen=True)
class JobResult:
    """What a job gives back. files: names to be fetched, and where they are."""

    message: str
    result: Any = None
    files: dict[str, Path] = field(default_factory=dict)


JobFunction = Callable[[JobContext], JobResult]


@dataclass
class _Job:
    info: JobInfo
    cancelled: threading.Event
    files: dict[str, Path] = field(default_factory=dict)


class JobRunner:
    """Runs jobs one at a time. `on_change` is called from the runner's thread."""

    def __init__(
        self,
        kinds: dict[JobKind, JobFunction],
        folder: Path,
        *,
        on_change: Callable[[JobInfo], None] = lambda _: None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.kinds, self.folder = kinds, folder
        self._on_change, self._clock = on_change, clock
        self._jobs: OrderedDict[str, _Job] = OrderedDict()
        self._lock = threading.Lock()
        self._pool = ThreadPoolExecutor(1, thread_name_prefix="jobs")

    def start(
        self, kind: JobKind, make_context: Callable[..., JobContext], request: str | None = None
    ) -> JobInfo:
        """Queue a job. make_context(out, cancelled, report) is called when its turn comes."""
        if kind not in self.kinds:
            raise JobError(f"this service has no '{kind}' job")
        with self._lock:
            waiting = sum(job.info.state in ("queued", "running") for job in self._jobs.values())
            if waiting >= MAX_QUEUED:
                raise JobError("too many jobs are waiting: let some finish or cancel them")
            name = secrets.token_hex(5)
            job = _Job(JobInfo(job=name, kind=kind, state="queued", id=request), threading.Event())
            self._jobs[name] = job
            self._forget_old()
        self._pool.submit(self._run, job, make_context)
        return job.info

    def cancel(self, name: str) -> None:
        """Ask a job to stop; a queued one stops at once."""
        job = self._jobs.get(name)
        if job is None:
            raise JobError("there is no such job")
        job.cancelled.set()
        if job.info.state == "queued":
            self._update(job, state="cancelled", message="cancelled before it began")

    def infos(self) -> list[JobInfo]:
        """Return all jobs, oldest first."""
        with self._lock:
            return [job.info for job in self._jobs.values()]

    def file(self, name: str, file: str) -> Path | None:
        """Return the path of a file that a job made, or None."""
        job = self._jobs.get(name)
        return job.files.get(file) if job else None

    def close(self) -> None:
        """Ask all jobs to stop and wait for the running one."""
        for job in list(self._jobs.values()):
            job.cancelled.set()
        self._pool.shutdown(wait=True, cancel_futures=True)

    def _forget_old(self) -> None:
        done = [n for n, j in self._jobs.items() if j.info.state not in ("queued", "running")]
        for name in done[: max(0, len(self._jobs) - MAX_KEPT)]:
            del self._jobs[name]

    def _update(self, job: _Job, **change: Any) -> None:
        job.info = job.info.model_copy(update=change)
        self._on_change(job.info)

    def _run(self, job: _Job, make_context: Callable[..., JobContext]) -> None:
        if job.cancelled.is_set():
            return
        self._update(job, state="running")
        try:
            out = self.folder / job.info.job
            out.mkdir(parents=True, exist_ok=True)
            context = make_context(out, job.cancelled, self._reporter(job))
            result = self.kinds[job.info.kind](context)
        except JobCancelledError:
            self._update(job, state="cancelled", message="cancelled; what was finished is kept")
        except VerdigrisError as error:
            state = "cancelled" if job.cancelled.is_set() else "failed"
            self._update(job, state=state, message=str(error))
        except OSError as error:
            log.warning("job %s: %s", job.info.kind, error)
            about = f" for '{error.filename}'" if error.filename else ""
            self._update(
                job,
                state="failed",
                message=f"the job could not go on ({error.strerror or error}{about}): check the "
                "disk's free space and the folders' rights, then start it again",
            )
        except Exception:
            log.exception("job %s failed", job.info.kind)
            self._update(
                job,
                state="failed",
                message="the job failed unexpectedly; the service's log tells more",
            )
        else:
            job.files = dict(result.files)
            stopped = job.cancelled.is_set()
            self._update(
                job,
                state="cancelled" if stopped else "done",
                message=result.message,
                result=result.result,
                files=sorted(result.files),
                seconds_left=None,
            )

    def _reporter(self, job: _Job) -> Callable[[int, int], None]:
        start = self._clock()
        told = [float("-inf")]

        def report(done: int, total: int) -> None:
            if job.cancelled.is_set() and done < total:
                raise JobCancelledError
            now = self._clock()
            if done < total and now - told[0] < REPORT_EVERY_S:
                return
            told[0] = now
            left = (now - start) / done * (total - done) if done else None
            self._update(
                job, done=done, total=total, seconds_left=None if left is None else round(left, 1)
            )

        return report
