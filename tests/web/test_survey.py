"""The survey step: verdict, things to do, maps and their scale, the day's takes, notes, exports."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from PIL import Image

from demo_media.demo import DemoPaths
from server.media import write_exr
from tests.server.survey.screens import noisy, ramped, with_disc
from tests.web.conftest import HEIGHT, WIDTH
from tests.web.running import ROOT, Running, options, start
from tests.web.seat import Seat
from tests.web.test_access import SMALL, serious

LAPTOP = {"width": 1366, "height": 768}
TABLET = {"width": 1180, "height": 820}
SURVEYED_MS = 90_000


@dataclass
class Set:
    """A service with a data folder of its own, and its take log."""

    running: Running
    browser: Any
    data: Path
    shot: str

    @property
    def log(self) -> Path:
        return self.data / "takes.sqlite"

    def seat(self, link: str, *, touch: bool = False) -> Seat:
        size = TABLET if touch else LAPTOP
        one = Seat(
            self.browser.new_context(
                viewport=size, has_touch=touch, is_mobile=touch, accept_downloads=True
            )
        )
        one.enter(link, "Jo")
        return one

    def command(self, *arguments: str) -> str:
        """What `verdigris` prints; surveys end with their verdict's code, never with 2."""
        done = subprocess.run(
            [sys.executable, "-c", "from server.cli import main; main()", *arguments],
            cwd=ROOT,
            text=True,
            capture_output=True,
            check=False,
            env={
                **os.environ,
                "PYTHONPATH": str(ROOT),
                "VERDIGRIS_DATA_DIR": str(self.data),
                "VERDIGRIS_CACHE_DIR": str(self.data / "cache"),
            },
        )
        assert done.returncode in (0, 3, 4, 5), done.stderr
        return done.stdout


@pytest.fixture
def place(browser: Any, demo: DemoPaths, tmp_path: Path) -> Iterator[Set]:
    """The demo shot, served; nothing surveyed yet."""
    given = options(demo, tmp_path / "data")
    running = start(given)
    yield Set(running, browser, tmp_path / "data", given["shot"])
    running.stop()


def survey(seat: Seat, take: int) -> Any:
    """Survey by the page's button; returns the answer in the panel."""
    panel = seat.step("survey")
    panel.get_by_label("Survey the screen of this shot").click()
    panel.locator(f"[data-kept='{take}']").wait_for(timeout=SURVEYED_MS)
    answer = panel.locator(".verdict[data-verdict]")
    answer.wait_for()
    seat.settle()
    return answer


def plain(locator: Any) -> str:
    """An element's text with ordinary spaces (numbers are held to their percent sign)."""
    return str(locator.inner_text()).replace("\u00a0", " ")


def pixels(locator: Any) -> np.ndarray[Any, Any]:
    """What is seen of an element, (height, width, 3) 8 bit."""
    return np.asarray(Image.open(io.BytesIO(locator.screenshot())).convert("RGB"))


def far_and_wide(head: Any) -> bool:
    """Whether a verdict can be read from two metres, and told from others without its colour.

    Source: ISO 9241-303: characters of 16 minutes of arc at least (from memory); a CSS pixel is
    1/96 inch.
    """
    shown = head.evaluate(
        """(node) => {
            const h3 = node.querySelector("h3");
            const ink = document.createElement("canvas").getContext("2d");
            ink.font = getComputedStyle(h3).font;
            const sign = node.querySelector(".sign").getBoundingClientRect();
            return [ink.measureText("H").actualBoundingBoxAscent, sign.height,
                getComputedStyle(node).backgroundColor, h3.scrollWidth <= h3.clientWidth];
        }"""
    )
    letter, sign, colour, fits = shown
    arc_minutes = [60 * np.degrees(np.arctan(px * 25.4 / 96 / 2000)) for px in (letter, sign)]
    return min(arc_minutes) >= 16 and colour != "rgba(0, 0, 0, 0)" and bool(fits)


@pytest.mark.slow
def test_the_survey_says_what_the_command_says_and_shows_where(place: Set, tmp_path: Path) -> None:
    """Source: `verdigris survey --json` on the same files, in another process."""
    told = tmp_path / "told.json"
    place.command("survey", place.shot, "--no-log", "--json", str(told))
    (found,) = json.loads(told.read_text())
    seat = place.seat(place.running.operator())
    panel = seat.step("survey")
    assert "No take is kept yet. Survey the screen" in panel.inner_text()
    answer = survey(seat, 1)
    verdict = found["verdict"]
    assert answer.locator(".judged").inner_text() == verdict["name"].capitalize()
    assert far_and_wide(answer.locator(".verdicthead"))
    items = answer.locator(".todo > li")
    assert items.count() == len(verdict["reasons"])
    for n, reason in enumerate(verdict["reasons"]):
        text = plain(items.nth(n))
        assert reason["remedy"][1:] in text
        assert reason["text"][1:] in text
    assert verdict["caution"] in answer.inner_text()
    answer.locator("summary", has_text="All measures").click()
    assert plain(answer).lower().count(found["sampling"].lower()) == 1
    assert "frames looked at" not in plain(answer).lower()
    boxes = [(n, r["box"]) for n, r in enumerate(verdict["reasons"]) if r["box"]]
    assert boxes, "the demo shot has at least one reason with a place"
    for n, box in boxes:
        button = items.nth(n).get_by_role("button", name="Show where")
        button.click()
        seat.until(f"state.playhead.frame === {found['shown_frame']}")
        seat.settle()
        assert seat.page.evaluate("() => page.view.name") == "plate"
        stage = seat.page.locator("#picture").bounding_box()
        drawn = seat.page.locator("#overlay .place").get_attribute("d")
        corners = np.array(re.findall(r"-?[\d.]+", drawn), float).reshape(4, 2)
        x0, y0 = seat.at(box[0] * WIDTH, box[1] * HEIGHT)
        x1, y1 = seat.at(box[2] * WIDTH, box[3] * HEIGHT)
        want = np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)]) - (stage["x"], stage["y"])
        assert corners == pytest.approx(want, abs=0.2)
        assert x0 > stage["x"] - 2
        assert x1 < stage["x"] + stage["width"] + 2, "the place is in the picture"
        button.click()
        assert seat.page.locator("#overlay .place").get_attribute("d") == ""
    seat.settle()
    assert seat.page.evaluate("() => [page.view.name, page.isFit()]") == ["composite", True]
    answer.get_by_role("button", name="Next: Prepare").click()
    assert seat.page.get_attribute("#panel .step", "data-step") == "prepare"
    seat.close()


@pytest.mark.slow
def test_maps_lie_over_the_picture_with_a_labelled_even_scale(place: Set) -> None:
    """Source: CIE 1976 L* by OpenCV: a perceptually uniform scale rises evenly in lightness."""
    seat = place.seat(place.running.operator())
    survey(seat, 1)
    whole = seat.page.evaluate("async () => (await fetch('/api/takes/1')).json()")
    seat.page.locator("#views [role=radio][data-value=plate]").click()
    seat.go(whole["frame"])
    bare = seat.picture()
    choice = seat.page.get_by_role("radiogroup", name="Map over the picture")
    legend = seat.page.locator(".legend")
    for word, name in (("Evenness", "evenness"), ("Alpha noise", "alpha_noise")):
        choice.get_by_role("radio", name=word).click()
        seat.settle()
        (map_,) = [m for m in whole["maps"] if m["name"] == name]
        over = seat.page.locator("img.mapover")
        over.wait_for()
        box, corner = over.bounding_box(), seat.at(0, 0)
        far = seat.at(WIDTH, HEIGHT)
        assert (box["x"], box["y"]) == pytest.approx(corner, abs=1)
        assert box["width"] == pytest.approx(far[0] - corner[0], abs=1)
        assert box["height"] == pytest.approx(far[1] - corner[1], abs=1)
        assert np.abs(seat.picture().astype(int) - bare).mean() > 3
        text = legend.inner_text()
        share = map_["unit"].startswith("of ")
        assert map_["title"] in text
        assert map_["unit"] in text
        marks = [
            float(t.replace("\u2212", "-")) for t in legend.locator(".marks span").all_inner_texts()
        ]
        factor = 100 if share else 1
        assert marks == pytest.approx(
            list(np.linspace(map_["low"] * factor, map_["high"] * factor, 5)), rel=1e-2, abs=1e-9
        )
        ramp = pixels(legend.locator(".ramp"))
        light = cv2.cvtColor(
            ramp[ramp.shape[0] // 2][None].astype(np.float32) / 255, cv2.COLOR_RGB2LAB
        )
        rise = np.diff(light[0, 4:-4:8, 0])
        assert (rise > 0).all()
        assert rise.max() < 2 * rise.min() + 1
    choice.get_by_role("radio", name="Off").click()
    legend.wait_for(state="hidden")
    assert not seat.page.locator("img.mapover").is_visible()
    assert np.abs(seat.picture().astype(int) - bare).max() <= 2
    choice.get_by_role("radio", name="Evenness").click()
    seat.go(whole["frame"] + 1)
    assert not seat.page.locator("img.mapover").is_visible(), "a map is of one frame"
    seat.close()


@pytest.mark.slow
def test_takes_are_kept_noted_exported_and_make_a_trend(place: Set, tmp_path: Path) -> None:
    """Source: the take log as `verdigris takes` reads it; RFC 4180 through Python's csv."""
    seat = place.seat(place.running.operator())
    survey(seat, 1)
    panel = seat.page.locator("#panel")
    row = panel.locator("[data-kept='1']")
    size = "(img) => img.decode().then(() => [img.naturalWidth, img.naturalHeight])"
    assert row.locator("img").evaluate(size) == [WIDTH, HEIGHT]
    whole = seat.page.evaluate("async () => (await fetch('/api/takes/1')).json()")
    assert whole["take"]["reason"].split("; ")[0][1:] in plain(row)
    assert "begins with the day's second take" in panel.inner_text()

    row.locator("button").click()
    sheet = seat.page.locator("dialog.sheet")
    sheet.get_by_label("Note on this take").fill("Flag opened, \u201cnext\u201d brighter")
    sheet.get_by_role("button", name="Save note").click()
    sheet.get_by_text("Saved.", exact=True).wait_for()
    sheet.get_by_label("Note on this take").fill("Flag opened")
    noting = ["takes", "--log", str(place.log), "--replace", "--note", "1"]
    place.command(*noting, "Flag opened, \u201cnext\u201d brighter!")
    sheet.get_by_role("button", name="Save note").click()
    seat.page.get_by_text("somebody else changed the note on take 1", exact=False).first.wait_for()
    place.command(*noting, "Flag opened, \u201cnext\u201d brighter")
    sheet.get_by_label("Note on this take").fill("Flag opened, \u201cnext\u201d brighter")
    sheet.get_by_role("button", name="Save note").click()
    sheet.get_by_text("Saved.", exact=True).wait_for()
    sheet.get_by_role("button", name="Close").click()
    row.get_by_text("Flag opened").wait_for()
    seat.page.reload()
    seat.settle()
    seat.step("survey").locator("[data-kept='1']").get_by_text("Flag opened").wait_for()
    assert "[Flag opened, \u201cnext\u201d brighter]" in place.command("takes")

    uneven = uneven_shot(tmp_path / "gate")
    place.command("survey", uneven, "--log", str(place.log))
    survey(seat, 3)
    assert panel.locator("[data-kept]").count() == 3
    assert "gate" in panel.locator("[data-kept='2']").inner_text()
    check_trend(seat, "evenness_stops")
    check_trend(seat, "snr_key_db")
    seat.page.locator("svg.trend").click(position={"x": 300, "y": 40})
    assert "Take 3" in seat.page.locator(".told").inner_text()

    with seat.page.expect_download() as waiting:
        panel.get_by_role("link", name="CSV").click()
    rows = list(csv.DictReader(io.StringIO(Path(waiting.value.path()).read_text())))
    assert waiting.value.suggested_filename.endswith(".csv")
    assert [r["take"] for r in rows] == ["1", "2", "3"]
    assert rows[0]["note"] == "Flag opened, \u201cnext\u201d brighter"
    want = whole["take"]["values"]["evenness_stops"]
    assert float(rows[0]["evenness_stops"]) == pytest.approx(want, rel=1e-4)
    with seat.page.expect_download() as waiting:
        panel.get_by_role("link", name="Report").click()
    report = Path(waiting.value.path()).read_text()
    assert "Flag opened" in report
    assert report.count("data:image/jpeg;base64,") == 3
    assert report.count("<svg") >= 5
    seat.close()


def uneven_shot(folder: Path) -> str:
    folder.mkdir()
    for n in range(2):
        image, _ = with_disc(ramped(1.8, 480, 270), 1.0)
        write_exr(
            folder / f"gate.{1001 + n}.exr",
            {"": noisy(image, 5e-5, 5e-6, n)},
            interop_id="lin_ap1_scene",
        )
    return str(folder / "gate.####.exr")


def check_trend(seat: Seat, name: str) -> None:
    """The chart's dots lie where the values and the axis' numbers say."""
    day = seat.page.evaluate("async () => (await fetch('/api/takes')).json()")
    values = [take["values"][name] for take in day["takes"]]
    assert len(values) == 3
    seat.page.get_by_label("Measure").select_option(name)
    chart = seat.page.locator("svg.trend")
    dots = chart.locator("circle.dot").evaluate_all(
        "(all) => all.map((c) => [+c.getAttribute('cx'), +c.getAttribute('cy')])"
    )
    marks = chart.locator("text.word[text-anchor=end]").evaluate_all(
        "(all) => all.map((t) => [+t.textContent.replace('\u2212', '-'), +t.getAttribute('y') - 4])"
    )
    assert len(marks) >= 2
    assert [x for x, _ in dots] == sorted(x for x, _ in dots)
    (v0, y0), (v1, y1) = marks[0], marks[-1]
    assert (v1 - v0) * (y1 - y0) < 0, "larger values lie higher"
    read = [v0 + (y - y0) * (v1 - v0) / (y1 - y0) for _, y in dots]
    assert read == pytest.approx(values, rel=1e-3, abs=1e-3 * abs(v1 - v0))
    ends = chart.locator("text.word[text-anchor=middle]").all_text_contents()
    assert ends == ["1", "2", "3", "take"]


@pytest.mark.slow
def test_a_reviewer_reads_takes_and_writes_none(place: Set) -> None:
    """Common practice, no source."""
    seat = place.seat(place.running.operator())
    looker = place.seat(place.running.reviewer)
    panel = looker.step("survey")
    assert "No take is kept yet" in panel.inner_text()
    assert panel.get_by_label("Survey the screen of this shot").count() == 0
    survey(seat, 1)
    panel.locator("[data-kept='1']").wait_for()
    panel.locator(".verdict .todo").wait_for()
    assert panel.get_by_role("link").count() == 0
    panel.locator("[data-kept='1'] button").click()
    sheet = looker.page.locator("dialog.sheet")
    sheet.locator(".takesheet").wait_for()
    assert sheet.get_by_role("textbox").count() == 0
    assert sheet.get_by_role("link").count() == 0
    refused = looker.page.evaluate(
        """async () => {
            const { keepNote } = await import("/js/kept.js");
            return keepNote(1, "mine").then(() => "kept", (e) => e.message);
        }"""
    )
    assert "only an operator" in refused
    assert "mine" not in place.command("takes")
    assert looker.page.evaluate("async () => (await fetch('/api/takes.csv')).status") == 403
    looker.close()
    seat.close()


@pytest.mark.slow
def test_by_touch_everything_is_large_and_in_reach(place: Set) -> None:
    """Source: WCAG 2.2 by axe-core; by touch we ask for 44 px."""
    seat = place.seat(place.running.operator(), touch=True)
    seat.step("survey").get_by_label("Survey the screen of this shot").tap()
    seat.page.locator("#panel [data-kept='1']").wait_for(timeout=SURVEYED_MS)
    seat.page.locator("#panel .verdict summary").tap()
    shown, there = seat.page.locator("#panel").evaluate("(n) => [n.scrollWidth, n.clientWidth]")
    assert shown <= there, "nothing is cut off at the side"
    assert seat.page.evaluate(SMALL) == []
    assert serious(seat) == []
    seat.page.locator("#panel [data-kept='1'] button").tap()
    seat.page.locator("dialog.sheet .takesheet").wait_for()
    assert seat.page.evaluate(SMALL) == []
    assert serious(seat) == []
    seat.close()
