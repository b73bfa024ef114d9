"""Progress of long work on a terminal, plain lines elsewhere."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

Report = Callable[[int, int], None]


@contextmanager
def progress(title: str, unit: str = "frames") -> Iterator[Report]:
    """Yield a function (done, total) that shows how far the work is and the time left."""
    if sys.stderr.isatty():
        with _bar(title, unit) as report:
            yield report
    else:
        yield _lines(title, unit)


@contextmanager
def _bar(title: str, unit: str) -> Iterator[Report]:
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn
    from rich.progress import TimeRemainingColumn as TimeLeft

    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn(unit),
        TimeLeft(),
    )
    with Progress(*columns, console=Console(stderr=True)) as bar:
        task = bar.add_task(title, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)


def _lines(title: str, unit: str, every_s: float = 5.0) -> Report:
    """Return a report that prints a plain line at the start, every few seconds and at the end."""
    start = time.monotonic()
    last = -every_s

    def report(done: int, total: int) -> None:
        nonlocal last
        now = time.monotonic()
        if done < total and now - last < every_s:
            return
        last = now
        # The first one or two take what all need at the start, so they tell nothing of the rest.
        told = 3 <= done < total
        more = f", {(now - start) / done * (total - done):.0f} s left" if told else ""
        print(f"{title}: {done}/{total} {unit}{more}", file=sys.stderr, flush=True)

    return report
