"""``points list``: prints the pointing list, high points first."""

from __future__ import annotations

from typing import Annotated

import typer

from tracker.cli.context import opened_job
from tracker.cli.output import print_json, print_table, say, shown_mm


def points_list(
    ctx: typer.Context,
    as_json: Annotated[bool, typer.Option("--json", help="Print it for programs.")] = False,
) -> None:
    """Print the pointing list, high points first, with what the latest stage says of each."""
    from tracker.stage import listed_document, pointing_list

    job = opened_job(ctx)
    listed = pointing_list(job)
    bands = job.settings.state_bands()
    documents = [listed_document(point, bands) for point in listed]
    if as_json:
        print_json({"points": documents})
        return
    if not listed:
        say(
            "There are no points on record. Give them: stoneleft points import FILE.csv, "
            "or have some proposed: stoneleft points propose N"
        )
        return
    columns = ["point", "x", "y", "z mm", "hollow mm", "stone left mm", "U95", "state", ""]
    rows = [
        [
            point["name"],
            *(f"{point[axis]:.2f}" for axis in ("x_mm", "y_mm", "z_mm")),
            "" if point["hollow_mm"] is None else f"{point['hollow_mm']:.1f}",
            shown_mm(point["stone_left_mm"], point["bound"] != ""),
            shown_mm(point["u95_mm"]),
            point["state"],
            point["advice"],
        ]
        for point in documents
    ]
    print_table(columns, rows, "lrrrrrrll")
