"""Rendering: what is in the files, that they are whole, and that a render can be gone on with."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import av
import numpy as np
import OpenEXR
import OpenImageIO as oiio
import pytest

from kernels.inputs import gather
from kernels.plan import build_plan
from kernels.recipe import HueBand, Recipe, Unmix, starting_recipe
from kernels.recipe_file import recipe_hash, save_recipe
from kernels.reference import execute
from server import cli
from server.media import open_shot, write_exr
from tests.server.conftest import EVERY_FRAME_TOLD

FRAMES = (1001, 1002, 1003)
HEIGHT, WIDTH = 40, 56


def plate(frame: int) -> np.ndarray:
    rng = np.random.default_rng(frame)
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    alpha = np.clip((14 - np.hypot(x - 28 - frame % 10, y - 20)) / 4, 0, 1)
    subject = np.array([1.4, 0.3, 0.2])[:, None, None]
    screen = np.array([0.05, 0.35, 0.07])[:, None, None]
    picture = alpha * subject + (1 - alpha) * screen + rng.normal(0, 0.005, (3, HEIGHT, WIDTH))
    return picture.astype(np.float32)


@pytest.fixture
def shot(tmp_path: Path) -> str:
    """A three-frame sequence in ACEScg with a time code and a reel name."""
    for frame in FRAMES:
        write_exr(
            tmp_path / "in" / f"gate.{frame}.exr",
            {"": plate(frame)[:3]},
            interop_id="lin_ap1_scene",
            attributes={"reelName": "A007", "timeCode": (frame, 0)},
        )
    return str(tmp_path / "in" / "gate.####.exr")


@pytest.fixture
def recipe(tmp_path: Path) -> Path:
    key = starting_recipe()
    key.extractors.append(HueBand(name="warm edge", role="edge", strength=0.5))
    return save_recipe(key, tmp_path / "key.json")


def run(*arguments: str) -> int:
    return cli.run(["render", *arguments, "--engine", "cpu"])


def render(shot: str, recipe: Path, out: str, *more: str) -> int:
    return run(shot, "--recipe", str(recipe), "--out", out, *more)


def test_a_rendered_file_holds_what_the_reference_computes(
    shot: str, recipe: Path, tmp_path: Path
) -> None:
    """Source: read back by the OpenEXR project's own module; expected values by the reference."""
    out = tmp_path / "out" / "key.####.exr"
    assert (
        render(shot, recipe, str(out), "--float", "--layers", "alpha,straight,composite,extractors")
        == 0
    )
    channels = OpenEXR.File(
        str(tmp_path / "out" / "key.1002.exr"), separate_channels=True
    ).channels()
    expected = _expected(shot, recipe, 1002)
    for layer, planes in expected.items():
        for letter, plane in (
            zip("RGB", planes, strict=True) if planes.ndim == 3 else [("A", planes)]
        ):
            name = f"{layer}.{letter}" if layer else letter
            np.testing.assert_allclose(channels[name].pixels, plane, atol=2e-6, err_msg=name)
    assert set(channels) == {
        "R",
        "G",
        "B",
        "A",
        "alpha.A",
        "straight.R",
        "straight.G",
        "straight.B",
        "composite.R",
        "composite.G",
        "composite.B",
        "extractor.screen.A",
        "extractor.warm_edge.A",
    }


def test_an_unmixed_file_holds_the_expected_error(shot: str, tmp_path: Path) -> None:
    """Source: read back by the OpenEXR project's own module; expected values by the reference."""
    key = starting_recipe()
    key.extractors = [Unmix(id="mix", name="mix", role="edge")]
    key.assemble.edge_colour.method = "unmix"
    saved = save_recipe(key, tmp_path / "unmix.json")
    out = str(tmp_path / "out" / "key.####.exr")
    assert render(shot, saved, out, "--float", "--layers", "straight,extractors,error") == 0
    channels = OpenEXR.File(
        str(tmp_path / "out" / "key.1002.exr"), separate_channels=True
    ).channels()
    source = open_shot(shot)
    planes = {"plate": source.read(1002).pixels}
    plan = build_plan(key, 1002, planes, weights=source.colour.luminance_weights)
    expected = execute.planes(plan, planes, ["extractor:mix", "error", "straight"])
    assert expected["error"].max() > 0
    for name, plane in (
        ("extractor.mix.A", expected["extractor:mix"]),
        ("error.A", expected["error"]),
        ("straight.G", expected["straight"][1]),
    ):
        # The compiled form sums in another order than the reference.
        np.testing.assert_allclose(channels[name].pixels, plane, atol=1e-3, err_msg=name)
    assert "alpha.A" not in channels


def _expected(shot: str, recipe: Path, frame: int) -> dict[str, np.ndarray]:
    from kernels.cpu.engine import CpuEngine
    from kernels.recipe_file import load_recipe

    key, source = load_recipe(recipe), open_shot(shot)
    engine = CpuEngine(threads=1)
    inputs = gather(engine, key, frame, plate=source.read(frame).pixels)
    planes = {name: engine.fetch(handle) for name, handle in inputs.planes.items()}
    plan = build_plan(key, frame, planes, weights=source.colour.luminance_weights)
    ids = [e.id for e in key.extractors]
    made = execute.planes(
        plan,
        planes,
        ["alpha", "straight", "foreground", "composite", *(f"extractor:{i}" for i in ids)],
    )
    engine.close()
    return {
        "": made["foreground"],
        "alpha": made["alpha"],
        "straight": made["straight"],
        "composite": made["composite"],
        "extractor.screen": made[f"extractor:{ids[0]}"],
        "extractor.warm_edge": made[f"extractor:{ids[1]}"],
    }


def test_the_header_is_clean_and_keeps_what_belongs_to_the_shot(
    shot: str, recipe: Path, tmp_path: Path
) -> None:
    """Source: OpenEXR's standard attributes (timeCode, reelName), read by OpenImageIO."""
    out = tmp_path / "key.####.exr"
    assert render(shot, recipe, str(out)) == 0
    image = oiio.ImageInput.open(str(tmp_path / "key.1001.exr"))
    spec = image.spec()
    image.close()
    assert spec.getattribute("openexr:reelName") or spec.getattribute("reelName") == "A007"
    assert spec.getattribute("smpte:TimeCode") is not None
    assert spec.getattribute("compression") == "zip"
    from kernels.recipe_file import load_recipe

    assert spec.getattribute("verdigris:recipe") == recipe_hash(load_recipe(recipe))
    assert str(spec.format) == "half"


def test_the_recipes_pixel_aspect_goes_into_the_header(
    shot: str, recipe: Path, tmp_path: Path
) -> None:
    """Source: OpenEXR's standard attribute pixelAspectRatio, read by OpenImageIO."""
    from kernels.recipe_file import load_recipe, recipe_text

    said = load_recipe(recipe)
    said.source.pixel_aspect = 2.0
    changed = tmp_path / "wide.json"
    changed.write_text(recipe_text(said), encoding="utf-8")
    assert render(shot, changed, str(tmp_path / "key.####.exr"), "--frames", "1001") == 0
    image = oiio.ImageInput.open(str(tmp_path / "key.1001.exr"))
    assert image.spec().getattribute("PixelAspectRatio") == 2.0
    image.close()


def test_straight_and_premultiplied_fit_together(shot: str, recipe: Path, tmp_path: Path) -> None:
    """Source: Porter & Duff 1984, premultiplied colour is alpha times straight colour."""
    assert (
        render(shot, recipe, str(tmp_path / "k.####.exr"), "--float", "--layers", "alpha,straight")
        == 0
    )
    c = OpenEXR.File(str(tmp_path / "k.1001.exr"), separate_channels=True).channels()
    alpha = c["A"].pixels
    for letter in "RGB":
        product = c[f"straight.{letter}"].pixels * alpha
        keyed = alpha > 1e-3
        np.testing.assert_allclose(product[keyed], c[letter].pixels[keyed], atol=1e-5)


def test_a_finished_render_is_left_alone_and_a_changed_one_is_not(
    shot: str, recipe: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Our own rule, no outside source: the same command goes on where it stopped."""
    out = str(tmp_path / "out" / "key.####.exr")
    assert render(shot, recipe, out) == 0
    (tmp_path / "out" / "key.1002.exr").unlink()
    stamp = (tmp_path / "out" / "key.1001.exr").stat().st_mtime_ns
    assert render(shot, recipe, out) == 0
    assert "2 were finished before" in capsys.readouterr().out
    assert (tmp_path / "out" / "key.1001.exr").stat().st_mtime_ns == stamp
    assert render(shot, recipe, out, "--compression", "piz") == 0
    assert (tmp_path / "out" / "key.1001.exr").stat().st_mtime_ns != stamp


@pytest.mark.parametrize(
    ("more", "says"),
    [
        (["--layers", "alpha,depth"], "no layer 'depth'"),
        (["--frames", "9-12"], "9"),
        (["--missing", "guess"], "error, hold or black"),
        (["--out-colourspace", "Kodak dreams"], "Kodak dreams"),
        (["--clean-plate", "nowhere.exr"], "nowhere.exr"),
        (["--compression", "brown paper"], "brown paper"),
    ],
)
def test_a_wrong_option_is_one_sentence_and_writes_nothing(
    shot: str,
    recipe: Path,
    tmp_path: Path,
    more: list[str],
    says: str,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Our own rule, no outside source: exit code 2, one sentence, nothing half-written."""
    assert render(shot, recipe, str(tmp_path / "out" / "k.####.exr"), *more) == 2
    err = [line for line in capsys.readouterr().err.splitlines() if line.startswith("verdigris:")]
    assert len(err) == 1
    assert says in err[0]
    assert not list((tmp_path / "out").glob("*")) if (tmp_path / "out").exists() else True


def test_a_source_is_never_written_over(
    shot: str, recipe: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Our own rule, no outside source: not by its name and not through a link."""
    before = {p.name: p.read_bytes() for p in (tmp_path / "in").iterdir()}
    assert render(shot, recipe, shot) == 2
    (tmp_path / "link").symlink_to(tmp_path / "in")
    assert render(shot, recipe, str(tmp_path / "link" / "gate.####.exr")) == 2
    assert {p.name: p.read_bytes() for p in (tmp_path / "in").iterdir()} == before
    assert "source" in capsys.readouterr().err


def test_missing_and_truncated_frames_are_named(
    shot: str, recipe: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Our own rule, no outside source: missing frames are an error, or held on request."""
    second = tmp_path / "in" / "gate.1002.exr"
    whole = second.read_bytes()
    second.unlink()
    out = str(tmp_path / "out" / "k.####.exr")
    assert render(shot, recipe, out) == 2
    assert "1002" in capsys.readouterr().err
    assert render(shot, recipe, out, "--missing", "hold") == 0
    assert "held from a neighbour: 1002" in capsys.readouterr().out
    second.write_bytes(whole[: len(whole) // 2])
    assert render(shot, recipe, out, "--again") == 2
    assert "gate.1002.exr" in capsys.readouterr().err
    assert not list((tmp_path / "out").glob(".*"))


def test_a_still_to_one_file_and_a_name_without_digits(
    shot: str, recipe: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Our own rule, no outside source: one file cannot hold three frames."""
    assert render(shot, recipe, str(tmp_path / "one.exr")) == 2
    assert "####" in capsys.readouterr().err
    assert render(str(tmp_path / "in" / "gate.1001.exr"), recipe, str(tmp_path / "one.exr")) == 0
    assert render(shot, recipe, str(tmp_path / "two.exr"), "--frames", "1002") == 0


def test_killing_a_render_leaves_only_whole_files(shot: str, recipe: Path, tmp_path: Path) -> None:
    """Source: POSIX rename(2): a file appears under its name whole or not at all."""
    for frame in range(1004, 1060):
        os.link(tmp_path / "in" / "gate.1001.exr", tmp_path / "in" / f"gate.{frame}.exr")
    out = tmp_path / "out" / "k.####.exr"
    process = subprocess.Popen(
        [
            sys.executable,
            "-c",
            EVERY_FRAME_TOLD,
            "render",
            shot,
            "--recipe",
            str(recipe),
            "--out",
            str(out),
            "--engine",
            "cpu",
        ],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stderr is not None
    assert next(line for line in process.stderr if line.startswith("rendering: 1/"))
    process.send_signal(signal.SIGKILL)
    process.communicate(timeout=60)
    written = list((tmp_path / "out").glob("k.*.exr"))
    assert written
    for path in written:
        OpenEXR.File(str(path)).channels()
    assert render(shot, recipe, str(out)) == 0
    assert len(list((tmp_path / "out").glob("k.*.exr"))) == 59


def test_what_a_killed_render_left_is_taken_away_and_nothing_else(
    shot: str, recipe: Path, tmp_path: Path
) -> None:
    """Source: POSIX kill(2), signal 0 tells whether a process runs."""
    gone = subprocess.Popen([sys.executable, "-c", ""])
    gone.wait()
    out = tmp_path / "out"
    out.mkdir()
    stale = [f".k.{frame}.exr.{gone.pid}.part" for frame in (1001, 1003)]
    others = [
        f".k.1001.exr.{os.getppid()}.part",
        f".k.1004.exr.{gone.pid}.part",
        f".k.exr.{gone.pid}.part",
        f"k.1001.exr.{gone.pid}.part",
        ".k.1001.exr.part",
        f".k.1001.exr.{gone.pid}.part.bak",
    ]
    for name in [*stale, *others]:
        (out / name).write_bytes(b"half")
    (out / f".k.1002.exr.{gone.pid}.part").mkdir()
    assert render(shot, recipe, str(out / "k.####.exr")) == 0
    there = {p.name for p in out.iterdir()}
    assert there == {
        *others,
        f".k.1002.exr.{gone.pid}.part",
        *(f"k.{frame}.exr" for frame in FRAMES),
    }


def test_a_rendered_movie_gets_no_capture_date_from_the_clock(recipe: Path, tmp_path: Path) -> None:
    """Source: OpenEXR standard attributes, capDate is when the picture was captured."""
    with av.open(str(tmp_path / "gate.mov"), "w") as movie:
        stream = movie.add_stream("mjpeg", rate=24)
        stream.width, stream.height, stream.pix_fmt = WIDTH, HEIGHT, "yuvj444p"
        grey = np.full((HEIGHT, WIDTH, 3), 128, np.uint8)
        movie.mux(stream.encode(av.VideoFrame.from_ndarray(grey)))
        movie.mux(stream.encode(None))
    assert render(str(tmp_path / "gate.mov"), recipe, str(tmp_path / "k.exr")) == 0
    with OpenEXR.File(str(tmp_path / "k.exr")) as file:
        assert "capDate" not in file.header()


def test_an_output_name_that_is_no_text_is_said_before_anything_is_read(
    shot: str, recipe: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Source: PEP 383, bytes that are not UTF-8 become lone surrogates."""
    assert render(shot, recipe, str(tmp_path / os.fsdecode(b"out\xff") / "k.####.exr")) == 2
    said = [line for line in capsys.readouterr().err.splitlines() if "verdigris:" in line]
    assert len(said) == 1
    assert "is not UTF-8 text" in said[0]
    assert not list(tmp_path.glob("out*"))


def test_half_clamps_and_counts_what_it_cannot_hold(
    recipe: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Source: IEEE 754-2019 binary16, the largest finite value is 65504."""
    bright = plate(1)
    bright[:, 5, 5] = 1e6
    write_exr(tmp_path / "bright.exr", {"": bright}, half=False, interop_id="lin_ap1_scene")
    assert render(str(tmp_path / "bright.exr"), recipe, str(tmp_path / "out.exr")) == 0
    assert "clamped to 65504" in capsys.readouterr().out


def test_no_recipe_keeps_everything_opaque(shot: str, tmp_path: Path) -> None:
    """Source: Porter & Duff 1984, alpha 1 gives the foreground."""
    empty = save_recipe(Recipe(), tmp_path / "empty.json")
    assert render(shot, empty, str(tmp_path / "k.####.exr"), "--float") == 0
    c = OpenEXR.File(str(tmp_path / "k.1001.exr"), separate_channels=True).channels()
    assert (c["A"].pixels == 1).all()
    np.testing.assert_allclose(c["G"].pixels, plate(1001)[1], atol=1e-3)


def test_many_frames_in_flight_change_nothing(shot: str, tmp_path: Path) -> None:
    """Our own rule, no outside source: the same files, reported in order, whatever is in flight."""
    from kernels.cpu import cpu_engine
    from server.keying.render import STAGES, Renderer
    from server.keying.render_job import RenderJob

    engine = cpu_engine(threads=2)
    made = {}
    for in_flight in (1, 5):
        out = str(tmp_path / f"out{in_flight}" / "key.####.exr")
        job = RenderJob(shot=open_shot(shot), recipe=starting_recipe(), out=out)
        steps: list[tuple[int, int]] = []
        renderer = Renderer(job, engine, in_flight=in_flight)
        done = renderer.run(lambda at, of, steps=steps: steps.append((at, of)))
        assert steps == [(0, 3), (1, 3), (2, 3), (3, 3)]
        assert set(done.seconds_in) == set(STAGES)
        assert all(seconds > 0 for seconds in done.seconds_in.values())
        files = [tmp_path / f"out{in_flight}" / f"key.{frame}.exr" for frame in FRAMES]
        made[in_flight] = [oiio.ImageBuf(str(file)).get_pixels(oiio.FLOAT) for file in files]
    engine.close()
    assert all(np.array_equal(a, b) for a, b in zip(made[1], made[5], strict=True))


@pytest.mark.parametrize(
    ("size", "cores", "frames"),
    [((1920, 1080), 2, 3), ((1920, 1080), 16, 7), ((3840, 2160), 16, 2), ((8192, 4320), 64, 2)],
)
def test_frames_in_flight_are_bounded(size: tuple[int, int], cores: int, frames: int) -> None:
    """Our own rule, no outside source: by the cores and by about a gigabyte."""
    from server.keying.render import frames_in_flight

    assert frames_in_flight(*size, cores) == frames


def test_stills_are_held_once_and_again_when_they_change() -> None:
    """Our own rule, no outside source: a clean plate that is one array is taken once."""
    from kernels.cpu.engine import CpuEngine
    from server.keying.held_stills import HeldStills

    engine = CpuEngine(threads=1)
    held = HeldStills(engine)
    recipe = starting_recipe()
    clean, other = np.full((3, 8, 8), 0.2, np.float32), np.full((3, 8, 8), 0.3, np.float32)
    first, again, changed = (
        held.inputs(recipe, 1, plate=plate(1)[:, :8, :8], clean=image).planes
        for image in (clean, clean, other)
    )
    assert again["clean"] is first["clean"]
    assert again["background"] is first["background"]
    assert again["plate"] is not first["plate"]
    assert np.array_equal(engine.fetch(changed["clean"]), other)
    bigger = recipe.model_copy(deep=True)
    bigger.assemble.background.exposure_stops = 1.0
    after = held.inputs(bigger, 1, plate=plate(1)[:, :8, :8], clean=other).planes
    assert after["background"] is not changed["background"]
    with pytest.raises(ValueError, match="clean is 8x8, the plate 56x40"):
        held.inputs(recipe, 1, plate=plate(1), clean=clean)
    engine.close()
