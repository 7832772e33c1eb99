"""``points propose``: adds places to the pointing list, high points first."""

from __future__ import annotations

from typing import Annotated

import typer

from tracker.cli.context import opened_job
from tracker.cli.output import print_json, say


def points_propose(
    ctx: typer.Context,
    count: Annotated[int, typer.Argument(metavar="N", min=1, help="How many points to add.")],
    as_json: Annotated[bool, typer.Option("--json", help="Print them for programs.")] = False,
) -> None:
    """Add N points: the high points of the form, then places spread evenly between.

    Points on record are neither moved nor renamed; the new ones are numbered on.
    """
    from tracker.job import propose_points
    from tracker.records.pointing_list import proposal_document, proposal_words

    points, proposal = propose_points(opened_job(ctx), count)
    if as_json:
        print_json(proposal_document(points, proposal))
        return
    say(*proposal_words(points, proposal))
