"""Room for the picture: its share of the window, folding by handle, key and touch, full screen."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from tests.web.conftest import DESK, TABLET, UPRIGHT
from tests.web.seat import Seat
from tests.web.test_access import STEPS, serious

Make = Callable[..., Seat]
SMALL, TINY = {"width": 1024, "height": 640}, {"width": 700, "height": 500}
PARTS = ("tools", "steps", "scopes")
ROOM = """() => {
    const { width, height } = document.getElementById("picture").getBoundingClientRect();
    const [[x0, y0], [x1, y1]] = [page.toStage(0, 0),
        page.toStage(page.state.shot.width, page.state.shot.height)];
    const whole = innerWidth * innerHeight;
    return { box: width * height / whole, frame: (x1 - x0) * (y1 - y0) / whole,
        across: width / innerWidth };
}"""
"""Shares of the window: the picture's box, the frame drawn in it; the box's share of the width."""
CUT_OFF = """() => {
    const bars = "#top, #tools, #transport, #steps, #line, #stage";
    const nodes = [...document.querySelectorAll("button, select, input, [role=slider]")]
        .filter((n) => n.checkVisibility() && n.closest(`${bars}, #panel`));
    return nodes.filter((n) => {
        const r = n.getBoundingClientRect();
        const bar = n.closest(bars);
        const home = (bar ?? n.closest("#panel")).getBoundingClientRect();
        const right = Math.min(home.right, innerWidth) + 1;
        if (r.left < home.left - 1 || r.right > right) return true;
        // The panel scrolls down; nothing else does.
        return bar && (r.top < home.top - 1 || r.bottom > Math.min(home.bottom, innerHeight) + 1);
    }).map((n) => n.ariaLabel ?? n.textContent);
}"""


def room(one: Seat) -> dict[str, float]:
    """Shares of the window that the picture has."""
    one.settle()
    shares: dict[str, float] = one.page.evaluate(ROOM)
    return shares


def opened(one: Seat) -> list[str]:
    """The parts that are not folded away."""
    return [part for part in PARTS if one.page.get_attribute("#app", f"data-{part}") == "open"]


def test_the_picture_has_most_of_a_desk(seat: Make) -> None:
    """Our own rule, no outside source: 60 % of the window beside an open step, 80 % alone."""
    one = seat(folded=True)
    assert opened(one) == ["tools", "steps"]
    one.step("extract")
    assert room(one)["box"] >= 0.60
    one.page.get_by_label("Picture alone").click()
    assert opened(one) == []
    alone = room(one)
    assert alone["box"] >= 0.80
    assert alone["frame"] >= 0.80
    one.page.get_by_label("Picture alone").click()
    assert opened(one) == ["tools", "steps"]


@pytest.mark.parametrize("size", [TABLET, UPRIGHT], ids=["tablet", "upright"])
def test_who_only_looks_on_begins_with_the_picture(seat: Make, size: dict[str, int]) -> None:
    """Our own rule, no outside source: picture, frames and notes alone, over the whole width."""
    one = seat("reviewer", touch=True, size=size, folded=True)
    assert opened(one) == []
    shares = room(one)
    assert shares["box"] >= 0.75
    assert shares["across"] == 1
    for label in ("Play", "One frame on", "Pin a note", "All notes"):
        assert one.page.get_by_role("button", name=label, exact=True).is_visible()
    assert serious(one) == []
    assert one.page.evaluate(CUT_OFF) == []
    one.page.get_by_label("All notes").tap()
    one.page.locator("dialog.sheet", has_text="No notes yet").wait_for()


def test_parts_fold_by_handle_key_and_touch_and_stay_as_left(seat: Make) -> None:
    """Source: WCAG 2.2, 2.1.1 keyboard: what a handle does, keys do as well."""
    one = seat(folded=True)
    one.page.get_by_role("button", name="Scopes").click()
    assert opened(one) == ["tools", "steps", "scopes"]
    one.page.locator("#scopes .cap", has_text="Histogram of composite").wait_for()
    one.page.get_by_role("button", name="Steps").click()
    assert opened(one) == ["tools", "scopes"]
    assert not one.page.locator("#panel").is_visible()
    one.page.keyboard.press("t")
    one.page.keyboard.press("o")
    assert opened(one) == []
    one.page.reload()
    one.settle()
    assert opened(one) == []
    handle = one.page.get_by_role("button", name="Tools")
    assert handle.get_attribute("aria-expanded") == "false"
    handle.focus()
    one.page.keyboard.press("Enter")
    assert opened(one) == ["tools"]
    assert one.page.evaluate("() => document.activeElement.ariaLabel") == "Tools"
    one.page.evaluate("() => document.activeElement.blur()")
    one.page.keyboard.press("s")
    one.page.keyboard.press("h")
    assert opened(one) == []
    one.page.keyboard.press("h")
    assert opened(one) == ["tools", "steps"]
    tablet = seat("reviewer", touch=True, folded=True)
    tablet.page.get_by_role("button", name="Steps").tap()
    assert opened(tablet) == ["steps"]
    tablet.page.get_by_role("button", name="Steps").tap()
    assert opened(tablet) == []


def test_full_screen_by_button_and_key(seat: Make) -> None:
    """Source: the Fullscreen API of WHATWG."""
    one = seat(folded=True)
    one.page.get_by_label("Full screen").click()
    one.page.wait_for_function("() => document.fullscreenElement !== null")
    one.page.locator("[aria-label='Full screen'][aria-pressed=true]").wait_for()
    one.page.keyboard.press("f")
    one.page.wait_for_function("() => document.fullscreenElement === null")
    one.settle()


@pytest.mark.slow
@pytest.mark.parametrize("size", [DESK, SMALL, TINY], ids=["desk", "small", "tiny"])
def test_nothing_is_cut_off(seat: Make, size: dict[str, int]) -> None:
    """Our own rule, no outside source: every control of every bar, in every step, is whole."""
    one = seat(size=size, folded=True)
    for step in STEPS:
        one.step(step)
        assert one.page.evaluate(CUT_OFF) == [], step
        assert serious(one) == []
    one.page.get_by_label("Picture alone").click()
    one.settle()
    assert one.page.evaluate(CUT_OFF) == []


def test_single_keys_work_after_a_button_was_clicked(desk: Seat) -> None:
    """Our own rule, no outside source; by keys a button keeps what is its own (WCAG 2.1.1)."""
    press = desk.page.keyboard.press
    desk.page.get_by_label("Zoom in").click()
    press(" ")
    desk.until("state.playhead.playing")
    press(" ")
    desk.until("!state.playhead.playing")
    desk.go(1002)
    desk.page.get_by_label("One frame on").click()
    desk.until("state.playhead.frame === 1003")
    press(".")
    desk.until("state.playhead.frame === 1004")
    assert not desk.page.evaluate("() => page.isFit()")
    press("w")
    assert desk.page.evaluate("() => page.isFit()")
    desk.page.keyboard.down("p")
    assert desk.page.evaluate("() => page.view.compare")
    desk.page.keyboard.up("p")
    assert not desk.page.evaluate("() => page.view.compare")
    again = desk.page.get_by_label("Zoom in")
    desk.page.get_by_label("Zoom out").focus()
    press("Shift+Tab")
    assert again.evaluate("(b) => b === document.activeElement")
    press(" ")
    assert not desk.page.evaluate("() => page.isFit()")
    desk.answered()
    assert not desk.state("state.playhead.playing")


def test_the_shortcuts_are_listed_and_can_be_turned_off(desk: Seat) -> None:
    """Source: WCAG 2.2, 2.1.4: single-key shortcuts can be turned off."""
    panel = desk.step("check")
    panel.locator("summary", has_text="Keyboard").click()
    listed = panel.locator("dl.keys").first.inner_text()
    for key in ("Space", ", and .", "W", "P", "T, S, O", "H", "F"):
        assert key in listed
    panel.get_by_role("switch", name="Single keys").click()
    desk.page.get_by_label("Zoom in").click()
    before = opened(desk)
    for key in "wptsohf.":
        desk.page.keyboard.press(key)
    desk.answered()
    assert opened(desk) == before
    assert not desk.page.evaluate("() => page.isFit() || page.view.compare")
    panel.get_by_role("switch", name="Single keys").click()


def test_an_empty_note_says_so(desk: Seat, seat: Make) -> None:
    """Our own rule, no outside source: nothing is thrown away without a word."""
    desk.page.get_by_label("Pin a note", exact=True).click()
    desk.page.mouse.click(*desk.at(200, 100))
    sheet = desk.page.locator("dialog.sheet")
    sheet.get_by_role("button", name="Save note").click()
    sheet.get_by_role("alert").get_by_text("This note is empty").wait_for()
    assert desk.page.evaluate("() => document.activeElement.ariaLabel") == "Note"
    desk.page.keyboard.type("The glass is lost")
    assert sheet.get_by_role("alert").inner_text() == ""
    sheet.get_by_role("button", name="Save note").click()
    desk.until("state.notes.some((n) => n.text === 'The glass is lost')")
    tablet: Any = seat("reviewer", touch=True, folded=True)
    tablet.page.get_by_label("All notes").tap()
    tablet.page.locator("dialog.sheet", has_text="The glass is lost").wait_for()
    desk.page.evaluate(
        """() => import("/js/wire.js").then((m) => page.state.notes.forEach((n) =>
            m.send({ type: "note_remove", note: n.note })))"""
    )
    desk.until("state.notes.length === 0")


def test_a_telephone_keeps_its_bar_on_one_line(seat: Make) -> None:
    """Our own rule, no outside source: the picture loses no second line to buttons."""
    one = seat(touch=True, size={"width": 390, "height": 800}, folded=True)
    assert opened(one) == ["steps"]
    assert one.page.locator("#top").bounding_box()["height"] < 60
    assert serious(one) == []
