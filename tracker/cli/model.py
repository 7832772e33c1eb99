"""``model import``: puts the model on record in frame coordinates."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from tracker.cli.context import opened_job
from tracker.cli.output import say


def model_import(
    ctx: typer.Context,
    mesh: Annotated[Path, typer.Argument(metavar="MESH", help="STL, OBJ, PLY, glTF or GLB.")],
    units: Annotated[
        str | None, typer.Option(help="mm, cm, m or inch; else mm, and m for glTF.")
    ] = None,
    seats: Annotated[
        Path | None,
        typer.Option(
            metavar="CSV",
            help="The three seats in the mesh's own coordinates: seat,x_mm,y_mm,z_mm "
            "(in the mesh's units).",
        ),
    ] = None,
    scale: Annotated[
        str, typer.Option(help="Size of the carving over that of the model: 2, 0.5 or 3:2.")
    ] = "1",
    replace: Annotated[
        bool, typer.Option("--replace", help="Put it in the place of the one on record.")
    ] = False,
) -> None:
    """Put the model on record: the surface that is to be copied, in frame coordinates."""
    from tracker.job import import_model_into

    job = opened_job(ctx)
    result = import_model_into(job, mesh, units, seats, scale, replace=replace)
    low, high = result.surface.box
    size = " x ".join(f"{value:.1f}" for value in high - low)
    say(
        *result.notes,
        f"Model on record: {len(result.surface.faces)} triangles, {size} mm (x, y, z), "
        + ("closed." if result.closed else "open."),
    )
