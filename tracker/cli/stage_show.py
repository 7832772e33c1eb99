"""``stage show``: prints one stage."""

from __future__ import annotations

from typing import Annotated

import typer

from tracker.cli.context import opened_job
from tracker.cli.output import print_json
from tracker.cli.stage_view import print_stage


def stage_show(
    ctx: typer.Context,
    name: Annotated[str, typer.Argument(metavar="NAME", help="Name of the stage.")],
    as_json: Annotated[bool, typer.Option("--json", help="Print it for programs.")] = False,
) -> None:
    """Print a stage: its points, its over-cuts, and what was left out and why."""
    from tracker.stage import load_stage, stage_document

    job = opened_job(ctx)
    record = load_stage(job, name)
    if as_json:
        print_json(stage_document(record))
    else:
        print_stage(job, record)
