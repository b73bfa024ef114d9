"""The service's benchmark runs, on a small frame."""

from __future__ import annotations

import sys

import pytest

from kernels.errors import not_installed
from server.bench import bench, bench_page, bench_render, bench_service


@pytest.mark.parametrize(
    ("section", "missing", "told"),
    [
        ("page", "playwright", "'playwright' is not installed; pip install '.[test]' adds it"),
        ("cuda", "cupy", "'cupy' is not installed; with an NVIDIA card, pip install '.[gpu]'"),
        ("card", "cupy", "'cupy' is not installed; with an NVIDIA card, pip install '.[gpu]'"),
        ("service", "websockets", "'websockets' is not installed; pip install websockets adds it"),
        ("card", "resource", "this system has no 'resource'"),
    ],
)
def test_a_part_that_cannot_run_says_what_to_install(
    section: str, missing: str, told: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Source: Python's import system, a finder that finds nothing raises ModuleNotFoundError."""
    for name in list(sys.modules):
        ours = name.startswith(("server.bench.bench_", "kernels.cuda.bench", "kernels.cuda.launch"))
        if ours or name.partition(".")[0] == missing:
            monkeypatch.delitem(sys.modules, name)

    class Missing:
        def find_spec(self, name: str, *_: object) -> None:
            if name.partition(".")[0] == missing:
                raise ModuleNotFoundError(f"No module named '{name}'", name=name)

    monkeypatch.setattr(sys, "meta_path", [Missing(), *sys.meta_path])
    assert told in bench.run((section,))[section]["not run"]


def test_other_import_errors_keep_their_words() -> None:
    """Common practice, no source: a library that is there and broken is not to be installed."""
    assert not_installed(ImportError("libx.so: cannot open", name="cupy")) == "libx.so: cannot open"


def test_a_part_without_what_the_system_lacks_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    """Common practice, no source."""
    monkeypatch.setenv("VERDIGRIS_CHROMIUM", "/nowhere/browser")
    pytest.importorskip("playwright", reason="the page is driven by Playwright")
    found = bench.run(("page",))["page"]["not run"]
    assert found.startswith("there is no browser at /nowhere/browser: install Chromium")
    assert bench_page.CHROMIUM not in found
    monkeypatch.delattr(bench_render.os, "posix_spawn")
    assert bench.run(("render",))["render"]["not run"].startswith("this system does not tell")


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
