"""``report``: the client's document, and the carver's sheet for tomorrow."""

from __future__ import annotations

from typing import Annotated

import typer

from tracker.cli.context import opened_job
from tracker.cli.output import print_json, say


def report(
    ctx: typer.Context,
    sheet: Annotated[
        bool, typer.Option("--sheet", help="Only tomorrow's sheet of a stage, written anew.")
    ] = False,
    page: Annotated[
        bool, typer.Option("--page", help="Only the page of a stage, page.html, written anew.")
    ] = False,
    stage: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="The sheet's or page's stage; else the latest."),
    ] = None,
    own_text: Annotated[
        bool, typer.Option("--own-text", help="Put the document's text into the job, to edit it.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the files for programs.")] = False,
) -> None:
    """Write the document for the client, report.pdf and report.html, into the job."""
    from tracker.progress.series import chosen_day
    from tracker.report.evening import copy_text, write_document, write_sheet

    job = opened_job(ctx)
    if own_text:
        files = {"text": copy_text(job)}
    elif page:
        from tracker.pipeline import redraw_page

        files = {"page": redraw_page(job, chosen_day(job, stage).record.name)}
    elif sheet or stage is not None:
        files = {"sheet": write_sheet(job, chosen_day(job, stage))}
    else:
        paper, html = write_document(job)
        files = {"pdf": paper, "html": html}
    if as_json:
        print_json({kind: str(path) for kind, path in files.items()})
    else:
        say(*(str(path) for path in files.values()))
