"""The take log and the reports."""

from __future__ import annotations

import csv
import io
import json
import re
import sqlite3
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest

from server import cli
from server.media import open_shot, write_exr
from server.media.colour import BUILT_IN_CONFIG, load_colour
from server.survey.maps import display_codes, map_picture, marked
from server.survey.survey import SurveyResult, survey_shot
from server.takes.charts import line, ticks
from server.takes.log import (
    MIGRATIONS,
    PICTURED,
    TREND,
    TakeLog,
    TakesError,
    left_out,
    log_path,
    told_apart,
)
from server.takes.report import survey_report, takes_report
from server.takes.table import csv_text
from tests.server.survey.screens import flat, noisy, ramped, with_disc


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> SurveyResult:
    """A surveyed three-frame shot with one dark side."""
    folder = tmp_path_factory.mktemp("shots")
    for n in range(3):
        image, _ = with_disc(ramped(1.2, 320, 180), 1.0)
        write_exr(
            folder / f"gate.{1001 + n}.exr",
            {"": noisy(image, 5e-5, 5e-6, n)},
            interop_id="lin_ap1_scene",
        )
    return survey_shot(open_shot(folder / "gate.####.exr"))


def test_a_take_is_kept_and_comes_back(tmp_path: Path, result: SurveyResult) -> None:
    """Common practice, no source."""
    log = TakeLog(tmp_path / "a" / "takes.sqlite")
    at = datetime(2031, 5, 17, 12, 30, tzinfo=UTC)
    first, second = log.add(result, at=at), log.add(result, at=at, note="second try")
    other = log.add(result, at=datetime(2031, 5, 20, 12, 0, tzinfo=UTC))
    assert (first, second, other) == (1, 2, 3)
    assert log.result(first) == result
    day = at.astimezone().date().isoformat()
    assert [e.note for e in log.entries(day)] == ["", "second try"]
    assert len(log.entries()) == 3
    assert log.days()[1] == day
    log.set_note(first, "flag opened")
    again = TakeLog(log.path).entries(day)[0]
    assert again.note == "flag opened"
    assert again.verdict == result.verdict.name
    assert set(again.values) == set(TREND)
    assert log.verdicts() == {result.spec: result.verdict.name}
    with pytest.raises(TakesError, match="no take 9"):
        log.set_note(9, "x")
    with pytest.raises(TakesError, match="no take 9"):
        log.result(9)


def test_a_shot_is_known_by_its_whole_path(
    tmp_path: Path, result: SurveyResult, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Common practice, no source: however the command line named it."""
    monkeypatch.chdir(tmp_path)
    log = TakeLog(tmp_path / "takes.sqlite")
    log.add(result.model_copy(update={"spec": "gate.####.exr"}))
    assert log.newest_of(str(tmp_path / "gate.####.exr")) == 1
    assert log.newest_of("gate.####.exr") == 1
    assert log.newest_of("other.####.exr") is None


@pytest.mark.parametrize(
    "broken",
    ["result = substr(result, 1, length(result) / 2)", "result = x'ff00'", "result = 'no JSON'"],
)
def test_a_damaged_take_costs_no_other(
    tmp_path: Path, result: SurveyResult, broken: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Common practice, no source: the rest is shown, and how many could not be read."""
    log = TakeLog(tmp_path / "takes.sqlite")
    for n in range(4):
        log.add(result, note=f"note {n}")
    day = log.days()[0]
    with log._connected() as db:
        db.execute(f"UPDATE take SET {broken} WHERE id = 2")
    assert [e.note for e in log.entries(day)] == ["note 0", "note 2", "note 3"]
    assert log.damaged(day) == [2]
    assert (log.damaged("2031-01-01"), left_out([])) == ([], "")
    for read in (log.entry, log.result):
        with pytest.raises(TakesError, match=r"take 2 in .* is damaged"):
            read(2)
    assert log.entry(3).note == "note 2"
    assert "Take 2 is damaged" in takes_report(log.entries(), "Takes", missing=left_out([2]))
    assert cli.run(["takes", "--log", str(log.path)]) == 0
    assert "take 2 is damaged in the log and left out here" in capsys.readouterr().out
    with log._connected() as db:
        db.execute(f"UPDATE take SET {broken}")
    assert cli.run(["takes", "--log", str(log.path), "--day", "all"]) == 0
    assert "4 takes are damaged in the log and left out here (1-4)" in capsys.readouterr().out


def test_a_name_that_is_no_text_costs_no_other(tmp_path: Path, result: SurveyResult) -> None:
    """Source: the Unicode Standard, U+FFFD stands for bytes that are not UTF-8."""
    log = TakeLog(tmp_path / "takes.sqlite")
    for _ in range(2):
        log.add(result)
    with log._connected() as db:
        db.execute("UPDATE take SET name = CAST(x'67ff' AS TEXT) WHERE id = 1")
    assert [e.name for e in log.entries()] == ["g\ufffd", result.name]


def test_a_note_that_somebody_changed_meanwhile_is_not_lost(
    tmp_path: Path, result: SurveyResult
) -> None:
    """Common practice, no source: compare and set, and the loser hears of it."""
    log = TakeLog(tmp_path / "takes.sqlite")
    log.add(result)
    log.set_note(1, "flag opened", seen="")
    with pytest.raises(TakesError, match=r"somebody else changed .* take 1 .*'flag opened'"):
        log.set_note(1, "wider", seen="")
    assert log.entry(1).note == "flag opened"
    log.set_note(1, "flag opened", seen="")  # The very same from both: nobody loses.
    log.set_note(1, "flag opened,\x07 wider", seen="flag opened")
    log.set_note(1, "", seen="flag opened,\x07 wider")  # As it was sent, before it was cleaned.
    with pytest.raises(TakesError, match="taken away"):
        log.set_note(1, "longer", seen="flag opened, wider")
    with pytest.raises(TakesError, match="no take 9"):
        log.set_note(9, "x", seen="")


def test_the_command_replaces_a_note_only_if_it_is_told_to(
    tmp_path: Path, result: SurveyResult, capsys: pytest.CaptureFixture[str]
) -> None:
    """Common practice, no source: nobody's words are lost unseen."""
    log = TakeLog(tmp_path / "takes.sqlite")
    log.add(result)
    noting = ["takes", "--log", str(log.path), "--note", "1"]
    assert cli.run([*noting, "flag opened"]) == 0
    assert "[flag opened]" in capsys.readouterr().out
    log.set_note(1, "wider,\nby Mira", seen="flag opened")  # On the page, meanwhile.
    assert cli.run([*noting, "tighter"]) == 2
    told = capsys.readouterr().err
    assert "take 1 has another note already ('wider, by Mira')" in told
    assert "--replace" in told
    assert log.entry(1).note == "wider,\nby Mira"
    assert cli.run([*noting, "wider,\nby Mira"]) == 0, "the very same harms nobody"
    assert cli.run([*noting, "tighter", "--replace"]) == 0
    assert "the note on take 1 was 'wider, by Mira'" in capsys.readouterr().out
    assert log.entry(1).note == "tighter"
    assert cli.run([*noting, ""]) == 2, "taking a note away replaces it too"
    assert cli.run([*noting, "", "--replace"]) == 0
    assert log.entry(1).note == ""
    assert cli.run(["takes", "--log", str(log.path), "--replace"]) == 2
    assert "--replace goes with --note" in capsys.readouterr().err
    assert cli.run(["takes", "--log", str(log.path), "--note", "9", "x"]) == 2
    assert "no take 9" in capsys.readouterr().err


@pytest.mark.parametrize("day", ["last", "today", "all", "2031-05-17"])
def test_a_day_without_takes_says_so(
    tmp_path: Path, result: SurveyResult, day: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Common practice, no source."""
    log = str(tmp_path / "takes.sqlite")
    assert cli.run(["takes", "--log", log, "--day", day]) == 0
    assert "there are none yet: 'verdigris survey SHOT'" in capsys.readouterr().out
    TakeLog(Path(log)).add(result, at=datetime(2031, 5, 20, 12, 0, tzinfo=UTC))
    assert cli.run(["takes", "--log", log, "--day", day]) == 0
    listed = capsys.readouterr().out
    assert ("there are none; the newest are of 2031-05-20" in listed) == (
        day not in ("last", "all")
    )


def test_takes_of_several_days_are_listed_with_their_days(
    tmp_path: Path, result: SurveyResult, capsys: pytest.CaptureFixture[str]
) -> None:
    """Common practice, no source: a time without its day would not tell."""
    log = TakeLog(tmp_path / "takes.sqlite")
    for day in (17, 20):
        log.add(result, at=datetime(2031, 5, day, 12, 0, tzinfo=UTC))
    assert cli.run(["takes", "--log", str(log.path), "--day", "all"]) == 0
    listed = capsys.readouterr().out
    assert "2031-05-17 " in listed
    assert "2031-05-20 " in listed
    assert "2031-05-17 " in takes_report(log.entries(), "All takes")
    assert "2031-05-17 " not in takes_report(log.entries("2031-05-17"), "Takes")


def test_many_writers_lose_nothing(tmp_path: Path, result: SurveyResult) -> None:
    """Common practice, no source."""
    path = tmp_path / "takes.sqlite"
    TakeLog(path)
    with ThreadPoolExecutor(6) as pool:
        numbers = list(pool.map(lambda _: TakeLog(path).add(result), range(24)))
    assert sorted(numbers) == list(range(1, 25))


def test_logs_that_cannot_be_used(tmp_path: Path) -> None:
    """Common practice, no source: one sentence that names the file."""
    newer = tmp_path / "newer.sqlite"
    with sqlite3.connect(newer) as db:
        db.execute(f"PRAGMA user_version = {len(MIGRATIONS) + 1}")
    with pytest.raises(TakesError, match="newer version"):
        TakeLog(newer)
    text = tmp_path / "text.sqlite"
    text.write_text("not a database, but long enough to be looked at " * 40)
    with pytest.raises(TakesError, match=r"text\.sqlite"):
        TakeLog(text)
    assert text.read_text().startswith("not a database")
    folder = tmp_path / "folder"
    folder.mkdir()
    with pytest.raises(TakesError, match="folder"):
        TakeLog(folder)


def test_where_the_log_is(tmp_path: Path) -> None:
    """Common practice, no source: one beside the shots goes before the user's."""
    assert log_path(str(tmp_path / "data"), tmp_path) == tmp_path / "data" / "takes.sqlite"
    TakeLog(tmp_path / "takes.sqlite")
    assert log_path(str(tmp_path / "data"), tmp_path) == tmp_path / "takes.sqlite"


def test_csv_is_read_back_by_the_standard_library(tmp_path: Path, result: SurveyResult) -> None:
    """Source: RFC 4180 through Python's csv module; formulas are kept from running."""
    log = TakeLog(tmp_path / "takes.sqlite")
    log.add(result, note='=HYPERLINK("x"), and\na "second" line')
    rows = list(csv.DictReader(io.StringIO(csv_text(log.entries()))))
    assert len(rows) == 1
    assert rows[0]["verdict"] == result.verdict.name
    assert float(rows[0]["evenness_stops"]) == pytest.approx(
        result.measures.evenness_stops, rel=1e-4
    )
    assert rows[0]["note"] == '\'=HYPERLINK("x"), and\na "second" line'


class Checker(HTMLParser):
    """Collects what a page refers to, and whether its tags close."""

    void = frozenset({"meta", "img", "br", "link", "hr", "input"})

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.wrong: list[str] = []
        self.refers: list[str] = []
        self.tags: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.refers += [value or "" for name, value in attrs if name in ("src", "href", "data")]
        if tag == "img" and "alt" not in dict(attrs):
            self.wrong.append("an image without alt")
        if tag not in self.void:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.wrong.append(tag)


def checked(html: str) -> Checker:
    page = Checker()
    page.feed(html)
    assert not page.wrong
    assert not page.open
    assert all(ref.startswith("data:image/") for ref in page.refers)
    assert not page.tags & {"script", "iframe", "object", "link"}
    assert "url(" not in html
    assert "@import" not in html
    return page


def test_the_report_stands_alone_and_says_what_to_do(result: SurveyResult) -> None:
    """Source: HTML's own tag rules through Python's parser; nothing is fetched from anywhere."""
    page = survey_report([result, result])
    seen = checked(page)
    assert len(seen.refers) == 6
    assert result.verdict.reasons
    for reason in result.verdict.reasons:
        assert reason.remedy[1:] in page.replace("&#39;", "'")
    assert "qualified crew" in page
    assert "@media print" in page
    assert page.count("<svg") > 10


def test_hostile_names_stay_text(result: SurveyResult) -> None:
    """Source: OWASP's rule to escape what goes into HTML."""
    bad = result.model_copy(update={"name": "<script>alert(1)</script>", "spec": '"><img src=x>'})
    page = survey_report([bad])
    checked(page)
    assert "<script>" not in page


def test_the_days_report_has_thumbnails_and_trends(tmp_path: Path, result: SurveyResult) -> None:
    """Common practice, no source."""
    log = TakeLog(tmp_path / "takes.sqlite")
    for n in range(3):
        log.add(result, note=f"note {n}")
    page = takes_report(log.entries(), "Takes of a day")
    assert len(checked(page).refers) == 3
    assert page.count("<figure>") >= 5
    assert "note 2" in page
    checked(takes_report([], "No takes"))
    assert "have their pictures here" not in page


def test_a_long_list_has_the_newest_takes_pictures_and_says_so(
    tmp_path: Path, result: SurveyResult
) -> None:
    """Common practice, no source: list, trends and tables stay whole."""
    log = TakeLog(tmp_path / "takes.sqlite")
    log.add(result)
    with log._connected() as db:
        copied = "name, spec, surveyed_at, day, verdict, score, note, result"
        for _ in range(PICTURED + 4):
            db.execute(f"INSERT INTO take ({copied}) SELECT {copied} FROM take WHERE id = 1")
    entries = log.entries(log.days()[0])
    assert [bool(e.thumbnail) for e in entries] == [False] * 5 + [True] * PICTURED
    page = takes_report(entries, "Takes of a day")
    assert len(checked(page).refers) == PICTURED
    assert page.count('<tr class="take">') == PICTURED + 5
    assert f"only the newest {PICTURED} takes have their pictures here" in page
    assert len(list(csv.DictReader(io.StringIO(csv_text(entries))))) == PICTURED + 5
    assert not any(e.thumbnail for e in log.entries(pictured=0))


@pytest.mark.parametrize(
    ("shots", "labels"),
    [
        (["day/a.mov", "day/a.mov", "day/b.mov"], ["a", "a", "b"]),
        (["day/one/a.mov", "day/two/a.mov", "c.mov"], ["one/a", "two/a", "c"]),
        (["day/a.mov", "day/two/a.mov"], ["a", "two/a"]),
        (["day/a.mov", "day/a.mxf"], ["a.mov", "a.mxf"]),
    ],
)
def test_shots_of_one_name_are_told_apart(shots: list[str], labels: list[str]) -> None:
    """Common practice, no source: every camera begins with the same clip names."""
    assert told_apart([(Path(shot).stem, shot) for shot in shots]) == labels


def test_the_list_tells_shots_of_one_name_apart(tmp_path: Path, result: SurveyResult) -> None:
    """Common practice, no source."""
    log = TakeLog(tmp_path / "takes.sqlite")
    for folder in ("morning", "evening"):
        log.add(result.model_copy(update={"spec": f"/shots/{folder}/gate.####.exr"}))
    assert [entry.label for entry in log.entries()] == ["morning/gate", "evening/gate"]
    assert log.entry(2).label == "evening/gate"
    assert "morning/gate" in takes_report(log.entries(), "Takes")


def test_line_charts_leave_gaps() -> None:
    """Common practice, no source."""
    svg = str(line([1.0, None, 3.0, 2.0]))
    assert svg.count("<circle") == 3
    assert len(re.findall(r"M\d", svg)) == 2


def test_where_dots_would_run_together_only_lone_values_have_them() -> None:
    """Common practice, no source: nothing else would show a value between two gaps."""
    values: list[float | None] = [float(n % 7) for n in range(400)]
    assert str(line(values[:200])).count("<circle") == 200
    assert str(line(values)).count("<circle") == 0
    values[100:103] = [None, 5.0, None]
    assert str(line(values)).count("<circle") == 1


@pytest.mark.parametrize("low", [-3.2, 0.0, 0.02, 7.0, 1234.0])
@pytest.mark.parametrize("span", [0.0, 0.003, 0.7, 1.0, 42.0])
def test_axes_have_few_round_numbers_that_hold_the_values(low: float, span: float) -> None:
    """Common practice, no source: steps of 1, 2 or 5 times a power of ten."""
    marks = ticks(low, low + span)
    assert 2 <= len(marks) <= 6
    assert marks[0] <= low + 1e-9
    assert marks[-1] >= low + span - 1e-9
    step = marks[1] - marks[0]
    assert np.allclose(np.diff(marks), step)
    assert float(f"{step:.0e}".split("e")[0]) in (1, 2, 5)


def test_a_chart_tells_its_scale_its_limit_and_its_places() -> None:
    """Common practice, no source: dots read off the axis give the values back."""
    values = [0.4, 0.9, 1.3]
    svg = str(line(values, limit=1.0, names=["7", "8", "12"], along="take"))
    for word in ("limit 1", ">7<", ">8<", ">12<", ">take<"):
        assert word in svg
    grid = [float(y) for y in re.findall(r'y1="([\d.]+)" y2="[\d.]+" stroke="#d9ded8"', svg)]
    marks = ticks(min(values), max(values))
    assert len(grid) == len(marks)
    per_px = (marks[-1] - marks[0]) / (grid[-1] - grid[0])
    dots = [float(y) for y in re.findall(r'cy="([\d.]+)"', svg)]
    read = [marks[0] + (y - grid[0]) * per_px for y in dots]
    assert read == pytest.approx(values, abs=0.01)


def test_names_along_a_long_axis_do_not_collide() -> None:
    """Common practice, no source."""
    names = [str(n) for n in range(1, 121)]
    svg = str(line([float(n) for n in range(120)], names=names))
    shown = re.findall(r'<text x="([\d.]+)" y="120\.0"[^>]*>(\d+)<', svg)
    assert shown[0][1] == "1"
    assert shown[-1][1] == "120"
    places = [float(x) for x, _ in shown]
    assert min(np.diff(places)) > 20


def test_map_pictures_are_pngs_with_their_range() -> None:
    """Source: the PNG signature; read back by OpenCV."""
    import base64

    import cv2

    values = np.linspace(-1, 1, 64 * 20).reshape(20, 64).astype(np.float32)
    values[0, 0] = np.nan
    picture = map_picture("evenness", "t", "stops", values, -1, 1)
    data = base64.b64decode(picture.png)
    assert data[:8] == b"\x89PNG\r\n\x1a\n"
    back = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    assert back.shape == (20, 64, 3)
    assert set(back[0, 0].tolist()) == {46}
    light = cv2.cvtColor(back, cv2.COLOR_BGR2LAB)[..., 0].reshape(-1)[1:].astype(int)
    assert (np.diff(light) >= -1).all()
    assert light[-1] - light[0] > 150


def test_thumbnails_show_the_picture_and_mark_the_places() -> None:
    """Source: OpenColorIO's built-in studio config shows 18 % grey at 0.349 of the display."""
    codes = display_codes(flat(1280, 720, (0.18, 0.18, 0.18)), load_colour(BUILT_IN_CONFIG))
    assert codes.shape == (360, 640, 3)
    assert np.abs(codes.astype(int) - round(0.349 * 255)).max() <= 1
    assert (marked(codes, {1: (0.2, 0.2, 0.6, 0.6)}) == 255).any()
    assert not (codes == 255).any()


def test_results_are_plain_json(result: SurveyResult) -> None:
    """Common practice, no source."""
    again = SurveyResult.model_validate_json(json.dumps(result.model_dump(mode="json")))
    assert again == result
    assert result.sampling.startswith("3 of 3 frames: 1001, 1002, 1003")
    assert result.curve_known
