"""How far long work is, on standard error, and only where somebody looks."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager

from matching.consult.progress import Progress, silent


@contextmanager
def shown_progress() -> Iterator[Progress]:
    """What to hand to a consult call as `progress`."""
    if not sys.stderr.isatty():
        yield silent
        return
    from rich import progress as bar
    from rich.console import Console

    columns = (
        bar.TextColumn("{task.description}"),
        bar.BarColumn(),
        bar.MofNCompleteColumn(),
        bar.TimeRemainingColumn(),
    )
    with bar.Progress(*columns, console=Console(stderr=True), transient=True) as bars:
        tasks: dict[str, bar.TaskID] = {}

        def report(what: str, done: int, total: int) -> None:
            if what not in tasks:
                tasks[what] = bars.add_task(what, total=total)
            bars.update(tasks[what], completed=done, total=total)

        yield report
