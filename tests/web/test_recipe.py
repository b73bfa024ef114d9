"""Undo and redo, recipes kept and loaded, and rendering from the page."""

from __future__ import annotations

import json
from pathlib import Path

from tests.web.conftest import FRAMES
from tests.web.running import Running
from tests.web.seat import Seat


def test_every_kind_of_change_is_undone_and_redone_by_name(desk: Seat) -> None:
    """Common practice, no source."""
    first = desk.recipe()
    desk.page.get_by_role("radio", name="Log").first.click()
    desk.settle()
    desk.step("despill")
    desk.page.get_by_label("Despill: limit").or_(
        desk.page.get_by_label("spill: limit")
    ).first.select_option("smaller")
    desk.settle()
    desk.step("assemble")
    desk.unfold("Light wrap")
    desk.slider("amount").press("End")
    desk.settle()
    last = desk.recipe()
    undo, redo = (desk.page.locator("#history button").nth(i) for i in (0, 1))
    named = []
    for _ in range(3):
        named.append(undo.get_attribute("title"))
        before = desk.state("state.revision")
        undo.click()
        desk.until(f"state.revision > {before}")
    assert named == ["Undo: Light wrap: amount", "Undo: spill: limit", "Undo: screen: space"]
    assert desk.recipe() == first
    for _ in range(3):
        before = desk.state("state.revision")
        redo.click()
        desk.until(f"state.revision > {before}")
    desk.settle()
    assert desk.recipe() == last


def test_recipes_are_saved_under_a_name_loaded_downloaded_and_gone_back_to(
    desk: Seat, tmp_path: Path
) -> None:
    """Common practice, no source."""
    desk.slider("gain").press("End")
    desk.settle()
    desk.page.get_by_label("Recipes: save as, load, download, history").click()
    sheet = desk.page.locator("dialog.sheet")
    sheet.get_by_label("Name of the recipe").fill("strong gain")
    sheet.get_by_label("Save a copy under this name").click()
    sheet.get_by_label("Load strong gain").wait_for()
    with desk.page.expect_download() as waiting:
        sheet.get_by_text("Download", exact=True).first.click()
    kept = tmp_path / "recipe.json"
    waiting.value.save_as(kept)
    assert json.loads(kept.read_text())["extractors"][0]["gain"] == 2
    assert sheet.locator("li", has_text="screen: gain").count() >= 1
    sheet.get_by_role("button", name="Close", exact=True).click()
    desk.slider("gain").press("Home")
    desk.settle()
    assert desk.recipe("extractors[0].gain") == 0.5
    desk.page.get_by_label("Recipes: save as, load, download, history").click()
    desk.page.get_by_label("Load strong gain").click()
    desk.until("state.recipe.extractors[0].gain === 2")
    desk.settle()
    desk.page.keyboard.press("Control+z")
    desk.until("state.recipe.extractors[0].gain === 0.5")


def test_render_from_the_page_with_progress_and_cancel(desk: Seat, service: Running) -> None:
    """Source: the OpenEXR file is read back by OpenImageIO."""
    from OpenImageIO import ImageInput

    panel = desk.step("check")
    panel.get_by_label("Name of the folder and files").fill("for_edit")
    panel.get_by_role("button", name="Render", exact=True).click()
    job = panel.locator(".job").first
    job.wait_for()
    desk.page.wait_for_selector(".job[data-state=done]", timeout=40_000)
    written = sorted(Path(service.given["data"], "renders", "for_edit").glob("*.exr"))
    assert len(written) == FRAMES
    opened = ImageInput.open(str(written[0]))
    names = set(opened.spec().channelnames)
    opened.close()
    assert {"R", "G", "B", "A", "alpha.A", "straight.R", "composite.R"} <= names
    panel.get_by_label("Name of the folder and files").fill("not_wanted")
    panel.get_by_role("button", name="Render", exact=True).click()
    panel.get_by_label("Cancel render").click()
    desk.page.wait_for_selector(".job[data-state=cancelled]", timeout=40_000)
    left = Path(service.given["data"], "renders", "not_wanted")
    assert not [p for p in left.glob("*") if not p.name.endswith(".exr")]
