"""The declared floors are the versions that `.ci/lowest` tests with."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

ROOT = Path(__file__).parent.parent


def _name(text: str) -> str:
    return text.lower().replace("_", "-")


def test_what_is_declared_is_what_is_tested() -> None:
    """Source: PEP 440, version matching: 4.10 is the floor that 4.10.0.84 is the first of.

    Every dependency has a floor, and `tests/lowest.txt` pins each to it; so with the test tools
    that are pinned there.
    """
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    lines = (ROOT / "tests" / "lowest.txt").read_text().splitlines()
    pins = dict(line.split("==") for line in lines if not line.startswith("#"))
    pinned = {_name(name): version for name, version in pins.items()}
    declared = [*project["dependencies"], *project["optional-dependencies"]["test"]]
    floors = {
        _name(found[1]): found[2]
        for text in declared
        if (found := re.fullmatch(r"([\w-]+)>=([\d.]+)", text))
    }
    for text in project["dependencies"]:
        assert _name(re.split("[^\\w-]", text)[0]) in pinned, text
    for name, version in pinned.items():
        floor, first = floors[name].split("."), version.split(".")
        assert first[: len(floor)] == floor, (name, floors[name], version)
