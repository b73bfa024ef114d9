"""The jobs that the page can start: render, survey, suggest, prepare."""

from __future__ import annotations

import hashlib
import json
import logging
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from kernels.errors import VerdigrisError
from kernels.recipe import Recipe
from kernels.recipe_file import describe
from server.media import format_frames, parse_frames
from server.media.apart import reading_apart
from server.media.roots import is_inside
from server.service.jobs import (
    JobCancelledError,
    JobContext,
    JobError,
    JobFunction,
    JobResult,
)
from server.wire.messages import JobKind
from server.words import counted, safe_name

if TYPE_CHECKING:
    from server.keying.clean_plates import GivenPlate
    from server.keying.prepare import Prepared
    from server.media.companions import Companions
    from server.survey.survey import SurveyResult


log = logging.getLogger("verdigris.jobs")


class RenderOptions(BaseModel):
    """Options of a render job. name: of the folder and files under the renders' folder."""

    model_config = ConfigDict(extra="forbid", strict=True)

    name: str = Field("render", pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]{0,60}$")
    layers: list[str] = Field(["alpha"], max_length=8)
    frames: str = Field("", max_length=200)
    half: bool = True
    compression: str = Field("zip", pattern=r"^[a-z0-9]{2,10}$")
    out_colourspace: str = Field("", max_length=100)


def _companions(context: JobContext, recipe: Recipe) -> Companions:
    from server.media.companions import open_companions

    return open_companions(recipe, context.roots, ocio=context.ocio, opener=context.opener)


def _options(model: type[BaseModel], options: dict[str, Any]) -> Any:
    try:
        return model.model_validate(options)
    except ValidationError as error:
        raise JobError(f"job option {describe(error)}") from error


def render(context: JobContext) -> JobResult:
    """Render the shot with the recipe to EXR files under the renders' folder."""
    from server.keying.render import Renderer
    from server.keying.render_job import LAYERS, RenderJob, compression_warning

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
            companions=_companions(context, context.recipe),
        )
        result = Renderer(job, engine).run(context.report)
    finally:
        engine.close()
    before = counted(result.skipped, "was finished before", "were finished before")
    return JobResult(
        f"wrote {counted(result.written, 'frame')} to {out}, colour space {result.colourspace}"
        + (f"; {before}" if result.skipped else "")
        + (f"; {warning}" if (warning := compression_warning(options.compression)) else ""),
        {"out": str(out), "written": result.written, "skipped": result.skipped},
    )


class SuggestOptions(BaseModel):
    """Options of a suggest job. clean_plate: the recipe's own, else one is built and used."""

    model_config = ConfigDict(extra="forbid", strict=True)

    clean_plate: bool = True


class SurveyOptions(BaseModel):
    """Options of a survey job. shots: of the watched folder; empty: the shot that is open."""

    model_config = ConfigDict(extra="forbid", strict=True)

    shots: list[str] = Field(default_factory=list, max_length=500)


def survey(context: JobContext) -> JobResult:
    """Measure whether screens can be keyed; every take is kept.

    For the open shot the result is the survey without its pictures, and `take`: its number in the
    take log, or null where it could not be kept (the message says why). For shots of the watched
    folder the result has the numbers of their takes, and names and sentences of those that failed.
    """
    from server.survey.survey import survey_shot
    from server.takes.report import survey_report

    options = _options(SurveyOptions, context.options)
    if options.shots:
        return _survey_watched(context, options.shots)
    result = survey_shot(context.shot, progress=context.report, threads=1)
    take, message = _kept(context, result)
    report = context.out / "survey.html"
    report.write_text(survey_report([result]), encoding="utf-8")
    plain = result.model_dump(mode="json", exclude={"maps", "thumbnail", "per_frame"})
    return JobResult(message, {**plain, "take": take}, {report.name: report})


def _survey_watched(context: JobContext, names: list[str]) -> JobResult:
    """Survey shots of the watched folder one after the other; a bad one stops no other."""
    from server.survey.survey import survey_shot
    from server.takes.log import TakeLog

    if context.read_watched is None or context.take_log is None:
        raise JobError("this service does not watch a folder")
    takes = TakeLog(context.take_log)
    kept: list[int] = []
    failed: list[dict[str, str]] = []

    def stop_when_asked(done: int, total: int) -> None:
        context.report(len(kept) + len(failed), len(names))

    for name in names:
        context.report(len(kept) + len(failed), len(names))
        try:
            with reading_apart() as reading:
                shot = reading.of(context.read_watched(name))
                result = survey_shot(shot, progress=stop_when_asked, threads=1)
            kept.append(takes.add(result))
        except JobCancelledError:
            raise
        except VerdigrisError as error:
            failed.append({"shot": name, "message": str(error)})
        except Exception:
            log.exception("surveying a shot failed")
            told = f"'{name}' could not be surveyed; the service's log tells more"
            failed.append({"shot": name, "message": told})
    context.report(len(names), len(names))
    message = f"{len(kept)} of {len(names)} shots surveyed"
    told = "; ".join(f["message"] for f in failed[:3])
    return JobResult(f"{message}: {told}" if failed else message, {"takes": kept, "failed": failed})


def _kept(context: JobContext, result: SurveyResult) -> tuple[int | None, str]:
    """Keep the take in the log; return its number and what to tell."""
    from server.takes.log import TakeLog, TakesError

    if context.take_log is None:
        return None, "surveyed; this service keeps no take log"
    try:
        take = TakeLog(context.take_log).add(result)
    except TakesError as error:
        return None, f"surveyed, but the take is not kept: {error}"
    return take, f"surveyed and kept as take {take}"


def suggest(context: JobContext) -> JobResult:
    """Measure the shot and make a starting recipe; the page asks whether to take it."""
    from server.keying.suggest import suggest as suggested

    options = _options(SuggestOptions, context.options)
    given = _own_plate(context) if options.clean_plate else None
    if given is not None:
        recipe = suggested(context.shot, context.report, given=given)
        return JobResult("a starting recipe for the clean plate at hand", {"recipe": recipe.dump()})
    name = f"{safe_name(context.shot.name)}-clean-{context.out.name}.exr"
    plate = context.plates / name if options.clean_plate else None
    recipe = suggested(context.shot, context.report, clean_plate=plate)
    return JobResult("a starting recipe", {"recipe": recipe.dump()})


def _own_plate(context: JobContext) -> GivenPlate | None:
    """Return the recipe's clean plate, unless it has none or an earlier job built it."""
    from server.keying.clean_plates import GivenPlate

    screen = context.recipe.screen
    if screen.clean_plate != "file" or not screen.clean_plate_path:
        return None
    if is_inside(context.roots.resolve(screen.clean_plate_path), context.plates.resolve()):
        return None
    plate = _companions(context, Recipe(screen=screen)).clean
    if plate is None:
        return None
    return GivenPlate(plate, screen.clean_plate_path, screen.clean_plate_colourspace)


class PrepareOptions(BaseModel):
    """Options of a prepare job. frames: as for a render; empty: all."""

    model_config = ConfigDict(extra="forbid", strict=True)

    frames: str = Field("", max_length=200)


def prepare(context: JobContext) -> JobResult:
    """Denoise the shot and bake the pass where the recipe can name it.

    Its folder is named after all that decides its pictures: what a cancelled job has finished is
    found again, and no pass changes once a recipe uses it. `denoise`: the settings it was made
    with, so that pages can tell whether they have changed since.
    """
    from server.keying.prepare import prepare_shot

    options = _options(PrepareOptions, context.options)
    shot, recipe = context.shot, context.recipe
    frames = _frames_asked(context, options.frames)
    folder = context.plates / f"{safe_name(shot.name)}-denoised-{_pass_mark(context, frames)}"
    engine = context.engine()
    try:
        made = prepare_shot(
            shot,
            recipe,
            folder,
            safe_name(shot.name),
            frames=frames,
            engine=engine,
            progress=context.report,
        )
    finally:
        engine.close()
    result = {
        "denoised_path": context.roots.name_of(made.pattern),
        "written": made.written,
        "skipped": made.skipped,
        "noise_left": made.noise_left,
        "denoise": recipe.source.denoise.model_dump(mode="json"),
    }
    return JobResult(_prepared(made), result)


def _frames_asked(context: JobContext, text: str) -> tuple[int, ...]:
    """Return the frames of a job's option that are there, all of the shot's where it is empty."""
    shot = context.shot
    frames = tuple(parse_frames(text)) if text else tuple(shot.frames)
    unknown = set(frames) - set(shot.frames)
    if unknown:
        raise JobError(
            f"the shot has the frames {format_frames(shot.frames)} and not "
            f"{format_frames(unknown)}: choose among them"
        )
    gone = set(shot.missing_frames)
    return tuple(frame for frame in frames if frame not in gone) or frames


def _pass_mark(context: JobContext, frames: tuple[int, ...]) -> str:
    """Return a short hash of what decides a denoised pass: shot, reading, settings, noise."""
    of_the_pass = {"denoised_path", "denoised_colourspace"}
    source = context.recipe.source.model_dump(mode="json", exclude=of_the_pass)
    noise = context.recipe.screen.noise.model_dump(mode="json")
    parts = [context.shot.spec, context.shot.colourspace, source, noise, frames]
    return hashlib.sha256(json.dumps(parts, sort_keys=True).encode()).hexdigest()[:12]


def _prepared(made: Prepared) -> str:
    """Say how many frames were baked, and what share of the noise is left."""
    told = f"{counted(made.written + made.skipped, 'frame')} baked"
    if made.skipped:
        told += f", {made.skipped if made.written else 'all'} of them earlier"
    if made.noise_left is not None:
        told += f"; {100 * made.noise_left:.0f} % of the noise on the screen is left"
    return told


def _reading_apart(job: JobFunction) -> JobFunction:
    """Let a job read its pictures in other processes: one that crashes ends the job at most."""

    def run(context: JobContext) -> JobResult:
        with reading_apart() as reading:
            shot = reading.of(context.shot)
            return job(replace(context, shot=shot, opener=reading.open))

    return run


PAGE_JOBS: dict[JobKind, JobFunction] = {
    "render": _reading_apart(render),
    "survey": _reading_apart(survey),
    "suggest": _reading_apart(suggest),
    "prepare": _reading_apart(prepare),
}
