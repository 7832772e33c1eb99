"""``points import``: puts the pointing list on record."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from tracker.cli.context import opened_job
from tracker.cli.output import say


def points_import(
    ctx: typer.Context,
    table: Annotated[
        Path, typer.Argument(metavar="CSV", help="Columns name,x_mm,y_mm,z_mm,nx,ny,nz.")
    ],
    replace: Annotated[
        bool, typer.Option("--replace", help="Put it in the place of the one on record.")
    ] = False,
    add: Annotated[
        bool, typer.Option("--add", help="Add it to the one on record, which stays as it is.")
    ] = False,
) -> None:
    """Put the pointing list on record: places of the model and where their needles come from."""
    from tracker.job import add_points, put_points

    if add and replace:
        raise typer.BadParameter("--add and --replace exclude each other.")
    job = opened_job(ctx)
    points = add_points(job, table) if add else put_points(job, table, replace=replace)
    say(f"{len(points)} points on record.")
    if not job.model_path.is_file():
        say("The model is not on record yet, so it was not checked that they lie on it.")
