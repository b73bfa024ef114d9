"""The job runner: one after the other, progress, cancel, failures in a sentence."""

from __future__ import annotations

import errno
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any, cast

import numpy as np
import pytest
from OpenImageIO import ImageBuf

from kernels.cuda.runner import DeviceEngine
from kernels.errors import VerdigrisError
from server.media import Frame, Shot, write_exr
from server.media.apart import ApartShot
from server.pictures.renderer import RenderThread, SharedEngine, Urgency
from server.service.handlers import work as work_handlers
from server.service.jobs import MAX_QUEUED, JobContext, JobError, JobResult, JobRunner
from server.service.page_jobs import PAGE_JOBS
from server.service.service import Service
from server.service.take_list import take_log
from server.takes.log import TakeLog
from server.wire.state import JobInfo
from tests.server.conftest import FRAMES, HEIGHT, WIDTH, Live, live_service


class Heard:
    """Collects what a runner tells."""

    def __init__(self) -> None:
        self.infos: list[JobInfo] = []
        self.changed = threading.Condition()

    def __call__(self, info: JobInfo) -> None:
        with self.changed:
            self.infos.append(info)
            self.changed.notify_all()

    def wait(self, job: str, *states: str) -> JobInfo:
        with self.changed:
            assert self.changed.wait_for(
                lambda: any(i.job == job and i.state in states for i in self.infos), 10
            )
            return next(i for i in reversed(self.infos) if i.job == job and i.state in states)


def context(options: dict[str, Any]) -> Any:
    def make(out: Path, cancelled: threading.Event, report: Any) -> JobContext:
        nothing = cast(Any, None)
        return JobContext(
            shot=nothing,
            recipe=nothing,
            revision=1,
            options=options,
            roots=nothing,
            engine=nothing,
            out=out,
            renders=out,
            plates=out,
            cancelled=cancelled,
            report=report,
        )

    return make


def work(job: JobContext) -> JobResult:
    kind = job.options.get("kind")
    if kind == "sentence":
        raise VerdigrisError("'x.exr' is missing: supply it")
    if kind == "defect":
        raise ZeroDivisionError("secret detail")
    if kind == "full":
        raise OSError(errno.ENOSPC, "No space left on device", "report.html")
    if kind == "wait":
        job.cancelled.wait(10)
        job.report(1, 2)
    for n in range(4):
        job.report(n + 1, 4)
    path = job.out / "report.txt"
    path.write_text("done")
    return JobResult("all well", {"n": 4}, {"report.txt": path})


@pytest.fixture
def made(tmp_path: Path) -> Iterator[tuple[JobRunner, Heard]]:
    heard = Heard()
    runner = JobRunner({"survey": work}, tmp_path, on_change=heard)
    yield runner, heard
    runner.close()


def test_a_job_reports_and_leaves_files(made: tuple[JobRunner, Heard]) -> None:
    """Common practice, no source."""
    runner, heard = made
    job = runner.start("survey", context({}), "request").job
    done = heard.wait(job, "done")
    assert (done.id, done.done, done.total, done.message) == ("request", 4, 4, "all well")
    assert (done.result, done.files) == ({"n": 4}, ["report.txt"])
    path = runner.file(job, "report.txt")
    assert path is not None
    assert path.read_text() == "done"
    assert runner.file(job, "../report.txt") is None
    assert runner.file("other", "report.txt") is None


def test_failures_are_sentences_and_defects_stay_inside(
    made: tuple[JobRunner, Heard], caplog: pytest.LogCaptureFixture
) -> None:
    """Common practice, no source."""
    runner, heard = made
    first = runner.start("survey", context({"kind": "sentence"})).job
    assert heard.wait(first, "failed").message == "'x.exr' is missing: supply it"
    second = runner.start("survey", context({"kind": "defect"})).job
    assert "secret detail" not in heard.wait(second, "failed").message
    assert "secret detail" in caplog.text
    third = runner.start("survey", context({})).job
    heard.wait(third, "done")


def test_jobs_are_cancelled_running_or_waiting(made: tuple[JobRunner, Heard]) -> None:
    """Common practice, no source."""
    runner, heard = made
    running = runner.start("survey", context({"kind": "wait"})).job
    heard.wait(running, "running")
    waiting = runner.start("survey", context({})).job
    runner.cancel(waiting)
    assert heard.wait(waiting, "cancelled")
    runner.cancel(running)
    assert heard.wait(running, "cancelled")
    with pytest.raises(JobError):
        runner.cancel("other")
    assert not [i for i in heard.infos if i.job == waiting and i.state == "running"]


def test_the_queue_has_an_end(made: tuple[JobRunner, Heard]) -> None:
    """Common practice, no source."""
    runner, heard = made
    jobs = [runner.start("survey", context({"kind": "wait"})).job for _ in range(MAX_QUEUED)]
    with pytest.raises(JobError):
        runner.start("survey", context({}))
    with pytest.raises(JobError):
        runner.start("render", context({}))
    for job in jobs:
        runner.cancel(job)
        heard.wait(job, "cancelled")


def test_the_page_starts_a_survey_and_a_suggestion(fresh: Live) -> None:
    """Common practice, no source."""
    with fresh.page() as page:
        page.send(type="job_start", id="s", kind="survey")
        done = page.until("job", timeout=60, id="s", state="done")
        assert done["result"]["verdict"]
        assert done["files"] == ["survey.html"]
        assert done["result"]["take"] == 1
        page.send(type="job_start", id="g", kind="suggest")
        suggested = page.until("job", timeout=60, id="g", state="done")["result"]["recipe"]
        assert suggested["extractors"]
        page.set("", suggested, label="take the suggestion")
        page.until("accepted", timeout=10)
        fresh.service.pictures.soon(lambda: None)
    page_url = f"/api/jobs/{done['job']}/survey.html"
    answer = fresh.get(page_url, fresh.cookie())
    assert answer.status_code == 200
    assert "attachment" in answer.headers["content-disposition"]
    assert fresh.get(page_url, fresh.cookie("reviewer")).status_code == 403
    assert fresh.service.opened.troubles(fresh.service.session.recipe) == []


def test_a_suggestion_keys_with_the_clean_plate_at_hand(fresh: Live) -> None:
    """Common practice, no source: what the operator has is kept, what a job built is built anew."""
    screen = np.broadcast_to(np.array([0.05, 0.35, 0.07])[:, None, None], (3, HEIGHT, WIDTH))
    write_exr(fresh.folder / "media" / "bare.exr", {"": screen}, interop_id="lin_ap1_scene")
    plates = fresh.service.folders.plates
    with fresh.page() as page:
        page.set("screen/clean_plate_path", "bare.exr")
        page.set("screen/clean_plate", "file")
        page.until("accepted")
        page.until("accepted")
        page.send(type="job_start", id="g", kind="suggest")
        made = page.until("job", timeout=60, id="g", state="done")["result"]["recipe"]
        assert made["screen"]["clean_plate_path"] == "bare.exr"
        assert "bare.exr was there and is kept" in made["notes"]["screen"]
        assert not list(plates.iterdir())
        page.set("screen/clean_plate", "none")
        for n in range(2):
            page.send(type="job_start", id=f"n{n}", kind="suggest")
            built = page.until("job", timeout=60, id=f"n{n}", state="done")["result"]["recipe"]
            assert len(list(plates.iterdir())) == n + 1
            page.set("", built, label="take the suggestion")
            page.until("accepted")


def test_the_page_bakes_a_denoised_pass_and_uses_it(fresh: Live) -> None:
    """Source: OpenImageIO reads what was baked; the screen's noise from its standard deviation."""
    with fresh.page(show={"name": "denoised"}) as page:
        page.send(type="job_start", id="p", kind="prepare")
        job = page.until("job", timeout=60, id="p", state="done")
        made, name = job["result"], job["result"]["denoised_path"]
        assert job["message"].startswith("6 frames baked; ")
        assert (made["written"], made["skipped"]) == (6, 0)
        assert made["denoise"] == page.state["recipe"]["source"]["denoise"]
        folder = fresh.service.folders.plates / name.partition("/")[0]
        assert sorted(p.name for p in folder.iterdir()) == [f"take.{f}.exr" for f in FRAMES]
        share = screen_sigma(folder / "take.1003.exr") / screen_sigma(
            fresh.folder / "media" / "take.1003.exr"
        )
        assert share < 0.5
        assert made["noise_left"] == pytest.approx(share, abs=0.15)
        page.set("source/denoised_path", name, label="Denoised pass")
        revision = page.until("accepted")["revision"]
        page.picture(revision=revision)
        assert fresh.service.opened.troubles(fresh.service.session.recipe) == []
        page.send(type="job_start", id="q", kind="prepare")
        again = page.until("job", timeout=60, id="q", state="done")
        assert again["result"]["denoised_path"] == name, "no pass changes while it is in use"
        assert (again["result"]["written"], again["result"]["skipped"]) == (0, 6)
        page.set("source/denoise/strength", 0.4)
        page.until("accepted")
        page.send(type="job_start", id="r", kind="prepare", options={"frames": "1002"})
        one = page.until("job", timeout=60, id="r", state="done")
        assert one["message"].startswith("1 frame baked; ")
        assert one["result"]["denoised_path"] != name
        assert one["result"]["noise_left"] > made["noise_left"]


def screen_sigma(path: Path) -> float:
    """Mean standard deviation of the channels in a part of the picture that is screen only."""
    pixels = np.asarray(ImageBuf(str(path)).get_pixels())
    return float(np.mean(np.std(pixels[44:52, 4:90, :3], axis=(0, 1))))


def test_baking_says_what_it_cannot_do(fresh: Live) -> None:
    """Common practice, no source: a sentence each, and nothing written."""
    refused: list[tuple[dict[str, Any], str]] = [
        ({"frames": "1003-1008"}, "the shot has the frames 1001-1006 and not 1007-1008"),
        ({"frames": "soon"}, "'soon' is not a frame range"),
        ({"frames": 3}, "job option frames"),
        ({"strength": 2}, "job option 'strength' is not a parameter"),
    ]
    with fresh.page() as page:
        for n, (options, told) in enumerate(refused):
            page.send(type="job_start", id=f"p{n}", kind="prepare", options=options)
            failed = page.until("job", timeout=30, id=f"p{n}", state="failed")
            assert failed["message"].startswith(told)
    with fresh.page("reviewer") as page:
        page.send(type="job_start", id="x", kind="prepare")
        page.until("error", about="x")
    assert not list(fresh.service.folders.plates.iterdir())


def test_baking_without_a_screen_or_measured_noise_says_so(tmp_path: Path) -> None:
    """Common practice, no source: with noise in the recipe no screen is needed."""
    grey = np.full((3, HEIGHT, WIDTH), 0.18, np.float32)
    write_exr(tmp_path / "media" / "grey.exr", {"": grey}, interop_id="lin_ap1_scene")
    shot = str(tmp_path / "media" / "grey.exr")
    with live_service(tmp_path, shot=shot) as live, live.page() as page:
        page.send(type="job_start", id="p", kind="prepare")
        failed = page.until("job", timeout=60, id="p", state="failed")
        assert "no screen was found" in failed["message"]
        page.set("screen/noise/offset", [1e-5, 1e-5, 1e-5])
        page.until("accepted")
        page.send(type="job_start", id="q", kind="prepare")
        done = page.until("job", timeout=60, id="q", state="done")
        assert done["message"] == "1 frame baked"
        assert done["result"]["denoised_path"].endswith("/grey.exr")


def test_cancelling_a_bake_keeps_frames_that_the_next_one_finds(
    fresh: Live, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Common practice, no source."""
    runner, read = fresh.service.jobs, ApartShot.read
    stop = [True]

    def read_and_stop(shot: ApartShot, frame: int) -> Frame:
        if stop[0] and frame == 1005:
            runner.cancel(runner.infos()[-1].job)
        return read(shot, frame)

    monkeypatch.setattr(ApartShot, "read", read_and_stop)
    with fresh.page() as page:
        page.set("screen/noise/offset", [1e-5, 1e-5, 1e-5])
        page.until("accepted")
        page.send(type="job_start", id="p", kind="prepare")
        told = page.until("job", timeout=60, id="p", state="cancelled")
        assert told["message"] == "cancelled; what was finished is kept"
        (folder,) = fresh.service.folders.plates.iterdir()
        kept = {path.name: path.stat().st_mtime_ns for path in folder.iterdir()}
        assert 0 < len(kept) < len(FRAMES)
        assert all(name.startswith("take.") for name in kept), "nothing half-written"
        stop[0] = False
        page.send(type="job_start", id="q", kind="prepare")
        done = page.until("job", timeout=60, id="q", state="done")
        assert done["result"]["skipped"] == len(kept)
        assert done["message"].startswith(f"6 frames baked, {len(kept)} of them earlier")
        assert {n: (folder / n).stat().st_mtime_ns for n in kept} == kept


def test_all_kinds_the_page_may_ask_for_are_there() -> None:
    """Common practice, no source."""
    assert {"render", "survey", "suggest", "prepare"} == set(PAGE_JOBS)


def test_the_engines_thread_does_the_urgent_first_and_survives_failures() -> None:
    """Common practice, no source."""
    thread = RenderThread()
    gate, done = threading.Event(), []
    blocked = thread.submit(Urgency.PICTURE, lambda: gate.wait(10))
    futures = [
        thread.submit(u, lambda u=u: done.append(u.name))
        for u in (Urgency.JOB, Urgency.SCOPE, Urgency.PICTURE, Urgency.SAMPLE)
    ]
    gate.set()
    for future in [blocked, *futures]:
        future.result(10)
    assert done == ["PICTURE", "SAMPLE", "SCOPE", "JOB"]
    with pytest.raises(ZeroDivisionError):
        thread.call(Urgency.PICTURE, lambda: 1 // 0)
    seen: list[str] = []

    class Engine:
        name, description, abilities = "cuda", "x", DeviceEngine.abilities

        def fetch(self, n: int) -> int:
            seen.append(threading.current_thread().name)
            return n + 1

    shared = SharedEngine(cast(Any, Engine()), thread)
    assert shared.fetch(1) == 2
    assert seen == ["renderer"]
    thread.close()
    assert thread.submit(Urgency.PICTURE, lambda: 1).cancelled()


def test_a_full_disk_is_told_in_a_sentence(made: tuple[JobRunner, Heard]) -> None:
    """Common practice, no source."""
    runner, heard = made
    job = runner.start("survey", context({"kind": "full"}))
    told = heard.wait(job.job, "failed").message
    assert "No space left" in told
    assert "report.html" in told
    assert "log tells more" not in told


def test_one_shot_that_fails_unexpectedly_stops_no_other(
    fresh: Live, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Common practice, no source: what is done is kept, and told even at a cancel."""
    plain = fresh.service.opened.shot
    log = take_log(fresh.service)

    def read(_: Service, name: str) -> Shot:
        if name == "defect":
            raise ZeroDivisionError("secret detail")
        if name == "stop":
            runner = fresh.service.jobs
            runner.cancel(runner.infos()[-1].job)
        return plain

    monkeypatch.setattr(work_handlers, "read_watched", read)
    with fresh.page() as page:
        shots = ["a", "defect", "b"]
        page.send(type="job_start", id="s", kind="survey", options={"shots": shots})
        job = page.until("job", timeout=60, id="s", state="done")
        assert job["result"]["takes"] == [1, 2]
        (failed,) = job["result"]["failed"]
        assert failed["shot"] == "defect"
        assert "secret" not in failed["message"]
        page.until("kept")
        page.send(type="job_start", id="c", kind="survey", options={"shots": ["a", "stop", "b"]})
        page.until("job", timeout=60, id="c", state="cancelled")
        page.until("kept")
    assert len(TakeLog(log).entries()) == 3
