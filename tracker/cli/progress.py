"""``progress``: how the job goes on."""

from __future__ import annotations

from typing import Annotated

import typer

from tracker.cli.context import opened_job
from tracker.cli.output import print_json
from tracker.cli.progress_view import print_progress


def progress(
    ctx: typer.Context,
    as_json: Annotated[bool, typer.Option("--json", help="Print it for programs.")] = False,
) -> None:
    """Print all stages: stone left, what went between them, how fast, and what is over-cut."""
    from tracker.progress.document import progress_document
    from tracker.progress.progress import job_progress

    found = job_progress(opened_job(ctx))
    if as_json:
        print_json(progress_document(found))
    else:
        print_progress(found)
