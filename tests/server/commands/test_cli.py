"""The program: every command explains itself, every mistake is one sentence and exit code 2."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
import typer

from server import cli, commands


def verdigris(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    code = cli.run(arguments)
    out, err = capsys.readouterr()
    return code, out, err


def all_commands() -> list[list[str]]:
    cli.run(["--version"])
    names = [[c.name or ""] for c in cli.app.registered_commands]
    for group in cli.app.registered_groups:
        assert group.typer_instance is not None
        names += [
            [group.name or "", c.name or getattr(c.callback, "__name__", "")]
            for c in group.typer_instance.registered_commands
        ]
    return names


def test_every_command_has_help_with_an_example(capsys: pytest.CaptureFixture[str]) -> None:
    """Our own rule, no outside source: a newcomer learns a command from its help alone."""
    commands = all_commands()
    assert len(commands) >= 5
    for command in commands:
        code, out, _ = verdigris(capsys, *command, "--help")
        assert code == 0, command
        assert "Example: verdigris" in out, command


def test_the_lists_of_commands_are_not_cut_short(capsys: pytest.CaptureFixture[str]) -> None:
    """Our own rule, no outside source: a newcomer reads whole sentences."""
    for arguments in (["--help"], ["recipe", "--help"]):
        assert "..." not in verdigris(capsys, *arguments)[1].split("Commands:")[1]


@pytest.mark.parametrize(
    "arguments",
    [
        ["bogus"],
        ["recipe", "check"],
        ["recipe", "check", "nowhere.json"],
        ["recipe", "new", "a/b/c/d.json"],
        ["render", "nowhere.exr", "--recipe", "nowhere.json", "--out", "x.exr"],
        ["--nonsense"],
    ],
)
def test_a_mistake_is_one_sentence_and_exit_code_2(
    arguments: list[str],
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
) -> None:
    """Source: the documentation of Python's argparse, error(): a usage error ends with status 2."""
    monkeypatch.chdir(tmp_path)
    code, _, err = verdigris(capsys, *arguments)
    assert code == 2
    assert err.startswith("verdigris: ")
    assert "Traceback" not in err
    assert len(err.strip().splitlines()) == 1


def test_a_recipe_is_made_checked_and_explained(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """Our own rule, no outside source: the three commands fit together."""
    path = str(tmp_path / "key.json")
    assert verdigris(capsys, "recipe", "new", path, "--primary", "blue")[0] == 0
    assert verdigris(capsys, "recipe", "new", path)[0] == 2
    assert verdigris(capsys, "recipe", "new", path, "--force")[0] == 0
    assert "good, version 2" in verdigris(capsys, "recipe", "check", path)[1]
    assert "screen is green" in verdigris(capsys, "recipe", "explain", path)[1]
    schema = json.loads(verdigris(capsys, "recipe", "schema")[1])
    assert schema["title"] == "Verdigris recipe"


def test_the_version_is_the_package_s(capsys: pytest.CaptureFixture[str]) -> None:
    """Source: Python packaging, the core metadata's Version field."""
    from importlib.metadata import version

    assert verdigris(capsys, "--version")[1].strip() == f"verdigris {version('verdigris')}"


def test_an_unexpected_error_is_exit_code_1_without_a_traceback(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Our own rule, no outside source: code 1 is for what nobody foresaw."""

    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("planned")

    monkeypatch.delenv("VERDIGRIS_DEBUG", raising=False)
    monkeypatch.setattr("server.commands.config.load_settings", broken)
    code, _, err = verdigris(capsys, "config")
    assert code == 1
    assert "planned" in err
    assert "Traceback" not in err


def test_ctrl_c_is_exit_code_130(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Source: POSIX shells, a process ended by SIGINT counts as 128 + 2."""

    def stopped(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("server.commands.config.load_settings", stopped)
    assert verdigris(capsys, "config")[0] == 130


def test_commands_are_found_by_themselves_and_share_their_options() -> None:
    """Our own rule, no outside source: an option says and means the same wherever it stands."""
    assert cli.run(["--version"]) == 0
    program: Any = typer.main.get_command(cli.app)
    modules = {path.stem for path in Path(commands.__file__).parent.glob("*.py")}
    assert {"demo"} | modules - {"__init__", "options"} == set(program.commands)
    shared = {"colourspace", "ocio", "missing", "threads", "host", "port", "cert", "key", "again"}
    told: dict[str, set[str]] = {}
    for command in program.commands.values():
        for option in command.params:
            told.setdefault(option.name, set()).add(option.help)
    assert {name: len(told[name]) for name in shared} == dict.fromkeys(shared, 1)
