"""One signed-in page in a real browser, and what tests do with it."""

from __future__ import annotations

import io
import json
from typing import Any

import numpy as np
from PIL import Image

WAIT_MS = 20_000
INSIDE = """
if (location.protocol.startsWith("http") && location.pathname === "/") {
    const names = ["store", "edits", "view", "transport", "picture"];
    window.page = {};
    Promise.all(names.map((name) => import(`/js/${name}.js`).then((m) => Object.assign(page, m))))
        .then(() => (page.ready = true));
}
"""
"""Lets tests look into the page's modules: `page.state` and so on."""


TWO_FRAMES = """() => new Promise((done) =>
    requestAnimationFrame(() => requestAnimationFrame(() => done())))"""
SETTLED = """() => {
    if (!window.page?.ready || !page.state.recipe) return false;
    const box = document.getElementById("picture").dataset;
    const region = page.view.region ?? [0, 0, page.state.shot.width, page.state.shot.height];
    return page.state.link === "on" && !page.unsaved() && box.quality === "rest"
        && box.shown === page.wantedKey() && box.region === String(region)
        && (!page.view.wipe.on || box.second === page.wantedKey(1))
        && Number(box.revision) >= page.state.revision
        && Number(box.frame) === page.state.playhead.frame;
}"""
WHERE = """() => JSON.stringify([page.state?.link, page.unsaved?.(), page.state?.revision,
    page.state?.playhead, document.getElementById("picture")?.dataset, page.state?.message,
    document.getElementById("notice")?.innerText])"""


class Seat:
    """One signed-in page and what tests do with it."""

    def __init__(self, context: Any) -> None:
        self.context = context
        context.add_init_script(INSIDE)
        self.page = context.new_page()
        self.problems: list[str] = []
        self.page.on("pageerror", lambda error: self.problems.append(str(error)))
        self.page.on("console", self._console)

    def _console(self, message: Any) -> None:
        expected = "Failed to load resource" in message.text or "WebSocket" in message.text
        if message.type in ("error", "warning") and not expected:
            self.problems.append(message.text)

    def enter(self, link: str, name: str = "") -> None:
        """Redeem a link."""
        self.page.goto(link)
        self.page.fill("#name", name)
        self.page.click("button[type=submit]")
        self.page.wait_for_url(lambda url: "/join" not in url)
        self.settle()

    def open(self, address: str) -> None:
        """Open the page with a cookie from before."""
        self.page.goto(address)
        self.settle()

    def settle(self) -> None:
        """Wait for a picture at rest of the newest revision and of the view that is wanted."""
        self.page.evaluate(TWO_FRAMES)
        try:
            self.page.wait_for_function(SETTLED, timeout=WAIT_MS)
        except Exception as error:
            raise AssertionError(f"no picture at rest: {self.page.evaluate(WHERE)}") from error

    def answered(self) -> None:
        """Wait until the service has dealt with all that this page has sent before."""
        self.page.evaluate(
            """() => import("/js/sample.js").then((m) => m.sampleAt("plate", "", [0, 0, 1, 1]))"""
        )

    def state(self, expression: str) -> Any:
        """Value of an expression of the page's `state`."""
        return self.page.evaluate(f"() => {{ const {{ state }} = page; return {expression}; }}")

    def until(self, expression: str, timeout: int = WAIT_MS) -> None:
        """Wait until an expression of the page's `state` holds."""
        self.page.wait_for_function(
            f"() => {{ const {{ state }} = page; return Boolean({expression}); }}",
            timeout=timeout,
        )

    def recipe(self, path: str = "") -> Any:
        """The recipe on the page, or a part of it, e.g. `extractors[0].gain`."""
        return self.state(f"state.recipe{'.' if path and path[0] != '[' else ''}{path}")

    def step(self, name: str) -> Any:
        """Open a step; returns its panel."""
        if self.page.get_attribute("#app", "data-steps") == "closed":
            self.page.get_by_role("button", name="Steps", exact=True).click()
        if self.page.get_attribute("#panel .step", "data-step") != name:
            self.page.click(f"#steps [data-step={name}]")
        self.page.wait_for_selector(f"#panel .step[data-step={name}]")
        return self.page.locator("#panel")

    def unfold(self, title: str) -> Any:
        """Open the folding block of a title; returns it."""
        block = (
            self.page.locator("#panel details.block")
            .filter(has=self.page.locator("summary", has_text=title))
            .last
        )
        if block.get_attribute("open") is None:
            block.locator("> summary").click()
        return block

    def slider(self, name: str) -> Any:
        """A slider of the panel by its name (or the end of it)."""
        return self.page.locator(f"#panel .slider[aria-label$={json.dumps(name)}]").first

    def picture(self) -> np.ndarray[Any, Any]:
        """What is seen in the picture's box, (height, width, 3) 8 bit."""
        self.page.mouse.move(5, 5)
        self.page.evaluate(TWO_FRAMES)  # what the painter's worker has drawn is on the screen then
        png = self.page.locator("#picture").screenshot()
        return np.asarray(Image.open(io.BytesIO(png)).convert("RGB"))

    def at(self, x: float, y: float) -> tuple[float, float]:
        """Position on the page of a place in the frame."""
        px, py = self.page.evaluate(
            """([x, y]) => {
                const r = page.pictureBox.getBoundingClientRect();
                const [a, b] = page.toStage(x, y);
                return [r.left + a, r.top + b];
            }""",
            [x, y],
        )
        return px, py

    def go(self, frame: int) -> None:
        """Move the playhead and wait for the picture."""
        self.page.evaluate("(frame) => page.goTo(frame)", frame)
        self.until(f"state.playhead.frame === {frame}")
        self.settle()

    def reset(self, recipe: dict[str, Any]) -> None:
        """Put the recipe back."""
        self.page.evaluate(
            """(recipe) => page.change([{ op: "set", path: [], value: recipe }],
                                      { label: "reset" })""",
            recipe,
        )
        self.settle()

    def close(self) -> None:
        """Close the page; it must not have complained."""
        self.context.close()
        assert self.problems == [], self.problems
