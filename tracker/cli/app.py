"""The command ``stoneleft``: one file per command, put together here."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from tracker import __version__
from tracker.cli import (
    bars,
    camera,
    check,
    demo,
    frame,
    frame_survey,
    model,
    model_fit,
    model_photos,
    new,
    points_export,
    points_import,
    points_list,
    points_propose,
    points_sheet,
    progress,
    report,
    stage_add,
    stage_list,
    stage_show,
    targets,
)
from tracker.cli.context import STOPPED, Commands, Shared
from tracker.cli.output import complain, say

app = typer.Typer(
    cls=Commands,
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _version(wanted: bool) -> None:
    if wanted:
        say(f"stoneleft {__version__}")
        raise typer.Exit


@app.callback()
def shared(
    ctx: typer.Context,
    job: Annotated[
        Path | None,
        typer.Option("--job", metavar="DIR", help="The job's folder; else the nearest upward."),
    ] = None,
    debug: Annotated[
        bool, typer.Option("--debug", help="Show the program's own trace when it fails.")
    ] = False,
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None:
    """Stone left on a block, measured from ordinary photographs.

    Start with: stoneleft new DIR, then targets, bars import, frame survey, model import and points
    import in that folder, and stoneleft stage add PHOTOS for each day.
    """
    del version
    ctx.obj = Shared(job, debug)


def _group(name: str, help_line: str) -> typer.Typer:
    group = typer.Typer(no_args_is_help=True, rich_markup_mode=None, help=help_line)
    app.add_typer(group, name=name)
    return group


app.command("new")(new.new)
app.command("targets")(targets.targets)
app.command("camera")(camera.camera)
_frame = _group("frame", "The pointing frame's targets.")
_frame.command("import")(frame.frame_import)
_frame.command("survey")(frame_survey.frame_survey)
_group("bars", "Scale bars.").command("import")(bars.bars_import)
_model = _group("model", "The model that is being copied.")
_model.command("import")(model.model_import)
_model.command("from-photos")(model_photos.model_from_photos)
_model.command("fit")(model_fit.model_fit)
_points = _group("points", "The pointing list.")
_points.command("import")(points_import.points_import)
_points.command("propose")(points_propose.points_propose)
_points.command("sheet")(points_sheet.points_sheet)
_points.command("list")(points_list.points_list)
_points.command("export")(points_export.points_export)
_stage = _group("stage", "Photographed days.")
_stage.command("add")(stage_add.stage_add)
_stage.command("list")(stage_list.stage_list)
_stage.command("show")(stage_show.stage_show)
app.command("check")(check.check)
app.command("progress")(progress.progress)
app.command("report")(report.report)
app.command("demo")(demo.demo)


def main() -> None:
    """Entry point of the console command."""
    try:
        app()
    except KeyboardInterrupt:
        complain(STOPPED)
        sys.exit(1)
