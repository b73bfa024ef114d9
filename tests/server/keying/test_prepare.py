"""Baking the denoised pass and the clean plate: what is in the files, and that it can be gone on
with."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import OpenEXR
import pytest

from kernels.recipe import Denoise, Noise, starting_recipe
from kernels.recipe_file import load_recipe, save_recipe
from kernels.reference import denoise as reference
from server import cli
from server.keying.prepare import PrepareError, measured_noise, prepare_shot, share_left
from server.media import open_shot, write_exr
from tests.cpu_forms import FORMS, cpu_form

FRAMES = (1001, 1002, 1003, 1005)
HEIGHT, WIDTH = 180, 320
NOISE = Noise(gain=(1e-4, 2e-4, 1e-4), offset=(1e-5, 1e-5, 1e-5))
SIGMA = 0.008


def light(frame: int) -> np.ndarray:
    """A soft-edged disc that moves a little before a green screen."""
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    alpha = np.clip((44 - np.hypot(x - 160 - frame % 10, y - 100)) / 4, 0, 1)
    subject = np.array([0.6, 0.25, 0.2])[:, None, None]
    screen = np.array([0.05, 0.35, 0.07])[:, None, None] * (1 - 0.2 * x / WIDTH)
    return np.asarray(alpha * subject + (1 - alpha) * screen)


def plate(frame: int) -> np.ndarray:
    noise = np.random.default_rng(frame).normal(0, SIGMA, (3, HEIGHT, WIDTH))
    return (light(frame) + noise).astype(np.float32)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Four frames in ACEScg, one number missing, with a time code and a reel name."""
    for frame in FRAMES:
        write_exr(
            tmp_path / "in" / f"gate.{frame}.exr",
            {"": plate(frame)},
            half=False,
            interop_id="lin_ap1_scene",
            attributes={"reelName": "A007", "timeCode": (0x01000000 | frame % 10, 0)},
        )
    return tmp_path


def read(path: Path) -> np.ndarray:
    with OpenEXR.File(str(path)) as file:
        return np.asarray(file.channels()["RGB"].pixels, np.float32).transpose(2, 0, 1)


def header(path: Path) -> dict:
    with OpenEXR.File(str(path)) as file:
        return dict(file.header())


@pytest.mark.parametrize("form", FORMS)
def test_files_hold_what_the_reference_makes_of_the_frames(folder: Path, form: str) -> None:
    """Source: `reference.denoise` on the same frames; read back by the OpenEXR project's module."""
    shot = open_shot(folder / "in", missing="hold")
    recipe = starting_recipe()
    recipe.screen.noise = NOISE
    recipe.source.denoise = Denoise(reach_frames=2)
    engine = cpu_form(form, 2)
    made = prepare_shot(shot, recipe, folder / "out", "gate", engine=engine)
    engine.close()
    assert made.pattern == str(folder / "out" / "gate.####.exr")
    assert (made.written, made.skipped) == (4, 0)
    assert sorted(p.name for p in (folder / "out").iterdir()) == [f"gate.{n}.exr" for n in FRAMES]
    frames = [plate(n) for n in (1003, 1002, 1001, 1005)]  # 1004 is missing
    expected = reference.denoise(frames, NOISE, recipe.source.denoise)
    got = read(folder / "out" / "gate.1003.exr")
    assert np.abs(got - expected).max() < 1e-3 * max(1.0, float(expected.max()))  # half precision
    facts = header(folder / "out" / "gate.1003.exr")
    assert facts["reelName"] == "A007"
    assert "timeCode" in facts
    assert facts["colorInteropID"] == "lin_ap1_scene"
    assert made.noise_left is not None
    assert 0.05 < made.noise_left < 0.5


def test_noise_is_measured_where_the_recipe_has_none(folder: Path) -> None:
    """Source: the noise that was put in, known."""
    noise = measured_noise(open_shot(folder / "in", missing="hold"))
    sigma = np.sqrt(np.array(noise.gain) * [0.045, 0.315, 0.063] + np.array(noise.offset))
    np.testing.assert_allclose(sigma, SIGMA, rtol=0.08)


def test_the_share_of_noise_left_is_what_was_left(folder: Path) -> None:
    """Source: by hand: a picture with half the noise has half of it left."""
    quiet = (light(1) + 0.5 * (plate(1) - light(1))).astype(np.float32)
    share = share_left(plate(1), quiet)
    assert share == pytest.approx(0.5, abs=0.03)


def test_finished_frames_are_left_alone_until_something_changes(folder: Path) -> None:
    """Source: POSIX, a file that is not written keeps its time of modification."""
    shot = open_shot(folder / "in", missing="hold")
    recipe = starting_recipe()
    recipe.screen.noise = NOISE

    def bake(**more: object) -> tuple[int, int]:
        made = prepare_shot(shot, recipe, folder / "out", "gate", **more)  # type: ignore[arg-type]
        return made.written, made.skipped

    assert bake(frames=[1001, 1002]) == (2, 0)
    assert bake() == (2, 2)
    assert bake() == (0, 4)
    found = prepare_shot(shot, recipe, folder / "out", "gate")
    assert found.noise_left is not None
    assert 0.05 < found.noise_left < 0.6
    assert bake(again=True) == (4, 0)
    recipe.source.denoise.strength = 0.5
    assert bake(frames=[1002]) == (1, 0)
    write_exr(
        folder / "in" / "gate.1002.exr", {"": plate(7)}, half=False, interop_id="lin_ap1_scene"
    )
    shot = open_shot(folder / "in", missing="hold")
    recipe.source.denoise = Denoise()
    # 1001 and 1003 have 1002 as a neighbour; 1005 has nothing changed beside it.
    assert bake() == (3, 1)


def test_what_cannot_be_baked_is_told_in_a_sentence(folder: Path) -> None:
    """Common practice, no source: one clear sentence, nothing half-written."""
    write_exr(folder / "grey" / "a.exr", {"": np.full((3, 90, 160), 0.2, np.float32)})
    with pytest.raises(PrepareError, match=r"no screen was found.*screen\.noise"):
        prepare_shot(open_shot(folder / "grey"), starting_recipe(), folder / "out", "a")
    shot = open_shot(folder / "in", missing="hold")
    with pytest.raises(PrepareError, match="1004,2000"):
        prepare_shot(shot, starting_recipe(), folder / "out", "g", frames=[1001, 1004, 2000])
    recipe = starting_recipe()
    recipe.screen.noise = NOISE
    with pytest.raises(Exception, match="source"):
        prepare_shot(shot, recipe, folder / "in", "gate")
    assert not (folder / "out").exists()
    np.testing.assert_array_equal(read(folder / "in" / "gate.1001.exr"), plate(1001))


# ---------------------------------------------------------------- the command


def test_prepare_then_render(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Common practice, no source: keying the denoised pass gives a cleaner matte. Against the
    exact alpha, with the recipe that was baked and with the one it was made from."""
    shot = str(folder / "in" / "gate.####.exr")
    key = starting_recipe()
    key.extractors = key.extractors[:1]
    save_recipe(key, folder / "key.json")
    command = ["prepare", shot, "--recipe", str(folder / "key.json"), "--out", str(folder / "b")]
    assert cli.run([*command, "--reach", "1"]) == 0
    told = capsys.readouterr().out
    assert "wrote 4 frames" in told
    assert "noise left on the screen" in told
    made = load_recipe(folder / "b" / "key.json")
    assert made.source.denoised_path == "denoised/gate.####.exr"
    assert made.screen.clean_plate_path == "gate.clean.exr"
    assert max(made.screen.noise.offset + made.screen.noise.gain) > 0
    x = np.arange(WIDTH)
    clean = read(folder / "b" / "gate.clean.exr")
    np.testing.assert_allclose(clean[1, 10], 0.35 * (1 - 0.2 * x / WIDTH), rtol=0.03)
    mattes = []
    for name, recipe in (("plain", made.model_copy(deep=True)), ("baked", made)):
        if name == "plain":
            recipe.source.denoised_path = ""
        path = save_recipe(recipe, folder / "b" / f"{name}.json")
        out = str(folder / name / "k.####.exr")
        words = ["render", shot, "--recipe", str(path), "--out", out, "--float"]
        assert cli.run([*words, "--frames", "1002"]) == 0
        with OpenEXR.File(str(folder / name / "k.1002.exr")) as file:
            channel = file.channels()["RGBA"].pixels[..., 3]
            mattes.append(np.asarray(channel, np.float32))
    screen = np.hypot(*np.mgrid[-100 : HEIGHT - 100, -162 : WIDTH - 162]) > 60
    plain, baked = (float(m[screen].mean()) for m in mattes)
    assert baked < 0.5 * plain


def test_prepare_measures_a_shot_without_a_recipe_and_goes_on(folder: Path) -> None:
    """Common practice, no source: the same command again finishes what is left."""
    words = ["prepare", str(folder / "in"), "--out", str(folder / "b")]
    assert cli.run([*words, "--frames", "1001"]) == 0
    recipe = load_recipe(folder / "b" / "gate.json")
    assert recipe.extractors
    assert (folder / "b" / recipe.screen.clean_plate_path).is_file()
    stamp = (folder / "b" / "denoised" / "gate.1001.exr").stat().st_mtime_ns
    assert cli.run(words) == 0
    assert (folder / "b" / "denoised" / "gate.1001.exr").stat().st_mtime_ns == stamp
    assert len(list((folder / "b" / "denoised").iterdir())) == 4


def test_two_shots_bake_into_one_folder(folder: Path) -> None:
    """Common practice, no source: what one shot keys with is not the next one's."""
    for frame in (1001, 1002):
        light = {"": plate(frame) * np.array([1, 0.6, 1], np.float32)[:, None, None]}
        write_exr(folder / "yard" / f"yard.{frame}.exr", light, interop_id="lin_ap1_scene")
    for shot in ("in", "yard"):
        words = ["prepare", str(folder / shot), "--out", str(folder / "b"), "--frames", "1001"]
        assert cli.run(words) == 0
    levels = []
    for name in ("gate", "yard"):
        recipe = load_recipe(folder / "b" / f"{name}.json")
        levels.append(float(read(folder / "b" / recipe.screen.clean_plate_path)[1].mean()))
    assert levels[1] == pytest.approx(0.6 * levels[0], rel=0.03)


def test_a_render_tells_which_frames_the_pass_lacks(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Common practice, no source: a key whose noise jumps from frame to frame is not handed over
    unknowingly. 1004 is missing from the plate itself."""
    out = ["--out", str(folder / "b")]
    assert cli.run(["prepare", str(folder / "in"), *out, "--frames", "1001-1002"]) == 0
    words = ["render", str(folder / "in"), "--recipe", str(folder / "b" / "gate.json")]
    words += ["--out", str(folder / "k" / "k.####.exr"), "--missing", "hold"]
    for frames, lacks in (("1001-1005", ["1003,1005"]), ("1001-1002", [])):
        capsys.readouterr()
        assert cli.run([*words, "--frames", frames]) == 0
        told = capsys.readouterr().out.split("as the denoised pass lacks them: ")[1:]
        assert [part.split(";")[0] for part in told] == lacks
    recipe = load_recipe(folder / "b" / "gate.json")
    for extractor in recipe.extractors:
        extractor.key_from = "plate"
    save_recipe(recipe, folder / "b" / "gate.json")
    capsys.readouterr()
    assert cli.run(words) == 0
    assert "the denoised pass lacks them" not in capsys.readouterr().out


def told_of(words: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    """What a command says that ends with exit code 2."""
    capsys.readouterr()
    assert cli.run(words) == 2
    return capsys.readouterr().err


def test_another_shot_of_the_same_name_is_not_written_over(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Common practice, no source: takes in folders of their own often have files of one name."""
    for frame in FRAMES:
        write_exr(folder / "two" / f"gate.{frame}.exr", {"": plate(frame) * np.float32(0.5)})
    out = ["--out", str(folder / "b")]
    assert cli.run(["prepare", str(folder / "in"), *out]) == 0
    before = {path: path.read_bytes() for path in (folder / "b").rglob("*.*")}
    for more in ([], ["--again"]):
        told = told_of(["prepare", str(folder / "two"), *out, *more], capsys)
        assert "other files called 'gate'" in told
    assert {path: path.read_bytes() for path in (folder / "b").rglob("*.*")} == before


def test_files_that_were_not_baked_are_not_written_over(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Common practice, no source: nobody else's clean plate or denoised pass is lost."""
    words = ["prepare", str(folder / "in"), "--out", str(folder / "b")]
    mine = folder / "b" / "gate.clean.exr"
    theirs = folder / "b" / "denoised" / "gate.1002.exr"
    for path, told in ((mine, "was not built by"), (theirs, "was not baked by")):
        write_exr(path, {"": plate(5)})
        before = path.read_bytes()
        assert told in told_of(words, capsys)
        assert [p for p in (folder / "b").rglob("*.*") if p.is_file()] == [path]
        assert path.read_bytes() == before
        path.unlink()


def test_the_shots_own_folder_stays_its_own(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Common practice, no source: a folder with one sequence is a shot, with a clean plate beside
    it it would be two."""
    told = told_of(["prepare", str(folder / "in"), "--out", str(folder / "in")], capsys)
    assert "the shot's own frames" in told
    assert sorted(p.name for p in (folder / "in").iterdir()) == [f"gate.{n}.exr" for n in FRAMES]
    inside = ["prepare", str(folder / "in"), "--out", str(folder / "in" / "baked")]
    assert cli.run([*inside, "--frames", "1001"]) == 0
    assert open_shot(folder / "in", missing="hold").name == "gate"


def test_a_file_in_the_way_of_the_folder_is_told(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Common practice, no source: exit code 2 and one sentence."""
    (folder / "note.txt").write_text("mine")
    for name in ("note.txt", "note.txt/b"):
        told = told_of(["prepare", str(folder / "in"), "--out", str(folder / name)], capsys)
        assert f"{folder / 'note.txt'} is a file" in told


def test_what_was_decided_since_is_kept(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Common practice, no source: the page saves into the baked recipe; the same command finishes
    the pass afterwards."""
    save_recipe(starting_recipe(), folder / "key.json")
    words = ["prepare", str(folder / "in"), "--recipe", str(folder / "key.json")]
    words += ["--out", str(folder / "b")]
    assert cli.run([*words, "--frames", "1001"]) == 0
    edited = load_recipe(folder / "b" / "key.json")
    edited.extractors[0].strength = 0.5
    save_recipe(edited, folder / "b" / "key.json")
    assert cli.run([*words, "--frames", "1002", "--strength", "1"]) == 0
    assert "key.1.json" in capsys.readouterr().out
    assert load_recipe(folder / "b" / "key.1.json") == edited
    assert cli.run([*words, "--frames", "1003", "--strength", "0.9"]) == 0
    assert not (folder / "b" / "key.2.json").exists()


def test_prepare_takes_a_clean_plate_along(folder: Path) -> None:
    """Source: the same picture, read back by the OpenEXR project's module."""
    given = np.broadcast_to(np.array([0.06, 0.4, 0.08])[:, None, None], (3, HEIGHT, WIDTH))
    write_exr(
        folder / "set" / "bare.exr",
        {"": given.astype(np.float32)},
        half=False,
        interop_id="lin_ap1_scene",
    )
    key = starting_recipe()
    key.screen.clean_plate, key.screen.clean_plate_path = "file", "bare.exr"
    save_recipe(key, folder / "set" / "key.json")
    words = ["prepare", str(folder / "in"), "--recipe", str(folder / "set" / "key.json")]
    assert cli.run([*words, "--out", str(folder / "b"), "--frames", "1001"]) == 0
    shutil.rmtree(folder / "set")
    made = load_recipe(folder / "b" / "key.json")
    assert made.screen.clean_plate_path == "gate.clean.exr"
    np.testing.assert_allclose(read(folder / "b" / "gate.clean.exr"), given, rtol=1e-6)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--strength", "9"], "strength"),
        (["--strength", "nan"], "nan is no strength"),
        (["--reach", "7"], "reach_frames"),
        (["--frames", "1-2"], "1-2"),
    ],
)
def test_prepare_refuses_bad_options(
    folder: Path, words: list[str], told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Common practice, no source: exit code 2 and one sentence."""
    key = starting_recipe()
    key.screen.noise = NOISE
    save_recipe(key, folder / "key.json")
    command = ["prepare", str(folder / "in"), "--recipe", str(folder / "key.json")]
    assert cli.run([*command, "--out", str(folder / "b"), *words]) == 2
    assert told in capsys.readouterr().err
    assert not (folder / "b").exists()


def test_a_denoised_pass_with_other_numbers_is_refused(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Common practice, no source: another frame's pass would make another frame's matte."""
    for frame in (1, 2):
        write_exr(folder / "in" / "d" / f"d.{frame}.exr", {"": plate(frame)})
    save_recipe(starting_recipe(), folder / "key.json")
    words = ["render", str(folder / "in" / "gate.####.exr"), "--recipe", str(folder / "key.json")]
    words += ["--denoised", str(folder / "in" / "d"), "--out", str(folder / "o" / "k.####.exr")]
    assert cli.run([*words, "--frames", "1001"]) == 2
    assert "number them alike" in capsys.readouterr().err


def test_another_shots_denoised_pass_is_refused(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Common practice, no source: frames of two shots may well have the same numbers."""
    for frame in (1001, 1002):
        write_exr(folder / "other" / f"yard.{frame}.exr", {"": plate(frame)})
    key = starting_recipe()
    key.screen.noise = NOISE
    save_recipe(key, folder / "key.json")
    bake = ["prepare", str(folder / "in"), "--recipe", str(folder / "key.json")]
    assert cli.run([*bake, "--out", str(folder / "b"), "--frames", "1001-1002"]) == 0
    words = ["render", str(folder / "other"), "--recipe", str(folder / "b" / "key.json")]
    assert cli.run([*words, "--out", str(folder / "o" / "k.####.exr")]) == 2
    told = capsys.readouterr().err
    assert "baked from 'gate.1001.exr', which is another shot" in told
    assert not (folder / "o").exists()
