"""Tools that need places in the picture, worked by keys alone."""

from __future__ import annotations

from typing import Any

import pytest

from tests.web.conftest import HEIGHT, WIDTH
from tests.web.seat import Seat

FOCUS = "() => document.activeElement.id || document.activeElement.ariaLabel"


def take(seat: Seat, label: str) -> None:
    """Take a tool by its button and the Enter key; the picture has the focus then."""
    seat.page.get_by_label(label, exact=True).first.focus()
    seat.page.keyboard.press("Enter")
    assert seat.page.evaluate(FOCUS) == "picture"


def go(seat: Seat, keys: str) -> None:
    """Press `Right*3 Shift+Down*5 Enter`."""
    for word in keys.split():
        key, _, times = word.partition("*")
        for way in ("Left", "Right", "Up", "Down"):
            key = key.replace(way, f"Arrow{way}")
        for _ in range(int(times or 1)):
            seat.page.keyboard.press(key)


def shapes(seat: Seat) -> Any:
    return seat.recipe("garbage")


def test_a_box_and_a_single_pixel_are_sampled_by_keys(desk: Seat) -> None:
    """Source: WCAG 2.2, 2.1.1 keyboard; the box is as wide as it was moved."""
    take(desk, "Sample colours")
    assert "Enter sets one corner" in desk.page.get_attribute("#picture", "aria-label")
    assert "Enter sets one corner" in desk.page.inner_text("[data-flag=hint]")
    cross = desk.page.locator(".cross").bounding_box()
    go(desk, "Shift+Left*4 Shift+Up*2 Enter Shift+Right*8 Shift+Down*5")
    assert desk.page.locator("#overlay .box").get_attribute("d")
    go(desk, "Enter")
    desk.until("state.samples.length === 1")
    x, y = WIDTH // 2 - 4, HEIGHT // 2 - 2
    assert desk.state("state.samples[0].box") == [x, y, x + 9, y + 6]
    moved = desk.page.locator(".cross").bounding_box()
    assert moved["x"] > cross["x"]
    go(desk, "Right Enter Enter")
    desk.until("state.samples.length === 2")
    x0, y0, x1, y1 = desk.state("state.samples[0].box")
    assert (x1 - x0, y1 - y0, y0) == (1, 1, y + 5)
    desk.page.locator("#readout.on").wait_for()
    go(desk, "Escape")
    assert desk.page.evaluate(FOCUS) == "Sample colours"
    assert desk.page.locator(".cross").count() == 0
    assert "Arrow keys pan" in desk.page.get_attribute("#picture", "aria-label")


@pytest.mark.parametrize("kind", ["rectangle", "ellipse"])
def test_a_boxed_shape_is_drawn_by_keys(desk: Seat, kind: str) -> None:
    """Source: WCAG 2.2, 2.1.1 keyboard."""
    desk.step("prepare")
    fold = desk.unfold("Garbage")
    named = f"Draw {'an' if kind == 'ellipse' else 'a'} {kind}"
    label = fold.get_by_role("button", name=named).get_attribute("aria-label")
    take(desk, label)
    go(desk, "Enter Enter")
    assert shapes(desk) == [], "a shape without size is none"
    go(desk, "Enter Shift+Right*30 Shift+Down*20 Escape")
    assert shapes(desk) == [], "Escape leaves"
    assert desk.page.evaluate(FOCUS) == label
    go(desk, "Enter Enter Shift+Right*30 Shift+Down*20 Enter")
    desk.until("state.recipe.garbage.length === 1")
    (shape,) = shapes(desk)
    (x0, y0), (x1, y1) = shape["poses"][0]["points"]
    assert shape["kind"] == kind
    assert (x1 - x0, y1 - y0) == (30, 20)
    assert desk.page.locator(".handle").count() == 2


def test_an_outline_is_drawn_by_keys_and_closed_by_a_second_enter(desk: Seat) -> None:
    """Source: WCAG 2.2, 2.1.1 keyboard."""
    desk.step("prepare")
    fold = desk.unfold("Garbage")
    take(desk, fold.get_by_role("button", name="Draw a polygon").get_attribute("aria-label"))
    go(desk, "Enter Enter Shift+Right*40 Enter Enter")
    assert shapes(desk) == [], "two corners enclose nothing"
    go(desk, "Shift+Down*25 Enter Enter")
    desk.until("state.recipe.garbage.length === 1")
    a, b, c = shapes(desk)[0]["poses"][0]["points"]
    assert [b[0] - a[0], b[1] - a[1], c[0] - b[0], c[1] - b[1]] == [40, 0, 0, 25]


def test_the_cross_hair_stays_in_sight_and_in_the_frame(desk: Seat) -> None:
    """Common practice, no source."""
    take(desk, "Sample colours")
    go(desk, "+")
    stage = desk.page.locator("#picture").bounding_box()
    for way in ("Right", "Down", "Left", "Up"):
        go(desk, f"{way}*90")
        box = desk.page.locator(".cross").bounding_box()
        x, y = box["x"] + box["width"] / 2 - stage["x"], box["y"] + box["height"] / 2 - stage["y"]
        assert 0 <= x <= stage["width"]
        assert 0 <= y <= stage["height"]
    go(desk, "Left*90 Up*90 Enter Enter")
    desk.until("state.samples.length === 1")
    assert desk.state("state.samples[0].box") == [0, 0, 1, 1]
    go(desk, "0 Escape")
    assert desk.page.evaluate("() => page.isFit()")
