"""``report``: the carver's sheet for tomorrow."""

from __future__ import annotations

from typing import Annotated

import typer

from tracker.cli.context import opened_job
from tracker.cli.output import say


def report(
    ctx: typer.Context,
    sheet: Annotated[
        bool, typer.Option("--sheet", help="Write tomorrow's sheet of a stage anew.")
    ] = False,
    stage: Annotated[
        str | None, typer.Option(metavar="NAME", help="The stage; else the latest.")
    ] = None,
) -> None:
    """Write tomorrow's sheet."""
    from tracker.progress.series import chosen_day
    from tracker.report.evening import write_sheet

    job = opened_job(ctx)
    del sheet
    say(f"Tomorrow's sheet: {write_sheet(job, chosen_day(job, stage))}")
