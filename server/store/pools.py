"""Decoding pools: for a shot, and for companions that are read now and then."""

from __future__ import annotations

import threading
from concurrent.futures import Future

from server.media import Frame, MediaError, Shot
from server.media.decode import DecodePool

IDLE_S = 20.0


def file_stamp(shot: Shot, frame: int) -> object:
    """Return size and time of the file a frame comes from; None where there is no file."""
    try:
        status = shot.source_path(frame).stat()
    except (OSError, MediaError):
        return None
    return status.st_size, status.st_mtime_ns


class IdlePool:
    """A decoding pool whose process ends when nothing was asked for a while."""

    def __init__(self, shot: Shot, timeout_s: float, idle_s: float = IDLE_S) -> None:
        self.shot, self.timeout_s, self.idle_s = shot, timeout_s, idle_s
        self._pool: DecodePool | None = None
        self._timer: threading.Timer | None = None
        self._lock = threading.Lock()
        self._busy = 0
        self._closed = False

    def stamp(self, frame: int) -> object:
        """Identity of a frame's file."""
        return file_stamp(self.shot, frame)

    def submit(self, frame: int) -> Future[Frame]:
        """Ask for a frame."""
        with self._lock:
            if self._closed:
                raise MediaError(f"the decoding of '{self.shot.spec}' has ended; open it again")
            if self._pool is None:
                self._pool = DecodePool(self.shot, 1, self.timeout_s)
            if self._timer is not None:
                self._timer.cancel()
                self._timer = None
            self._busy += 1
            future = self._pool.submit(frame)
        future.add_done_callback(lambda _: self._done())
        return future

    def _done(self) -> None:
        with self._lock:
            self._busy -= 1
            if self._busy == 0 and not self._closed:
                self._timer = threading.Timer(self.idle_s, self._rest)
                self._timer.daemon = True
                self._timer.start()

    def _rest(self) -> None:
        with self._lock:
            pool, self._pool = (self._pool, None) if self._busy == 0 else (None, self._pool)
        if pool is not None:
            pool.close()

    def close(self) -> None:
        """End the process."""
        with self._lock:
            self._closed = True
            pool, self._pool = self._pool, None
            if self._timer is not None:
                self._timer.cancel()
        if pool is not None:
            pool.close()
