"""A flood of errors costs lines by the second, not by the error."""

from __future__ import annotations

import io
import logging

from server.logs import OnceASecond


def test_repeated_errors_are_logged_once_a_second() -> None:
    """Our own rule, no outside source: 10,000 equal errors in three seconds are three lines."""
    now = [0.0]
    stream = io.StringIO()
    log = logging.Logger("flood")
    log.addHandler(OnceASecond(stream, lambda: now[0]))
    for n in range(10_000):
        now[0] = n * 3 / 10_000
        log.warning("a connection from %s was refused", f"10.0.0.{n % 250}")
    log.warning("another matter")
    lines = stream.getvalue().splitlines()
    assert len(lines) == 4
    assert "more like it" in lines[1]
    assert lines[3] == "another matter"


def test_quiet_records_are_all_written() -> None:
    """Our own rule, no outside source: what was asked for by --verbose is not thinned."""
    stream = io.StringIO()
    log = logging.Logger("quiet")
    log.addHandler(OnceASecond(stream, lambda: 0.0))
    for _ in range(5):
        log.info("a visit")
    assert len(stream.getvalue().splitlines()) == 5
