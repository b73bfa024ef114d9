"""Decoded frames on disk: a private folder of this process, removed at its end."""

from __future__ import annotations

import os
import shutil
import threading
from collections import OrderedDict
from collections.abc import Hashable
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np

from server.store.frame_types import Decoded, FrameId

PREFIX = "frames-"


class DiskTier:
    """Half-precision frames as files; least recently used ones go first."""

    def __init__(self, folder: Path, limit_bytes: int) -> None:
        remove_leftovers(folder)
        self.folder = folder / f"{PREFIX}{os.getpid()}-{os.urandom(3).hex()}"
        self.folder.mkdir(parents=True, mode=0o700)
        self.limit_bytes = limit_bytes
        self.bytes = 0
        self.failed = False
        self._files: OrderedDict[Hashable, tuple[Path, int]] = OrderedDict()
        self._lock = threading.Lock()
        self._count = 0
        self._pool = ThreadPoolExecutor(1, thread_name_prefix="disk-tier")

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
            self.bytes += decoded.nbytes
            while self.bytes > self.limit_bytes and len(self._files) > 1:
                self._remove(next(iter(self._files)))

    def load(self, frame: FrameId) -> Future[Decoded]:
        """Read a frame back in the background."""
        return self._pool.submit(self._read, frame)

    def _read(self, frame: FrameId) -> Decoded:
        with self._lock:
            path, _ = self._files[frame]
            self._files.move_to_end(frame)
        with np.load(path) as file:
            info = file["info"]
            return Decoded(file["pixels"], file.get("alpha"), bool(info[0]), int(info[1]))

    def drop(self, frame: Hashable) -> None:
        """Remove a frame."""
        with self._lock:
            self._remove(frame)

    def _remove(self, frame: Hashable) -> None:
        found = self._files.pop(frame, None)
        if found is not None:
            self.bytes -= found[1]
            found[0].unlink(missing_ok=True)

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
