"""One decoding process with its slot of shared memory, and what runs inside it."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import secrets
import signal
import time
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection
from multiprocessing.context import SpawnProcess
from multiprocessing.shared_memory import SharedMemory
from typing import Any

import numpy as np

from kernels.errors import VerdigrisError
from server.media import images
from server.media.attributes import Attribute
from server.media.errors import MediaError
from server.media.shot import Shot

START_TIMEOUT_S = 60.0


@dataclass(frozen=True)
class Reply:
    """What a worker says about the pixels that it left in its slot."""

    number: int
    width: int
    height: int
    has_alpha: bool
    held: bool
    missing: bool
    nonfinite: int
    attributes: dict[str, Attribute]
    error: str = ""


class WorkerLostError(Exception):
    """The worker died or was ended because it took too long."""


class Worker:
    """One process, its pipe and its slot."""

    def __init__(self, shot: Shot, on_start: Callable[[int], None] | None, threads: int) -> None:
        self._shape = (4, shot.height, shot.width)
        size = int(np.prod(self._shape)) * 4
        try:
            name = f"vdg-{os.getpid()}-{secrets.token_hex(4)}"
            self._slot = SharedMemory(name, create=True, size=size)
        except OSError as error:
            raise MediaError(
                f"no shared memory for decoding ({error.strerror}); use fewer decoding workers"
            ) from None
        context = multiprocessing.get_context("spawn")
        self._pipe, theirs = context.Pipe()
        self._process: SpawnProcess = context.Process(
            target=_work, args=(shot, self._slot.name, self._shape, theirs, threads), daemon=True
        )
        try:
            self._process.start()
        except OSError as error:
            self._free()
            raise MediaError(f"no process for decoding ({error.strerror}); try again") from None
        finally:
            theirs.close()
        if on_start is not None and self._process.pid is not None:
            on_start(self._process.pid)
        self._fresh = True

    def ask(self, frame: int, timeout_s: float, cancelled: Callable[[], bool]) -> Reply:
        """Send a frame number and wait. Raises WorkerLostError on death or time-out."""
        try:
            if self._fresh:
                self._wait(START_TIMEOUT_S, cancelled)
                self._fresh = False
            self._pipe.send(frame)
            reply: Reply = self._wait(timeout_s, cancelled)
        except (EOFError, OSError):
            raise WorkerLostError("its decoder crashed") from None
        return reply

    def _wait(self, timeout_s: float, cancelled: Callable[[], bool]) -> Any:
        """The next message; looks up now and then whether it is still wanted."""
        end = time.monotonic() + timeout_s
        while not self._pipe.poll(min(0.1, timeout_s)):
            if time.monotonic() >= end or cancelled():
                raise WorkerLostError(f"decoding took longer than {timeout_s:g} s")
        return self._pipe.recv()

    def planes(self) -> np.ndarray[Any, np.dtype[np.float32]]:
        """The slot as red, green, blue, alpha planes."""
        return np.ndarray(self._shape, np.float32, buffer=self._slot.buf)

    def close(self) -> None:
        """End the process, whatever it is doing, and free the slot."""
        with contextlib.suppress(OSError):
            self._pipe.close()
        self._process.join(0.2)
        if self._process.is_alive():
            self._process.kill()
            self._process.join()
        self._process.close()
        self._free()

    def _free(self) -> None:
        with contextlib.suppress(FileNotFoundError):
            self._slot.unlink()
        with contextlib.suppress(BufferError):
            self._slot.close()


def _work(
    shot: Shot, slot_name: str, shape: tuple[int, int, int], pipe: Connection, threads: int
) -> None:
    """The worker process: decode the frames asked for until the pipe closes."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the parent's to answer.
    images.set_threads(threads)
    slot = SharedMemory(slot_name)
    planes = np.ndarray(shape, np.float32, buffer=slot.buf)
    try:
        pipe.send(None)  # Ready: the time that imports take doesn't count as decoding.
        while True:
            pipe.send(_decode_into(planes, shot, pipe.recv()))
    except (EOFError, OSError, KeyboardInterrupt):
        pass
    finally:
        del planes
        with contextlib.suppress(BufferError):
            slot.close()


def _decode_into(planes: np.ndarray[Any, Any], shot: Shot, number: int) -> Reply:
    try:
        frame = shot.read(number)
        height, width = frame.pixels.shape[1:]
        if (height, width) == planes.shape[1:]:
            planes[:3] = frame.pixels
            if frame.alpha is not None:
                planes[3] = frame.alpha
        return Reply(
            number, width, height, frame.alpha is not None, frame.held, frame.missing,
            frame.nonfinite, frame.attributes,
        )  # fmt: skip
    except VerdigrisError as error:
        return Reply(number, 0, 0, False, False, False, 0, {}, str(error))
    except Exception as error:
        text = f"frame {number} of '{shot.spec}' cannot be decoded ({error!r}); render it again"
        return Reply(number, 0, 0, False, False, False, 0, {}, text)
