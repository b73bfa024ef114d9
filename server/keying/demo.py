"""The demo from the command line: a key of the demo shot as EXR files and a contact sheet."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from numpy.typing import NDArray

from demo_media import DemoPaths
from kernels.engine import Engine, View
from kernels.inputs import gather
from kernels.plan import build_plan
from kernels.recipe import Recipe
from kernels.recipe_file import save_recipe
from server.keying.render import Renderer
from server.keying.render_job import Rendered, RenderError, RenderJob
from server.keying.rule import rule_recipe
from server.media import Shot, open_shot
from server.media.companions import Companions, open_companions
from server.media.roots import MediaRoots
from server.media.stills import contact_sheet, write_still

SHEET_WIDTH = 640
SHEET_VIEWS = ("plate", "matte", "composite")


def demo_recipe(paths: DemoPaths) -> Recipe:
    """Return a first key of the demo shot, measured from its first frame and its clean plate.

    It names the clean plate and the background by their names in the demo's folder.
    """
    shot, clean = open_shot(paths.shot), open_shot(paths.clean_plate)
    recipe = rule_recipe(
        shot.read(shot.frames[0]).pixels, clean.read(clean.frames[0]).pixels, "green"
    )
    recipe.name = "gardener"
    recipe.screen.clean_plate_path = paths.clean_plate.name
    recipe.assemble.background.kind = "picture"
    recipe.assemble.background.path = paths.background.name
    return recipe


def render_demo(
    paths: DemoPaths,
    out: Path,
    engine: Engine,
    *,
    frames: tuple[int, ...] = (),
    progress: Callable[[int, int], None] | None = None,
) -> tuple[Rendered, Path]:
    """Key the demo shot into `out`: EXR files, the recipe and a contact sheet (PNG).

    Returns what was rendered and the sheet's path. The recipe stands beside the demo too, so that
    `verdigris render` finds the names in it.
    """
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise RenderError(
            f"the folder '{out}' cannot be made ({error.strerror}): choose another"
        ) from error
    recipe = demo_recipe(paths)
    save_recipe(recipe, paths.folder / "gardener.json")
    shot = open_shot(paths.shot)
    companions = open_companions(recipe, MediaRoots([paths.folder]))
    job = RenderJob(
        shot=shot,
        recipe=recipe,
        out=str(out / "gardener_key.####.exr"),
        layers=("alpha", "composite"),
        frames=frames or tuple(shot.frames),
        companions=companions,
    )
    rendered = Renderer(job, engine).run(progress)
    sheet = out / "contact_sheet.png"
    _write_sheet(sheet, shot, recipe, companions, engine, job.frames)
    return rendered, sheet


def _write_sheet(
    path: Path,
    shot: Shot,
    recipe: Recipe,
    companions: Companions,
    engine: Engine,
    frames: tuple[int, ...],
) -> None:
    """Write plate, matte and composite of the first, middle and last frame as one picture."""
    chosen = sorted({frames[0], frames[len(frames) // 2], frames[-1]})
    pictures, labels = [], []
    for frame in chosen:
        plate = shot.read(frame)
        inputs = gather(
            engine,
            recipe,
            frame,
            plate=plate.pixels,
            clean=_still(companions.clean),
            background=_still(companions.background),
        )
        plan = build_plan(recipe, frame, inputs.planes, weights=shot.colour.luminance_weights)
        height = max(1, round(SHEET_WIDTH * shot.height / shot.width))
        for name in SHEET_VIEWS:
            pictures.append(engine.render(plan, inputs, View(name, SHEET_WIDTH, height)))  # type: ignore[arg-type]
            labels.append(f"{name}, frame {frame}")
    sheet = contact_sheet(pictures, columns=len(SHEET_VIEWS), cell_width=SHEET_WIDTH, labels=labels)
    write_still(path, sheet)


def _still(shot: Shot | None) -> NDArray[Any] | None:
    return None if shot is None else shot.read(shot.frames[0]).pixels
