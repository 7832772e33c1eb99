"""``new``: starts a job."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from tracker.cli.output import say


def new(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder of the new job.")],
    name: Annotated[
        str | None, typer.Option(help="Name of the sculpture; else the folder's name.")
    ] = None,
    stone: Annotated[
        str, typer.Option(help="Kind of stone: marble, limestone, sandstone, granite, or other.")
    ] = "marble",
    density: Annotated[
        float | None, typer.Option(help="Of the stone, kg/m3; else what is usual for it.")
    ] = None,
    allowance: Annotated[
        float, typer.Option(help="How far the stone may stand out from the model, mm.")
    ] = 50.0,
    over_cut: Annotated[float, typer.Option(help="Over-cut below this stone left, mm.")] = -0.5,
    finished: Annotated[float, typer.Option(help="Finished up to this stone left, mm.")] = 0.5,
    close: Annotated[float, typer.Option(help="Close up to this stone left, mm.")] = 6.0,
    light_tools: Annotated[
        float, typer.Option(help="Light tools only below this stone left, mm.")
    ] = 2.0,
) -> None:
    """Start a job: one sculpture in one folder."""
    from tracker.job import create_job
    from tracker.records.settings import BandSettings

    bands = BandSettings(
        over_cut_below_mm=over_cut,
        finished_up_to_mm=finished,
        close_up_to_mm=close,
        light_tools_below_mm=light_tools,
    )
    job = create_job(folder, name, stone, density, bands, allowance)
    say(
        f"{job.name}: job started in {job.folder}",
        f"Its settings are in {job.settings_path.name}; change them there, notes are kept.",
        "Next: stoneleft targets, bars import, frame survey, model import and points import there.",
    )
