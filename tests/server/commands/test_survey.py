"""`verdigris survey`, `suggest` and `takes` as they are typed."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from kernels.recipe_file import load_recipe
from server.cli import run
from server.media import open_shot, write_exr, write_still
from server.service.watch import look
from server.survey.batch import expand
from server.survey.survey import SurveyError, sample_frames, survey_shot
from tests.server.survey.screens import encoded, flat, noisy, ramped, with_disc

SIZE = (320, 180)


@pytest.fixture(autouse=True)
def own_data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("VERDIGRIS_DATA_DIR", str(tmp_path / "data"))
    return tmp_path / "data"


def shot_at(folder: Path, name: str, screen: np.ndarray, frames: int = 2) -> str:
    """Write a sequence with a disc before `screen`."""
    for n in range(frames):
        image, _ = with_disc(screen, 1.0, radius=0.3)
        write_exr(
            folder / f"{name}.{1001 + n}.exr",
            {"": noisy(image, 2e-5, 2e-6, n)},
            interop_id="lin_ap1_scene",
        )
    return str(folder / f"{name}.####.exr")


def good(folder: Path, name: str = "good") -> str:
    return shot_at(folder, name, flat(*SIZE))


def dark(folder: Path, name: str = "dark") -> str:
    return shot_at(folder, name, flat(*SIZE) * np.float32(0.02))


def uneven(folder: Path, name: str = "uneven") -> str:
    return shot_at(folder, name, ramped(1.4, *SIZE))


def wall(folder: Path, name: str = "wall") -> str:
    return shot_at(folder, name, flat(*SIZE, colour=(0.2, 0.2, 0.19)))


def test_exit_codes_tell_the_verdict(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Source: the command's own help: 0, 3, 4, 5, the worst of several."""
    assert run(["survey", good(tmp_path)]) == 0
    assert run(["survey", uneven(tmp_path)]) == 3
    assert run(["survey", dark(tmp_path)]) == 4
    assert run(["survey", wall(tmp_path)]) == 5
    assert run(["survey", wall(tmp_path), "--exit-zero"]) == 0
    out = capsys.readouterr().out
    assert "good: keyable" in out
    assert "evenness of the screen" in out
    assert "qualified crew" in out


def test_several_shots_and_files(
    tmp_path: Path, own_data: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Common practice, no source: a folder of takes over processes, written and kept."""
    takes = tmp_path / "takes"
    (takes / "b").mkdir(parents=True)
    good(takes, "a")
    uneven(takes / "b", "b")
    files = ["--json", str(tmp_path / "r.json"), "--html", str(tmp_path / "r.html")]
    assert run(["survey", str(takes), *files, "--workers", "2", "--note", "first day"]) == 3
    data = json.loads((tmp_path / "r.json").read_text())
    assert [d["name"] for d in data] == ["a", "b"]
    assert data[1]["verdict"]["reasons"][0]["measure"] == "evenness_stops"
    assert "<!doctype html>" in (tmp_path / "r.html").read_text()
    told = capsys.readouterr().err
    assert told.index("survey: 0/2 shots") < told.index("survey: 2/2 shots")
    assert (own_data / "takes.sqlite").is_file()

    assert (
        run(
            [
                "takes",
                "--csv",
                str(tmp_path / "t.csv"),
                "--html",
                str(tmp_path / "t.html"),
                "--json",
                str(tmp_path / "t.json"),
                "--note",
                "2",
                "left flag open",
                "--replace",
            ]
        )
        == 0
    )
    out = capsys.readouterr().out
    assert "keyable with work" in out
    assert "[left flag open]" in out
    assert len((tmp_path / "t.csv").read_text().splitlines()) == 3
    assert json.loads((tmp_path / "t.json").read_text())[0]["note"] == "first day"
    assert run(["takes", "--day", "1999-01-01"]) == 0
    assert run(["takes", "--day", "friday"]) == 2
    assert run(["takes", "--note", "77", "x"]) == 2


def test_a_bad_shot_does_not_stop_the_others(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Common practice, no source: the others are surveyed, then one sentence and exit code 2."""
    broken = tmp_path / "broken.exr"
    broken.write_bytes(b"v/1\x01" + bytes(200))
    assert run(["survey", good(tmp_path), str(broken), "--workers", "1", "--no-log"]) == 2
    seen = capsys.readouterr()
    assert "good: keyable" in seen.out
    assert "broken.exr" in seen.err
    assert "Traceback" not in seen.err


@pytest.mark.parametrize(
    "arguments",
    [
        ["survey", "nowhere.####.exr"],
        ["survey", "GOOD", "--frames", "1900"],
        ["survey", "GOOD", "--frames", "abc"],
        ["survey", "GOOD", "--missing", "maybe"],
        ["survey", "GOOD", "--colourspace", "no such space"],
        ["suggest", "nowhere.mov", "--out", "r.json"],
        ["takes", "--start"],
    ],
)
def test_bad_input_is_one_sentence(
    tmp_path: Path,
    arguments: list[str],
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Common practice, no source: exit code 2, no traceback, nothing written."""
    monkeypatch.chdir(tmp_path)
    shot = good(tmp_path)
    before = set(tmp_path.rglob("*"))
    assert run([shot if a == "GOOD" else a for a in arguments]) == 2
    error = capsys.readouterr().err
    assert error.count("verdigris:") == 1
    assert "Traceback" not in error
    assert set(tmp_path.rglob("*")) == before


def test_an_empty_folder_says_so(tmp_path: Path) -> None:
    """Common practice, no source."""
    (tmp_path / "empty").mkdir()
    with pytest.raises(SurveyError, match="holds no pictures or movies"):
        expand([str(tmp_path / "empty")])
    assert run(["survey", str(tmp_path / "empty")]) == 2


def test_what_was_made_of_a_take_is_no_take(tmp_path: Path) -> None:
    """Common practice, no source: clean plates, denoised passes and keys lie beside the plates;
    neither a survey of the folder nor a watch over it takes them for new ones."""
    takes = tmp_path / "takes"
    shot, key = good(takes), str(takes / "good.json")
    assert run(["suggest", shot, "--out", key]) == 0
    assert run(["prepare", shot, "--recipe", key, "--out", str(takes / "baked")]) == 0
    words = ["render", shot, "--recipe", str(takes / "baked" / "good.json")]
    assert run([*words, "--out", str(takes / "keys" / "good.####.exr")]) == 0
    assert len(list(takes.rglob("*.exr"))) == 2 + 1 + 3 + 2
    assert expand([str(takes)]) == [str(takes / "good.####.exr")]
    assert [take.spec for take in look(takes)] == [str(takes / "good.####.exr")]
    with pytest.raises(SurveyError, match="name the plates"):
        expand([str(takes / "keys")])


def test_suggest_writes_what_render_reads(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Common practice, no source: measure, write, render; the matte is clear and solid."""
    import OpenImageIO as oiio

    shot = good(tmp_path)
    out = tmp_path / "key.json"
    assert run(["suggest", shot, "--out", str(out)]) == 0
    assert (tmp_path / "key.clean.exr").is_file()
    recipe = load_recipe(out)
    assert recipe.screen.clean_plate_path == "key.clean.exr"
    assert run(["suggest", shot, "--out", str(out)]) == 2
    assert run(["suggest", shot, "--out", str(out), "--force"]) == 0
    assert load_recipe(out) == recipe
    keyed = str(tmp_path / "keyed" / "k.####.exr")
    assert run(["render", shot, "--recipe", str(out), "--out", keyed, "--frames", "1001"]) == 0
    picture = oiio.ImageBuf(str(tmp_path / "keyed" / "k.1001.exr"))
    names = list(picture.spec().channelnames)
    alpha = picture.get_pixels(oiio.FLOAT)[..., names.index("alpha.A")]
    _, truth = with_disc(flat(*SIZE), 1.0, radius=0.3)
    assert np.abs(alpha - truth).mean() < 0.004
    assert alpha[truth < 1e-4].mean() < 1e-3
    assert alpha[truth > 1 - 1e-4].mean() > 0.999
    flat_out = tmp_path / "flat.json"
    assert run(["suggest", shot, "--out", str(flat_out), "--flat"]) == 0
    assert load_recipe(flat_out).screen.clean_plate == "none"
    assert run(["recipe", "explain", str(out)]) == 0
    assert "Why: " in capsys.readouterr().out


def test_a_log_beside_the_shots_goes_first(tmp_path: Path, own_data: Path) -> None:
    """Common practice, no source."""
    shot = good(tmp_path)
    assert run(["takes", str(tmp_path), "--start"]) == 0
    assert run(["survey", shot]) == 0
    assert not own_data.exists()
    assert run(["takes", str(tmp_path), "--json", str(tmp_path / "t.json")]) == 0
    assert len(json.loads((tmp_path / "t.json").read_text())) == 1


def test_an_unmarked_picture_gives_no_figures_in_stops(tmp_path: Path) -> None:
    """Our own rule, no outside source: without a known curve stops mean nothing."""
    code = encoded(noisy(flat(*SIZE), 2e-5, 2e-6))
    codes = np.ascontiguousarray((code.transpose(1, 2, 0) * 255 + 0.5).astype(np.uint8))
    write_still(tmp_path / "a.png", codes)
    shot = open_shot(tmp_path / "a.png")
    result = survey_shot(shot)
    if shot.colourspace_origin == "assumed":
        assert result.measures.evenness_stops is None
        assert "no figures in stops" in result.curve_note
    assert survey_shot(open_shot(tmp_path / "a.png", colourspace="sRGB - Texture")).curve_known


def test_sampling_is_even_and_leaves_gaps_out(tmp_path: Path) -> None:
    """Common practice, no source."""
    for n in (*range(1001, 1010), *range(1013, 1031)):
        write_exr(tmp_path / f"s.{n}.exr", {"": flat(16, 8)}, interop_id="lin_ap1_scene")
    shot = open_shot(tmp_path / "s.####.exr", missing="hold")
    frames = sample_frames(shot, 9)
    assert len(frames) == 9
    assert (frames[0], frames[-1]) == (1001, 1030)
    assert not set(frames) & {1010, 1011, 1012}
    assert sample_frames(shot, 100) == sorted(set(shot.frames) - {1010, 1011, 1012})


def test_the_colour_space_is_printed_with_how_it_was_decided(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Our own rule, no outside source: nobody has to guess how a shot was read."""
    write_exr(tmp_path / "bare.exr", {"": flat(64, 36)})
    report = tmp_path / "r.html"
    run(["survey", str(tmp_path / "bare.exr"), "--exit-zero", "--html", str(report)])
    run(["survey", good(tmp_path), "--exit-zero"])
    out = capsys.readouterr().out
    assumed = "Linear Rec.709 (sRGB) (assumed, as the file does not state it)"
    assert f"read as {assumed}" in out
    assert "read as ACEScg (stated by the file)" in out
    assert assumed in report.read_text(encoding="utf-8")
