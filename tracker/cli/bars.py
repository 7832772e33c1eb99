"""``bars import``: puts scale bars on record."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from tracker.cli.context import opened_job
from tracker.cli.output import print_table, say


def bars_import(
    ctx: typer.Context,
    table: Annotated[
        Path,
        typer.Argument(metavar="CSV", help="Columns target_a,target_b,length_mm[,u95_mm]."),
    ],
    replace: Annotated[
        bool, typer.Option("--replace", help="Put it in the place of the one on record.")
    ] = False,
) -> None:
    """Put scale bars on record: pairs of targets at a known distance, centre to centre."""
    from tracker.job import put_bars

    bars = put_bars(opened_job(ctx), table, replace=replace)
    print_table(
        ["bar", "length mm", "U95 mm"],
        [
            [f"{bar.target_a}-{bar.target_b}", f"{bar.length_mm:.3f}", f"{2.0 * bar.sigma_mm:.3f}"]
            for bar in bars
        ],
        "lrr",
    )
    say(f"{len(bars)} scale bars on record.")
