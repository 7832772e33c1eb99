"""``points export``: writes the pointing list as a table."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from tracker.cli.context import opened_job
from tracker.cli.output import say


def points_export(
    ctx: typer.Context,
    table: Annotated[Path, typer.Argument(metavar="CSV", help="File to write; it must be new.")],
) -> None:
    """Write the pointing list, high points first, with what the latest stage says of each."""
    from tracker.stage import export_points

    count = export_points(opened_job(ctx), table)
    say(f"{count} points written to {table}")
