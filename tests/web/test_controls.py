"""Controls come from the served schema and can be worked by mouse, keys and touch."""

from __future__ import annotations

from typing import Any

import pytest

from kernels.recipe import EXTRACTORS
from tests.web.seat import Seat

NOT_CONTROLS = {"id", "kind", "on", "shapes", "refine"}
BAND_ENDS = {"low_out", "low_in", "high_in", "high_out"}


def add_extractor(seat: Seat, kind: str) -> dict[str, Any]:
    """Add an extractor of a kind by the page's own button; returns it."""
    seat.step("extract")
    before = len(seat.recipe("extractors"))
    seat.unfold("Add an extractor").locator(f"[data-kind={kind}]").click()
    seat.settle()
    found = seat.recipe("extractors")
    assert len(found) == before + 1
    return dict(found[-1])


def test_every_field_of_every_extractor_has_a_control_with_its_help(desk: Seat) -> None:
    """Common practice, no source."""
    for kind, model in EXTRACTORS.items():
        item = add_extractor(desk, kind)
        desk.unfold("Name, combine, key from")
        wanted = set(model.model_fields) - NOT_CONTROLS - BAND_ENDS
        fields = desk.page.locator(f"#panel [data-field^='extractors/{item['id']}/']")
        titles = fields.evaluate_all(
            "list => list.map(n => [n.dataset.field.split('/')[2], n.querySelector('.name').title])"
        )
        helps = dict(titles)
        assert wanted <= set(helps)
        for name in wanted:
            described = str(model.model_fields[name].description)
            assert described.lower() in helps[name].lower()
        assert desk.page.locator(".strip").count() == (2 if kind == "value_band" else 0)


def test_a_slider_drags_steps_by_key_and_resets_on_double_tap(desk: Seat) -> None:
    """Source: W3C ARIA Authoring Practices, slider pattern."""
    gain = desk.slider("gain")
    box = gain.bounding_box()
    desk.page.mouse.move(box["x"] + box["width"] / 3, box["y"] + box["height"] / 2)
    desk.page.mouse.down()
    desk.page.mouse.move(box["x"] + box["width"] * 0.8, box["y"] + box["height"] / 2, steps=8)
    desk.page.mouse.up()
    desk.settle()
    dragged = desk.recipe("extractors[0].gain")
    assert 1.6 < dragged < 1.8
    gain.press("ArrowRight")
    desk.settle()
    assert desk.recipe("extractors[0].gain") == pytest.approx(dragged + 0.01)
    gain.press("Shift+ArrowLeft")
    gain.press("PageUp")
    desk.settle()
    assert desk.recipe("extractors[0].gain") == pytest.approx(dragged + 0.01 - 0.001 + 0.1)
    gain.press("End")
    assert gain.get_attribute("aria-valuenow") == "2"
    gain.dblclick()
    desk.settle()
    assert desk.recipe("extractors[0].gain") == 1
    assert gain.get_attribute("aria-valuenow") == "1"


def test_a_drag_is_one_step_of_undo_with_a_name(desk: Seat) -> None:
    """Common practice, no source."""
    box = desk.slider("gain").bounding_box()
    y = box["y"] + box["height"] / 2
    desk.page.mouse.move(box["x"] + box["width"] / 3, y)
    desk.page.mouse.down()
    for share in (0.4, 0.5, 0.6, 0.7):
        desk.page.mouse.move(box["x"] + box["width"] * share, y, steps=3)
    desk.page.mouse.up()
    desk.settle()
    undo = desk.page.locator("#history button").nth(0)
    assert undo.get_attribute("aria-label") == "Undo: screen: gain"
    undo.click()
    desk.until("state.recipe.extractors[0].gain === 1")
    desk.page.locator("#history button").nth(1).click()
    desk.until("state.recipe.extractors[0].gain !== 1")
    desk.page.keyboard.press("Control+z")
    desk.until("state.recipe.extractors[0].gain === 1")


def test_numbers_are_typed_beyond_the_slider_and_held_in_the_hard_range(desk: Seat) -> None:
    """Common practice, no source."""
    number = desk.page.get_by_role("textbox", name="screen: gain")
    number.fill("3,5")
    number.press("Enter")
    desk.settle()
    assert desk.recipe("extractors[0].gain") == 3.5
    assert desk.slider("gain").get_attribute("data-out") == "high"
    number.fill("99")
    number.press("Enter")
    desk.settle()
    assert desk.recipe("extractors[0].gain") == 4
    number.fill("nonsense")
    assert number.get_attribute("aria-invalid") == "true"
    number.press("Enter")
    assert desk.recipe("extractors[0].gain") == 4
    assert number.input_value() == "4"


def test_help_opens_in_place_for_those_who_cannot_hover(desk: Seat) -> None:
    """Common practice, no source."""
    field = desk.page.locator("[data-field$='/gain']").first
    assert not field.locator(".help").is_visible()
    field.locator(".name").click()
    assert field.locator(".help").is_visible()
    assert "clear more of the screen" in field.locator(".help").inner_text()


def test_a_value_keyed_over_frames_follows_the_playhead(desk: Seat) -> None:
    """Source: `kernels.parameters.Keys.at`, the engines' rule between keys."""
    field = desk.page.locator("[data-field$='/gain']").first
    field.locator(".keybtn").click()
    desk.page.keyboard.press("Escape")
    desk.page.locator(".timeline").press("End")
    desk.until("state.playhead.frame === 1005")
    number = desk.page.get_by_role("textbox", name="screen: gain")
    number.fill("2")
    number.press("Enter")
    desk.settle()
    keys = desk.recipe("extractors[0].gain")
    assert keys == {
        "keys": [{"frame": 1001, "value": 1}, {"frame": 1005, "value": 2}],
        "between": "linear",
    }
    desk.go(1003)
    desk.page.wait_for_function(
        "() => document.querySelector('#panel .slider[aria-label$=\"gain\"]')"
        ".getAttribute('aria-valuenow') === '1.5'"
    )
    assert field.locator(".keybtn").get_attribute("data-state") == "keyed"


def test_latency_and_engine_are_always_shown(desk: Seat) -> None:
    """Common practice, no source."""
    desk.slider("gain").press("ArrowRight")
    desk.settle()
    desk.until("state.latency !== null")
    assert "cpu engine" in desk.page.inner_text("#status")
    desk.page.wait_for_function(
        "() => /\\d+ ms/.test(document.querySelector('#status .latency').textContent)"
    )
    assert "Connected" in desk.page.inner_text("#status")
