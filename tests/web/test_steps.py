"""Taking a starting recipe, the view-only look; the page's own arithmetic."""

from __future__ import annotations

import numpy as np
import pytest

from kernels.parameters import Key, Keys
from kernels.recipe import CurvePoint, HueCurve
from kernels.reference.colour import acescct_from_linear
from kernels.reference.despill import hue_table
from tests.web.seat import Seat
from tests.web.test_picture import show


@pytest.mark.slow
def test_a_starting_recipe_is_taken_on_request(desk: Seat) -> None:
    """Common practice, no source: nothing changes until the recipe is taken."""
    panel = desk.step("prepare")
    before = desk.recipe()
    panel.get_by_label("Measure the shot and write a starting recipe").click()
    job = panel.locator(".job[data-kind=suggest]").first
    desk.page.wait_for_function(
        """() => ["done", "failed"].includes(
            document.querySelector(".job[data-kind=suggest]")?.dataset.state)""",
        timeout=90_000,
    )
    assert job.get_attribute("data-state") == "done", job.inner_text()
    use = job.get_by_role("button", name="Use this starting recipe")
    assert desk.recipe() == before
    use.click()
    desk.settle()
    assert desk.recipe("extractors") != before["extractors"]
    following = job.get_by_role("button", name="Next: Extract")
    following.wait_for()
    assert use.count() == 0
    following.click()
    assert desk.page.get_attribute("#panel .step", "data-step") == "extract"
    desk.step("prepare")
    assert desk.recipe("assemble") == before["assemble"]
    assert desk.recipe("keep_solid") == before["keep_solid"]
    assert before["screen"]["clean_plate"] == "file"
    assert desk.recipe("screen.clean_plate_path") == before["screen"]["clean_plate_path"]
    desk.page.keyboard.press("Control+z")
    desk.until("state.undo !== 'Starting recipe'")
    assert desk.recipe("extractors") == before["extractors"]
    use.wait_for()


def test_every_step_names_the_next_one(desk: Seat) -> None:
    """Common practice, no source: prepare, extract, despill, assemble, check."""
    order = ["prepare", "extract", "despill", "assemble", "check"]
    desk.page.reload()
    desk.settle()
    badge = desk.page.locator("#steps [data-step=extract] .count")
    assert badge.inner_text() == str(len(desk.recipe("extractors")))
    desk.step(order[0])
    for name in order[1:]:
        desk.page.locator("#panel").get_by_role("button", name="Next: ").last.click()
        assert desk.page.get_attribute("#panel .step", "data-step") == name
        assert desk.page.evaluate("() => document.activeElement.dataset.step") == name
    assert desk.page.locator("#panel").get_by_role("button", name="Next: ").count() == 0


def test_the_look_changes_the_view_and_no_matte(desk: Seat) -> None:
    """Common practice, no source: mattes are shown raw, looks are for the screen only."""
    show(desk, "matte")
    matte = desk.picture()
    show(desk, "composite")
    before = desk.picture().astype(int)
    desk.step("assemble")
    fold = desk.unfold("Look of the view")
    exposure = fold.get_by_role("textbox", name="Look: exposure")
    exposure.fill("1")
    exposure.press("Enter")
    desk.settle()
    brighter = desk.picture()
    assert (brighter - before).mean() > 10
    views = fold.get_by_label("View transform").locator("option").all_inner_texts()
    assert len(views) > 1
    fold.get_by_label("View transform").select_option(index=len(views) - 1)
    desk.settle()
    assert np.abs(desk.picture().astype(int) - brighter).mean() > 0.5
    assert "working space" in fold.inner_text()
    show(desk, "matte")
    assert np.array_equal(desk.picture(), matte)


def test_the_pages_curves_keys_and_log_are_the_engines_own(desk: Seat) -> None:
    """Source: `kernels` (hue_table: SciPy's PCHIP; Keys.at; ACEScct, S-2016-001)."""
    points = [(12.0, 0.3), (75.0, 1.0), (140.0, 1.0), (251.5, 0.05), (330.0, 0.8)]
    curve = HueCurve(points=[CurvePoint(hue_deg=h, value=v) for h, v in points])
    keys = Keys(keys=[Key(frame=f, value=v) for f, v in ((3, 1.0), (9, 4.0), (10, -2.0))])
    levels = [-0.05, 0.0, 0.005, 0.18, 1.0, 4.0]
    for between in ("hold", "linear", "smooth"):
        keys.between = between
        shown = desk.page.evaluate(
            """async ([keys]) => {
                const { at } = await import("/js/keys.js");
                return Array.from({ length: 14 }, (_, frame) => at(keys, frame));
            }""",
            [keys.model_dump()],
        )
        assert shown == pytest.approx([keys.at(frame) for frame in range(14)], abs=1e-9)
    table, logs = desk.page.evaluate(
        """async ([points, levels]) => {
            const { hueTable } = await import("/js/hue-curve.js");
            const { acescct } = await import("/js/band.js");
            return [[...hueTable(points)], levels.map(acescct)];
        }""",
        [[{"hue_deg": h, "value": v} for h, v in points], levels],
    )
    assert table == pytest.approx(list(hue_table(curve)), abs=1e-6)
    assert logs == pytest.approx(list(acescct_from_linear(np.array(levels))), abs=1e-9)
