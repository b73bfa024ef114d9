"""`verdigris truth`: the ground-truth table."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from server.commands.options import JsonFile

if TYPE_CHECKING:
    from kernels.engine import Engine
    from server.bench.truth import Table, Target


PLACE = 8
"""where it stands in the list of commands"""


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command("truth")(truth)


def truth(
    seeds: Annotated[
        str | None,
        typer.Option(
            metavar="SEEDS",
            help="Seeds of the shots, as 100-109 or 3,5,7; 0-49 are for tuning. 100-109 without "
            "it, 0 for families.",
        ),
    ] = None,
    width: Annotated[
        int | None,
        typer.Option(
            min=64,
            max=3840,
            help="Width of the shots, even. 960 without it, 480 for families.",
        ),
    ] = None,
    families: Annotated[
        str | None,
        typer.Option(
            metavar="FAMILIES",
            help="Families of generated shots instead, as harbour,theatre or workshop.",
        ),
    ] = None,
    kinds: Annotated[
        str,
        typer.Option(
            metavar="KINDS", help="Kinds of a family's shots, as hair,smoke; all without it."
        ),
    ] = "",
    frames: Annotated[
        int, typer.Option(min=1, max=48, help="Moving frames of each shot of a family.")
    ] = 1,
    sheet: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="Write a contact sheet of the families' suggested keys to this PNG.",
        ),
    ] = None,
    per_shot: Annotated[
        bool, typer.Option("--per-shot", help="Add a block for each shot.")
    ] = False,
    closed_form: Annotated[
        bool, typer.Option(help="Include closed-form matting, at half size; it needs pymatting.")
    ] = True,
    json_file: JsonFile = None,
    engine: Annotated[str, typer.Option(metavar="NAME", help="auto, cuda or cpu.")] = "cpu",
    check: Annotated[
        bool,
        typer.Option("--check", help="Exit with 1 if a promise about seeds 100-109 is missed."),
    ] = False,
) -> None:
    """Measure keys and baselines on generated shots of known truth.

    Example: verdigris truth --seeds 100-109 --per-shot --json truth.json

    Example: verdigris truth --families harbour,theatre --kinds hair,smoke --sheet keys.png
    """
    from kernels.engines import choose_engine
    from kernels.errors import EXTRAS, VerdigrisError
    from kernels.recipe_file import check_text_output, write_text_atomically
    from server.bench.truth import REPORT_SEEDS, REPORT_SIZE, run_truth, standard_methods
    from server.media.sequence import parse_frames
    from server.progress import progress

    if json_file is not None:
        check_text_output(json_file)
    if engine not in ("auto", "cuda", "cpu"):
        raise VerdigrisError(f"'{engine}' is not an engine; use auto, cuda or cpu")
    if families is None and (kinds or sheet is not None or frames != 1):
        raise VerdigrisError("--kinds, --frames and --sheet go with --families: name the families")
    seeds = seeds or ("100-109" if families is None else "0")
    width = width or (960 if families is None else 480)
    chosen = parse_frames(seeds)
    if any(seed < 0 for seed in chosen):
        raise VerdigrisError(f"'{seeds}' has a negative seed; seeds start at 0")
    if check and families is not None:
        raise VerdigrisError("--check holds promises about the seeds 100-109: leave --families out")
    if check and (set(chosen) != set(REPORT_SEEDS) or width != REPORT_SIZE[0]):
        raise VerdigrisError(
            "--check holds promises about the seeds 100-109 at width 960: leave --seeds and "
            "--width out"
        )
    why = ""
    if closed_form and not _has_pymatting():
        closed_form, why = False, f": the package 'pymatting' is missing; {EXTRAS['pymatting']}"
    width += width % 2
    height = 2 * round(width * 9 / 32)
    choice = choose_engine(engine, storage="float32")  # type: ignore[arg-type]
    if families is not None:
        names = (families, kinds)
        size = (width, height, frames)
        try:
            _families(choice.engine, names, chosen, size, closed_form, per_shot, json_file, sheet)
        finally:
            choice.engine.close()
        return
    try:
        methods = standard_methods(choice.engine, closed_form=closed_form)
        with progress("truth", "measurements") as report:
            table = run_truth(chosen, methods, width=width, height=height, progress=report)
    finally:
        choice.engine.close()
    typer.echo(table.text(per_shot=per_shot))
    if not closed_form:
        typer.echo(f"closed-form matting is left out{why}")
    _show_targets(table)
    if json_file is not None:
        write_text_atomically(json_file, table.as_json())
    if check and not all(target.met for target in table.targets()):
        raise typer.Exit(1)


def _families(
    engine: Engine,
    names: tuple[str, str],
    seeds: list[int],
    size: tuple[int, int, int],
    closed_form: bool,
    per_shot: bool,
    json_file: Path | None,
    sheet: Path | None,
) -> None:
    """Measure the suggested key. names: families, kinds; size: width, height, frames."""
    from demo_media.families.sheet import contact_sheet, write_sheet
    from kernels.recipe_file import write_text_atomically
    from server.bench import families as job
    from server.progress import progress

    families, kinds = job.family_names(names[0]), job.kind_names(names[1])
    width, height, frames = size
    made = job.shots(families, kinds, seeds, width=width, height=height, frames=frames)
    keep: list[job.Entry] | None = None if sheet is None else []
    with progress("truth", "shots") as report:
        table = job.run_families(
            made,
            job.family_methods(engine, closed_form=closed_form),
            total=len(families) * len(kinds) * len(seeds),
            keep=keep,
            progress=report,
        )
    typer.echo(table.text(per_shot=per_shot))
    for target in table.targets():
        _show_target(target, "met" if target.met else "MISSED")
    if json_file is not None:
        write_text_atomically(json_file, table.as_json())
    if sheet is not None and keep:
        write_sheet(sheet, contact_sheet(keep))


def _show_target(target: Target, told: str) -> None:
    limit = f"{'at least' if target.at_least else 'at most'} {target.limit:g}"
    typer.echo(f"{told:7}{target.text}: {target.value:.4f}, promised {limit}")


def _show_targets(table: Table) -> None:
    """Print what was promised; whether it is met only for the shots it was promised for."""
    if not table.promised:
        typer.echo("promises, made for other shots than these (seeds 100-109 at width 960):")
    for target in table.targets():
        _show_target(target, ("met" if target.met else "MISSED") if table.promised else "")


def _has_pymatting() -> bool:
    from importlib.util import find_spec

    return find_spec("pymatting") is not None
