"""Other programs that write and read the files: FFmpeg and ImageMagick, as Debian packs them."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

Array = NDArray[Any]
HEIGHT, WIDTH = 36, 64


def _program(*names: str) -> str:
    for name in names:
        found = shutil.which(name)
        if found is not None:
            return found
    text = f"{names[0]} is not installed"
    if os.environ.get("VERDIGRIS_REQUIRE_INTEROP") == "1":
        pytest.fail(text)
    pytest.skip(text)


@pytest.fixture(scope="session")
def ffmpeg() -> Callable[..., bytes]:
    """Runs FFmpeg with the given arguments and input; returns what it writes to its output."""
    program = _program("ffmpeg")

    def run(*arguments: str | Path, data: bytes = b"") -> bytes:
        command = [program, "-v", "error", "-y", *map(str, arguments)]
        done = subprocess.run(command, input=data, capture_output=True, check=False)
        assert done.returncode == 0, done.stderr.decode(errors="replace")
        return done.stdout

    return run


@pytest.fixture(scope="session")
def magick() -> Callable[..., bytes]:
    """Runs ImageMagick's convert."""
    program = _program("convert-im6.q16", "convert-im6.q16hdri", "magick")

    def run(*arguments: str | Path) -> bytes:
        done = subprocess.run([program, *map(str, arguments)], capture_output=True, check=False)
        assert done.returncode == 0, done.stderr.decode(errors="replace")
        return done.stdout

    return run


def picture(number: int = 0, height: int = HEIGHT, width: int = WIDTH) -> Array:
    """A 16-bit RGB picture (H, W, 3): smooth, no two corners alike, its level tells its number."""
    y, x = np.mgrid[0:height, 0:width] / np.array([height - 1, width - 1])[:, None, None]
    level = 0.15 + 0.025 * number
    planes = [level + 0.25 * x + 0.05 * y, level + 0.3 * y, level + 0.2 * (1 - x) + 0.1 * y]
    return np.rint(np.stack(planes, axis=-1) * 65535).astype(np.uint16)


def raw(frames: list[Array]) -> bytes:
    """Frames as FFmpeg's rgb48le."""
    return b"".join(frame.astype("<u2").tobytes() for frame in frames)
