"""What commands print: results on stdout, progress and complaints on stderr."""

from __future__ import annotations

import json
import sys
import time
from calendar import month_name
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.console import Console

    from tracker.job import ProgressCallback

WIDTH_IN_A_PIPE = 160
"""Columns of a table that is not shown on a terminal."""

BAR_WIDTH = 40
"""Columns of the longest bar of a chart."""


def stdout_console() -> Console:
    """Console of the results."""
    from rich.console import Console

    width = None if sys.stdout.isatty() else WIDTH_IN_A_PIPE
    return Console(markup=False, highlight=False, emoji=False, soft_wrap=False, width=width)


def say(*lines: str) -> None:
    """Prints lines of a result as they are."""
    for line in lines:
        sys.stdout.write(f"{line}\n")


def complain(*lines: str) -> None:
    """Prints lines on stderr."""
    sys.stdout.flush()
    for line in lines:
        if line:
            sys.stderr.write(f"{line}\n")


def print_json(document: Any) -> None:
    """Prints a document that programs can read."""
    say(json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False))


def shown_mm(value_mm: float | None, at_least: bool = False) -> str:
    """Millimetres for a table, empty where not seen."""
    if value_mm is None:
        return ""
    return ("at least " if at_least else "") + f"{value_mm:.2f}"


def shown_date(date: str) -> str:
    """A recorded date as people write it, with the time of day where it is on record.

    Examples
    --------
    >>> shown_date("2024-05-16T09:12:05"), shown_date("2024-05-16")
    ('16 May 2024, 09:12', '16 May 2024')
    """
    try:
        moment = datetime.fromisoformat(date)
    except ValueError:
        return date
    day = f"{moment.day} {month_name[moment.month]} {moment.year}"
    return f"{day}, {moment:%H:%M}" if "T" in date else day


def print_table(columns: Sequence[str], rows: Sequence[Sequence[str]], figures: str = "") -> None:
    """Prints a table; `figures` has an r for each column that is aligned right."""
    from rich import box
    from rich.table import Table

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for k, column in enumerate(columns):
        right = figures[k : k + 1] == "r"
        table.add_column(column, justify="right" if right else "left", no_wrap=right)
    for row in rows:
        table.add_row(*row)
    stdout_console().print(table)


def print_bars(rows: Sequence[tuple[str, float, str]], whole: float) -> None:
    """Prints a small chart: a label, a bar as long as its share of the whole, and a note."""
    from rich.bar import Bar
    from rich.table import Table

    table = Table.grid(padding=(0, 2))
    table.add_column(no_wrap=True)
    table.add_column(width=BAR_WIDTH)
    table.add_column(no_wrap=True)
    for label, value, note in rows:
        table.add_row(label, Bar(whole, 0.0, value, width=BAR_WIDTH), note)
    stdout_console().print(table)


@contextmanager
def watched() -> Iterator[ProgressCallback]:
    """Shows the progress of long work on stderr, with the time left."""
    if sys.stderr.isatty():
        with _bar() as report:
            yield report
    else:
        yield _lines()


@contextmanager
def _bar() -> Iterator[ProgressCallback]:
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn

    columns = (
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        TaskProgressColumn(),
        TextColumn("{task.fields[left]}", markup=False),
    )
    began = time.monotonic()
    with Progress(*columns, console=Console(stderr=True), transient=True) as shown:
        task = shown.add_task("", total=1.0, left="")

        def report(step: str, share: float) -> None:
            left = time_left(time.monotonic() - began, share)
            shown.update(task, description=step, completed=share, left=left)

        yield report


def _lines() -> ProgressCallback:
    """One line per step, for a log."""
    began = time.monotonic()
    last = ""

    def report(step: str, share: float) -> None:
        nonlocal last
        if step != last:
            last = step
            left = time_left(time.monotonic() - began, share)
            complain(f"{100.0 * share:3.0f} %  {step}" + (f", {left}" if left else ""))

    return report


def time_left(passed_s: float, share: float) -> str:
    """Time left in words, empty as long as it cannot be told."""
    if not 0.03 < share < 1.0 or passed_s < 1.0:
        return ""
    seconds = passed_s * (1.0 - share) / share
    if seconds < 90.0:
        return f"about {max(5.0 * round(seconds / 5.0), 5.0):.0f} s left"
    return f"about {seconds / 60.0:.0f} min left"
