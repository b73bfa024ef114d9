"""The kept takes over HTTP and the wire: read by all, written by operators, one log for both."""

from __future__ import annotations

import base64
import csv
import io
import json
import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path

import cv2
import numpy as np
import pytest

from server.cli import run
from server.media import open_shot
from server.service.take_list import day_of_takes, take_log
from server.survey.survey import SurveyResult, survey_shot
from server.takes.log import TREND, TakeLog, TakesError
from tests.server.conftest import Live

EARLIER = datetime(2031, 5, 17, 12, 0, tzinfo=UTC)


def surveyed(live: Live) -> SurveyResult:
    return survey_shot(open_shot(live.folder / "media" / "take.####.exr"))


def test_no_take_yet_is_an_empty_day_and_makes_no_file(fresh: Live) -> None:
    """Common practice, no source: looking changes nothing on disk."""
    cookie = fresh.cookie()
    answer = fresh.get("/api/takes", cookie)
    assert answer.status_code == 200
    assert (answer.json()["takes"], answer.json()["days"]) == ([], [])
    assert [m["name"] for m in answer.json()["measures"]] == list(TREND)
    for path in ("/api/takes/1", "/api/takes/1/thumbnail", "/api/takes.csv", "/api/takes.html"):
        refused = fresh.get(path, cookie)
        assert refused.status_code == 404
        assert refused.json()["error"]
    with fresh.page() as page:
        page.send(type="take_note", id="n", take=1, text="x")
        assert "survey a shot first" in page.until("error", about="n")["message"]
    assert not take_log(fresh.service).exists()


def test_a_survey_is_kept_told_to_all_and_read_by_all(fresh: Live) -> None:
    """Common practice, no source."""
    with fresh.page() as page, fresh.page("reviewer") as looker:
        page.send(type="job_start", id="s", kind="survey")
        job = page.until("job", timeout=60, id="s", state="done")
        looker.until("kept")
        assert job["result"]["take"] == 1
        assert "maps" not in job["result"]
    reviewer = fresh.cookie("reviewer")
    day = fresh.get("/api/takes", reviewer).json()
    (take,) = day["takes"]
    assert (take["id"], take["open"], take["note"]) == (1, True, "")
    assert take["verdict"] == job["result"]["verdict"]["name"]
    evenness = job["result"]["measures"]["evenness_stops"]
    assert take["values"]["evenness_stops"] == pytest.approx(evenness, rel=1e-6)
    spill = job["result"]["measures"]["spill"]
    assert take["values"]["spill"] == pytest.approx(100 * spill, rel=1e-6)
    whole = fresh.get("/api/takes/1", reviewer).json()
    assert whole["take"] == take
    assert [r["text"] for r in whole["verdict"]["reasons"]] == [
        r["text"] for r in job["result"]["verdict"]["reasons"]
    ]
    assert whole["frame"] in range(1001, 1007)
    assert {m["name"] for m in whole["maps"]} == {"evenness", "alpha_noise"}
    assert all(m["low"] < m["high"] and m["unit"] for m in whole["maps"])
    assert str(fresh.folder) not in json.dumps([day, whole]), "reviewers learn no paths"
    picture = fresh.get("/api/takes/1/thumbnail", reviewer)
    assert picture.headers["content-type"] == "image/jpeg"
    assert picture.content == base64.b64decode(whole["thumbnail"])
    assert cv2.imdecode(np.frombuffer(picture.content, np.uint8), cv2.IMREAD_COLOR) is not None


def test_notes_are_the_operators_and_stay(fresh: Live, capsys: pytest.CaptureFixture[str]) -> None:
    """Common practice, no source: the command line reads what the page wrote."""
    log = take_log(fresh.service)
    TakeLog(log).add(surveyed(fresh))
    with fresh.page("reviewer") as looker, fresh.page() as page:
        looker.send(type="take_note", id="n", take=1, text="mine")
        assert "only an operator" in looker.until("error", about="n")["message"]
        for n, text in enumerate(("one", "two", "flag opened")):
            page.send(type="take_note", id=f"n{n}", take=1, text=text)
        for n in range(3):
            page.until("done", id=f"n{n}")
        looker.until("kept")
        page.send(type="take_note", id="m", take=9, text="x")
        assert "no take 9" in page.until("error", about="m")["message"]
        page.send(type="take_note", id="l", take=1, text="x" * 2001)
        assert "text" in page.until("error")["message"]
    assert fresh.get("/api/takes", fresh.cookie("reviewer")).json()["takes"][0]["note"] == (
        "flag opened"
    )
    assert run(["takes", "--log", str(log)]) == 0
    assert "[flag opened]" in capsys.readouterr().out


def test_who_notes_a_take_a_moment_too_late_hears_of_it(fresh: Live) -> None:
    """Common practice, no source: compare and set."""
    log = TakeLog(take_log(fresh.service))
    log.add(surveyed(fresh))
    with fresh.page() as page, fresh.page() as other:
        page.send(type="take_note", id="a", take=1, text="flag opened", seen="")
        page.until("done", id="a")
        other.send(type="take_note", id="b", take=1, text="wider", seen="")
        told = other.until("error", about="b")["message"]
        assert "somebody else changed the note on take 1" in told
        assert "flag opened" in told
    assert log.entry(1).note == "flag opened"


def test_damaged_takes_are_told_of(fresh: Live) -> None:
    """Common practice, no source: in the list and in the report, which show the rest."""
    log = TakeLog(take_log(fresh.service))
    for _ in range(2):
        log.add(surveyed(fresh))
    with log._connected() as db:
        db.execute("UPDATE take SET result = 'x' WHERE id = 1")
    cookie = fresh.cookie()
    day = fresh.get("/api/takes", cookie).json()
    assert ([t["id"] for t in day["takes"]], day["left_out"][:17]) == ([2], "take 1 is damaged")
    assert "Take 1 is damaged" in fresh.get("/api/takes.html", cookie).text
    assert fresh.get("/api/takes/1", cookie).status_code == 503


def test_days_are_chosen_and_exported(fresh: Live) -> None:
    """Source: RFC 4180 through Python's csv module; RFC 6266 for the files' names."""
    log, result = TakeLog(take_log(fresh.service)), surveyed(fresh)
    log.add(result, at=EARLIER, note="earlier")
    other = result.model_copy(update={"name": "gate_07", "spec": "elsewhere/gate_07.####.exr"})
    for n in range(2):
        log.add(other, at=EARLIER.replace(day=20), note=f"later {n}")
    cookie = fresh.cookie()
    newest = fresh.get("/api/takes", cookie).json()
    first = EARLIER.astimezone().date().isoformat()
    assert newest["days"][1] == first
    assert newest["day"] == newest["days"][0]
    assert newest["here"] == 1
    assert [(t["id"], t["open"], t["note"]) for t in newest["takes"]] == [
        (2, False, "later 0"),
        (3, False, "later 1"),
    ]
    assert [t["id"] for t in fresh.get(f"/api/takes?day={first}", cookie).json()["takes"]] == [1]
    table = fresh.get(f"/api/takes.csv?day={newest['day']}", cookie)
    assert f'filename="takes_{newest["day"]}.csv"' in table.headers["content-disposition"]
    rows = list(csv.DictReader(io.StringIO(table.text)))
    assert [row["note"] for row in rows] == ["later 0", "later 1"]
    assert float(rows[0]["spill"]) == pytest.approx(result.measures.spill, rel=1e-4)
    page = fresh.get("/api/takes.html", cookie)
    assert page.headers["content-disposition"].startswith("attachment")
    assert "later 1" in page.text
    assert "earlier" not in page.text
    report = fresh.get("/api/takes/1/report.html", cookie)
    assert "qualified crew" in report.text
    for bad in ("2031-5-17", "../x", "2031-05-17'"):
        assert fresh.get(f"/api/takes?day={bad}", cookie).status_code == 422
    assert fresh.get("/api/takes.csv?day=2031-01-01", cookie).status_code == 404


@pytest.mark.parametrize(
    "path", ["/api/takes", "/api/takes/1", "/api/takes/1/thumbnail", "/api/takes.csv"]
)
def test_without_a_link_nothing_is_told(live: Live, path: str) -> None:
    """Source: RFC 9110, 401."""
    assert live.get(path).status_code == 401


@pytest.mark.parametrize("path", ["/api/takes.csv", "/api/takes.html", "/api/takes/1/report.html"])
def test_exports_name_files_and_are_the_operators(live: Live, path: str) -> None:
    """Source: RFC 9110, 403."""
    assert live.get(path, live.cookie("reviewer")).status_code == 403


def test_a_log_that_cannot_be_written_loses_no_survey(fresh: Live) -> None:
    """Common practice, no source: the answer is there, and why it was not kept."""
    log = take_log(fresh.service)
    log.parent.mkdir(parents=True, exist_ok=True)
    log.write_text("this is no database " * 100)
    with fresh.page() as page:
        page.send(type="job_start", id="s", kind="survey")
        job = page.until("job", timeout=60, id="s", state="done")
    assert job["result"]["take"] is None
    assert job["result"]["verdict"]["name"]
    assert "not kept" in job["message"]
    refused = fresh.get("/api/takes", fresh.cookie())
    assert refused.status_code == 503
    assert log.name in refused.json()["error"]
    looked = fresh.get("/api/takes", fresh.cookie("reviewer"))
    assert looked.status_code == 503
    assert str(fresh.folder) not in looked.text, "reviewers learn no paths"


def test_a_take_of_another_version_stays_in_the_list(fresh: Live) -> None:
    """Common practice, no source: its verdict and note are shown, its values are not to be had."""
    log = TakeLog(take_log(fresh.service))
    log.add(surveyed(fresh), note="kept")
    with log._connected() as db:
        db.execute("UPDATE take SET result = json_set(result, '$.measures.unheard_of', 1)")
    (take,) = day_of_takes(log, "").takes
    assert take.note == "kept"
    assert set(take.values.values()) == {None}
    with pytest.raises(TakesError, match="another version"):
        log.result(1)


def test_reviewers_see_takes_of_this_shot_and_no_other_shows(fresh: Live) -> None:
    """Common practice, no source: a user's log holds every show; a link opens one shot."""
    log, result = TakeLog(take_log(fresh.service)), surveyed(fresh)
    log.add(result, at=EARLIER)
    beside = f"{fresh.folder / 'media'}_2/secret.####.exr"
    for spec in ("/elsewhere/secret.####.exr", beside):
        log.add(result.model_copy(update={"name": "secret", "spec": spec}))
    reviewer, operator = fresh.cookie("reviewer"), fresh.cookie()
    seen = fresh.get("/api/takes", reviewer).json()
    assert [take["id"] for take in seen["takes"]] == [1]
    assert seen["days"] == [EARLIER.astimezone().date().isoformat()]
    for day in fresh.get("/api/takes", operator).json()["days"]:
        assert "secret" not in fresh.get(f"/api/takes?day={day}", reviewer).text
    for path in ("/api/takes/2", "/api/takes/2/thumbnail", "/api/takes/3"):
        assert fresh.get(path, reviewer).status_code == 404
        assert fresh.get(path, operator).status_code == 200


@pytest.mark.parametrize(
    ("written", "kept"),
    [
        ("two\nlines\tand a tab", "two\nlines\tand a tab"),
        ("\x1b[31mred\x00\x07\x9b1m", "[31mred1m"),
        ("\u202etxt.exe", "txt.exe"),
        ("'); DROP TABLE take;--", "'); DROP TABLE take;--"),
        ("<script>alert(1)</script>", "<script>alert(1)</script>"),
    ],
)
def test_a_note_does_nothing_but_tell(
    fresh: Live, capsys: pytest.CaptureFixture[str], written: str, kept: str
) -> None:
    """Source: ECMA-48, whose control characters a terminal obeys; Unicode TR 36 for reordering."""
    log = TakeLog(take_log(fresh.service))
    log.add(surveyed(fresh))
    cookie = fresh.cookie()
    with fresh.page(cookie=cookie) as page:
        page.send(type="take_note", id="n", take=1, text=written)
        page.until("done", id="n")
    assert fresh.get("/api/takes", cookie).json()["takes"][0]["note"] == kept
    assert "<script" not in fresh.get("/api/takes.html", cookie).text
    assert run(["takes", "--log", str(log.path)]) == 0
    listed = capsys.readouterr().out.splitlines()
    assert len(listed) == 2
    assert listed[1].isprintable()


@pytest.mark.parametrize("note", ["=1+1", "\n=1+1", " @SUM(1)", "\uff1d1+1", "\t-1", "+1", "-1"])
def test_no_cell_is_a_formula(fresh: Live, note: str) -> None:
    """Source: OWASP, CSV injection: what cells must not begin with."""
    log = TakeLog(take_log(fresh.service))
    log.add(surveyed(fresh), note=note)
    (row,) = csv.DictReader(io.StringIO(fresh.get("/api/takes.csv", fresh.cookie()).text))
    assert row["note"] == "'" + note


def test_many_begin_one_log_at_once(tmp_path: Path) -> None:
    """Common practice, no source: two services and a command start in one new folder."""
    for n in range(10):
        gate = threading.Barrier(8)

        def begin(path: Path = tmp_path / f"{n}.sqlite", gate: threading.Barrier = gate) -> int:
            gate.wait(10)
            return len(TakeLog(path).days())

        with ThreadPoolExecutor(8) as pool:
            assert [f.result() for f in [pool.submit(begin) for _ in range(8)]] == [0] * 8
