"""``frame import``: puts the frame targets' coordinates on record."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from tracker.cli.context import opened_job
from tracker.cli.output import print_table, say


def frame_import(
    ctx: typer.Context,
    table: Annotated[
        Path,
        typer.Argument(metavar="CSV", help="Columns target,corner,x_mm,y_mm,z_mm[,u95_mm]."),
    ],
    replace: Annotated[
        bool, typer.Option("--replace", help="Put it in the place of the one on record.")
    ] = False,
) -> None:
    """Put the frame on record: its targets' corners in frame coordinates.

    Corners are numbered 1 top left, 2 top right, 3 bottom right, 4 bottom left of the upright
    print. Origin at seat 1, X toward seat 2, seat 3 on the +Y side.
    """
    from tracker.job import put_frame

    frame = put_frame(opened_job(ctx), table, replace=replace)
    rows = []
    for tag, target in frame.items():
        centre = target.corners_mm.mean(axis=0)
        worst = 2.0 * float(target.sigma_mm.max())
        rows.append([str(tag), *(f"{value:.2f}" for value in centre), f"{worst:.3f}"])
    print_table(["target", "centre x", "y", "z mm", "U95 mm"], rows, "rrrrr")
    say(f"{len(frame)} frame targets on record.")
