"""Numbers with their nouns, in messages and on the page."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from server.words import counted, plain_cell, safe_name

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
        if bracketed.search(line)
        and not re.search(r"\b(?:str|len|repr|Path|int|decode|angle)\(s\)", line)
    ]
    assert left == []


HIDDEN = ["\u200b", "\ufeff", "\u00ad", "\u2060", "\u00a0", "\u3164", "\u2800", "\U000e0001",
          "\ufe0f", "\u202e", "\x00", "\u180e"]  # fmt: skip


@pytest.mark.parametrize("before", ["", " ", "\t", *HIDDEN, "".join(HIDDEN)])
@pytest.mark.parametrize("sign", ["=", "+", "-", "@", "\uff1d"])
def test_a_cell_that_seems_to_begin_with_a_sign_is_quoted(before: str, sign: str) -> None:
    """Source: Unicode's general categories and Default_Ignorable_Code_Point: programs that drop
    what is invisible find a formula behind it."""
    assert plain_cell(f"{before}{sign}1+1") == f"'{before}{sign}1+1"
    assert plain_cell(f"name{before}{sign}") == f"name{before}{sign}"
    assert plain_cell("été") == "été"
    assert plain_cell("") == ""


def test_any_text_becomes_a_folders_name() -> None:
    """Our own rule, no outside source."""
    assert safe_name("a b/../c.exr") == "a_b_c_exr"
    assert safe_name("...") == "shot"
