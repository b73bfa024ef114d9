"""Mistakes of newcomers and hostile input at the command line: nothing lost, one sentence each."""

from __future__ import annotations

import json
import os
import signal
import socket
import stat
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import OpenEXR
import pytest

from kernels.recipe import starting_recipe
from kernels.recipe_file import load_recipe, recipe_text, save_recipe, write_text_atomically
from server import cli
from server.media import write_exr
from tests.server.conftest import EVERY_FRAME_TOLD

FRAMES = range(1001, 1005)


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a four-frame shot and a recipe, as the working folder."""
    monkeypatch.chdir(tmp_path)
    for name in ("XDG_DATA_HOME", "XDG_CONFIG_HOME", "XDG_CACHE_HOME"):
        monkeypatch.setenv(name, str(tmp_path / "home" / name))
    rng = np.random.default_rng(5)
    screen = np.array([0.05, 0.35, 0.07])[:, None, None]
    for frame in FRAMES:
        picture = screen + rng.normal(0, 0.004, (3, 32, 48))
        picture[:, 10:25, 15:30] = 0.4
        write_exr(f"shot/gate.{frame}.exr", {"": picture}, interop_id="lin_ap1_scene")
    save_recipe(starting_recipe(), "key.json")
    return tmp_path


def verdigris(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    code = cli.run(arguments)
    out, err = capsys.readouterr()
    said = [line for line in err.splitlines() if line.startswith("verdigris:")]
    return code, out, "\n".join(said)


def render(capsys: pytest.CaptureFixture[str], out: str, *more: str) -> tuple[int, str, str]:
    return verdigris(
        capsys, "render", "shot", "--recipe", "key.json", "--out", out, "--engine", "cpu", *more
    )


def test_no_command_shows_the_help_and_nothing_that_looks_like_an_error(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Common practice, no source."""
    for arguments in ([], ["recipe"]):
        assert cli.run(arguments) == 2
        shown = "".join(capsys.readouterr())
        assert shown.startswith("Usage: verdigris")
        assert "verdigris: " not in shown


def test_a_usage_error_names_the_help_of_its_own_command(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Common practice, no source."""
    assert "recipe check --help`" in verdigris(capsys, "recipe", "check")[2]
    assert "render --help`" in verdigris(capsys, "render")[2]


def test_ctrl_c_during_a_render_says_so_and_the_same_command_finishes(here: Path) -> None:
    """Source: POSIX shells, a process ended by SIGINT counts as 128 + 2."""
    for frame in range(1005, 1100):
        os.link("shot/gate.1001.exr", f"shot/gate.{frame}.exr")
    command = [sys.executable, "-m", "server.cli", "render", "shot", "--recipe", "key.json"]
    command += ["--out", "out/k.####.exr", "--engine", "cpu"]
    environment = {**os.environ, "PYTHONPATH": str(Path(cli.__file__).parents[1])}
    telling = [sys.executable, "-c", EVERY_FRAME_TOLD, *command[3:]]
    process = subprocess.Popen(
        telling, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert process.stderr is not None
    assert next(line for line in process.stderr if line.startswith("rendering: 1/"))
    process.send_signal(signal.SIGINT)
    _, err = process.communicate(timeout=60)
    assert process.returncode == 130
    assert err.count("verdigris: stopped") == 1
    assert "Traceback" not in err
    assert 0 < len(list(here.glob("out/k.*.exr"))) < 99
    assert not list(here.glob("out/.*"))
    again = subprocess.run(command, env=environment, capture_output=True, text=True, check=True)
    assert "were finished before" in again.stdout
    assert len(list(here.glob("out/k.*.exr"))) == 99


@pytest.mark.parametrize(
    "arguments",
    [
        ["recipe", "schema", "shot/gate.1001.exr", "--force"],
        ["recipe", "new", "shot/gate.1001.exr", "--force"],
        ["survey", "shot", "--no-log", "--json", "shot/gate.1001.exr"],
        ["survey", "shot", "--no-log", "--html", "shot/gate.1001.exr"],
        ["suggest", "shot", "--out", "shot/gate.1001.exr", "--force"],
        ["takes", "--csv", "shot/gate.1001.exr"],
        ["truth", "--seeds", "1", "--width", "64", "--json", "shot/gate.1001.exr"],
    ],
)
def test_no_report_or_recipe_replaces_a_picture(
    arguments: list[str], here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Our own rule, no outside source: sources are never written over."""
    before = (here / "shot/gate.1001.exr").read_bytes()
    code, _, err = verdigris(capsys, *arguments)
    assert code == 2
    assert "gate.1001.exr" in err
    assert (here / "shot/gate.1001.exr").read_bytes() == before
    assert sorted(os.listdir("shot")) == [f"gate.{frame}.exr" for frame in FRAMES]


def test_a_clean_plate_somebody_has_is_not_replaced_by_the_built_one(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Our own rule, no outside source: elsewhere --clean-plate names an input."""
    for name, colour in {"bare.exr": 0.2, "new.clean.exr": 0.3}.items():
        write_exr(name, {"": np.full((3, 32, 48), colour)}, interop_id="lin_ap1_scene")
    before = [(here / name).read_bytes() for name in ("bare.exr", "new.clean.exr")]
    for more, told in (
        (["--clean-plate", "bare.exr"], "'bare.exr' does not show the screen"),
        (["--clean-plate", "bare.exr", "--force"], "'bare.exr' does not show the screen"),
        (["--clean-plate", "bare.####.exr"], "no file matches"),
        ([], "new.clean.exr exists already"),
    ):
        code, _, err = verdigris(capsys, "suggest", "shot", "--out", "new.json", *more)
        assert (code, told in err) == (2, True), err
    assert [(here / name).read_bytes() for name in ("bare.exr", "new.clean.exr")] == before
    assert not (here / "new.json").exists()


def test_suggest_keys_with_the_clean_plate_that_is_there_and_names_the_next_command(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Common practice, no source: what is printed can be run."""
    green = np.broadcast_to(np.array([0.05, 0.35, 0.07])[:, None, None], (3, 32, 48))
    write_exr("plates/bare.exr", {"": green}, interop_id="lin_ap1_scene")
    before = (here / "plates/bare.exr").read_bytes()
    arguments = ["suggest", "shot", "--out", "new key.json", "--clean-plate", "plates/bare.exr"]
    code, out, err = verdigris(capsys, *arguments)
    assert (code, err) == (0, "")
    assert "keyed with the clean plate plates/bare.exr" in out
    assert out.splitlines()[-1] == "next: verdigris serve shot --recipe 'new key.json'"
    screen = load_recipe("new key.json").screen
    assert (screen.clean_plate, screen.clean_plate_path) == ("file", "plates/bare.exr")
    assert (here / "plates/bare.exr").read_bytes() == before
    assert verdigris(capsys, "recipe", "explain", "new key.json")[1].count("was there and is kept")
    rendered = ["render", "shot", "--recipe", "new key.json", "--out", "k.####.exr"]
    assert verdigris(capsys, *rendered, "--engine", "cpu")[0] == 0
    os.mkdir("keys")
    arguments[3] = "keys/k.json"
    assert verdigris(capsys, *arguments)[1].splitlines()[-1] == (
        "next: verdigris serve shot --recipe keys/k.json --clean-plate plates/bare.exr"
    )


def test_the_schema_does_not_replace_a_recipe_unasked(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Common practice, no source."""
    before = (here / "key.json").read_text()
    assert verdigris(capsys, "recipe", "schema", "key.json")[0] == 2
    assert (here / "key.json").read_text() == before


@pytest.mark.skipif(sys.platform == "win32", reason="file modes are POSIX's")
def test_a_recipe_can_be_read_by_those_whom_the_umask_allows(here: Path) -> None:
    """Source: POSIX umask(2); a file replaced keeps the mode that somebody gave it."""
    before = os.umask(0o022)
    try:
        save_recipe(starting_recipe(), "shared.json")
        write_text_atomically(Path("secret.json"), "{}", private=True)
        modes = [stat.S_IMODE(os.stat(name).st_mode) for name in ("shared.json", "secret.json")]
        assert modes == [0o644, 0o600]
        os.chmod("shared.json", 0o664)
        save_recipe(starting_recipe(), "shared.json")
        assert stat.S_IMODE(os.stat("shared.json").st_mode) == 0o664
    finally:
        os.umask(before)


@pytest.mark.parametrize(
    ("frames", "says"),
    [("1003-1009", "1005-1009"), ("-1", "1001-1004"), ("1001,7", "not 7")],
)
def test_frames_that_are_not_there_are_said_before_any_is_written(
    frames: str, says: str, here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Our own rule, no outside source: no render stops halfway over what was known before."""
    code, _, err = render(capsys, "out/k.####.exr", "--frames", frames)
    assert code == 2
    assert says in err
    assert not (here / "out").exists()


def test_all_missing_frames_are_named_before_any_is_written_and_black_ones_after(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Our own rule, no outside source: missing frames are named, all of them."""
    (here / "shot/gate.1002.exr").unlink()
    (here / "shot/gate.1003.exr").unlink()
    code, _, err = render(capsys, "out/k.####.exr")
    assert (code, "1002-1003" in err, "--missing" in err) == (2, True, True)
    assert not (here / "out").exists()
    code, out, _ = render(capsys, "out/k.####.exr", "--missing", "black")
    assert (code, "shown black: 1002-1003" in out) == (0, True)
    black = OpenEXR.File("out/k.1002.exr", separate_channels=True).channels()
    assert float(np.abs(black["R"].pixels).max()) == 0.0


def test_a_frame_of_another_size_is_said_before_any_is_written(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Our own rule, no outside source: mixed sizes are one sentence."""
    write_exr("shot/gate.1003.exr", {"": np.ones((3, 8, 8))}, interop_id="lin_ap1_scene")
    code, _, err = render(capsys, "out/k.####.exr")
    assert (code, "gate.1003.exr" in err, "8 x 8" in err) == (2, True, True)
    assert not (here / "out").exists()


@pytest.mark.parametrize(
    ("out", "more", "says"),
    [
        ("out/k.1001-1002####.exr", [], "--frames"),
        ("out/####/k.exr", ["--frames", "1001"], "folder"),
        ("out/####/k.####.exr", [], "placeholder"),
        ("", [], "EXR name"),
        ("out/", [], "EXR name"),
        ("key.json", ["--frames", "1001"], "EXR name"),
        ("key.json/k.####.exr", [], "choose another"),
    ],
)
def test_an_output_name_with_no_clear_meaning_is_refused(
    out: str, more: list[str], says: str, here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Our own rule, no outside source: each name has one meaning."""
    before = (here / "key.json").read_bytes()
    code, _, err = render(capsys, out, *more)
    assert code == 2
    assert says in err
    assert not (here / "out").exists()
    assert (here / "key.json").read_bytes() == before


def test_an_empty_shot_does_not_mean_the_working_folder(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Our own rule, no outside source: a script's unset variable must not key whatever is about."""
    write_exr("lone.exr", {"": np.ones((3, 8, 8))})
    arguments = ["render", "", "--recipe", "key.json", "--out", "k.exr"]
    code, _, err = verdigris(capsys, *arguments)
    assert (code, "no shot is named" in err) == (2, True)


def test_the_settings_file_in_a_shot_s_folder_counts_when_the_folder_is_the_shot(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Our own rule, no outside source: the project file beside the shot's frames."""
    (here / "shot/verdigris.toml").write_text("colourspace = 'nonsense'\n")
    for shot in ("shot", "shot/gate.####.exr"):
        arguments = ["render", shot, "--recipe", "key.json", "--out", "out/k.####.exr"]
        code, _, err = verdigris(capsys, *arguments)
        assert (code, "nonsense" in err) == (2, True), shot


def test_a_wrong_setting_says_what_was_given(
    here: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Our own rule, no outside source: one sentence with the option's name and what it takes."""
    err = render(capsys, "out/k.####.exr", "--threads", "-3")[2]
    assert "--threads should be greater than or equal to 0, not '-3'" in err
    monkeypatch.setenv("VERDIGRIS_PORT", "x")
    code, _, err = verdigris(capsys, "config")
    assert (code, "'port' (environment)" in err, "'x'" in err) == (2, True, True)


def _changed(change: Callable[[dict[str, Any]], Any]) -> bytes:
    data = json.loads(recipe_text(starting_recipe()))
    change(data)
    return json.dumps(data).encode()


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (_changed(lambda d: d["extractors"][0].update(gian=2)), "'extractors[0].gian'"),
        (_changed(lambda d: d["extractors"][0].update(strength="x")), "extractors[0].strength: it"),
        (_changed(lambda d: d["extractors"][0].update(kind="magic")), "extractors[0].kind"),
        (_changed(lambda d: d["extractors"][0].pop("kind")), "extractors[0].kind"),
        (_changed(lambda d: d.update(name="\ud800")), "not valid JSON"),
        (_changed(lambda d: d.pop("format")), "recipe new"),
        (
            _changed(lambda d: d["screen"].update(clean_plate_path="../../plate.exr")),
            "not a name under a media root",
        ),
        (b" " * (5 << 20), "too large"),
        (b"[" * 100_000, "not valid JSON"),
        (bytes(range(256)), "not a text file"),
    ],
)
def test_a_bad_recipe_is_told_by_the_parameter_s_plain_name(
    content: bytes, says: str, here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Our own rule, no outside source: one sentence that names file, place and remedy."""
    (here / "bad.json").write_bytes(content)
    code, _, err = verdigris(capsys, "recipe", "check", "bad.json")
    assert code == 2
    assert says in err
    assert "\n" not in err
    assert "(and 1 more)" not in err


def test_a_recipe_saved_with_a_byte_order_mark_is_read(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Source: RFC 8259, 8.1: a parser may ignore a byte order mark."""
    (here / "bom.json").write_bytes(b"\xef\xbb\xbf" + (here / "key.json").read_bytes())
    assert verdigris(capsys, "recipe", "check", "bom.json")[0] == 0


@pytest.mark.skipif(not Path("/dev/zero").exists(), reason="no endless device here")
def test_an_endless_file_is_no_recipe(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Common practice, no source."""
    code, _, err = verdigris(capsys, "recipe", "check", "/dev/zero")
    assert (code, "too large" in err) == (2, True)


@pytest.mark.parametrize(
    "arguments", [["truth", "--json"], ["bench", "--json"], ["parity", "--json"]]
)
def test_long_work_does_not_start_when_its_report_cannot_be_written(
    arguments: list[str],
    here: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Common practice, no source."""
    for work in ("server.bench.truth.run_truth", "server.bench.bench.run", "kernels.parity.run"):
        monkeypatch.setattr(work, lambda *_, **__: pytest.fail("it has begun"))
    code, out, err = verdigris(capsys, *arguments, "nowhere/report.json")
    assert (code, out, "make the folder" in err) == (2, "", True)


def test_takes_of_a_folder_that_is_not_there(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Common practice, no source."""
    code, _, err = verdigris(capsys, "takes", "nowhere")
    assert (code, "nowhere" in err) == (2, True)


def test_the_demo_s_keys_cannot_go_where_a_file_is(here: Path) -> None:
    """Common practice, no source."""
    from demo_media import DemoPaths
    from kernels.cpu.engine import CpuEngine
    from server.keying.demo import render_demo
    from server.keying.render_job import RenderError

    paths = DemoPaths.__new__(DemoPaths)  # Nothing of the demo is touched before the folder is.
    with pytest.raises(RenderError, match=r"key\.json"):
        render_demo(paths, here / "key.json", CpuEngine(threads=1))


@pytest.mark.parametrize("option", ["--clean-plate", "--background"])
def test_serve_says_before_it_listens_that_a_companion_is_no_picture(
    option: str, here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Our own rule, no outside source: bad input is told before anybody is let in."""
    code, out, err = verdigris(capsys, "serve", "shot", option, "key.json", "--port", "0")
    assert (code, out, "key.json" in err) == (2, "", True)


def test_serve_says_that_there_is_no_such_shot_before_it_asks_for_the_port(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Common practice, no source: the mistake that another port would not mend comes first."""
    with socket.socket() as busy:
        busy.bind(("127.0.0.1", 0))
        busy.listen()
        port = str(busy.getsockname()[1])
        code, _, err = verdigris(capsys, "serve", "nowhere.####.exr", "--port", port)
        assert (code, "nowhere" in err, "listen" in err) == (2, True, False)
        code, _, err = verdigris(capsys, "serve", "shot", "--port", port)
        assert (code, "cannot listen" in err) == (2, True)


@pytest.mark.parametrize(
    "arguments",
    [
        ["recipe", "new", "k\udcff.json"],
        ["survey", "shot", "--no-log", "--html", "k\udcff.html"],
        ["suggest", "shot", "--out", "k\udcff.json"],
    ],
)
def test_a_name_that_is_no_text_is_one_sentence(
    arguments: list[str], here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Source: PEP 383, bytes that are not UTF-8 become lone surrogates."""
    before = sorted(os.listdir())
    code, _, err = verdigris(capsys, *arguments)
    assert (code, err.count("verdigris:"), "'k?." in err) == (2, 1, True)
    assert sorted(os.listdir()) == before


def test_ctrl_c_ends_the_service_with_one_sentence(here: Path) -> None:
    """Source: POSIX shells, a process ended by SIGINT counts as 128 + 2."""
    environment = {**os.environ, "PYTHONPATH": str(Path(cli.__file__).parents[1])}
    process = subprocess.Popen(
        [sys.executable, "-u", "-m", "server.cli", "serve", "shot", "--port", "0"],
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    for line in process.stdout:
        if line.startswith("Ctrl-C stops"):
            break
    process.send_signal(signal.SIGINT)
    _, err = process.communicate(timeout=60)
    assert process.returncode == 130
    said = [line for line in err.splitlines() if line.startswith("verdigris:")]
    assert said == ["verdigris: stopped; the recipe is saved"]
