"""The service's benchmark runs, on a small frame."""

from __future__ import annotations

import pytest

from server.jobs import bench_service


def test_the_benchmark_measures_what_it_says(monkeypatch: pytest.MonkeyPatch) -> None:
    """Common practice, no source: every figure is there and plausible; speed is not judged here."""
    for name, value in {
        "WIDTH": 192, "HEIGHT": 108, "FRAMES": 3, "CHANGES": 8, "RESTS": 2, "PLAY_S": 0.5,
        "PAGES": 4, "PAGE_WIDTHS": (640, 960),
    }.items():  # fmt: skip
        monkeypatch.setattr(bench_service, name, value)
    found = bench_service.bench_service("cpu", threads=1)
    assert found["engine"] == "cpu"
    assert 0 < found["moving"]["p50_ms"] <= found["moving"]["p99_ms"]
    assert found["moving"]["runs"] == 8
    assert found["rest"]["runs"] == 2
    assert found["moving"]["verdict"] in ("reached", "missed")
    playback = found["playback"]
    assert playback["pages"] == 4
    assert 0 < playback["pictures_a_second_slowest_page"] <= 40
    assert playback["renders_for_each_picture_of_one_page"] <= 3
