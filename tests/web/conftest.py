"""A small shot, the real service in a process of its own, and a real Chromium that looks at it."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from demo_media.demo import DemoPaths, make_demo
from tests.web.running import Running, options, start
from tests.web.seat import Seat

FRAMES, WIDTH, HEIGHT = 5, 480, 270
HERE = Path(__file__).parent
CHROMIUM = os.environ.get("VERDIGRIS_CHROMIUM", "/usr/bin/chromium")
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
DESK = {"width": 1440, "height": 900}
TABLET = {"width": 1180, "height": 820}
UPRIGHT = {"width": 820, "height": 1180}
ALL_OPEN = """
for (const role of ["operator", "reviewer"])
    localStorage.setItem(`folds-${role}`, '{"tools": true, "steps": true, "scopes": true}');
"""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if HERE in item.path.parents:
            item.add_marker(pytest.mark.browser)


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> DemoPaths:
    """The demo shot, small and short."""
    folder = tmp_path_factory.mktemp("page") / "demo"
    return make_demo(folder, frames=FRAMES, width=WIDTH, height=HEIGHT, workers=1)


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
    """Makes signed-in pages: `seat()`, `seat("reviewer")`, `seat(touch=True, size=TABLET)`.

    All parts beside the picture are open, unless `folded` leaves them as the role begins.
    """
    seats: list[Seat] = []

    def make(
        role: str = "operator", *, touch: bool = False, size: Any = None, folded: bool = False
    ) -> Seat:
        context = browser.new_context(
            viewport=size or (TABLET if touch else DESK),
            has_touch=touch,
            is_mobile=touch,
            storage_state=signed_in[role],
            accept_downloads=True,
        )
        if not folded:
            context.add_init_script(ALL_OPEN)
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


@pytest.fixture(scope="session")
def node() -> Callable[..., subprocess.CompletedProcess[str]]:
    """Runs a script with node, or skips (an error where VERDIGRIS_REQUIRE_BROWSER=1)."""
    program = shutil.which("node")
    problem = None
    if program is None:
        problem = "node is not installed"
    elif not (HERE / "node_modules" / "typescript").is_dir():
        problem = "run `npm ci --prefix tests/web` first"
    if problem is not None:
        if os.environ.get("VERDIGRIS_REQUIRE_BROWSER") == "1":
            pytest.fail(problem)
        pytest.skip(problem)

    def run(*arguments: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [str(program), *arguments], cwd=HERE, capture_output=True, text=True, check=False
        )

    return run
