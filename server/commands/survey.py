"""`verdigris survey`: is this screen keyable?"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from server.commands.options import (
    FRAMES,
    Colourspace,
    Deinterlace,
    JsonFile,
    Missing,
    Ocio,
    folder_beside,
    frames_named,
    missing_named,
    settings_for,
)

if TYPE_CHECKING:
    from server.survey.survey import SurveyResult


PLACE = 2
"""where it stands in the list of commands"""


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("survey")(survey)


def survey(
    shots: Annotated[
        list[str],
        typer.Argument(metavar="SHOT", help="Movies, stills, patterns or folders of shots."),
    ],
    json_file: JsonFile = None,
    html_file: Annotated[
        Path | None,
        typer.Option("--html", metavar="FILE", help="Write a report to be read or printed."),
    ] = None,
    frames: Annotated[
        str,
        typer.Option(metavar=FRAMES, help="Frames to look at, as 1001-1096x12; nine by default."),
    ] = "",
    colourspace: Colourspace = "",
    ocio: Ocio = "",
    deinterlace: Deinterlace = False,
    missing: Missing = "hold",
    note: Annotated[str, typer.Option(metavar="TEXT", help="A note kept with the takes.")] = "",
    log: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="Take log to use; else the one beside the shots or yours."
        ),
    ] = None,
    no_log: Annotated[
        bool, typer.Option("--no-log", help="Keep no take: leave the take log alone.")
    ] = False,
    exit_zero: Annotated[
        bool, typer.Option("--exit-zero", help="Exit with 0 whatever the verdict.")
    ] = False,
    workers: Annotated[int, typer.Option(help="Processes for several shots; 0: one a core.")] = 0,
) -> None:
    """Measure whether screens are keyable, and say what would help.

    Example: verdigris survey plates/ --html report.html

    Exit code: 0 keyable, 3 keyable with work, 4 relight, 5 no screen found; the worst of several.
    """
    from kernels.recipe_file import check_text_output
    from server.progress import progress
    from server.survey.batch import expand, survey_many
    from server.survey.survey import SurveyError
    from server.takes.log import told_apart

    on_missing = missing_named(missing)
    for file in (json_file, html_file):
        if file is not None:
            check_text_output(file)
    named = expand(shots)
    beside = folder_beside(shots[0])
    settings = settings_for(beside, ocio=ocio)
    with progress("survey", "frames" if len(named) == 1 else "shots") as report:
        batch = survey_many(
            named,
            report,
            frames=frames_named(frames),
            workers=workers or None,
            colourspace=colourspace or settings.colourspace or None,
            ocio=settings.ocio or None,
            fps=settings.fps or None,
            deinterlace=deinterlace,
            missing=on_missing,
        )
    labels = told_apart([(result.name, result.spec) for result in batch.results])
    for result, label in zip(batch.results, labels, strict=True):
        typer.echo(text_of(result, label))
    _keep(batch.results, None if no_log else log or _log(settings.data_dir, beside), note)
    _write(batch.results, json_file, html_file)
    if batch.failed:
        raise SurveyError("; ".join(sentence for _, sentence in batch.failed))
    _exit(batch.results, exit_zero)


def text_of(result: SurveyResult, label: str = "") -> str:
    """Return the verdict on a shot in plain lines. label: to call it by, else its name."""
    from server.takes.report import read_as

    verdict = result.verdict
    lines = [f"{label or result.name}: {verdict.name}"]
    for n, reason in enumerate(verdict.reasons, start=1):
        lines.append(f"  {n}. {reason.text}")
        lines.append(f"     {reason.remedy}  [{reason.source}]")
    lines.append(f"  read as {read_as(result)}")
    lines += [f"  {remark}" for remark in result.remarks]
    if result.curve_note:
        lines.append(f"  {result.curve_note}")
    if verdict.name != "keyable":
        lines.append(f"  {verdict.caution}")
    return "\n".join(lines)


def _log(data_dir: str, beside: Path) -> Path:
    from server.takes.log import log_path

    return log_path(data_dir, beside)


def _keep(results: list[SurveyResult], log: Path | None, note: str) -> None:
    if log is None or not results:
        return
    from server.takes.log import TakeLog

    takes = TakeLog(log)
    for result in results:
        takes.add(result, note=note)


def _write(results: list[SurveyResult], json_file: Path | None, html_file: Path | None) -> None:
    import json

    from kernels.recipe_file import write_text_atomically

    if json_file is not None:
        data = [result.model_dump(mode="json") for result in results]
        write_text_atomically(json_file, json.dumps(data, indent=1) + "\n")
        typer.echo(f"wrote {json_file}")
    if html_file is not None:
        from server.takes.report import survey_report

        write_text_atomically(html_file, survey_report(results))
        typer.echo(f"wrote {html_file}")


def _exit(results: list[SurveyResult], exit_zero: bool) -> None:
    from server.survey.verdict import EXIT_CODES

    worst = max((EXIT_CODES[result.verdict.name] for result in results), default=0)
    if worst and not exit_zero:
        raise typer.Exit(worst)
