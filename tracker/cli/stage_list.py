"""``stage list``: prints the stages on record."""

from __future__ import annotations

from typing import Annotated

import typer

from tracker.cli.context import opened_job
from tracker.cli.output import print_json, print_table, say, shown_date


def stage_list(
    ctx: typer.Context,
    as_json: Annotated[bool, typer.Option("--json", help="Print it for programs.")] = False,
) -> None:
    """Print the stages on record, oldest first."""
    from tracker.stage import list_stages, summary_document

    documents = [summary_document(facts) for facts in list_stages(opened_job(ctx))]
    if as_json:
        print_json({"stages": documents})
        return
    if not documents:
        say("There is no stage on record. Add one: stoneleft stage add PHOTOS")
        return
    columns = ["stage", "date", "photographs", "seen", "finished", "close", "untouched"]
    columns += ["over-cut", "not seen", "stone left kg"]
    rows = [
        [
            stage["name"],
            shown_date(stage["date"]),
            str(stage["photos_used"]),
            f"{stage['seen_share']:.0%}",
            *(str(stage["counts"].get(state, 0)) for state in columns[4:9]),
            f"{stage['mass_left_kg']:.2f} +- {stage['mass_left_u95_kg']:.2f}",
        ]
        for stage in documents
    ]
    print_table(columns, rows, "llrrrrrrrr")
