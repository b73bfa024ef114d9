"""Which form of the kernels runs, and what is said about it."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from kernels.cpu import cpu_engine, library, native_build
from kernels.cpu.compiled import CompiledEngine
from kernels.cpu.engine import CpuEngine
from kernels.cpu.library import LEVEL, LibraryError
from kernels.cpu.processor import sensible_threads
from kernels.engines import choose_engine


def test_the_description_says_what_runs_and_why(monkeypatch: pytest.MonkeyPatch) -> None:
    """Our own rule, no outside source: `verdigris serve` prints it."""
    monkeypatch.setenv(LEVEL, "numpy")
    choice = choose_engine("cpu")
    assert isinstance(choice.engine, CpuEngine)
    assert choice.engine.description.endswith("NumPy (NumPy was asked for)")
    choice.engine.close()
    for level in library.available():
        monkeypatch.setenv(LEVEL, level)
        engine = cpu_engine()
        assert isinstance(engine, CompiledEngine)
        assert engine.name == "cpu"
        assert f"kernels compiled for {library.NAMES[level]} (" in engine.description
        engine.close()


def test_the_highest_level_is_chosen(monkeypatch: pytest.MonkeyPatch) -> None:
    """Source: x86-64 psABI, section 3.1.1: each level has what those below it have."""
    monkeypatch.delenv(LEVEL, raising=False)
    there = library.available()
    chosen = library.choose().library
    assert chosen is not None
    assert chosen.level == there[-1]
    if chosen.level != "arm64":
        assert there == list(native_build.LEVELS)[: len(there)]


@pytest.mark.parametrize("word", ["v9", "fast"])
def test_a_level_that_is_none_is_refused(word: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Our own rule, no outside source: one sentence that says what to do."""
    monkeypatch.setenv(LEVEL, word)
    with pytest.raises(LibraryError, match="use one of v2, v3, v4, arm64 or numpy"):
        cpu_engine()


def test_a_level_of_another_processor_is_refused() -> None:
    """Our own rule, no outside source."""
    other = "v2" if "arm64" in library.available() else "arm64"
    with pytest.raises(LibraryError, match="cannot run here"):
        library.choose(other)


def test_without_libraries_numpy_runs_and_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Our own rule, no outside source: an installation without a compiler works."""
    monkeypatch.delenv(LEVEL, raising=False)
    monkeypatch.setattr(native_build, "LIBRARIES", tmp_path)
    engine = cpu_engine()
    assert isinstance(engine, CpuEngine)
    assert "no kernels were compiled when it was installed" in engine.description
    engine.close()


def test_old_and_broken_libraries_are_not_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Our own rule, no outside source: what was compiled from other sources is never called."""
    monkeypatch.delenv(LEVEL, raising=False)
    first = native_build.targets()[0]
    (tmp_path / first.file_name).write_bytes(b"no library")
    found = library.choose(folder=tmp_path)
    assert found.library is None
    assert "do not load" in found.reason
    other = tmp_path / "other"
    other.mkdir()
    shutil.copy(native_build.LIBRARIES / first.file_name, other)
    monkeypatch.setattr(native_build, "digest", lambda: "0" * 16)
    found = library.choose(folder=other)
    assert found.library is None
    assert "older than their sources" in found.reason


@pytest.mark.parametrize(("cores", "threads"), [(1, 1), (2, 2), (3, 2), (16, 15)])
def test_a_core_is_left_to_the_event_loop(
    cores: int, threads: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Our own rule, no outside source: where there are more than two."""
    monkeypatch.setattr("kernels.cpu.processor.usable_cores", lambda: cores)
    assert sensible_threads() == threads
