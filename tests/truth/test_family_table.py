"""The table over the families of truth shots: plate only, truth told apart from what was keyed."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from demo_media.families import FamilyShot, family_shot
from demo_media.families.scoring import Result
from kernels.cpu.engine import CpuEngine
from server import cli
from server.bench import families as job
from server.bench.family_table import CLEAN_PLATE, FLAT, LEAST_SQUARES, SUGGESTED, FamilyTable

KINDS = ("plain", "smoke")


@pytest.fixture(scope="module")
def engine() -> Iterator[CpuEngine]:
    made = CpuEngine(threads=2)
    yield made
    made.close()


@pytest.fixture(scope="module")
def shots() -> list[FamilyShot]:
    return [family_shot("workshop", kind, 3, width=320, height=180, frames=1) for kind in KINDS]


@pytest.fixture(scope="module")
def table(engine: CpuEngine, shots: list[FamilyShot]) -> FamilyTable:
    return job.run_families(iter(shots), job.family_methods(engine))


def test_the_suggested_key_is_made_from_the_plate_alone(
    engine: CpuEngine, shots: list[FamilyShot]
) -> None:
    """Our own rule, no outside source: another truth behind the same plate changes no matte."""
    shot = shots[0]
    frame = shot.frames[0]
    other = type(frame)(
        **{
            **frame.__dict__,
            "alpha": 1 - frame.alpha,
            "foreground": frame.background,
            "clean_plate": frame.background,
        }
    )
    changed = FamilyShot(**{**shot.__dict__, "frames": (other,)})
    first, second = (job.key_by_suggest(engine, s)[0].alpha for s in (shot, changed))
    np.testing.assert_array_equal(first, second)


def test_least_squares_with_true_colours_bounds_the_others_at_edges(table: FamilyTable) -> None:
    """Source: Chuang et al. 2001: nothing can know F and c better."""
    best = table.mean(LEAST_SQUARES, "edge_rms")
    assert best < table.mean(CLEAN_PLATE, "edge_rms") < table.mean(FLAT, "edge_rms")
    assert best < table.mean(SUGGESTED, "edge_rms")


def test_text_and_json_hold_the_same_figures(table: FamilyTable) -> None:
    """Common practice, no source."""
    text = table.text()
    assert text.splitlines()[0] == "Means over 2 shots of 320x180, 1 frame each"
    for kind in KINDS:
        assert f"\n{kind} " in text
    assert f"{table.mean(SUGGESTED, 'sad'):.2f}" in text
    data = json.loads(table.as_json())
    assert data["means"][SUGGESTED]["sad"] == pytest.approx(table.mean(SUGGESTED, "sad"))
    assert len(data["shots"]) == 2 * 4
    assert data["means"][SUGGESTED]["chatter"] is None
    assert [t["met"] for t in data["targets"]] == [t.met for t in table.targets()]


def test_targets_can_be_missed_and_met(shots: list[FamilyShot], engine: CpuEngine) -> None:
    """Our own rule, no outside source: a flat key misses, the truth itself meets every target."""
    methods = job.family_methods(engine)

    def perfect(shot: FamilyShot) -> list[Result]:
        return [Result(f.alpha, f.foreground_clean, f.composite) for f in shot.frames]

    flat = job.run_families(
        iter(shots), {CLEAN_PLATE: methods[CLEAN_PLATE], SUGGESTED: methods[FLAT]}
    )
    best = job.run_families(iter(shots), {CLEAN_PLATE: methods[CLEAN_PLATE], SUGGESTED: perfect})
    missed = {t.text: t for t in flat.targets() if not t.met}
    assert "mean SAD over the clean-plate one's" in missed
    assert all(t.met for t in best.targets())
    worst = next(t for t in flat.targets() if t.text.startswith("SAD over it on the worst shot"))
    ratios = {a.shot: a.figures["sad"] / b.figures["sad"] for a, b in flat.pairs()}
    assert max(ratios, key=lambda name: ratios[name]) in worst.text
    assert worst.value == pytest.approx(max(ratios.values()))


@pytest.mark.slow
def test_a_moving_screen_gets_each_frame_its_own_clean_plate(tmp_path: Path) -> None:
    """Our own rule, no outside source: the engine is given the plate of its own frame."""
    shot = family_shot("theatre", "moving_camera", 0, width=480, height=270, frames=3)
    found = job.suggested(shot, tmp_path)
    assert found is not None
    recipe, cleans = found
    assert recipe.screen.clean_plate_path == "clean/clean.####.exr"
    assert len(cleans) == 3
    assert not np.array_equal(cleans[0], cleans[2])


def test_the_command_writes_sheet_and_figures_and_refuses_unknown_names(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Our own rule, no outside source."""
    sheet, figures = tmp_path / "keys.png", tmp_path / "figures.json"
    options = ["--kinds", "plain", "--width", "320", "--no-closed-form"]
    files = ["--sheet", str(sheet), "--json", str(figures)]
    assert cli.run(["truth", "--families", "workshop", *options, *files]) == 0
    assert sheet.read_bytes().startswith(b"\x89PNG")
    shots = json.loads(figures.read_text())["shots"]
    assert {shot["kind"] for shot in shots} == {"plain"}
    for bad, told in (
        (["--families", "circus"], "'circus' is no family of truth shots"),
        (["--families", "harbour", "--kinds", "hare"], "'hare' is no kind of truth shot"),
        (["--kinds", "hair"], "name the families"),
        (["--families", "harbour", "--check"], "leave --families out"),
    ):
        capsys.readouterr()
        assert cli.run(["truth", *bad]) != 0
        assert told in capsys.readouterr().err
