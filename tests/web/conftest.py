"""A small shot, the real service in a process of its own, and a real Chromium that looks at it."""

from __future__ import annotations

import contextlib
import io
import json
import os
import shutil
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from demo_media.demo import DemoPaths, make_demo

FRAMES, WIDTH, HEIGHT = 5, 480, 270
HERE = Path(__file__).parent
ROOT = HERE.parent.parent
CHROMIUM = os.environ.get("VERDIGRIS_CHROMIUM", "/usr/bin/chromium")
ARGUMENTS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]
DESK = {"width": 1440, "height": 900}
TABLET = {"width": 1180, "height": 820}
UPRIGHT = {"width": 820, "height": 1180}
WAIT_MS = 20_000


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if HERE in item.path.parents:
            item.add_marker(pytest.mark.browser)


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> DemoPaths:
    """The demo shot, small and short."""
    folder = tmp_path_factory.mktemp("page") / "demo"
    return make_demo(folder, frames=FRAMES, width=WIDTH, height=HEIGHT, workers=1)


@dataclass
class Running:
    """A service that runs."""

    process: subprocess.Popen[str]
    given: dict[str, str]
    address: str
    reviewer: str
    operators: list[str] = field(default_factory=list)

    def operator(self) -> str:
        """An unused operator's link."""
        return self.operators.pop()

    def stop(self, kill: bool = False) -> None:
        """End the process."""
        if self.process.poll() is None:
            (self.process.kill if kill else self.process.terminate)()
        self.process.wait(30)
        for pipe in (self.process.stdout, self.process.stderr):
            if pipe is not None:
                pipe.close()


def start(given: dict[str, str]) -> Running:
    """Start the service and wait until it can be reached."""
    process = subprocess.Popen(
        [sys.executable, str(HERE / "serve.py"), json.dumps(given)], cwd=ROOT, text=True,
        stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert process.stdout is not None
    line = process.stdout.readline()
    if not line:
        process.kill()
        process.wait()
        process.stdout.close()
        raise RuntimeError("the service did not start")
    links = json.loads(line)
    return Running(process, given, links["address"], links["reviewer"], links["operator"])


def start_command(*arguments: str, data: Path) -> Running:
    """Start `verdigris` itself and read the links that it prints."""
    process = subprocess.Popen(
        [sys.executable, "-c", "from server.cli import main; main()", *arguments], cwd=ROOT,
        text=True, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1",
             "VERDIGRIS_DATA_DIR": str(data), "VERDIGRIS_CACHE_DIR": str(data / "cache"),
             "VERDIGRIS_HOST_MEMORY_MB": "256", "VERDIGRIS_ENGINE": "cpu"},
    )
    assert process.stdout is not None
    links: dict[str, str] = {}
    for line in process.stdout:
        for role in ("operator", "reviewer"):
            if line.startswith(role):
                links[role] = line.split()[-1]
        if len(links) == 2:
            break
    else:
        raise RuntimeError("the program did not print its links")
    address = links["operator"].split("/join")[0]
    return Running(process, {}, address, links["reviewer"], [links["operator"]])


def options(demo: DemoPaths, data: Path, port: int = 0) -> dict[str, str]:
    """What `serve.py` needs to serve the demo shot."""
    return {
        "shot": str(demo.shot), "data": str(data), "port": str(port),
        "clean_plate": str(demo.clean_plate), "backdrop": str(demo.backdrop),
    }


def free_port() -> int:
    """Return a port that nobody listens on just now."""
    with contextlib.closing(socket.socket()) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture(scope="session")
def service(demo: DemoPaths, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """The service that most tests share."""
    running = start(options(demo, tmp_path_factory.mktemp("data")))
    yield running
    running.stop()


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """Chromium, or a skip (an error where VERDIGRIS_REQUIRE_BROWSER=1)."""
    required = os.environ.get("VERDIGRIS_REQUIRE_BROWSER") == "1"
    problem = None
    try:
        from playwright.sync_api import sync_playwright
    except ImportError as error:
        problem = f"playwright is not installed ({error})"
    else:
        if shutil.which(CHROMIUM) is None:
            problem = f"there is no browser at {CHROMIUM}: set VERDIGRIS_CHROMIUM to one"
    if problem is not None:
        if required:
            pytest.fail(problem)
        pytest.skip(problem)
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(
            executable_path=CHROMIUM, headless=True, args=ARGUMENTS
        )
        yield chromium
        chromium.close()


INSIDE = """
if (location.protocol.startsWith("http") && location.pathname === "/") {
    const names = ["store", "edits", "view", "transport", "picture"];
    window.page = {};
    Promise.all(names.map((name) => import(`/js/${name}.js`).then((m) => Object.assign(page, m))))
        .then(() => (page.ready = true));
}
"""
"""Lets tests look into the page's modules: `page.state` and so on."""


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
        self.settle()

    def open(self, address: str) -> None:
        """Open the page with a cookie from before."""
        self.page.goto(address)
        self.settle()

    def settle(self) -> None:
        """Wait for a picture at rest of the newest revision."""
        try:
            self.page.wait_for_function(SETTLED, timeout=WAIT_MS)
        except Exception as error:
            raise AssertionError(f"no picture at rest: {self.page.evaluate(WHERE)}") from error

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
        if self.page.get_attribute("#panel .step", "data-step") != name:
            self.page.click(f"#steps [data-step={name}]")
        self.page.wait_for_selector(f"#panel .step[data-step={name}]")
        return self.page.locator("#panel")

    def unfold(self, title: str) -> Any:
        """Open the folding block of a title; returns it."""
        block = self.page.locator("#panel details.block").filter(
            has=self.page.locator("summary", has_text=title)).last
        if block.get_attribute("open") is None:
            block.locator("> summary").click()
        return block

    def slider(self, name: str) -> Any:
        """A slider of the panel by its name (or the end of it)."""
        return self.page.locator(f"#panel .slider[aria-label$={json.dumps(name)}]").first

    def picture(self) -> np.ndarray[Any, Any]:
        """What is seen in the picture's box, (height, width, 3) 8 bit."""
        self.page.mouse.move(5, 5)
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
        assert self.problems == []


@pytest.fixture(scope="session")
def signed_in(browser: Any, service: Running) -> dict[str, Any]:
    """Cookies of an operator and of a reviewer."""
    cookies = {}
    for role, link in (("operator", service.operator()), ("reviewer", service.reviewer)):
        context = browser.new_context(viewport=DESK)
        seat = Seat(context)
        seat.enter(link, {"operator": "Jo", "reviewer": "Mira"}[role])
        cookies[role] = context.storage_state()
        if role == "operator":
            cookies["recipe"] = seat.recipe()
        seat.close()
    return cookies


@pytest.fixture
def seat(
    browser: Any, service: Running, signed_in: dict[str, Any]
) -> Iterator[Callable[..., Seat]]:
    """Makes signed-in pages: `seat()`, `seat("reviewer")`, `seat(touch=True, size=TABLET)`."""
    seats: list[Seat] = []

    def make(role: str = "operator", *, touch: bool = False, size: Any = None) -> Seat:
        context = browser.new_context(
            viewport=size or (TABLET if touch else DESK), has_touch=touch, is_mobile=touch,
            storage_state=signed_in[role], accept_downloads=True,
        )
        one = Seat(context)
        seats.append(one)
        one.open(service.address)
        return one

    yield make
    for one in seats:
        one.close()


@pytest.fixture
def desk(seat: Callable[..., Seat], signed_in: dict[str, Any]) -> Seat:
    """An operator at a desk, with the recipe and the playhead as they were at first."""
    one = seat()
    one.go(1001)
    one.reset(signed_in["recipe"])
    return one


@pytest.fixture
def tablet(seat: Callable[..., Seat], signed_in: dict[str, Any]) -> Seat:
    """An operator with a tablet."""
    one = seat(touch=True)
    one.reset(signed_in["recipe"])
    return one
