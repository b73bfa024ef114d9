"""Reviewers, notes, two operators, links taken back, takes that appear, a server that dies."""

from __future__ import annotations

import shutil
import signal
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from demo_media.demo import DemoPaths
from tests.web.conftest import DESK, TABLET
from tests.web.running import Running, free_port, options, start, start_command
from tests.web.seat import Seat
from tests.web.test_picture import show

Make = Callable[..., Seat]


def test_a_reviewer_follows_then_looks_by_itself_and_cannot_change_anything(
    desk: Seat, seat: Make
) -> None:
    """Common practice, no source."""
    show(desk, "composite")
    tablet = seat("reviewer", touch=True)
    tablet.page.wait_for_function("() => page.view.name === 'composite'")
    show(desk, "matte")
    tablet.page.wait_for_function("() => page.view.name === 'matte'")
    desk.go(1003)
    tablet.until("state.playhead.frame === 1003")
    tablet.settle()
    follow = tablet.page.get_by_label("Follow the operator")
    assert follow.inner_text() == "Following"
    show(tablet, "plate")
    assert follow.inner_text() == "Follow"
    show(desk, "foreground")
    assert tablet.page.evaluate("() => page.view.name") == "plate"
    tablet.page.get_by_label("One frame on").tap()
    tablet.until("state.playhead.frame === 1004 && state.playhead.own")
    assert desk.state("state.playhead.frame") == 1003
    tablet.page.get_by_label("Sample colours", exact=True).tap()
    tablet.page.touchscreen.tap(*tablet.at(60, 40))
    tablet.until("state.samples.length === 1")
    tablet.page.get_by_label("Zoom in").tap()
    tablet.page.wait_for_function("() => page.view.region !== null")
    before = tablet.recipe()
    assert "hand over" not in tablet.step("check").inner_text().lower()
    assert "hand over" in desk.step("check").inner_text().lower()
    assert "Only an operator can change it" in tablet.step("extract").inner_text()
    assert "Only an operator" not in desk.step("extract").inner_text()
    tablet.slider("gain").press("End")
    assert tablet.page.locator("#history button").count() == 0
    tablet.answered()
    desk.answered()
    assert tablet.recipe() == before == desk.recipe()
    follow.tap()
    tablet.page.wait_for_function("() => page.view.name === 'foreground'")
    tablet.until("state.playhead.frame === 1003")


def test_notes_are_pinned_to_frame_and_place_and_seen_by_all(desk: Seat, seat: Make) -> None:
    """Common practice, no source."""
    tablet = seat("reviewer", touch=True)
    tablet.page.get_by_label("Pin a note", exact=True).tap()
    tablet.page.touchscreen.tap(*tablet.at(240, 60))
    tablet.page.get_by_label("Note", exact=True).last.fill("The tip of the plume is lost")
    tablet.page.get_by_role("button", name="Save note").tap()
    pin = desk.page.locator("#marks .pin")
    pin.wait_for()
    note = desk.state("state.notes[0]")
    assert (note["frame"], note["by"]) == (desk.state("state.playhead.frame"), "Mira")
    assert (note["x"], note["y"]) == (pytest.approx(240, abs=2), pytest.approx(60, abs=2))
    assert desk.page.locator("#steps [data-step=check] .count").inner_text() == "1"
    desk.go(1004)
    assert pin.count() == 0
    panel = desk.step("check")
    panel.get_by_text("1. The tip of the plume is lost").click()
    desk.until(f"state.playhead.frame === {note['frame']}")
    desk.page.get_by_label("Mark as done").click()
    desk.until("state.notes[0].done")
    assert pin.count() == 0
    panel.get_by_text("1. The tip of the plume is lost").click()
    desk.page.get_by_label("Remove the note").click()
    tablet.until("state.notes.length === 0")


def test_two_operators_do_not_overwrite_each_other_silently(desk: Seat, seat: Make) -> None:
    """Common practice, no source."""
    other = seat()
    desk.slider("gain").press("End")
    other.until("state.recipe.extractors[0].gain === 2")
    seen = desk.state("state.revision")
    other.slider("gain").press("Home")
    desk.until("state.recipe.extractors[0].gain === 0.5")
    desk.page.evaluate(
        """(seen) => {
            page.state.revision = seen;
            page.set(["extractors", page.state.recipe.extractors[0].id, "gain"], 1.5,
                     { label: "screen: gain" });
        }""",
        seen,
    )
    told = desk.page.locator(".toast", has_text="Somebody else changed this")
    told.wait_for()
    assert desk.recipe("extractors[0].gain") == 0.5
    told.get_by_text("Make it anyway").click()
    other.until("state.recipe.extractors[0].gain === 1.5")


def test_the_operator_sees_who_is_there_and_takes_a_link_back(
    browser: Any, desk: Seat, service: Running
) -> None:
    """Common practice, no source."""
    desk.page.get_by_label("Who is watching").click()
    sheet = desk.page.locator("dialog.sheet")
    sheet.get_by_label("Make a link for reviewers").click()
    link = sheet.get_by_label("The link", exact=True)
    link.wait_for()
    assert sheet.get_by_alt_text("The link as a QR code").is_visible()
    context = browser.new_context(viewport=TABLET, has_touch=True, is_mobile=True)
    guest = Seat(context)
    guest.enter(link.input_value(), "Guest tablet")
    device = sheet.locator("[data-device]", has_text="Guest tablet")
    device.get_by_text("Sign out").click()
    guest.until("state.link === 'gone'")
    assert "no longer works" in guest.page.inner_text("body")
    guest.close()
    assert service.process.poll() is None


@pytest.mark.slow
def test_new_takes_appear_and_open_with_the_recipe_in_one_tap(
    browser: Any, demo: DemoPaths, tmp_path: Path
) -> None:
    """Common practice, no source."""
    day = tmp_path / "day"
    (day / "take_01").mkdir(parents=True)
    for frame in (1001, 1002):
        shutil.copy(demo.frame(demo.shot, frame), day / "take_01")
    running = start_command("serve", str(day), "--watch", "--port", "0", data=tmp_path / "data")
    try:
        one = Seat(browser.new_context(viewport=DESK))
        one.enter(running.operator(), "Jo")
        one.slider("gain").press("End")
        one.settle()
        (day / "take_02").mkdir()
        for frame in (1003, 1004):
            name = f"second.{frame}.exr"
            shutil.copy(demo.frame(demo.shot, frame), day / "take_02" / name)
        toast = one.page.locator(".toast", has_text="A new take has arrived")
        toast.wait_for(timeout=30_000)
        toast.get_by_text("Open it").click()
        one.until("state.shot.first === 1003")
        one.settle()
        assert one.recipe("extractors[0].gain") == 2
        panel = one.step("survey")
        assert panel.locator("[data-take]").count() == 2
        panel.get_by_role("button", name="Survey 2 new takes").click()
        panel.locator("[data-kept='2']").wait_for(timeout=90_000)
        judged = panel.locator("[data-take]", has_text="able")
        one.page.wait_for_function(
            "() => page.state.watched.length === 2 && page.state.watched.every((t) => t.verdict)"
        )
        assert judged.count() == 2
        assert panel.get_by_role("button", name="new take").count() == 0
        one.close()
    finally:
        running.stop()


@pytest.mark.skipif(not hasattr(signal, "SIGSTOP"), reason="processes cannot be halted here")
@pytest.mark.slow
def test_a_connection_lost_without_a_word_is_noticed_and_comes_back(
    browser: Any, demo: DemoPaths, tmp_path: Path
) -> None:
    """Common practice, no source: a tablet that leaves the network hears no goodbye."""
    running = start(options(demo, tmp_path / "data"))
    try:
        one = Seat(browser.new_context(viewport=TABLET, has_touch=True, is_mobile=True))
        one.enter(running.operator(), "Jo")
        lively = one.picture()
        running.process.send_signal(signal.SIGSTOP)
        stale = one.page.locator("#line [data-flag=stale]")
        stale.wait_for(timeout=15_000)
        assert "Not live" in stale.inner_text()
        assert one.picture().std() < 0.7 * lively.std(), "an old picture looks old"
        one.slider("gain").press("End")
        one.page.get_by_label("Try to reach the server now").tap()
        running.process.send_signal(signal.SIGCONT)
        one.settle()
        assert stale.count() == 0
        assert one.picture().std() > 0.8 * lively.std()
        assert one.recipe("extractors[0].gain") == 2
        one.close()
    finally:
        running.process.send_signal(signal.SIGCONT)
        running.stop()


@pytest.mark.slow
def test_edits_made_while_the_server_is_dead_arrive_when_it_is_back(
    browser: Any, demo: DemoPaths, tmp_path: Path
) -> None:
    """Common practice, no source."""
    given = options(demo, tmp_path / "data", free_port())
    running = start(given)
    try:
        one = Seat(browser.new_context(viewport=DESK))
        one.enter(running.operator(), "Jo")
        running.stop(kill=True)
        one.until("state.link !== 'on'")
        one.slider("gain").press("End")
        one.slider("lean").press("Home")
        one.page.wait_for_selector("#status .light[data-state=gone]", timeout=15_000)
        assert "2 kept" in one.page.inner_text("#status")
        assert "not answering" in one.page.inner_text("#line [data-flag=stale]")
        assert one.page.locator(".toast").count() == 0
        running = start(given)
        one.settle()
        assert one.recipe("extractors[0].gain") == 2
        two = Seat(browser.new_context(viewport=DESK))
        two.enter(running.operator(), "Ann")
        assert two.recipe("extractors[0].gain") == 2
        assert two.recipe("extractors[0].lean") == 0
        two.close()
        one.close()
    finally:
        running.stop()
