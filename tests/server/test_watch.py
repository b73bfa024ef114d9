"""Takes appear by themselves and open with the last recipe."""

from __future__ import annotations

import os
import time
from pathlib import Path

from server.background import running
from server.jobs.takes import TakeLog
from server.start import ServeOptions, make_service
from server.watch import STILL_FOR_S, Watch, look, newest
from tests.server.conftest import Live, settings_for, wait_for, write_shot


def test_a_folder_of_takes_is_looked_through(tmp_path: Path) -> None:
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
    options = ServeOptions(shot=str(first), roots=(folder,))
    service, maker = make_service(options, settings)
    now = [time.time() + 100]
    watch = Watch(service, maker, folder, clock=lambda: now[0])
    watch.attach()
    with running(service, options, settings) as address:
        live = Live(service, address, tmp_path)
        with live.page(show={"name": "plate"}) as page:
            wait_for(lambda: [take.name for take in service.takes] == ["one"])
            assert service.takes[0].open
            page.set("backing/primary", "blue")
            page.until("accepted")
            write_shot(folder / "two", "two", range(2001, 2004))
            takes = page.until("takes", timeout=15)["takes"]
            while len(takes) < 2:
                takes = page.until("takes", timeout=15)["takes"]
            assert {take["name"]: take["open"] for take in takes} == {"one": True, "two": False}
            two = next(take for take in takes if take["name"] == "two")
            now[0] += STILL_FOR_S + 1
            page.send(type="take_open", id="t", take=two["take"])
            state = page.until("state", timeout=20)["state"]
            assert state["shot"]["name"].startswith("two")
            assert (state["shot"]["first"], state["shot"]["last"]) == (2001, 2003)
            assert state["recipe"]["backing"]["primary"] == "blue"
            header, _ = page.picture()
            assert header.frame == 2001
            page.set("backing/primary", "red")
            page.until("accepted")
            one = next(take for take in takes if take["name"] == "one")
            page.send(type="take_open", id="u", take=one["take"])
            back = page.until("state", timeout=20)["state"]
            assert back["recipe"]["backing"]["primary"] == "blue", "a take keeps its own recipe"
            page.send(type="job_start", id="s", kind="survey")
            job = page.until("job", timeout=60, id="s", state="done")
            verdict = job["result"]["verdict"]["name"]
            wait_for(lambda: [t.verdict for t in service.takes if t.name == "one"] == [verdict])
            page.send(type="take_open", id="v", take="../secret.mov")
            assert page.until("error", about="v")["message"]


def test_all_takes_without_a_verdict_are_surveyed_by_one_job(tmp_path: Path) -> None:
    """Common practice, no source: a take that cannot be read, or is none, stops no other."""
    folder = tmp_path / "takes"
    first = write_shot(folder / "one", "gate")
    write_shot(folder / "two", "gate", range(2001, 2003))
    (folder / "three.mov").write_bytes(b"no movie")
    settings = settings_for(tmp_path)
    options = ServeOptions(shot=str(first), roots=(folder,))
    service, maker = make_service(options, settings)
    now = [time.time() + 100]
    watch = Watch(service, maker, folder, clock=lambda: now[0])
    watch.attach()
    TakeLog(folder / "takes.sqlite")
    with running(service, options, settings) as address:
        live = Live(service, address, tmp_path)
        with live.page(show={"name": "plate"}) as page:
            wait_for(lambda: len(service.takes) == 3)
            names = [take.take for take in service.takes]
            page.send(
                type="job_start", id="s", kind="survey", options={"takes": [*names, "../x.mov"]}
            )
            job = page.until("job", timeout=90, id="s", state="done")
            assert (job["done"], job["total"]) == (4, 4)
            assert job["result"]["takes"] == [1, 2]
            failed = {f["take"]: f["message"] for f in job["result"]["failed"]}
            assert set(failed) == {"three.mov", "../x.mov"}
            assert "three.mov" in failed["three.mov"]
            assert job["message"].startswith("2 of 4 takes surveyed")
            page.send(type="job_start", id="b", kind="survey", options={"takes": "all"})
            assert "takes" in page.until("job", id="b", state="failed")["message"]
        day = live.get("/api/takes", live.cookie()).json()
        assert {take["name"] for take in day["takes"]} == {"one/gate", "two/gate"}
        wait_for(lambda: sum(bool(take.verdict) for take in service.takes) == 2)


def test_a_service_without_a_folder_says_so(fresh: Live) -> None:
    """Common practice, no source."""
    with fresh.page() as page:
        page.send(type="job_start", id="s", kind="survey", options={"takes": ["a.mov"]})
        job = page.until("job", timeout=30, id="s", state="done")
        assert "does not watch" in job["message"]
