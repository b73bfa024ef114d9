"""A reader that kills its own process ends a job at most, never the service."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from server.bench.service_thread import serving
from server.media import MediaError, open_shot
from server.media.apart import Apart
from server.service.maker import ServeOptions
from server.service.watch import newest
from server.survey.batch import survey_many
from tests.server.conftest import Live, settings_for, write_shot
from tests.server.service.test_watch import listed

pytestmark = pytest.mark.skipif(os.name != "posix", reason="signals are a POSIX matter")

READER = '''
import os, signal
import OpenImageIO as oiio

class ImageInput:
    """The library's reader, in processes that are started from now on; some files kill it."""
    @staticmethod
    def open(path, *more):
        if os.path.exists(os.environ["DEADLY"]) and "deadly" in path:
            os.kill(os.getpid(), signal.SIGSEGV)
        return real(path, *more)

real = oiio.ImageInput.open
oiio.ImageInput = ImageInput
'''


@pytest.fixture
def deadly(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """While this file exists, opening a picture named deadly kills every process but this one."""
    (tmp_path / "reader").mkdir()
    (tmp_path / "reader" / "sitecustomize.py").write_text(READER)
    more = os.environ.get("PYTHONPATH", "")
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(tmp_path / "reader"), more]))
    monkeypatch.setenv("DEADLY", str(tmp_path / "on"))
    return tmp_path / "on"


@pytest.fixture
def watched(tmp_path: Path, deadly: Path) -> Iterator[Live]:
    """A service that watches a folder with one good take and one deadly one, which is open."""
    folder = tmp_path / "takes"
    shot = write_shot(folder / "one", "deadly")
    write_shot(folder / "two", "good", range(1, 3))
    settings = settings_for(tmp_path)
    options = ServeOptions(shot=str(shot), roots=(folder,), watched=folder)
    now = max(p.stat().st_mtime for p in folder.rglob("*.exr")) + 100
    with serving(options, settings, clock=lambda: now) as service:
        yield Live(service, service.address, tmp_path)


@pytest.mark.slow
def test_a_reader_that_kills_itself_ends_no_service(watched: Live, deadly: Path) -> None:
    """Our own rule, no outside source: in every job, and in opening a take."""
    with watched.page(show={"name": "plate"}) as page:
        shots = listed(page, lambda shots: len(shots) == 2)
        deadly.touch()
        for kind, options in (
            ("survey", {}),
            ("suggest", {}),
            ("prepare", {}),
            ("render", {"name": "r"}),
        ):
            page.send(type="job_start", id=kind, kind=kind, options=options)
            job = page.until("job", timeout=60, id=kind, state="failed")
            assert "deadly" in job["message"], kind
            assert "Traceback" not in job["message"]
        names = sorted(shot["shot"] for shot in shots)
        page.send(type="job_start", id="all", kind="survey", options={"shots": names})
        job = page.until("job", timeout=60, id="all", state="done")
        assert [f["shot"] for f in job["result"]["failed"]] == [names[0]]
        assert len(job["result"]["takes"]) == 1
        page.send(type="shot_open", id="o", shot=names[0])
        assert "ends the process" in page.until("error", timeout=60, about="o")["message"]
        deadly.unlink()
        page.send(type="job_start", id="again", kind="survey")
        page.until("job", timeout=60, id="again", state="done")


@pytest.mark.slow
def test_a_background_that_kills_its_reader_ends_the_render_only(
    watched: Live, deadly: Path, tmp_path: Path
) -> None:
    """Our own rule, no outside source: companions are opened and read apart, too."""
    write_shot(tmp_path / "takes" / "back", "deadly_back", range(1, 2))
    with watched.page(show={"name": "plate"}) as page:
        shots = listed(page, lambda shots: len(shots) == 2)
        good = next(shot["shot"] for shot in shots if "good" in shot["shot"])
        page.send(type="shot_open", id="o", shot=good)
        page.until("state", timeout=30)
        page.set("assemble/background/kind", "picture")
        page.until("accepted")
        page.set("assemble/background/path", "back/deadly_back.1.exr")
        page.until("accepted")
        deadly.touch()
        layers = ["composite"]
        page.send(type="job_start", id="r", kind="render", options={"name": "r", "layers": layers})
        job = page.until("job", timeout=60, id="r", state="failed")
        assert "deadly_back" in job["message"]
        assert watched.get("/healthz").status_code == 200


@pytest.mark.slow
def test_a_background_that_kills_its_reader_is_told(
    watched: Live, deadly: Path, tmp_path: Path
) -> None:
    """Our own rule, no outside source: the service opens what a recipe names apart, too."""
    write_shot(tmp_path / "takes" / "back", "deadly_back", range(1, 2))
    with watched.page() as page:
        deadly.touch()
        page.set("assemble/background/kind", "picture")
        page.set("assemble/background/path", "back/deadly_back.1.exr")
        while "deadly_back" not in (told := page.until("status", timeout=60)["message"]):
            pass
        assert "ends the process that reads it" in told


@pytest.mark.slow
def test_other_takes_are_surveyed_when_one_ends_a_process(tmp_path: Path, deadly: Path) -> None:
    """Our own rule, no outside source: only the guilty one fails, whichever ran beside it."""
    folder = tmp_path / "takes"
    shots = [str(write_shot(folder / n, n, range(1, 2))) for n in ("a", "deadly", "b", "c")]
    shots = [s.replace(".####.exr", ".1.exr") for s in shots]
    deadly.touch()
    batch = survey_many(shots, workers=2)
    assert [name for name, _ in batch.failed] == [shots[1]]
    assert "ended a process" in batch.failed[0][1]
    assert [result.name for result in batch.results] == ["a.1", "b.1", "c.1"]


def test_the_newest_take_that_kills_its_reader_is_passed_over(tmp_path: Path, deadly: Path) -> None:
    """Our own rule, no outside source."""
    good = write_shot(tmp_path / "takes" / "a", "good")
    bad = write_shot(tmp_path / "takes" / "b", "deadly")
    for frame in bad.parent.iterdir():
        os.utime(frame, (4e9, 4e9))
    deadly.touch()
    assert newest(tmp_path / "takes") == str(good)


def test_a_process_apart_is_replaced_and_tells_what_failed(tmp_path: Path) -> None:
    """Our own rule, no outside source."""
    shot = write_shot(tmp_path)
    with Apart() as apart:
        with pytest.raises(MediaError, match="gone"):
            apart.call("gone", open_shot, str(tmp_path / "gone.exr"))
        with pytest.raises(MediaError, match="'x' ends the process"):
            apart.call("x", os.abort)
        assert apart.call("shot", open_shot, str(shot)) == open_shot(shot)
        with pytest.raises(MediaError, match="ZeroDivisionError"):
            apart.call("x", divmod, 1, 0)


def test_a_movie_in_an_unknown_codec_stops_nothing(tmp_path: Path) -> None:
    """Our own rule, no outside source; a movie whose codec's name (an AVI stream's fourCC) nobody
    knows: the newest that opens is taken, it is listed with the reason, opening it is answered."""
    folder = tmp_path / "takes"
    shot = write_shot(folder / "one", "good")
    unknown = unknown_codec(folder / "odd.avi")
    with pytest.raises(MediaError, match=r"codec that cannot be read; transcode"):
        open_shot(unknown)
    os.utime(unknown, (4e9, 4e9))
    assert newest(folder) == str(shot)
    settings = settings_for(tmp_path)
    options = ServeOptions(shot=str(shot), roots=(folder,), watched=folder)
    with serving(options, settings, clock=lambda: 5e9) as service:
        live = Live(service, service.address, tmp_path)
        with live.page(show={"name": "plate"}) as page:
            shots = listed(page, lambda shots: any(shot["problem"] for shot in shots))
            told = {shot["name"]: shot["problem"] for shot in shots}
            assert told["good"] == ""
            assert "codec that cannot be read" in told["odd"]
            assert str(tmp_path) not in told["odd"]
            page.send(type="shot_open", id="o", shot="odd.avi")
            assert "codec" in page.until("error", timeout=30, about="o")["message"]


def unknown_codec(path: Path) -> Path:
    """An AVI by PyAV whose stream names a codec that there is none of."""
    import av
    import numpy as np

    with av.open(str(path), "w") as container:
        stream: Any = container.add_stream("mjpeg", rate=24)
        stream.width, stream.height, stream.pix_fmt = 64, 48, "yuvj420p"
        for _ in range(3):
            frame = av.VideoFrame.from_ndarray(np.zeros((48, 64, 3), np.uint8), "rgb24")
            container.mux(stream.encode(frame.reformat(format="yuvj420p")))
        container.mux(stream.encode(None))
    path.write_bytes(path.read_bytes().replace(b"MJPG", b"QQ7z"))
    return path
