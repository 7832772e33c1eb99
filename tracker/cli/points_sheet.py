"""``points sheet``: the pointing list on paper."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from tracker.cli.context import opened_job
from tracker.cli.output import say


def points_sheet(
    ctx: typer.Context,
    sheet: Annotated[Path, typer.Argument(metavar="PDF", help="File to write; it must be new.")],
    paper: Annotated[str, typer.Option(help="A4 or Letter.")] = "A4",
) -> None:
    """Write the form from its sides with the points on it, to carry to the cast."""
    from tracker.report.points_sheet import write_points_sheet

    count = write_points_sheet(opened_job(ctx), sheet, paper)
    say(f"{count} points drawn in {sheet}")
