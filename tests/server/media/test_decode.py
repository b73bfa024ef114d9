"""Decoding in processes of its own: equal pixels, and what dies, hangs or lies costs one frame."""

from __future__ import annotations

import dataclasses
import gc
import importlib
import os
import signal
import subprocess
import sys
import threading
from concurrent.futures import CancelledError
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from server.media import DecodePool, MediaError, Shot, open_shot, write_exr

TROUBLE = '''
import os, signal, time
from dataclasses import dataclass, replace
import numpy as np
from server.media import Frame, Shot

@dataclass(frozen=True)
class Trouble(Shot):
    """A shot whose frame 2 does something to the process that decodes it."""
    how: str = ""
    marks: str = ""

    def read(self, frame):
        if frame == 2:
            tries = len(os.listdir(self.marks))
            open(f"{self.marks}/{tries}", "w").close()
            if self.how == "crash" or (self.how == "crash once" and tries == 0):
                os.kill(os.getpid(), signal.SIGSEGV)
            if self.how == "hang":
                time.sleep(600)
            if self.how == "lie":
                return Frame(2, np.zeros((3, 500, 500), np.float32))
            if self.how == "defect":
                raise ZeroDivisionError("a defect")
        return super().read(frame)
'''


def sequence(folder: Path, count: int = 4) -> Shot:
    folder.mkdir(exist_ok=True)
    for number in range(1, count + 1):
        picture = np.full((4, 24, 32), number / 16, np.float32)
        write_exr(folder / f"a.{number:04d}.exr", {"": picture}, interop_id="lin_ap1_scene")
    return open_shot(folder, missing="hold")


@pytest.fixture
def trouble(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Any:
    """Makes a shot with a troublesome frame 2, and tells how often it was tried."""
    (tmp_path / "trouble_shot.py").write_text(TROUBLE)
    monkeypatch.syspath_prepend(str(tmp_path))
    importlib.invalidate_caches()
    sys.modules.pop("trouble_shot", None)
    module = importlib.import_module("trouble_shot")
    marks = tmp_path / "marks"
    marks.mkdir()

    def make(how: str) -> tuple[Shot, Path]:
        shot = sequence(tmp_path / "seq")
        values = {f.name: getattr(shot, f.name) for f in dataclasses.fields(shot)}
        return module.Trouble(**values, how=how, marks=str(marks)), marks

    return make


@pytest.fixture(autouse=True)
def no_shared_memory_is_left() -> Any:
    """No slot outlives its pool. Common practice, no source."""
    before = set(os.listdir("/dev/shm"))
    yield
    gc.collect()
    left = {n for n in set(os.listdir("/dev/shm")) - before if n.startswith(f"vdg-{os.getpid()}-")}
    assert not left


def test_the_pool_gives_what_reading_gives(tmp_path: Path) -> None:
    """Common practice, no source: the same pixels to the bit, holds and attributes included."""
    shot = sequence(tmp_path / "seq")
    (tmp_path / "seq" / "a.0003.exr").unlink()
    shot = open_shot(tmp_path / "seq", missing="hold", plate_alpha="use")
    with DecodePool(shot, workers=2) as pool:
        futures = [pool.submit(number) for number in (1, 2, 3, 4, 3, 2, 1)]
        for future in futures:
            frame = future.result(60)
            mine = shot.read(frame.number)
            np.testing.assert_array_equal(frame.pixels, mine.pixels)
            assert frame.alpha is not None
            assert mine.alpha is not None
            np.testing.assert_array_equal(frame.alpha, mine.alpha)
            assert (frame.held, frame.missing, frame.nonfinite) == (
                mine.held, mine.missing, mine.nonfinite,
            )  # fmt: skip
            assert frame.attributes == mine.attributes
            assert frame.pixels.flags.owndata or frame.pixels.base.flags.owndata


def test_killing_a_worker_loses_nothing(tmp_path: Path) -> None:
    """Common practice, no source."""
    shot = sequence(tmp_path / "seq")
    workers: list[int] = []
    with DecodePool(shot, workers=1, on_worker=workers.append) as pool:
        pool.submit(1).result(60)
        os.kill(workers[0], signal.SIGKILL)
        levels = [float(pool.submit(n).result(60).pixels.mean()) for n in shot.frames]
    np.testing.assert_allclose(levels, [n / 16 for n in shot.frames], rtol=1e-3)
    assert len(workers) == 2


def test_a_frame_that_kills_its_decoder_is_set_aside(trouble: Any) -> None:
    """Common practice, no source: two tries, then an error that names it; the rest goes on; a new
    version of the file is tried again."""
    shot, marks = trouble("crash")
    with DecodePool(shot, workers=1) as pool:
        futures = [pool.submit(n) for n in (1, 2, 3)]
        assert futures[0].result(60).number == 1
        with pytest.raises(MediaError, match=r"frame 2 .*a\.0002\.exr.*crashed 2 times"):
            futures[1].result(60)
        assert futures[2].result(60).number == 3
        with pytest.raises(MediaError, match="set aside"):
            pool.submit(2).result(60)
        assert len(list(marks.iterdir())) == 2
        os.utime(shot.source_path(2), (1, 1))
        with pytest.raises(MediaError, match="set aside"):
            pool.submit(2).result(60)
        assert len(list(marks.iterdir())) == 4


def test_a_crash_by_chance_is_tried_again(trouble: Any) -> None:
    """Common practice, no source."""
    shot, marks = trouble("crash once")
    with DecodePool(shot, workers=1) as pool:
        assert pool.submit(2).result(60).number == 2
    assert len(list(marks.iterdir())) == 2


def test_a_decoder_that_hangs_is_ended(trouble: Any) -> None:
    """Common practice, no source."""
    shot, _ = trouble("hang")
    with DecodePool(shot, workers=1, timeout_s=0.5) as pool:
        pool.submit(1).result(60)
        future = pool.submit(2)
        with pytest.raises(MediaError, match=r"frame 2 .*took longer than 0\.5 s"):
            future.result(150)
        assert pool.submit(3).result(60).number == 3


@pytest.mark.parametrize(("how", "match"), [("lie", "500 x 500.*32 x 24"), ("defect", "a defect")])
def test_lies_and_defects_are_errors_of_the_frame(trouble: Any, how: str, match: str) -> None:
    """Common practice, no source: nothing beyond the slot is written, the worker lives on."""
    shot, _ = trouble(how)
    workers: list[int] = []
    with DecodePool(shot, workers=1, on_worker=workers.append) as pool:
        with pytest.raises(MediaError, match=match):
            pool.submit(2).result(60)
        assert pool.submit(3).result(60).number == 3
    assert len(workers) == 1


def test_reading_errors_come_through_word_for_word(tmp_path: Path) -> None:
    """Common practice, no source."""
    shot = sequence(tmp_path / "seq")
    (tmp_path / "seq" / "a.0002.exr").write_text("no picture")
    os.utime(tmp_path / "seq" / "a.0002.exr", (1, 1))
    with DecodePool(shot, workers=1) as pool, pytest.raises(MediaError) as caught:
        pool.submit(2).result(60)
    with pytest.raises(MediaError) as direct:
        shot.read(2)
    assert str(caught.value) == str(direct.value)


def test_closing_ends_everything(trouble: Any) -> None:
    """Common practice, no source: also while a decoder hangs, and twice."""
    shot, _ = trouble("hang")
    workers: list[int] = []
    started = threading.Event()

    def heard(pid: int) -> None:
        workers.append(pid)
        started.set()

    pool = DecodePool(shot, workers=1, on_worker=heard)
    running, waiting = pool.submit(2), pool.submit(3)
    assert started.wait(60)
    assert running.running()
    pool.close()
    pool.close()
    with pytest.raises(MediaError, match="has ended"):
        running.result(0)
    with pytest.raises(CancelledError):
        waiting.result(0)
    with pytest.raises(MediaError, match="has ended"):
        pool.submit(1)
    for pid in workers:
        with pytest.raises(ProcessLookupError):
            os.kill(pid, 0)


def test_no_warnings_about_leaks(tmp_path: Path) -> None:
    """Source: CPython's multiprocessing.resource_tracker, which names what was left at exit."""
    sequence(tmp_path / "seq")
    script = tmp_path / "run.py"
    script.write_text(
        "import os, signal, sys\n"
        "from server.media import DecodePool, open_shot\n"
        "if __name__ == '__main__':\n"
        "    workers = []\n"
        "    with DecodePool(open_shot(sys.argv[1]), 2, on_worker=workers.append) as pool:\n"
        "        pool.submit(1).result(60)\n"
        "        os.kill(workers[0], signal.SIGKILL)\n"
        "        print([pool.submit(n).result(60).number for n in (1, 2, 3, 4)])\n"
    )
    result = subprocess.run(
        [sys.executable, str(script), str(tmp_path / "seq")],
        capture_output=True, text=True, check=True,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[3])},
    )  # fmt: skip
    assert result.stdout.strip() == "[1, 2, 3, 4]"
    assert result.stderr == ""
