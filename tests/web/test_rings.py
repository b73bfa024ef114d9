"""The despiller's hue rings by mouse, keys and touch."""

from __future__ import annotations

import math

import pytest

from tests.web.seat import Seat


def ring_place(seat: Seat, hue: float, radius: float) -> tuple[float, float]:
    """Position on the page of a hue and a radius (of half the size) of the rings."""
    box = seat.page.locator(".rings").bounding_box()
    a = math.radians(hue)
    half = box["width"] / 2
    return (
        box["x"] + half * (1 + radius * math.cos(a)),
        box["y"] + half * (1 - radius * math.sin(a)),
    )


def points(seat: Seat, curve: str = "spill_by_hue") -> list[dict[str, float]]:
    """Points of a hue curve of the first pass."""
    return list(seat.recipe(f"despill[0].{curve}.points"))


def test_hue_rings_are_worked_by_mouse_and_keys(desk: Seat) -> None:
    """Common practice, no source."""
    desk.step("despill")
    desk.page.locator(".rings").scroll_into_view_if_needed()
    desk.page.mouse.click(*ring_place(desk, 45, 0.80))
    desk.settle()
    (first,) = points(desk)
    assert first["hue_deg"] == pytest.approx(45, abs=2)
    assert first["value"] == pytest.approx(0.5, abs=0.04)
    desk.page.mouse.click(*ring_place(desk, 200, 0.96))
    desk.settle()
    assert len(points(desk)) == 2
    point = desk.page.locator(".rings .point").first
    box = point.bounding_box()
    desk.page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    desk.page.mouse.down()
    desk.page.mouse.move(*ring_place(desk, 90, 0.72), steps=6)
    desk.page.mouse.up()
    desk.settle()
    moved = points(desk)[0]
    assert moved["hue_deg"] == pytest.approx(90, abs=2)
    assert moved["value"] == pytest.approx(0.25, abs=0.04)
    point.focus()
    point.press("ArrowUp")
    point.press("ArrowLeft")
    desk.settle()
    again = points(desk)[0]
    assert again["value"] == pytest.approx(moved["value"] + 0.02, abs=1e-3)
    assert again["hue_deg"] == pytest.approx(moved["hue_deg"] + 1, abs=0.05)
    desk.page.locator(".rings .point").first.press("Delete")
    desk.settle()
    assert len(points(desk)) == 1
    desk.page.get_by_role("radio", name="Saturation").click()
    desk.page.mouse.click(*ring_place(desk, 300, 0.88))
    desk.settle()
    (saturation,) = points(desk, "saturation_by_hue")
    assert saturation["value"] == pytest.approx(1.5, abs=0.1)


def test_hue_rings_are_worked_by_touch_and_mark_the_sampled_hue(tablet: Seat) -> None:
    """Common practice, no source."""
    tablet.step("despill")
    tablet.page.get_by_label("Sample colours", exact=True).tap()
    tablet.page.touchscreen.tap(*tablet.at(60, 40))
    tablet.until("state.samples.length === 1")
    hue = tablet.state("state.samples[0].sample.hue_deg")
    assert 90 < hue < 150
    tablet.page.get_by_label("Add a point at the sampled hue").tap()
    tablet.settle()
    assert points(tablet)[0]["hue_deg"] == pytest.approx(hue, abs=0.1)
    tablet.page.locator(".rings").scroll_into_view_if_needed()
    x, y = ring_place(tablet, 20, 0.8)
    tablet.page.touchscreen.tap(x, y)
    tablet.settle()
    assert len(points(tablet)) == 2
    session = tablet.context.new_cdp_session(tablet.page)
    first = tablet.page.locator(".rings .point").first.bounding_box()
    start = {"x": first["x"] + first["width"] / 2, "y": first["y"] + first["height"] / 2}
    end = dict(zip("xy", ring_place(tablet, 60, 0.7), strict=True))
    for kind, place in (("touchStart", start), ("touchMove", end), ("touchEnd", None)):
        session.send(
            "Input.dispatchTouchEvent", {"type": kind, "touchPoints": [place] if place else []}
        )
    tablet.settle()
    assert points(tablet)[0]["hue_deg"] == pytest.approx(60, abs=3)
    box = tablet.page.locator(".rings .point").first.bounding_box()
    place = (box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    tablet.page.touchscreen.tap(*place)
    tablet.page.touchscreen.tap(*place)
    tablet.until("state.recipe.despill[0].spill_by_hue.points.length === 1")
