"""The key that is suggested from the plate alone, on the families of truth shots."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from demo_media.families import FAMILIES, KINDS, FamilyShot, family_shot
from demo_media.families import scoring as base
from demo_media.families.scoring import Result
from kernels.engine import Engine
from kernels.errors import VerdigrisError
from kernels.inputs import gather
from kernels.plan import build_plan
from kernels.recipe import Recipe
from server.bench.family_table import (
    CLEAN_PLATE,
    CLOSED_FORM,
    FLAT,
    LEAST_SQUARES,
    SUGGESTED,
    FamilyRow,
    FamilyTable,
)
from server.keying.suggest import SuggestError, suggest
from server.media import Shot, open_shot, write_exr
from server.media.companions import companion_frame

Array = NDArray[Any]
Chroma = Literal["4:2:0", "4:2:2"]
CHROMA: dict[str, Chroma] = {"h264": "4:2:0", "hevc10": "4:2:0", "prores422": "4:2:2"}
"""What the container of a camera's recording would say about it."""
SPACE = "lin_ap1_scene"
FIRST = 1001

Method = Callable[[FamilyShot], list[Result]]
Entry = tuple[FamilyShot, Result]


def chosen_names(text: str, known: Sequence[str], what: str) -> list[str]:
    """Return the names of a comma-separated list; all of `known` for an empty one.

    Raises VerdigrisError for a name that is not known.
    """
    names = [name.strip() for name in text.split(",") if name.strip()]
    for name in names:
        if name not in known:
            raise VerdigrisError(f"'{name}' is no {what}; there are {', '.join(known)}")
    return list(dict.fromkeys(names)) or list(known)


def family_names(text: str) -> list[str]:
    """Return the families of `--families`."""
    return chosen_names(text, FAMILIES, "family of truth shots")


def kind_names(text: str) -> list[str]:
    """Return the kinds of `--kinds`."""
    return chosen_names(text, KINDS, "kind of truth shot")


def written_plates(shot: FamilyShot, folder: Path) -> Shot:
    """Write a shot's plates, and nothing else of it, as EXR files and open them as a shot.

    The files are float; the chroma format is what the recording's container would have said.
    """
    for number, frame in enumerate(shot.frames, start=FIRST):
        path = folder / f"plate.{number}.exr"
        write_exr(path, {"": frame.plate}, half=False, compression="none", interop_id=SPACE)
    opened = open_shot(folder / "plate.####.exr")
    return replace(opened, chroma=CHROMA.get(shot.camera))


def suggested(shot: FamilyShot, folder: Path) -> tuple[Recipe, list[Array]] | None:
    """Return the suggested recipe and each frame's clean plate (3, h, w), made from plates alone.

    None where no screen is found.
    """
    plates = written_plates(shot, folder)
    clean = folder / "clean.exr"
    try:
        recipe = suggest(plates, clean_plate=clean)
    except SuggestError:
        return None
    pictures = open_shot(folder / recipe.screen.clean_plate_path, missing="hold")
    read: dict[int, Array] = {}
    frames = []
    for number in plates.frames:
        there = companion_frame(pictures, plates, number)
        if there not in read:
            read[there] = pictures.read(there).pixels
        frames.append(read[there])
    return recipe, frames


def key_by_suggest(engine: Engine, shot: FamilyShot) -> list[Result]:
    """Suggest, plan and run: one result a frame. Without a screen the plate stays opaque."""
    with tempfile.TemporaryDirectory(prefix="verdigris-truth-") as name:
        found = suggested(shot, Path(name))
    if found is None:
        return [Result(np.ones_like(f.alpha), f.plate, f.plate) for f in shot.frames]
    recipe, cleans = found
    recipe.assemble.background.kind = "picture"
    results = []
    for number, (frame, clean) in enumerate(zip(shot.frames, cleans, strict=True), start=FIRST):
        inputs = gather(
            engine, recipe, number, plate=frame.plate, clean=clean, background=frame.background
        )
        plan = build_plan(recipe, number, inputs.planes)
        made = engine.planes(plan, inputs, ("alpha", "straight", "composite"))
        engine.forget(inputs.key)
        results.append(Result(made["alpha"], made["straight"], made["composite"]))
    return results


def _baseline(matte: base.Baseline) -> Method:
    """A yardstick's matte with the plain colour side, frame by frame."""

    def key(shot: FamilyShot) -> list[Result]:
        return [
            base.plain_result(frame, shot.primary, matte(frame, shot.primary))
            for frame in shot.frames
        ]

    return key


def family_methods(engine: Engine, *, closed_form: bool = False) -> dict[str, Method]:
    """The suggested key and the yardsticks, by the names of the table's rows."""
    methods: dict[str, Method] = {
        FLAT: _baseline(base.flat_colour_difference),
        CLEAN_PLATE: _baseline(base.clean_plate_colour_difference),
        LEAST_SQUARES: _baseline(base.least_squares),
    }
    if closed_form:
        methods[CLOSED_FORM] = _baseline(base.closed_form)
    methods[SUGGESTED] = lambda shot: key_by_suggest(engine, shot)
    return methods


def shots(
    families: Sequence[str],
    kinds: Sequence[str],
    seeds: Sequence[int],
    *,
    width: int,
    height: int,
    frames: int,
) -> Iterator[FamilyShot]:
    """Make the shots one after another: families, their kinds, their seeds."""
    for family in families:
        for kind in kinds:
            for seed in seeds:
                yield family_shot(family, kind, seed, width=width, height=height, frames=frames)


def run_families(
    made: Iterator[FamilyShot],
    methods: Mapping[str, Method],
    *,
    total: int = 0,
    keep: list[Entry] | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> FamilyTable:
    """Run every method on every shot and measure it.

    keep: takes each shot with the suggested key's first frame, for a contact sheet. progress:
    (shots done, `total`).
    """
    table = FamilyTable()
    for done, shot in enumerate(made, start=1):
        height, width = shot.frames[0].alpha.shape
        table.width, table.height, table.frames = width, height, len(shot.frames)
        for name, method in methods.items():
            results = method(shot)
            figures = base.shot_figures(shot, results)
            table.rows.append(
                FamilyRow(
                    name, shot.family, shot.kind, shot.name, shot.primary, shot.subsampled, figures
                )
            )
            if keep is not None and name == SUGGESTED:
                keep.append((replace(shot, frames=shot.frames[:1]), results[0]))
        if progress is not None:
            progress(done, total)
    return table
