"""Decoded frames on disk: a private folder of this process, removed at its end."""

from __future__ import annotations

import os
import shutil
import threading
from collections.abc import Hashable
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
from cachetools import LRUCache

from server.store.frame_types import Decoded, FrameId

PREFIX = "frames-"


class _Files(LRUCache[Hashable, tuple[Path, int]]):
    """Files and their sizes; one that is let go is removed."""

    def __init__(self, limit_bytes: int) -> None:
        super().__init__(limit_bytes, getsizeof=lambda kept: kept[1])

    def __delitem__(self, frame: Hashable) -> None:
        path, _ = self[frame]
        super().__delitem__(frame)
        path.unlink(missing_ok=True)


class DiskTier:
    """Half-precision frames as files; least recently used ones go first."""

    def __init__(self, folder: Path, limit_bytes: int) -> None:
        remove_leftovers(folder)
        self.folder = folder / f"{PREFIX}{os.getpid()}-{os.urandom(3).hex()}"
        self.folder.mkdir(parents=True, mode=0o700)
        self.limit_bytes = limit_bytes
        self.failed = False
        self._files = _Files(limit_bytes)
        self._lock = threading.Lock()
        self._count = 0
        self._pool = ThreadPoolExecutor(1, thread_name_prefix="disk-tier")

    @property
    def bytes(self) -> int:
        """How much is on disk."""
        return int(self._files.currsize)

    def __contains__(self, frame: Hashable) -> bool:
        with self._lock:
            return frame in self._files

    def frames(self) -> list[Any]:
        """Return the frames on disk."""
        with self._lock:
            return list(self._files)

    def store(self, frame: FrameId, decoded: Decoded) -> None:
        """Write a frame in the background; a full disk turns the tier off."""
        if self.failed or frame in self or decoded.nbytes > self.limit_bytes:
            return
        self._pool.submit(self._write, frame, decoded)

    def _write(self, frame: FrameId, decoded: Decoded) -> None:
        self._count += 1
        path = self.folder / f"{self._count}.npz"
        arrays: dict[str, Any] = {"pixels": decoded.pixels}
        if decoded.alpha is not None:
            arrays["alpha"] = decoded.alpha
        try:
            with open(path, "xb") as file:
                np.savez(file, info=np.array([decoded.missing, decoded.nonfinite]), **arrays)
        except OSError:
            self.failed = True
            path.unlink(missing_ok=True)
            return
        with self._lock:
            self._files[frame] = (path, decoded.nbytes)

    def load(self, frame: FrameId) -> Future[Decoded]:
        """Read a frame back in the background."""
        return self._pool.submit(self._read, frame)

    def _read(self, frame: FrameId) -> Decoded:
        with self._lock:
            path, _ = self._files[frame]
        with np.load(path) as file:
            info = file["info"]
            return Decoded(file["pixels"], file.get("alpha"), bool(info[0]), int(info[1]))

    def drop(self, frame: Hashable) -> None:
        """Remove a frame."""
        with self._lock:
            self._files.pop(frame, None)

    def close(self) -> None:
        """Stop and remove the folder."""
        self._pool.shutdown(wait=True, cancel_futures=True)
        shutil.rmtree(self.folder, ignore_errors=True)


def remove_leftovers(folder: Path) -> None:
    """Remove folders of processes that ended without removing theirs."""
    for old in folder.glob(f"{PREFIX}*"):
        pid = old.name.removeprefix(PREFIX).split("-")[0]
        if pid.isdigit() and not _alive(int(pid)):
            shutil.rmtree(old, ignore_errors=True)


def _alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True
