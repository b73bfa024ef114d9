"""Starting the service from the command line: what is wrong is said in one sentence, exit 2."""

from __future__ import annotations

import ast
import json
import logging
import socket
from pathlib import Path

import pytest

from kernels.recipe import Noise, starting_recipe
from kernels.recipe_file import load_recipe, save_recipe
from server import cli
from server.logs import JsonLines, TextLines
from server.media.roots import where_needed
from tests.server.conftest import write_shot

ROOT = Path(__file__).parents[2]


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    write_shot(tmp_path / "media", frames=range(1001, 1003))
    (tmp_path / "empty").mkdir()
    (tmp_path / "bad.pem").write_text("nothing")
    monkeypatch.setenv("VERDIGRIS_DATA_DIR", str(tmp_path / "data"))
    monkeypatch.setenv("VERDIGRIS_CACHE_DIR", str(tmp_path / "cache"))
    root = logging.getLogger()
    monkeypatch.setattr(root, "handlers", list(root.handlers))
    return tmp_path


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["{folder}/none.####.exr"], "none"),
        (["{folder}/empty"], "empty"),
        (["{folder}/empty", "--watch"], "no shot"),
        (["{folder}/media/take.####.exr", "--watch"], "--watch takes a folder"),
        (["{shot}", "--background", "{folder}/none.jpg"], "none.jpg"),
        (["{shot}", "--cert", "{folder}/bad.pem"], "--key"),
        (["{shot}", "--cert", "{folder}/bad.pem", "--key", "{folder}/bad.pem"], "bad.pem"),
        (["{shot}", "--media-root", "{folder}/nowhere"], "nowhere"),
        (["{shot}", "--engine", "quantum"], "engine"),
        (["{shot}", "--colourspace", "ACESsg"], "ACESsg"),
        (["{shot}", "--host", "203.0.113.77"], "203.0.113.77"),
        (["{shot}", "--port", "{taken}"], "port"),
        (["{shot}", "--nonsense"], "nonsense"),
    ],
)
def test_what_is_wrong_is_said_in_one_sentence(
    folder: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], words: str
) -> None:
    """Common practice, no source: exit code 2, no traceback, nothing left running."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        filled = [
            a.format(
                folder=folder, shot=folder / "media" / "take.####.exr", taken=taken.getsockname()[1]
            )
            for a in arguments
        ]
        code = cli.run(["serve", *filled])
    told = capsys.readouterr().err
    assert code == 2, told
    assert told.startswith("verdigris: ")
    assert words in told
    assert "Traceback" not in told
    assert len(told.strip().splitlines()) == 1


def test_logs_are_one_line_each(caplog: pytest.LogCaptureFixture) -> None:
    """Common practice, no source."""
    logging.getLogger("verdigris.test").warning("a %s", "b\nc\x1b[31m")
    record = caplog.records[-1]
    assert "\x1b" not in TextLines().format(record)  # and leaves the record as it was
    line = json.loads(JsonLines().format(record))
    assert (line["level"], line["logger"], line["message"]) == (
        "warning",
        "verdigris.test",
        "a b\nc\x1b[31m",
    )
    assert "\n" not in JsonLines().format(record)
    assert "\x1b" not in TextLines().format(record)


def test_what_lies_beside_the_recipe_is_found_and_nothing_else_is_opened(tmp_path: Path) -> None:
    """Common practice, no source: a recipe names pictures relative to where it lies."""
    for name in ("media", "baked/denoised", "home"):
        (tmp_path / name).mkdir(parents=True)
    for name in ("media/bare.exr", "baked/clean.exr", "home/secret.exr"):
        (tmp_path / name).touch()
    roots, baked, home = [tmp_path / "media"], tmp_path / "baked", tmp_path / "home"
    assert where_needed(baked, ["clean.exr"], roots) == [baked]
    assert where_needed(baked, ["denoised/a.####.exr"], roots) == [baked]
    assert where_needed(baked, ["bare.exr", ""], roots) == []
    assert where_needed(home, ["bare.exr", "clean.exr", "../home/secret.exr"], roots) == []


def test_a_prepared_recipe_is_served_with_its_pictures(folder: Path) -> None:
    """Common practice, no source: what `prepare` wrote is used by the command it names."""
    from server.config import load_settings
    from server.service.maker import ServeOptions
    from server.start import make_service

    shot = str(folder / "media" / "take.####.exr")
    key = starting_recipe()
    key.screen.noise = Noise(offset=(1e-5, 1e-5, 1e-5))
    save_recipe(key, folder / "key.json")
    words = ["prepare", shot, "--recipe", str(folder / "key.json")]
    assert cli.run([*words, "--out", str(folder / "b"), "--engine", "cpu"]) == 0
    [made] = (folder / "b").glob("*.json")
    options = ServeOptions(shot=shot, recipe=made)
    settings = load_settings({"engine": "cpu"}, beside=folder).settings
    service = make_service(options, settings)
    recipe = load_recipe(made)
    found = service.roots.resolve(recipe.source.denoised_path)
    assert found.parent == (folder / "b" / "denoised").resolve()
    service.thread.close()


def test_nothing_is_added_to_a_service_once_it_is_made() -> None:
    """Our own rule, no outside source: what a service needs it is given when it is constructed."""
    assigned = [
        f"{path.name}:{node.lineno}"
        for path in (ROOT / "server").rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.Attribute)
        and isinstance(node.ctx, ast.Store)
        and ast.unparse(node.value).split(".")[-1] in ("service", "maker")
    ]
    assert assigned == []
