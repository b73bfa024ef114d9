"""The page's code: strict types, one format, short lines and functions, nothing untyped unseen."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.web.wire_types import TARGET, wire_types

HERE = Path(__file__).parent
ROOT = HERE.parent.parent
CODE = sorted((ROOT / "web" / "js").rglob("*.js")) + sorted((ROOT / "server").rglob("*.js"))
LONGEST_LINE, LONGEST_FUNCTION = 120, 60
Ran = subprocess.CompletedProcess[str]


@pytest.mark.slow
def test_types_are_strict_and_clean(node: Callable[..., Ran]) -> None:
    """Source: the TypeScript compiler, strict, over the JavaScript and its JSDoc types."""
    found = node("node_modules/typescript/bin/tsc", "--project", "jsconfig.json")
    assert found.returncode == 0, found.stdout


def test_the_compiler_sees_a_wrong_message(node: Callable[..., Ran], tmp_path: Path) -> None:
    """Source: the TypeScript compiler: a field that the wire does not know is an error."""
    wrong = tmp_path / "wrong.js"
    wrong.write_text(
        f'import {{ send }} from "{ROOT / "web" / "js" / "wire.js"}";\n'
        'send({ type: "follow", on: true });\nsend({ type: "follow", of: true });\n',
        encoding="utf-8",
    )
    options = ("--checkJs", "--noEmit", "--strict", "--target", "es2022", "--module", "es2022")
    rest = ("--moduleResolution", "bundler", "--lib", "es2023,dom,dom.iterable")
    found = node("node_modules/typescript/bin/tsc", *options, *rest, str(wrong))
    assert "wrong.js(3," in found.stdout
    assert "wrong.js(2," not in found.stdout


def test_format_is_clean(node: Callable[..., Ran]) -> None:
    """Source: prettier, with the rule in prettier.json."""
    script = "node_modules/prettier/bin/prettier.cjs"
    found = node(script, "--config", "prettier.json", "--check", *map(str, CODE))
    assert found.returncode == 0, found.stdout + found.stderr


def test_no_function_is_long(node: Callable[..., Ran]) -> None:
    """Our own rule, no outside source: a function fits on one screen."""
    found = node("functions.mjs", str(LONGEST_FUNCTION), *map(str, CODE))
    assert found.returncode == 0, found.stderr
    assert found.stdout == ""


def test_no_line_is_long() -> None:
    """Our own rule, no outside source: a line can be read without scrolling."""
    long = [
        f"{path.relative_to(ROOT)}:{number}"
        for path in [*CODE, TARGET]
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1)
        if len(line) > LONGEST_LINE
    ]
    assert long == []


def test_nothing_is_untyped_without_a_reason() -> None:
    """Our own rule, no outside source: a comment with the type `any` says why ("any: …")."""
    assert len(CODE) > 40
    without = []
    for path in CODE:
        text = path.read_text(encoding="utf-8")
        for comment in re.finditer(r"/\*\*.*?\*/", text, flags=re.DOTALL):
            types = " ".join(re.findall(r"@\w+ \{.*\}", comment[0]))
            if re.search(r"\bany\b", types) and "any: " not in comment[0]:
                line = text.count("\n", 0, comment.start()) + 1
                without.append(f"{path.relative_to(ROOT)}:{line}")
    assert without == []


def test_the_types_of_the_wire_are_current() -> None:
    """Our own rule, no outside source: the types are those of the models that check messages."""
    assert TARGET.read_text(encoding="utf-8") == wire_types(), (
        "run `python -m tests.web.wire_types`"
    )
