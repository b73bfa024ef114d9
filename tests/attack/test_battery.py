"""The battery runs, and what it measures is sane; how fast is for `tests/MEASURED.md` to tell."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from tests.attack.battery import grown, killed, make_shot, table, under_attack

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not sys.platform.startswith("linux"), reason="memory is read from /proc"),
]


def test_the_good_page_goes_on_among_bad_clients(tmp_path: Path) -> None:
    """Our own rule, no outside source: nobody else's doing stops a page from being served."""
    found = under_attack(make_shot(tmp_path / "shot"), tmp_path / "a", 1.0, count=10)
    for when in ("quiet", "attacked"):
        assert found[when]["pictures_per_s"] > 0
        assert 0 < found[when]["drag_p50_ms"] <= found[when]["drag_p99_ms"]
    assert found["they"]["messages sent"] > 0
    assert "| attack | attacked drag_p99_ms |" in table({"attack": found})


def test_kills_break_no_file_and_lose_the_last_moment_only(tmp_path: Path) -> None:
    """Our own rule, no outside source: an accepted edit is lost only if it is the last ones'."""
    found = killed(make_shot(tmp_path / "shot"), tmp_path / "b", 2)
    assert found["broken"] == []
    assert found["torn_last_lines"] <= 2


def test_memory_is_read_while_pages_edit_and_play(tmp_path: Path) -> None:
    """Our own rule, no outside source: every round is followed by a reading."""
    found = grown(make_shot(tmp_path / "shot"), tmp_path / "c", 0.0)
    assert found["rounds"] == 4
    assert min(found["by_minute_mb"]) > 10
