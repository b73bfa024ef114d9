"""The floor plan: which room may import which, and that no imports run in a circle.

Every import counts, lazy ones inside functions and those for types only, too: what a module needs
to be understood is what it imports anywhere. The order of the rooms is read from the picture in
DEVELOPERS.md, so that the picture cannot differ from the code.
"""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
LEAVES = {"config", "logs", "timing", "progress", "words", "gc_pauses"}
"""modules at the root of `server` that anyone may import; of ours they import only kernels"""
ABOVE_ALL = {"cli"}
TOPS = ("kernels", "server", "demo_media")


def _modules() -> dict[str, Path]:
    found = {}
    for top in TOPS:
        for path in (ROOT / top).rglob("*.py"):
            parts = path.relative_to(ROOT).with_suffix("").parts
            found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


MODULES = _modules()


def _target(name: str) -> str | None:
    """Return the module of ours that a dotted name lies in, or None for a library's."""
    while name and name not in MODULES:
        name = name.rpartition(".")[0]
    return name or None


def imports_in(source: str) -> set[str]:
    """Return the modules of ours that a source imports anywhere, by any form of import."""
    found: set[str | None] = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found |= {_target(alias.name) for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports name the whole module, so that they can be searched"
            found |= {_target(f"{node.module}.{alias.name}") for alias in node.names}
        elif (
            isinstance(node, ast.Call)
            and "import_module" in ast.unparse(node.func)
            and node.args
            and isinstance(node.args[0], ast.Constant)
        ):
            found.add(_target(str(node.args[0].value)))
    return {name for name in found if name is not None}


GRAPH = {name: imports_in(path.read_text("utf-8")) - {name} for name, path in MODULES.items()}


def rooms_of(text: str) -> list[list[str]]:
    """Return the rows of the picture between the ```rooms markers, top first: the rooms in each."""
    block = re.search(r"^```rooms\n(.*?)^```$", text, re.S | re.M)
    assert block is not None, "DEVELOPERS.md has no block ```rooms"
    rows = [line for line in block[1].splitlines() if line.strip()]
    return [re.split(r"  +", row.strip())[0].split(" | ") for row in rows]


ROWS = rooms_of((ROOT / "DEVELOPERS.md").read_text("utf-8"))
HEIGHT = {room: len(ROWS) - n for n, row in enumerate(ROWS) for room in row}


def room(module: str) -> str:
    """Return the room of a module: `server.http.app` is in `http`, `kernels.plan` in `kernels`."""
    top, _, rest = module.partition(".")
    return rest.partition(".")[0] if top == "server" else top


def wrong_way(graph: dict[str, set[str]]) -> list[str]:
    """Return the imports that run up or sideways in the picture, as sentences."""
    wrong = []
    for module, targets in sorted(graph.items()):
        for target in sorted(targets):
            here, there = room(module), room(target)
            if here == there or here in {"", *ABOVE_ALL}:
                continue
            if there in LEAVES:
                allowed = here not in LEAVES | {"kernels", "demo_media"}
            elif here in LEAVES:
                allowed = there == "kernels"
            else:
                allowed = HEIGHT.get(here, 0) > HEIGHT.get(there, 99)
            if not allowed:
                wrong.append(f"{module} imports {target}: {here} stands not above {there}")
    return wrong


def circles(graph: dict[str, set[str]]) -> list[list[str]]:
    """Return the groups of modules that import one another in a circle (Tarjan 1972)."""
    order: dict[str, int] = {}
    low: dict[str, int] = {}
    stack: list[str] = []
    found: list[list[str]] = []

    def visit(name: str) -> None:
        order[name] = low[name] = len(order)
        stack.append(name)
        for target in sorted(graph.get(name, ())):
            if target not in order:
                visit(target)
            if target in stack:
                low[name] = min(low[name], low[target])
        if low[name] == order[name]:
            at = stack.index(name)
            group = stack[at:]
            del stack[at:]
            if len(group) > 1:
                found.append(sorted(group))

    for name in sorted(graph):
        if name not in order:
            visit(name)
    return found


def test_the_picture_names_every_room() -> None:
    """Our own rule, no outside source."""
    packages = {path.parent.name for path in (ROOT / "server").glob("*/__init__.py")}
    single = {path.stem for path in (ROOT / "server").glob("*.py")} - {"__init__"}
    assert packages | (single - LEAVES - ABOVE_ALL) | {"kernels", "demo_media"} == set(HEIGHT)
    assert single >= LEAVES | ABOVE_ALL
    assert len(HEIGHT) == sum(len(row) for row in ROWS), "a room stands in two places"


def test_imports_run_down_the_picture() -> None:
    """Our own rule, no outside source: DEVELOPERS.md says what stands above what."""
    assert wrong_way(GRAPH) == []


def test_no_imports_run_in_a_circle() -> None:
    """Our own rule, no outside source. Source of the search: Tarjan 1972, SIAM J. Comput. 1(2)."""
    assert circles(GRAPH) == []


def test_every_room_says_what_it_hides() -> None:
    """Our own rule, no outside source: what it is for, and what need not be known outside."""
    rooms = [p for top in ("server", "kernels") for p in (ROOT / top).glob("*/__init__.py")]
    for path in rooms:
        told = ast.get_docstring(ast.parse(path.read_text("utf-8"))) or ""
        assert re.search(r"\b[Hh]ides\b", told), f"{path.relative_to(ROOT)} does not say it"
        assert len(told.splitlines()) <= 4, f"{path.relative_to(ROOT)} says it in too many lines"


@pytest.mark.parametrize(
    ("source", "expected"),
    [
        ("import server.words", {"server.words"}),
        ("from server import words", {"server.words"}),
        ("def f():\n    from server.words import counted", {"server.words"}),
        ("if TYPE_CHECKING:\n    from server.words import counted", {"server.words"}),
        ("importlib.import_module('server.words')", {"server.words"}),
        ("import numpy.linalg", set()),
    ],
)
def test_every_form_of_import_counts(source: str, expected: set[str]) -> None:
    """Our own rule, no outside source."""
    assert imports_in(source) == expected


def test_what_breaks_the_plan_is_found() -> None:
    """Our own rule, no outside source: up, sideways, out of a leaf, out of kernels, in a circle."""
    bad = {
        "server.wire.messages": {"server.http.app"},
        "server.pictures.keys": {"server.takes.log"},
        "server.words": {"server.wire.messages"},
        "kernels.plan": {"server.words", "server.wire.state"},
        "server.wire.state": {"server.wire.messages"},
        "server.http.app": {"server.wire.messages", "server.words", "kernels.plan"},
        "demo_media.shot": {"server.media.shot"},
    }
    told = wrong_way(bad)
    assert [text.split(":")[0] for text in told] == [
        "demo_media.shot imports server.media.shot",
        "kernels.plan imports server.wire.state",
        "kernels.plan imports server.words",
        "server.pictures.keys imports server.takes.log",
        "server.wire.messages imports server.http.app",
        "server.words imports server.wire.messages",
    ]
    ring = {"a": {"b"}, "b": {"c"}, "c": {"a", "d"}, "d": set()}
    assert circles(ring) == [["a", "b", "c"]]
