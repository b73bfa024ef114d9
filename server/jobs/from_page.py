"""The jobs that the page can start: render, survey, suggest."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from kernels.recipe_file import describe
from server.jobs.runner import JobContext, JobError, JobFunction, JobResult
from server.media import parse_frames
from server.messages import JobKind

if TYPE_CHECKING:
    from server.jobs.survey import SurveyResult


class RenderOptions(BaseModel):
    """Options of a render job. name: of the folder and files under the renders' folder."""

    model_config = ConfigDict(extra="forbid", strict=True)

    name: str = Field("render", pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]{0,60}$")
    layers: list[str] = Field(["alpha"], max_length=8)
    frames: str = Field("", max_length=200)
    half: bool = True
    compression: str = Field("zip", pattern=r"^[a-z0-9]{2,10}$")
    out_colourspace: str = Field("", max_length=100)


def _options(model: type[BaseModel], options: dict[str, Any]) -> Any:
    try:
        return model.model_validate(options)
    except ValidationError as error:
        raise JobError(f"job option {describe(error)}") from error


def render(context: JobContext) -> JobResult:
    """Render the shot with the recipe to EXR files under the renders' folder."""
    from server.jobs.companions import open_companions
    from server.jobs.render import LAYERS, Renderer, RenderJob

    options = _options(RenderOptions, context.options)
    for layer in options.layers:
        if layer not in LAYERS:
            raise JobError(f"there is no layer '{layer}': choose from {', '.join(LAYERS)}")
    shot = context.shot
    frames = tuple(parse_frames(options.frames)) if options.frames else tuple(shot.frames)
    folder = context.renders / options.name
    folder.mkdir(parents=True, exist_ok=True)
    numbered = "" if len(frames) == 1 and len(shot.frames) == 1 else ".####"
    out = folder / f"{options.name}{numbered}.exr"
    engine = context.engine()
    try:
        job = RenderJob(
            shot=shot,
            recipe=context.recipe,
            out=str(out),
            layers=tuple(options.layers),
            frames=frames,
            half=options.half,
            compression=options.compression,
            out_colourspace=options.out_colourspace,
            revision=context.revision,
            companions=open_companions(context.recipe, context.roots, ocio=context.ocio),
        )
        result = Renderer(job, engine).run(context.report)
    finally:
        engine.close()
    return JobResult(
        f"wrote {result.written} frame(s) to {out}, colour space {result.colourspace}"
        + (f"; {result.skipped} were finished before" if result.skipped else ""),
        {"out": str(out), "written": result.written, "skipped": result.skipped},
    )


class SuggestOptions(BaseModel):
    """Options of a suggest job. clean_plate: build one and let the recipe use it."""

    model_config = ConfigDict(extra="forbid", strict=True)

    clean_plate: bool = True


def survey(context: JobContext) -> JobResult:
    """Measure whether the screen can be keyed; the reports are files to fetch, the take is kept."""
    from server.jobs.report import survey_report
    from server.jobs.survey import survey_shot

    result = survey_shot(context.shot, progress=context.report, threads=1)
    texts = {"survey.html": survey_report([result]), **_kept(context, result)}
    for name, text in texts.items():
        (context.out / name).write_text(text, encoding="utf-8")
    files = {name: context.out / name for name in texts}
    return JobResult("surveyed", result.model_dump(mode="json"), files)


def _kept(context: JobContext, result: SurveyResult) -> dict[str, str]:
    """Keep the take in the log; return the day's list as texts by file name."""
    from server.jobs.report import takes_report
    from server.jobs.takes import TakeLog, csv_text

    if context.take_log is None:
        return {}
    log = TakeLog(context.take_log)
    log.add(result)
    day = log.days()[0]
    entries = log.entries(day)
    return {"takes.html": takes_report(entries, f"Takes of {day}"), "takes.csv": csv_text(entries)}


def suggest(context: JobContext) -> JobResult:
    """Measure the shot and make a starting recipe; the page asks whether to take it."""
    from server.jobs.suggest import suggest as suggested

    options = _options(SuggestOptions, context.options)
    name = f"{safe_name(context.shot.name)}-clean-{context.out.name}.exr"
    plate = context.plates / name if options.clean_plate else None
    recipe = suggested(context.shot, context.report, clean_plate=plate)
    return JobResult("a starting recipe", {"recipe": recipe.dump()})


PAGE_JOBS: dict[JobKind, JobFunction] = {"render": render, "survey": survey, "suggest": suggest}


def safe_name(text: str) -> str:
    """Return a name fit for a folder, from any text."""
    return re.sub(r"[^A-Za-z0-9_-]+", "_", text).strip("_-")[:60] or "shot"
