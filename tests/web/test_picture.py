"""Views, stress, wipe, compare, zoom and pan, the values under the pointer."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from OpenImageIO import ImageInput

from demo_media.demo import DemoPaths
from tests.web.conftest import HEIGHT, WIDTH
from tests.web.seat import Seat


def plate(demo: DemoPaths, frame: int = 1001) -> np.ndarray[Any, Any]:
    """The plate's own values, (height, width, 3), read by OpenImageIO."""
    opened = ImageInput.open(str(demo.frame(demo.shot, frame)))
    pixels = opened.read_image(0, 0, 0, 3, "float")
    opened.close()
    return np.asarray(pixels)


def show(seat: Seat, name: str) -> None:
    """Choose a view by the page's own controls."""
    usual = seat.page.locator(f"#views [role=radio][data-value={name}]")
    if usual.count():
        usual.click()
    else:
        seat.page.select_option("#views select.more", f"{name}/")
    seat.page.wait_for_function("(name) => page.view.name === name", arg=name)
    seat.settle()


def patch(seat: Seat, picture: np.ndarray[Any, Any], x: float, y: float) -> np.ndarray[Any, Any]:
    """Mean colour of the picture around a place of the frame."""
    box = seat.page.locator("#picture").bounding_box()
    px, py = seat.at(x, y)
    i, j = round(px - box["x"]), round(py - box["y"])
    return picture[j - 3 : j + 4, i - 3 : i + 4].reshape(-1, 3).mean(0)


def test_every_view_can_be_shown(desk: Seat) -> None:
    """Common practice, no source: all but those of passes and methods that this recipe lacks."""
    seen = {}
    lacking = ("denoised", "alpha_error")
    for name in desk.state("state.views.map((row) => row.name)"):
        if name in lacking:
            continue
        show(desk, name)
        seen[name] = desk.picture()
    screen = patch(desk, seen["plate"], 60, 40)
    assert screen[1] > 1.5 * max(screen[0], screen[2])
    assert patch(desk, seen["matte"], 60, 40).max() < 16
    assert patch(desk, seen["matte"], 240, 200).min() > 230
    assert np.ptp(patch(desk, seen["foreground"], 60, 40)) < 12
    composite = patch(desk, seen["composite"], 60, 40)
    assert composite[1] < 1.2 * max(composite[0], composite[2])
    assert len({picture.tobytes() for picture in seen.values()}) == len(seen)


def test_values_under_the_pointer_are_the_plates_own(desk: Seat, demo: DemoPaths) -> None:
    """Source: OpenImageIO reading the same EXR; the plate is in the working space."""
    show(desk, "plate")
    truth = plate(demo)[200, 240]
    desk.page.mouse.move(*desk.at(240.5, 200.5))
    desk.page.wait_for_function(
        "() => document.getElementById('readout').textContent.includes('240, 200')"
    )
    shown = desk.page.locator("#readout span").all_inner_texts()
    at = shown.index("linear")
    assert [float(v) for v in shown[at + 1 : at + 4]] == pytest.approx(list(truth), abs=2e-4)
    assert any(text.startswith("code") for text in shown)


def test_the_recipe_says_how_wide_pixels_are(desk: Seat) -> None:
    """Source: ITU-T H.273, sample aspect ratio: width over height of a pixel as it is shown."""

    def shown() -> float:
        (x0, y0), (x1, y1) = desk.at(100, 100), desk.at(200, 200)
        return (x1 - x0) / (y1 - y0)

    recipe = desk.recipe()
    assert shown() == pytest.approx(1.0)
    wide = {**recipe, "source": {**recipe["source"], "pixel_aspect": 2.0}}
    desk.reset(wide)
    assert shown() == pytest.approx(2.0)
    left, right = desk.at(0, 0)[0], desk.at(WIDTH, 0)[0]
    box = desk.page.locator("#picture").bounding_box()
    assert box["x"] <= left < right <= box["x"] + box["width"]
    desk.reset(recipe)
    assert shown() == pytest.approx(1.0)


def test_zoom_goes_to_single_pixels_shown_as_squares(desk: Seat) -> None:
    """Common practice, no source."""
    show(desk, "plate")
    desk.page.get_by_label("Single pixels, 1:1").click()
    desk.settle()
    assert desk.page.inner_text("#tools .zoom") == "1:1"
    x, y = desk.at(240, 135)
    desk.page.mouse.move(x, y)
    for _ in range(12):
        desk.page.mouse.wheel(0, -240)
    desk.page.wait_for_function("() => page.scaleNow() > 16")
    desk.page.wait_for_function("() => page.view.region !== null")
    desk.settle()
    x0, y0, x1, y1 = desk.page.evaluate("() => page.view.region")
    assert 0 <= x0 < 240 < x1 <= WIDTH
    assert 0 <= y0 < 135 < y1 <= HEIGHT
    assert x1 - x0 < 80
    scale = desk.page.evaluate("() => page.scaleNow()")
    picture = desk.picture().astype(int)
    box = desk.page.locator("#picture").bounding_box()
    left = desk.at(240, 135)[0] - box["x"]
    row = picture[round(desk.at(240, 135.5)[1] - box["y"])]
    steps = [
        abs(row[round(left + k * scale) + d] - row[round(left + k * scale) + d - 1]).max()
        for k in range(-4, 5)
        for d in (-1, 0, 1)
    ]
    inside = [
        abs(row[round(left + (k + 0.5) * scale) + 1] - row[round(left + (k + 0.5) * scale)]).max()
        for k in range(-4, 5)
    ]
    assert max(inside) <= 2
    assert max(steps) > 6
    desk.page.get_by_role("button", name="Fit the whole frame").click()
    desk.page.wait_for_function("() => page.view.region === null")
    desk.page.locator("#picture").focus()
    desk.page.keyboard.press("+")
    desk.page.wait_for_function("() => page.view.region !== null")
    before = desk.page.evaluate("() => page.view.region")
    desk.page.keyboard.press("ArrowRight")
    desk.page.wait_for_function("(x) => page.view.region[0] > x", arg=before[0])
    desk.page.keyboard.press("0")
    desk.page.wait_for_function("() => page.view.region === null")


def test_pinch_zooms_about_the_fingers_and_a_double_tap_goes_back(tablet: Seat) -> None:
    """Common practice, no source."""
    session = tablet.context.new_cdp_session(tablet.page)
    x, y = tablet.at(200, 120)

    def touch(kind: str, *points: tuple[float, float]) -> None:
        session.send(
            "Input.dispatchTouchEvent",
            {
                "type": kind,
                "touchPoints": [{"x": a, "y": b, "id": i} for i, (a, b) in enumerate(points)],
            },
        )

    touch("touchStart", (x - 40, y))
    touch("touchStart", (x - 40, y), (x + 40, y))
    for reach in (60, 90, 130):
        touch("touchMove", (x - reach, y), (x + reach, y))
    touch("touchEnd")
    tablet.page.wait_for_function("() => page.view.region !== null")
    now = tablet.at(200, 120)
    assert now == pytest.approx((x, y), abs=3)
    tablet.page.touchscreen.tap(x, y)
    tablet.page.touchscreen.tap(x, y)
    tablet.page.wait_for_function("() => page.isFit()")


def test_holding_compare_shows_the_plate_only_while_held(desk: Seat) -> None:
    """Common practice, no source."""
    show(desk, "composite")
    before = desk.picture()
    hold = desk.page.get_by_label("Hold to see the plate").bounding_box()
    desk.page.mouse.move(hold["x"] + 10, hold["y"] + 10)
    desk.page.mouse.down()
    desk.page.wait_for_function("() => page.view.compare")
    desk.settle()
    png = desk.page.locator("#picture").screenshot()
    desk.page.mouse.up()
    desk.page.wait_for_function("() => !page.view.compare")
    desk.settle()
    assert png != b""
    assert np.abs(desk.picture().astype(int) - before).mean() < 1.5
    held = patch(desk, _decode(png), 60, 40)
    assert held[1] > 1.5 * max(held[0], held[2])


def _decode(png: bytes) -> np.ndarray[Any, Any]:
    import io

    from PIL import Image

    return np.asarray(Image.open(io.BytesIO(png)).convert("RGB"))


def test_the_wipe_is_dragged_by_its_edge_between_any_two_views(desk: Seat) -> None:
    """Common practice, no source."""
    show(desk, "plate")
    desk.page.get_by_label("Wipe between two views").click()
    desk.page.select_option("select[aria-label='Second view of the wipe']", "matte/")
    desk.page.wait_for_function("() => page.view.wipe.name === 'matte'")
    desk.settle()
    picture = desk.picture()
    assert patch(desk, picture, 60, 40)[1] > 60
    assert patch(desk, picture, WIDTH - 60, 30).max() < 30
    edge = desk.page.get_by_label("Wipe edge")
    box = edge.bounding_box()
    y = box["y"] + 60
    desk.page.mouse.move(box["x"] + 22, y)
    desk.page.mouse.down()
    desk.page.mouse.move(desk.at(40, 0)[0], y, steps=5)
    desk.page.mouse.up()
    assert desk.page.evaluate("() => page.view.wipe.at") == pytest.approx(40 / WIDTH, abs=0.01)
    desk.settle()
    assert patch(desk, desk.picture(), 60, 40).max() < 30
    edge.press("PageUp")
    assert desk.page.evaluate("() => page.view.wipe.at") == pytest.approx(
        40 / WIDTH + 0.1, abs=0.01
    )
    desk.page.get_by_label("Rotate the wipe's edge").click()
    assert edge.get_attribute("aria-orientation") == "vertical"
    desk.page.get_by_label("Wipe between two views").click()
    assert not edge.is_visible()


def test_stress_reveals_noise_is_flagged_and_ends_in_one_tap(desk: Seat) -> None:
    """Common practice, no source: view gain and gamma change the view only."""
    show(desk, "matte")
    calm = desk.picture()
    panel = desk.step("check")
    panel.get_by_role("radio", name="Screen noise").click()
    desk.page.wait_for_selector("[data-flag=stress]")
    gain = desk.page.get_by_role("textbox", name="Gain")
    gain.fill("40")
    gain.press("Enter")
    desk.settle()
    loud = desk.picture()
    region = np.s_[60:200, 20:160]
    assert loud[region].mean() > calm[region].mean() + 8
    assert "not what the matte looks like" in desk.page.inner_text("[data-flag=stress]")
    panel.get_by_role("radio", name="Core holes").click()
    desk.page.wait_for_function("() => page.view.stress.preset === 'core'")
    assert desk.recipe("refine.levels.clear_below") == 0
    desk.page.get_by_label("End the stress view").click()
    desk.page.wait_for_function("() => !document.querySelector('[data-flag=stress]')")
    desk.settle()
    assert np.abs(desk.picture().astype(int) - calm).mean() < 2


def test_warnings_and_hints_hide_no_pixel_and_move_no_picture(desk: Seat, tablet: Seat) -> None:
    """Common practice, no source: what is judged is never covered."""
    for one in (desk, tablet):
        show(one, "matte")
        line = one.page.locator("#line")
        assert "the cumulative matte" in line.inner_text()
        calm = one.page.locator("#picture").bounding_box()
        one.page.evaluate(
            """() => page.look({ stress: { ...page.view.stress, preset: "screen" } })"""
        )
        one.page.get_by_label("Pin a note", exact=True).click()
        for flag in ("stress", "hint"):
            box = one.page.locator(f"[data-flag={flag}]").bounding_box()
            assert box["y"] >= calm["y"] + calm["height"]
            assert box["x"] + box["width"] <= calm["x"] + calm["width"] + 1
        assert one.page.locator("#picture").bounding_box() == calm
        one.page.get_by_label("Put the tool away").click()
        one.page.get_by_label("End the stress view").click()
        one.settle()


def test_the_background_is_a_picture_a_colour_a_ramp_or_a_checker(desk: Seat) -> None:
    """Common practice, no source."""
    panel = desk.step("assemble")
    show(desk, "composite")
    seen = set()
    for kind in ("Picture", "Colour", "Ramp", "Checker"):
        control = panel.locator("[data-field='assemble/background/kind']")
        if control.locator("select").count():
            control.locator("select").select_option(kind.lower())
        else:
            control.get_by_role("radio", name=kind).click()
        desk.settle()
        assert desk.recipe("assemble.background.kind") == kind.lower()
        seen.add(desk.picture().tobytes())
    assert len(seen) == 4


def test_a_media_root_offers_the_clean_plate_and_the_background(desk: Seat) -> None:
    """Common practice, no source."""
    desk.step("prepare")
    desk.page.get_by_label("Choose the clean plate").click()
    sheet = desk.page.locator("dialog.sheet")
    sheet.locator("button.pick", has_text="/").first.wait_for()
    back = sheet.locator("button.pick", has_text="Back")
    for name in sheet.locator("button.pick").all_inner_texts():
        sheet.locator("button.pick", has_text=name).first.click()
        back.wait_for()
        if sheet.locator("button.pick", has_text="greenhouse").count():
            break
        back.click()
        back.wait_for(state="detached")
    sheet.locator("button.pick", has_text="greenhouse").click()
    desk.settle()
    assert desk.recipe("screen.clean_plate_path").endswith("greenhouse.exr")
    assert desk.recipe("screen.clean_plate") == "file"


def test_a_picture_that_is_not_found_is_told_to_the_operator(desk: Seat) -> None:
    """Common practice, no source: a key with a plate missing must not look like a good one."""
    page = desk.page
    change = """(values) => page.change(Object.entries(values).map(([key, value]) =>
        ({ op: "set", path: ["screen", key], value })), { label: "Clean plate" })"""
    page.evaluate(change, {"clean_plate": "file", "clean_plate_path": "nowhere.exr"})
    flag = page.locator("#flags [data-flag=trouble]")
    flag.get_by_text("nowhere.exr").wait_for()  # that it is being opened is said before
    flag.get_by_role("button", name="Read the whole message").click()
    assert "was not found" in page.locator("#notice").inner_text()
    page.evaluate(change, {"clean_plate": "none"})
    flag.wait_for(state="detached")
