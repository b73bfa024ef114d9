"""Extractors, sampled colours, the value band, the hue rings."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from demo_media.demo import DemoPaths
from tests.web.seat import Seat
from tests.web.test_controls import add_extractor
from tests.web.test_picture import plate, show


def names(seat: Seat) -> list[str]:
    """Names of the extractors in order."""
    return [item["name"] for item in seat.recipe("extractors")]


def test_extractors_are_added_named_ordered_switched_and_removed(desk: Seat) -> None:
    """Common practice, no source."""
    item = add_extractor(desk, "hue_band")
    assert names(desk) == ["screen", "Hue band"]
    card = desk.page.locator(f".card[data-id='{item['id']}']")
    desk.unfold("Name, combine, key from")
    name = card.get_by_role("textbox", name="Hue band: name")
    name.fill("Leaves")
    name.press("Enter")
    card.get_by_role("radio", name="Edge").click()
    card.get_by_label("Hue band: combine").select_option("multiply")
    desk.settle()
    changed = desk.recipe("extractors[1]")
    assert (changed["name"], changed["role"], changed["combine"]) == ("Leaves", "edge", "multiply")
    card.get_by_label("Move Hue band up").click()
    desk.settle()
    assert names(desk) == ["Leaves", "screen"]
    card.locator(".top .switch").click()
    desk.settle()
    assert desk.recipe("extractors[0].on") is False
    undo = desk.page.locator("#history button").nth(0)
    assert undo.get_attribute("title") == "Undo: Leaves off"
    card.get_by_role("button", name="Remove Leaves").click()
    desk.settle()
    assert names(desk) == ["screen"]
    desk.page.keyboard.press("Control+z")
    desk.until("state.recipe.extractors.length === 2")


def test_only_this_one_and_its_own_matte(desk: Seat) -> None:
    """Common practice, no source."""
    item = add_extractor(desk, "value_band")
    desk.page.get_by_label("Only Value band takes part").click()
    desk.settle()
    assert [e["on"] for e in desk.recipe("extractors")] == [False, True]
    desk.page.get_by_label("Only Value band takes part").click()
    desk.settle()
    assert [e["on"] for e in desk.recipe("extractors")] == [True, True]
    eye = desk.page.get_by_label("Show the own matte of Value band")
    eye.click()
    desk.page.wait_for_function("(id) => page.view.extractor === id", arg=item["id"])
    assert eye.get_attribute("aria-pressed") == "true"
    desk.settle()
    own = desk.picture()
    eye.click()
    desk.settle()
    assert np.abs(own.astype(int) - desk.picture()).mean() > 1


def test_a_point_and_a_box_are_sampled_in_linear_and_code_values(
    desk: Seat, demo: DemoPaths
) -> None:
    """Source: OpenImageIO reading the same EXR; the box's value is the mean."""
    pixels = plate(demo)
    desk.page.get_by_label("Sample colours", exact=True).click()
    desk.page.mouse.click(*desk.at(60.5, 40.5))
    desk.until("state.samples.length === 1")
    x0, y0 = desk.at(100.5, 50.5)
    x1, y1 = desk.at(119.5, 59.5)
    desk.page.mouse.move(x0, y0)
    desk.page.mouse.down()
    desk.page.mouse.move(x1, y1, steps=4)
    desk.page.mouse.up()
    desk.until("state.samples.length === 2")
    box, point = desk.state("state.samples")
    assert point["sample"]["linear"] == pytest.approx(list(pixels[40, 60]), abs=2e-4)
    assert box["box"] == [100, 50, 120, 60]
    mean = pixels[50:60, 100:120].reshape(-1, 3).mean(0)
    assert box["sample"]["linear"] == pytest.approx(list(mean), abs=5e-4)
    cards = desk.page.locator("#panel .samplecard")
    assert cards.count() == 2
    text = cards.first.inner_text()
    assert "Linear" in text
    assert "Code" in text
    assert "20 × 10 px" in text
    cards.first.get_by_text("Screen colour").click()
    desk.settle()
    assert desk.recipe("screen.colour") == pytest.approx(list(mean), abs=5e-4)


def test_the_best_channel_between_two_samples_is_found_and_used(desk: Seat) -> None:
    """Common practice, no source: green parts a green screen from a warm subject."""
    add_extractor(desk, "value_band")
    desk.page.get_by_label("Sample colours", exact=True).click()
    for n, (a, b) in enumerate((((30, 20), (80, 50)), ((210, 165), (250, 190))), start=1):
        desk.page.mouse.move(*desk.at(*a))
        desk.page.mouse.down()
        desk.page.mouse.move(*desk.at(*b), steps=3)
        desk.page.mouse.up()
        desk.until(f"state.samples.length === {n}")
    fold = desk.unfold("Find the best channel")
    fold.get_by_text("Compare the two newest samples").click()
    fold.get_by_text("σ apart").first.wait_for()
    separations = [float(t.split()[0]) for t in fold.locator(".vu").all_inner_texts()]
    assert separations == sorted(separations, reverse=True)
    assert separations[0] > 3
    fold.get_by_role("button", name="Use the best channel").click()
    desk.settle()
    item = desk.recipe("extractors[1]")
    assert item["low_in"] is not None or item["high_in"] is not None


def drag(seat: Seat, node: Any, dx: float, dy: float = 0) -> None:
    """Drag a node by its middle."""
    box = node.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    seat.page.mouse.move(x, y)
    seat.page.mouse.down()
    seat.page.mouse.move(x + dx, y + dy, steps=5)
    seat.page.mouse.up()


def test_a_value_band_is_two_strips_over_its_histogram(desk: Seat, demo: DemoPaths) -> None:
    """Common practice, no source: the strips reach as far as the frame's values."""
    add_extractor(desk, "value_band")
    strip = desk.page.locator(".strip[data-end=starts]")
    desk.page.wait_for_function(
        "(top) => Number(document.querySelector('.strip [role=slider]').ariaValueMax) > 0.8 * top",
        arg=float(plate(demo).max()) * 0.5,
    )
    before = desk.recipe("extractors[1]")
    drag(desk, strip.locator(".soft"), 40)
    desk.settle()
    moved = desk.recipe("extractors[1]")
    assert moved["low_out"] > before["low_out"]
    assert moved["low_in"] - moved["low_out"] == pytest.approx(
        before["low_in"] - before["low_out"], abs=1e-3
    )
    drag(desk, strip.locator(".pull").nth(1), 30)
    desk.settle()
    softer = desk.recipe("extractors[1]")
    assert softer["low_out"] == pytest.approx(moved["low_out"], abs=1e-4)
    assert softer["low_in"] > moved["low_in"]
    assert softer["high_in"] is None
    desk.page.get_by_role("switch", name="Ends: open").click()
    desk.settle()
    closed = desk.recipe("extractors[1]")
    assert closed["high_out"] >= closed["high_in"] >= closed["low_in"]
    ends = desk.page.locator(".strip[data-end=ends] .soft")
    drag(desk, ends, -2000)
    desk.settle()
    held = desk.recipe("extractors[1]")
    assert held["low_out"] <= held["low_in"] <= held["high_in"] <= held["high_out"]
    desk.page.locator(".strip[data-end=starts] .pull").first.press("ArrowLeft")
    desk.settle()
    assert desk.recipe("extractors[1].low_out") < held["low_out"]


def test_despilling_changes_no_matte_and_extracting_no_despilled_colour(desk: Seat) -> None:
    """Common practice, no source (the trade's fact; a pass masked by a matte is the exception)."""
    show(desk, "matte")
    matte = desk.picture()
    show(desk, "despilled")
    colour = desk.picture()
    desk.step("despill")
    desk.slider("amount").press("Home")
    desk.settle()
    show(desk, "matte")
    assert np.array_equal(desk.picture(), matte)
    desk.step("extract")
    desk.slider("gain").press("End")
    desk.page.keyboard.press("Control+z")
    desk.page.keyboard.press("Control+z")
    desk.until("state.recipe.despill[0].amount === 1")
    desk.slider("gain").press("End")
    desk.settle()
    show(desk, "despilled")
    assert np.array_equal(desk.picture(), colour)


def test_shapes_are_drawn_moved_and_removed(desk: Seat) -> None:
    """Common practice, no source: garbage wins, the picture there is the background."""
    show(desk, "matte")
    desk.step("prepare")
    fold = desk.unfold("Garbage")
    fold.get_by_text("Rectangle").click()
    desk.page.mouse.move(*desk.at(180, 120))
    desk.page.mouse.down()
    desk.page.mouse.move(*desk.at(300, 250), steps=4)
    desk.page.mouse.up()
    desk.settle()
    (shape,) = desk.recipe("garbage")
    assert shape["kind"] == "rectangle"
    assert shape["poses"][0]["points"] == [
        pytest.approx([180, 120], abs=1),
        pytest.approx([300, 250], abs=1),
    ]
    picture = desk.picture()
    box = desk.page.locator("#picture").bounding_box()
    x, y = desk.at(250, 200)
    assert picture[round(y - box["y"]), round(x - box["x"])].max() < 8
    handle = desk.page.locator("#marks .handle").nth(1)
    handle.focus()
    handle.press("Shift+ArrowRight")
    desk.settle()
    assert desk.recipe("garbage[0].poses[0].points[1][0]") == pytest.approx(310, abs=1)
    desk.unfold("Keep solid").get_by_text("Polygon").click()
    for place in ((20, 20), (60, 20), (60, 60)):
        desk.page.mouse.click(*desk.at(*place))
    desk.page.get_by_text("Close the outline").click()
    desk.settle()
    assert len(desk.recipe("keep_solid[0].poses[0].points")) == 3
    desk.page.get_by_label("Remove rectangle 1").click()
    desk.settle()
    assert desk.recipe("garbage") == []
