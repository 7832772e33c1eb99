"""``progress``: how the job goes on."""

from __future__ import annotations

from typing import Annotated

import typer

from tracker.cli.context import opened_job
from tracker.cli.output import print_json
from tracker.cli.progress_view import print_progress
from tracker.cli.rescue_view import print_rescue


def progress(
    ctx: typer.Context,
    rescue: Annotated[
        bool,
        typer.Option(
            "--rescue", help="Can an over-cut figure still be had if it is set deeper in the block?"
        ),
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print it for programs.")] = False,
) -> None:
    """Print all stages: stone left, what went between them, how fast, and what is over-cut."""
    from tracker.progress.document import progress_document, rescue_document
    from tracker.progress.progress import job_progress
    from tracker.progress.rescue import job_rescue

    job = opened_job(ctx)
    if rescue:
        plan = job_rescue(job)
        if as_json:
            print_json(rescue_document(plan))
        else:
            print_rescue(plan)
        return
    found = job_progress(job)
    if as_json:
        print_json(progress_document(found))
    else:
        print_progress(found)
