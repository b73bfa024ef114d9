"""The compiled kernels of every level that this processor runs."""

from __future__ import annotations

import os

import pytest

from kernels.cpu import library
from kernels.cpu.library import Library


def levels() -> list[str]:
    """Return the levels that run here; none at all is an error unless the build was left out."""
    found = library.available()
    if not found and os.environ.get("VERDIGRIS_NO_NATIVE", "") in ("", "0"):
        why = library.choose().reason
        raise RuntimeError(f"no compiled kernels ({why}): run python -m kernels.cpu.native_build")
    return found


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Run a test that takes `level` on every level there is."""
    if "level" in metafunc.fixturenames:
        metafunc.parametrize("level", levels(), scope="session")


@pytest.fixture(scope="session")
def compiled(level: str) -> Library:
    """The library of a level."""
    found = library.choose(level).library
    assert found is not None
    return found
