"""``demo``: a whole job on the demo's photographs."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from tracker.cli.output import complain, say, watched
from tracker.cli.stage_view import print_stage


def demo(
    folder: Annotated[
        Path, typer.Argument(metavar="[DIR]", help="Where the job is made.", show_default=False)
    ] = Path("demo"),
) -> None:
    """Make a whole job of the demo's photographs: an owl finial, two days of carving."""
    from tracker.demo import demo_days, prepare_demo

    job = prepare_demo(folder)
    from tracker.pipeline import add_stage

    for name, photos in demo_days():
        complain(f"{job.name}, {name}: the photographs in {photos}")
        with watched() as progress:
            record = add_stage(job, photos, name, progress=progress, now=datetime.now())
    print_stage(job, record)
    stage = job.stage_path(record.name)
    say(
        f"Look at {stage / 'heatmap.png'}",
        f"at the photographs in {stage / 'overlays'}",
        f"and at the sheet for the next morning, {stage / 'tomorrow.pdf'}",
    )
