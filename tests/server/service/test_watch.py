"""New shots of a watched folder appear by themselves and open with the last recipe."""

from __future__ import annotations

import logging
import os
import sqlite3
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import pytest

from server.bench.service_thread import serving
from server.media import MediaError, open_shot, sequence
from server.service import watch
from server.service.maker import ServeOptions
from server.service.watch import MAX_SHOTS, STILL_FOR_S, Found, Watch, look, newest
from server.takes.log import TakeLog
from tests.server.conftest import Live, Page, settings_for, write_shot

Shots = list[dict[str, Any]]


def listed(page: Page, condition: Callable[[Shots], bool]) -> Shots:
    """Return the shots of the watched folder once the page hears of what is waited for."""
    heard = [told["shots"] for told in page.texts if told["type"] == "watched"]
    shots: Shots = [page.state["watched"], *heard][-1]
    while not condition(shots):
        shots = page.until("watched", timeout=60)["shots"]
    return shots


def test_a_folder_of_shots_is_looked_through(tmp_path: Path) -> None:
    """Common practice, no source."""
    write_shot(tmp_path / "take1", "a")
    write_shot(tmp_path / "take2", "b", range(1, 4))
    (tmp_path / "take2" / "notes.txt").write_text("x")
    (tmp_path / "deep" / "er" / "est" / "ly").mkdir(parents=True)
    found = {take.name: take.frames for take in look(tmp_path)}
    assert found == {"a": 6, "b": 3}
    assert newest(tmp_path / "deep") is None
    unfinished = tmp_path / "take2" / "c.mov"
    unfinished.write_bytes(b"still being written")
    os.utime(unfinished, (time.time() + 60, time.time() + 60))
    for frame in (tmp_path / "take1").iterdir():
        os.utime(frame, (time.time() - 60, time.time() - 60))
    assert newest(tmp_path) == str(tmp_path / "take2" / "b.#.exr")
    assert look(tmp_path / "gone") == []


def test_a_new_take_appears_and_opens_with_the_last_recipe(tmp_path: Path) -> None:
    """Common practice, no source."""
    folder = tmp_path / "takes"
    first = write_shot(folder / "one", "one")
    settings = settings_for(tmp_path)
    options = ServeOptions(shot=str(first), roots=(folder,), watched=folder)
    now = [time.time() + 100]
    with serving(options, settings, clock=lambda: now[0]) as service:
        live = Live(service, service.address, tmp_path)
        with live.page(show={"name": "plate"}) as page:
            (shot,) = listed(page, lambda shots: [shot["name"] for shot in shots] == ["one"])
            assert shot["open"]
            page.set("screen/primary", "blue")
            page.until("accepted")
            page.set("source/denoised_path", "one/one.####.exr")
            page.until("accepted")
            write_shot(folder / "two", "two", range(2001, 2004))
            takes = listed(page, lambda shots: len(shots) == 2)
            assert {take["name"]: take["open"] for take in takes} == {"one": True, "two": False}
            two = next(take for take in takes if take["name"] == "two")
            now[0] += STILL_FOR_S + 1
            page.send(type="shot_open", id="t", shot=two["shot"])
            state = page.until("state", timeout=20)["state"]
            assert state["shot"]["name"].startswith("two")
            assert (state["shot"]["first"], state["shot"]["last"]) == (2001, 2003)
            assert state["recipe"]["screen"]["primary"] == "blue"
            assert state["recipe"]["source"]["denoised_path"] == "", "that pass is of take one"
            header, _ = page.picture()
            assert header.frame == 2001
            page.set("screen/primary", "red")
            page.until("accepted")
            one = next(take for take in takes if take["name"] == "one")
            page.send(type="shot_open", id="u", shot=one["shot"])
            back = page.until("state", timeout=20)["state"]
            assert back["recipe"]["screen"]["primary"] == "blue", "a take keeps its own recipe"
            assert back["recipe"]["source"]["denoised_path"] == "one/one.####.exr"
            page.send(type="job_start", id="s", kind="survey")
            job = page.until("job", timeout=60, id="s", state="done")
            verdict = job["result"]["verdict"]["name"]
            listed(page, lambda ts: [t["verdict"] for t in ts if t["name"] == "one"] == [verdict])
            page.send(type="shot_open", id="v", shot="../secret.mov")
            assert page.until("error", about="v")["message"]


def test_all_takes_without_a_verdict_are_surveyed_by_one_job(tmp_path: Path) -> None:
    """Common practice, no source: a take that cannot be read, or is none, stops no other."""
    folder = tmp_path / "takes"
    first = write_shot(folder / "one", "gate")
    write_shot(folder / "two", "gate", range(2001, 2003))
    (folder / "three.mov").write_bytes(b"no movie")
    settings = settings_for(tmp_path)
    options = ServeOptions(shot=str(first), roots=(folder,), watched=folder)
    now = [time.time() + 100]
    TakeLog(folder / "takes.sqlite")
    with serving(options, settings, clock=lambda: now[0]) as service:
        live = Live(service, service.address, tmp_path)
        with live.page(show={"name": "plate"}) as page:
            names = [shot["shot"] for shot in listed(page, lambda shots: len(shots) == 3)]
            page.send(
                type="job_start", id="s", kind="survey", options={"shots": [*names, "../x.mov"]}
            )
            job = page.until("job", timeout=90, id="s", state="done")
            assert (job["done"], job["total"]) == (4, 4)
            assert job["result"]["takes"] == [1, 2]
            failed = {f["shot"]: f["message"] for f in job["result"]["failed"]}
            assert set(failed) == {"three.mov", "../x.mov"}
            assert "three.mov" in failed["three.mov"]
            assert job["message"].startswith("2 of 4 shots surveyed")
            page.send(type="job_start", id="b", kind="survey", options={"shots": "all"})
            assert "shots" in page.until("job", id="b", state="failed")["message"]
            listed(page, lambda shots: sum(bool(shot["verdict"]) for shot in shots) == 2)
        day = live.get("/api/takes", live.cookie()).json()
        assert {take["name"] for take in day["takes"]} == {"one/gate", "two/gate"}


def test_a_service_without_a_folder_says_so(fresh: Live) -> None:
    """Common practice, no source."""
    with fresh.page() as page:
        page.send(type="job_start", id="s", kind="survey", options={"shots": ["a.mov"]})
        job = page.until("job", timeout=30, id="s", state="done")
        assert "does not watch" in job["message"]


@pytest.mark.skipif(sys.platform != "linux", reason="other systems allow no such names")
def test_what_cannot_be_looked_at_hides_nothing_else(tmp_path: Path) -> None:
    """Common practice, no source: a link into the void, a name that is no text, a closed folder."""
    write_shot(tmp_path / "take", "z")
    (tmp_path / "a_gone.mov").symlink_to(tmp_path / "nowhere.mov")
    (tmp_path / "m.mov").write_bytes(b"x")
    no_text = Path(os.fsdecode(os.fsencode(tmp_path) + b"/caf\xe9"))
    no_text.with_suffix(".mov").write_bytes(b"x")
    no_text.mkdir()
    (no_text / "y.mov").write_bytes(b"x")
    told: list[str] = []
    assert {take.name for take in look(tmp_path, complain=told.append)} == {"m", "z"}
    assert sum("rename it" in text for text in told) == 2
    with pytest.raises(MediaError, match="rename it"):
        open_shot(no_text.with_suffix(".mov"))


def test_a_take_that_vanishes_in_mid_look_hides_nothing_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Common practice, no source."""
    (tmp_path / "a.mov").write_bytes(b"x")
    (tmp_path / "b.mov").write_bytes(b"x")
    plain = watch._found_movie

    def vanishing(path: Path) -> Found:
        (tmp_path / "a.mov").unlink(missing_ok=True)
        return plain(path)

    monkeypatch.setattr(watch, "_found_movie", vanishing)
    assert [take.name for take in look(tmp_path)] == ["b"]


def test_a_folder_of_many_sequences_is_listed_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Common practice, no source: a look every two seconds must not grow with the square."""
    for n in range(40):
        for frame in (7, 8, 9, 10):
            (tmp_path / f"take_{n:02d}.{frame}.exr").touch()
    listed: list[Path] = []
    plain = sequence.list_folder

    def counting(folder: Path) -> list[str]:
        listed.append(folder)
        return plain(folder)

    monkeypatch.setattr(sequence, "list_folder", counting)
    found = look(tmp_path)
    assert [take.frames for take in found] == [4] * 40
    assert len(listed) == 1


@pytest.fixture
def watching(tmp_path: Path) -> tuple[Watch, list[float]]:
    """A watch of a folder with a clock of its own."""
    now = [5_000.0]
    return Watch(tmp_path, clock=lambda: now[0]), now


def test_clocks_that_are_wrong_keep_no_take_back(
    watching: tuple[Watch, list[float]],
) -> None:
    """Common practice, no source: a camera's clock runs ahead, this machine's is set back."""
    watcher, now = watching
    ahead = Found(str(watcher.folder / "a.mov"), "a", 0, 10, changed=4e9)
    watcher.note([ahead], "")
    assert [shot.ready for shot in watcher.shots] == [False]
    now[0] += STILL_FOR_S
    watcher.note([ahead], "")
    assert [shot.ready for shot in watcher.shots] == [True]
    now[0] -= 3600
    watcher.note([ahead], "")
    assert [shot.ready for shot in watcher.shots] == [True]
    grown = Found(ahead.spec, "a", 0, 20, changed=4e9)
    watcher.note([grown], "")
    assert [shot.ready for shot in watcher.shots] == [False]


def test_of_too_many_shots_the_newest_are_listed(watching: tuple[Watch, list[float]]) -> None:
    """Common practice, no source: what was shot last is what a set wants to see."""
    watcher, _ = watching
    found = [
        Found(str(watcher.folder / f"{n:04d}.mov"), f"{n:04d}", 0, 1, float(n)) for n in range(600)
    ]
    watcher.note(found, "")
    names = {shot.name for shot in watcher.shots}
    assert names == {f"{n:04d}" for n in range(600 - MAX_SHOTS, 600)}


LOGGER = "verdigris.watch"


@contextmanager
def heard(name: str) -> Iterator[threading.Event]:
    """Yield an event that is set when a logger complains."""
    event = threading.Event()

    class Hear(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            event.set()

    handler = Hear(logging.WARNING)
    logging.getLogger(name).addHandler(handler)
    try:
        yield event
    finally:
        logging.getLogger(name).removeHandler(handler)


@pytest.mark.slow
def test_a_log_that_somebody_holds_stops_nothing_else(tmp_path: Path) -> None:
    """Common practice, no source: another program's lock on the log costs takes, not pictures."""
    folder = tmp_path / "takes"
    first = write_shot(folder / "one", "one")
    settings = settings_for(tmp_path)
    options = ServeOptions(shot=str(first), roots=(folder,), watched=folder)
    log = folder / "takes.sqlite"
    TakeLog(log)
    with serving(options, settings) as service:
        live = Live(service, service.address, tmp_path)
        reviewer = live.cookie("reviewer")
        with live.page("reviewer", cookie=reviewer) as page:
            listed(page, lambda shots: len(shots) == 1)
        with closing(sqlite3.connect(log, isolation_level=None)) as holder, heard(LOGGER) as told:
            holder.execute("BEGIN EXCLUSIVE")
            os.utime(log, (1, 1))
            while True:  # each request has a time-out of its own
                assert live.get("/healthz").json() == {"ok": True}
                if told.is_set():
                    break
            refused = live.get("/api/takes", reviewer)
            assert refused.status_code == 503
            assert str(tmp_path) not in refused.text
            holder.execute("ROLLBACK")
        assert live.get("/api/takes", reviewer).status_code == 200
