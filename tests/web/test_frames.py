"""Frames and scopes: scrub, step, in and out, play with dropped frames, what is in memory."""

from __future__ import annotations

import pytest

from tests.web.conftest import FRAMES
from tests.web.seat import Seat
from tests.web.test_picture import show

LAST = 1000 + FRAMES


def test_scrub_step_and_type_a_frame(desk: Seat) -> None:
    """Common practice, no source."""
    strip = desk.page.locator(".timeline")
    box = strip.bounding_box()
    y = box["y"] + box["height"] / 2
    desk.page.mouse.move(box["x"] + 4, y)
    desk.page.mouse.down()
    desk.page.mouse.move(box["x"] + box["width"] * 0.5, y, steps=6)
    desk.page.mouse.up()
    desk.until("state.playhead.frame === 1003")
    desk.settle()
    desk.page.get_by_label("One frame on").click()
    desk.until("state.playhead.frame === 1004")
    desk.page.get_by_label("One frame back").click()
    desk.until("state.playhead.frame === 1003")
    strip.press("End")
    desk.until(f"state.playhead.frame === {LAST}")
    number = desk.page.get_by_label("Frame number")
    number.fill("1002")
    number.press("Enter")
    desk.until("state.playhead.frame === 1002")
    # All is selected after a number; a frame that comes now leaves it so.
    desk.go(1004)
    desk.page.keyboard.type("1003")
    desk.page.keyboard.press("Enter")
    desk.until("state.playhead.frame === 1003")
    desk.settle()
    assert strip.get_attribute("aria-valuenow") == "1003"


def test_frames_in_memory_are_shown(desk: Seat) -> None:
    """Common practice, no source."""
    for frame in range(1001, LAST + 1):
        desk.go(frame)
    desk.until(f"state.cached.flat().includes({LAST})")
    assert desk.page.locator(".timeline .held").count() >= 1
    assert "in memory" in str(desk.page.locator(".timeline .bed").get_attribute("title"))


def test_play_loops_between_in_and_out_and_counts_what_it_drops(desk: Seat) -> None:
    """Common practice, no source: real time is kept, frames are left out."""
    desk.go(1002)
    desk.page.get_by_label("Play from this frame (in)").click()
    desk.go(1004)
    desk.page.get_by_label("Play to this frame (out)").click()
    desk.until("state.playhead.first === 1002 && state.playhead.last === 1004")
    desk.page.get_by_label("At the end").select_option("loop")
    pictures = int(desk.page.get_attribute("#picture", "data-pictures"))
    desk.page.get_by_role("button", name="Play", exact=True).click()
    desk.until("state.playhead.playing")
    desk.page.wait_for_function(
        "(n) => Number(document.getElementById('picture').dataset.pictures) > n + 6", arg=pictures
    )
    assert "dropped" in desk.page.inner_text(".frames .late")
    desk.page.get_by_label("Pause").click()
    desk.until("!state.playhead.playing")
    desk.settle()
    assert 1002 <= desk.state("state.playhead.frame") <= 1004
    desk.page.get_by_label("Play the whole shot").click()
    desk.until(f"state.playhead.first === 1001 && state.playhead.last === {LAST}")


def test_single_keys_play_and_step_and_can_be_switched_off(desk: Seat) -> None:
    """Source: WCAG 2.2, 2.1.4 character key shortcuts."""
    desk.page.evaluate("() => document.activeElement.blur()")
    desk.page.keyboard.press(".")
    desk.until("state.playhead.frame === 1002")
    desk.step("check")
    desk.page.locator("#panel summary", has_text="Keyboard").click()
    desk.page.get_by_role("switch", name="Single keys").click()
    desk.page.evaluate("() => document.activeElement.blur()")
    desk.page.keyboard.press(".")
    desk.answered()
    assert desk.state("state.playhead.frame") == 1002
    view = desk.page.evaluate("() => JSON.stringify(page.view)")
    for key in "rgbamylnv123456789":
        desk.page.keyboard.press(key)
    assert desk.page.evaluate("() => JSON.stringify(page.view)") == view


def test_scopes_show_any_view_and_follow_changes(desk: Seat) -> None:
    """Source: the vectorscope's targets are the 75 % and 100 % bars of the BT.709 matrix."""
    for name in ("plate", "composite", "plate", "composite"):  # again, with nothing changed
        show(desk, name)
        desk.page.wait_for_function(
            "(name) => (document.getElementById('scopes').dataset.drawn ?? '').startsWith(name)",
            arg=name,
        )
    before = desk.page.get_attribute("#scopes", "data-drawn")
    desk.slider("gain").press("End")
    desk.page.wait_for_function(
        "(before) => document.getElementById('scopes').dataset.drawn !== before", arg=before
    )
    targets = desk.page.evaluate(
        """() => new Promise(async (done) => {
            const { wantShown } = await import("/js/scopes.js");
            const stop = wantShown("vectorscope", (m) => { stop(); done(m.targets); });
        })"""
    )
    green = next(t for t in targets if t["name"].lower().startswith("g") and t["level"] == 75)
    for name in ("evenness", "alpha_noise", "deciding"):  # measuring colours are no signal
        show(desk, name)
        for kind in ("Histogram", "Waveform", "Vectorscope"):
            desk.page.locator("#scopes .cap", has_text=f"{kind} of plate").wait_for()
        assert (desk.page.get_attribute("#scopes", "data-drawn") or "").startswith("plate ")
        show(desk, "composite")
        desk.page.locator("#scopes .cap", has_text="Waveform of composite").wait_for()
    assert (green["cb"], green["cr"]) == pytest.approx((0.75 * -0.3854, 0.75 * -0.4542), abs=1e-3)
    for kind in ("histogram", "waveform", "vectorscope"):
        drawn = desk.page.evaluate(
            """(kind) => {
                const c = document.querySelector(`[data-kind=${kind}] canvas`);
                const data = c.getContext("2d").getImageData(0, 0, c.width, c.height).data;
                return data.reduce((n, v) => n + (v > 60), 0);
            }""",
            kind,
        )
        assert drawn > 500
    desk.page.get_by_role("button", name="Scopes").click()
    assert not desk.page.locator("#scopes").is_visible()


IN_ONE_TURN = """async (act) => {
    const { takeNotePin } = await import("/js/notes.js");
    const box = document.getElementById("picture");
    const press = (label) => document.querySelector(`[aria-label="${label}"]`).click();
    const acts = {
        number: () => document.querySelector("[aria-label='Frame number']").value,
        note: () => {
            takeNotePin();
            box.dispatchEvent(new KeyboardEvent("keydown", { key: "Enter" }));
            return document.querySelector("dialog.sheet .lead").textContent;
        },
        key: () => press("Key screen: gain at this frame"),
        begin: () => press("Play from this frame (in)"),
        pause: () => press("Pause"),
    };
    const { on } = await import("/js/store.js");
    return new Promise((done, fail) => {
        setTimeout(() => fail(new Error("no other frame came on")), 20000);
        // A frame that comes on while playing, once the page has drawn all that tells of it.
        const stop = on("frame", () => {
            stop();
            requestAnimationFrame(() => requestAnimationFrame(() => {
                const shown = page.state.shown;
                done([shown, acts[act]()]);
            }));
        });
    });
}"""
"""Does something while a picture is on the screen; returns its frame and what came of it."""


def transport(desk: Seat, **what: float) -> None:
    """Tell the service about the playhead."""
    desk.page.evaluate(
        """(what) => import("/js/wire.js").then((m) => m.send({ type: "transport", ...what }))""",
        what,
    )


def play(desk: Seat) -> None:
    """Start playing from the first frame."""
    desk.page.get_by_role("button", name="Play", exact=True).click()
    desk.until("state.playhead.playing")


def test_what_is_done_while_playing_acts_on_the_frame_that_is_seen(desk: Seat) -> None:
    """Our own rule, no outside source: the picture's own number counts, not the service's clock."""
    play(desk)
    shown, number = desk.page.evaluate(IN_ONE_TURN, "number")
    assert int(number) == shown
    shown, lead = desk.page.evaluate(IN_ONE_TURN, "note")
    assert lead.startswith(f"Frame {shown},")
    desk.page.keyboard.press("Escape")
    shown, _ = desk.page.evaluate(IN_ONE_TURN, "key")
    desk.until("state.recipe.extractors[0].gain.keys?.length === 1")
    assert desk.recipe("extractors[0].gain.keys[0].frame") == shown
    shown, _ = desk.page.evaluate(IN_ONE_TURN, "begin")
    desk.until(f"state.playhead.first === {shown}")
    transport(desk, first=1001)
    shown, _ = desk.page.evaluate(IN_ONE_TURN, "pause")
    desk.until(f"!state.playhead.playing && state.playhead.frame === {shown}")
    desk.settle()
    assert desk.state("state.shown") == shown
    transport(desk, first=1001, last=LAST)
    desk.until("state.playhead.first === 1001")


def test_dropped_frames_are_told_of_the_run_that_dropped_them(desk: Seat) -> None:
    """Our own rule, no outside source: another move by hand takes the count away."""
    late = desk.page.locator(".frames .late")
    desk.page.get_by_label("At the end").select_option("loop")
    transport(desk, fps=240)
    play(desk)
    desk.until("state.playhead.dropped > 0")
    desk.page.get_by_label("Pause").click()
    desk.until("!state.playhead.playing")
    assert int(late.inner_text().split()[0]) == desk.state("state.playhead.dropped") > 0
    desk.page.get_by_label("One frame on").click()
    desk.until("state.playhead.dropped === 0")
    desk.page.wait_for_function("() => document.querySelector('.frames .late').innerText === ''")
    transport(desk, fps=24)
    desk.until("state.playhead.fps === 24")
