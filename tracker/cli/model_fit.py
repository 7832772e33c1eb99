"""``model fit``: does the model go into the block, and how best."""

from __future__ import annotations

from typing import Annotated

import typer

from tracker.cli.context import opened_job
from tracker.cli.output import print_json, say


def model_fit(
    ctx: typer.Context,
    block: Annotated[
        tuple[float, float, float] | None,
        typer.Option(
            metavar="X Y Z",
            help="Sides of the block in mm: left to right, front to back, bottom to top.",
        ),
    ] = None,
    stage: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="A stage of the rough block, instead of its sides."),
    ] = None,
    allowance: Annotated[
        float, typer.Option(metavar="MM", help="Stone wanted everywhere over the model.")
    ] = 5.0,
    as_json: Annotated[bool, typer.Option("--json", help="Print it for programs.")] = False,
) -> None:
    """Say whether the model goes into the block, where it is tightest, and where seats come."""
    from tracker.progress.block_check import block_fit, stage_fit

    if (block is None) == (stage is None):
        raise typer.BadParameter("Give --block X Y Z or --stage NAME, one of the two.")
    job = opened_job(ctx)
    if block is not None:
        document = block_fit(job, block, allowance)
    else:
        document = stage_fit(job, str(stage), allowance)
    if as_json:
        print_json(document)
        return
    say(*document["said"])
