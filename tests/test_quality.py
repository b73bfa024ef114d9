"""The tree as a whole: lint, format, types, one-way dependencies, documents that stay true."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGES = ("kernels", "server", "demo_media")


def tool(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", *arguments], cwd=ROOT, capture_output=True, text=True, check=False
    )


def test_lint_is_clean() -> None:
    """Source: ruff, with the rules chosen in pyproject.toml."""
    found = tool("ruff", "check", ".")
    assert found.returncode == 0, found.stdout


def test_format_is_clean() -> None:
    """Source: ruff's formatter."""
    found = tool("ruff", "format", "--check", ".")
    assert found.returncode == 0, found.stdout


@pytest.mark.slow
def test_types_are_strict_and_clean() -> None:
    """Source: mypy, strict."""
    found = tool("mypy")
    assert found.returncode == 0, found.stdout


def imports_of(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names.add(node.module)
    return names


def test_dependencies_point_one_way() -> None:
    """Our own rule, no outside source: server may use kernels, never the other way round."""
    for path in (ROOT / "kernels").rglob("*.py"):
        found = imports_of(path)
        assert not any(n.split(".")[0] in ("server", "demo_media", "fastapi") for n in found), path
        if "cuda" not in path.relative_to(ROOT).parts:
            assert not any(n.split(".")[0].startswith("cupy") for n in found), path


def test_importing_needs_no_gpu_package() -> None:
    """Our own rule, no outside source: the packages import where CuPy is not installed."""
    code = (
        "import sys; sys.modules['cupy'] = None; import kernels, server, kernels.engines as e; "
        "import server.cli; c = e.choose_engine('auto', threads=1); print(c.engine.name, c.reason)"
    )
    found = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert found.returncode == 0, found.stderr
    assert found.stdout.startswith("cpu ")


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_paths_in_the_documents_exist(name: str) -> None:
    """Our own rule, no outside source: a guide that names missing files misleads."""
    text = (ROOT / name).read_text(encoding="utf-8")
    pattern = r"`((?:kernels|server|web|tests|demo_media|\.ci)/[\w./-]*)`"
    named = set(re.findall(pattern, text))
    missing = [path for path in named if not (ROOT / path).exists()]
    assert not missing
    if name == "DEVELOPERS.md":
        assert len(named) > 10


def test_commands_in_the_readme_exist() -> None:
    """Our own rule, no outside source: every command shown can be run."""
    from server import cli

    cli.run(["--version"])
    known = {c.name for c in cli.app.registered_commands}
    known |= {g.name for g in cli.app.registered_groups}
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    shown = set(re.findall(r"^verdigris ([a-z]+)", text, flags=re.MULTILINE))
    assert shown
    assert shown <= known


def test_no_machine_path_or_big_file_is_kept() -> None:
    """Our own rule, no outside source: the tree is small and belongs to no machine."""
    listed = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False
    ).stdout.split("\n")
    for name in filter(None, listed):
        path = ROOT / name
        if path.exists():
            assert path.stat().st_size < 1_000_000, name
