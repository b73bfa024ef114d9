"""`verdigris takes`: the day's surveyed takes."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from server.takes.log import TakeLog


PLACE = 4
"""where it stands in the list of commands"""


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("takes")(takes)


def takes(
    folder: Annotated[
        Path | None,
        typer.Argument(metavar="FOLDER", help="Folder whose own take log is used, if it has one."),
    ] = None,
    day: Annotated[
        str,
        typer.Option(
            metavar="DAY", help="Which day: 2031-05-17, today, last (that has takes) or all."
        ),
    ] = "last",
    log: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Take log to use; else the one in FOLDER or yours."),
    ] = None,
    csv_file: Annotated[
        Path | None, typer.Option("--csv", metavar="FILE", help="Write the takes as CSV.")
    ] = None,
    html_file: Annotated[
        Path | None,
        typer.Option("--html", metavar="FILE", help="Write a report with pictures and trends."),
    ] = None,
    json_file: Annotated[
        Path | None, typer.Option("--json", metavar="FILE", help="Write the takes as JSON.")
    ] = None,
    note: Annotated[
        tuple[int, str] | None,
        typer.Option(
            metavar="TAKE TEXT", help="Set the note on a take, by its number; '' removes it."
        ),
    ] = None,
    replace: Annotated[
        bool, typer.Option("--replace", help="Let --note replace another note on the take.")
    ] = False,
    start: Annotated[
        bool, typer.Option("--start", help="Begin a take log in FOLDER, used from now on.")
    ] = False,
) -> None:
    """List the surveyed takes of a day, export or annotate them.

    Example: verdigris takes --day today --csv takes.csv
    """
    from kernels.recipe_file import write_text_atomically
    from server.config import load_settings
    from server.takes.log import FILE_NAME, PICTURED, TakeLog, TakesError, left_out, log_path
    from server.takes.report import takes_report
    from server.takes.table import csv_text, entries_json
    from server.words import on_one_line

    if start and folder is None:
        raise TakesError("--start needs the folder in which the take log begins")
    if folder is not None and not folder.is_dir():
        raise TakesError(f"'{folder}' is not a folder: check its path")
    settings = load_settings(beside=folder).settings
    path = log or (folder / FILE_NAME if start and folder else log_path(settings.data_dir, folder))
    takes_log = TakeLog(path)
    if replace and note is None:
        raise TakesError("--replace goes with --note: give the number of the take and the text")
    if note is not None:
        _note(takes_log, note[0], note[1], replace)
    chosen, title = _day(day, takes_log.days())
    entries = (
        [] if chosen == "" else takes_log.entries(chosen, pictured=PICTURED if html_file else 0)
    )
    missing = left_out([] if chosen == "" else takes_log.damaged(chosen))
    typer.echo(f"{title} ({path})")
    if not entries and not missing:
        typer.echo(_none(takes_log.days()))
    for e in entries:
        first = e.reasons[0] if e.reasons else "within all limits"
        noted = f"  [{on_one_line(e.note)}]" if e.note else ""
        when = e.surveyed_at[11:16] if chosen else e.surveyed_at[:16].replace("T", " ")
        typer.echo(
            f"{e.id:4}  {when}  {e.verdict:17} {e.score:5.0f}  "
            f"{on_one_line(e.label)}: {first}{noted}"
        )
    if missing:
        typer.echo(missing)
    texts = [
        (csv_file, csv_text(entries)),
        (json_file, entries_json(entries)),
        (html_file, takes_report(entries, title, missing=missing) if html_file else ""),
    ]
    for file, text in texts:
        if file is not None:
            write_text_atomically(file, text)
            typer.echo(f"wrote {file}")


def _note(log: TakeLog, take: int, text: str, replace: bool) -> None:
    """Set the note on a take. Another note, by whomever, is replaced only if that is wanted.

    What was seen is what is replaced: a note that changes meanwhile stays, and the caller hears.
    """
    from server.takes.log import TakesError
    from server.words import clean_note, on_one_line

    there = log.note(take)
    differs = bool(there) and there != clean_note(text)
    if differs and not replace:
        raise TakesError(
            f"take {take} has another note already ('{on_one_line(there)}'): repeat the command "
            "with --replace to write over it"
        )
    log.set_note(take, text, seen=there)
    if differs:
        typer.echo(f"the note on take {take} was '{on_one_line(there)}'")


def _none(days: list[str]) -> str:
    """Return what to tell when there are no takes to list. days: those with takes."""
    if days:
        return f"there are none; the newest are of {days[0]}: --day last lists them"
    return "there are none yet: 'verdigris survey SHOT' measures a shot and keeps the take"


def _day(day: str, days: list[str]) -> tuple[str | None, str]:
    """Return the day to list (None: all, empty: none) and its title."""
    from server.takes.log import TakesError

    if day == "all":
        return None, "All takes"
    if day == "last":
        return (days[0], f"Takes of {days[0]}") if days else ("", "All takes")
    if day == "today":
        day = datetime.now().astimezone().date().isoformat()
    try:
        chosen = date.fromisoformat(day).isoformat()
    except ValueError:
        raise TakesError(
            f"'{day}' is not a day: write it as 2031-05-17, or today, last or all"
        ) from None
    return chosen, f"Takes of {chosen}"
