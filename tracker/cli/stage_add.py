"""``stage add``: a day's photographs become a stage."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from tracker.cli.context import opened_job
from tracker.cli.output import print_json, say, watched
from tracker.cli.stage_view import print_stage


def stage_add(
    ctx: typer.Context,
    photos: Annotated[
        Path, typer.Argument(metavar="PHOTOS", help="Folder of the day's photographs.")
    ],
    name: Annotated[
        str | None, typer.Option(help="Name of the stage; else the day of the photographs.")
    ] = None,
    frame_stands: Annotated[
        bool,
        typer.Option(
            "--frame-stands",
            help="The frame was lifted, cleaned and set down again, and the stone still speaks "
            "against it: take the day as it is.",
        ),
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print it for programs.")] = False,
) -> None:
    """Measure a day's photographs: stone left, over-cuts, and the state of every point."""
    from tracker.pipeline import add_stage
    from tracker.stage import stage_document

    job = opened_job(ctx)
    with watched() as progress:
        record = add_stage(
            job, photos, name, progress=progress, now=datetime.now(), frame_stands=frame_stands
        )
    if as_json:
        print_json(stage_document(record))
        return
    print_stage(job, record)
    stage = job.stage_path(record.name)
    say(f"Look at {stage / 'heatmap.png'}", f"and print {stage / 'tomorrow.pdf'} for the banker.")
