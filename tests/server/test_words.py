"""Numbers with their nouns, in messages and on the page."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from server.words import counted, safe_name

ROOT = Path(__file__).parent.parent.parent
SOURCES = [
    file
    for folder, pattern in (("server", "*.py"), ("web", "*.js"), ("demo_media", "*.py"))
    for file in sorted((ROOT / folder).rglob(pattern))
]


@pytest.mark.parametrize(
    ("count", "nouns", "said"),
    [
        (0, ("frame",), "0 frames"),
        (1, ("frame",), "1 frame"),
        (12, ("frame",), "12 frames"),
        (1, ("pass", "passes"), "1 pass"),
        (2, ("pass", "passes"), "2 passes"),
    ],
)
def test_a_number_agrees_with_its_noun(count: int, nouns: tuple[str, ...], said: str) -> None:
    """Common practice, no source: English agreement of number and noun."""
    assert counted(count, *nouns) == said


def test_no_message_leaves_the_number_to_the_reader() -> None:
    """Common practice, no source: '1 frame' or '12 frames', never a bracketed ending."""
    assert len(SOURCES) > 100
    bracketed = re.compile(r"[a-z]\((?:s|es)\) |[a-z]\((?:s|es)\)[\"'`;:,.]")
    left = [
        f"{file.name}: {line.strip()}"
        for file in SOURCES
        for line in file.read_text().splitlines()
        if bracketed.search(line) and not re.search(r"\b(?:str|len|repr|Path|int)\(s\)", line)
    ]
    assert left == []


def test_any_text_becomes_a_folders_name() -> None:
    """Our own rule, no outside source."""
    assert safe_name("a b/../c.exr") == "a_b_c_exr"
    assert safe_name("...") == "shot"
