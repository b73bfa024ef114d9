"""The page's start: in any order, with parts that fail once or for good."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest

from tests.web.conftest import DESK
from tests.web.running import Running
from tests.web.seat import Seat


@pytest.fixture
def fresh(browser: Any, signed_in: dict[str, Any]) -> Iterator[Callable[[], Seat]]:
    """Makes pages that have the operator's cookie and show nothing yet."""
    seats: list[Seat] = []

    def make() -> Seat:
        context = browser.new_context(viewport=DESK, storage_state=signed_in["operator"])
        seats.append(Seat(context))
        return seats[-1]

    yield make
    for seat in seats:
        seat.problems.clear()  # what was broken on purpose
        seat.close()


def failing(times: int) -> tuple[Callable[[Any], None], list[str]]:
    """Return a handler of requests that fails the first ones, and what it failed."""
    failed: list[str] = []

    def handle(route: Any) -> None:
        if len(failed) < times:
            failed.append(route.request.url)
            route.fulfill(
                status=200, content_type="text/javascript", body="throw new Error('broken')"
            )
        else:
            route.continue_()

    return handle, failed


def test_a_part_that_fails_once_mends_itself(fresh: Callable[[], Seat], service: Running) -> None:
    """Our own rule, no outside source: a page opened on a busy machine starts in the end."""
    seat = fresh()
    handle, failed = failing(1)
    seat.page.route("**/js/legend.js", handle)
    seat.page.goto(service.address)
    seat.page.wait_for_function("() => document.documentElement.dataset.started === 'yes'")
    seat.settle()
    assert len(failed) == 1


def test_a_part_that_always_fails_is_told(fresh: Callable[[], Seat], service: Running) -> None:
    """Our own rule, no outside source: it reloads itself once, not for ever."""
    seat = fresh()
    handle, failed = failing(1000)
    seat.page.route("**/js/legend.js", handle)
    seat.page.goto(service.address)
    seat.page.wait_for_selector("#notice .toast")
    assert "could not start" in seat.page.inner_text("#notice")
    assert len(failed) == 2


def test_a_painter_whose_worker_fails_paints_on_the_page(
    fresh: Callable[[], Seat], service: Running
) -> None:
    """Our own rule, no outside source."""
    seat = fresh()
    handle, failed = failing(1)
    seat.page.route("**/js/paint-worker.js", handle)
    seat.open(service.address)
    assert failed
    assert seat.page.get_attribute("#canvas", "data-painter") == "page"


def test_parts_loaded_before_the_page_is_there_wait_for_it(
    fresh: Callable[[], Seat], service: Running
) -> None:
    """Source: HTML standard, scripting: a dynamic import may run before the body is parsed."""
    seat = fresh()
    seat.page.add_init_script("import('/js/picture.js').catch((e) => (window.early = String(e)))")
    seat.open(service.address)
    assert seat.page.evaluate("() => window.early ?? ''") == ""
    assert not seat.problems
