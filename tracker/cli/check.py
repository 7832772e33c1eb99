"""``check``: known lengths against photographs of targets."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tracker.cli.context import job_if_any
from tracker.cli.output import print_json, print_table, say, watched

if TYPE_CHECKING:
    from tracker.pipeline.check import SetupCheck


def check(
    ctx: typer.Context,
    photos: Annotated[
        Path, typer.Argument(metavar="PHOTOS", help="Folder of photographs that show targets.")
    ],
    lengths: Annotated[
        Path,
        typer.Option(
            metavar="CSV", help="Known lengths: columns target_a,target_b,length_mm[,u95_mm]."
        ),
    ],
    bars: Annotated[
        Path | None,
        typer.Option(
            metavar="CSV", help="Scale bars, same columns; else the job's frame and bars."
        ),
    ] = None,
    limit: Annotated[
        str | None,
        typer.Option(
            metavar="MM", help="Your own limit, 0.05 or 0.05+L/20000; else the set-up's U95."
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print it for programs.")] = False,
) -> None:
    """Test whether a set-up is good enough, by known lengths that took no part in the scale."""
    from tracker.pipeline.check import check_document, check_setup

    job = None if bars is not None else job_if_any(ctx)
    with watched() as progress:
        found = check_setup(photos, lengths, bars=bars, limit=limit, job=job, progress=progress)
    if as_json:
        print_json(check_document(found))
        return
    _print(found)


def _print(found: SetupCheck) -> None:
    print_table(
        ["length", "known mm", "measured mm", "error mm", "limit mm", ""],
        [
            [
                length.name,
                f"{length.given_mm:.3f}",
                f"{length.found_mm:.3f}",
                f"{length.error_mm:+.3f}",
                f"{length.limit_mm:.3f}",
                length.verdict.value,
            ]
            for length in found.test.lengths
        ],
        "lrrrrl",
    )
    for name, reason in found.test.left_out:
        say(f"Length {name} left out: {reason}.")
    for name, reason in found.left_out.items():
        say(f"{name} left out: {reason.rstrip('.')}.")
    say(f"Scale from {found.scale}.", found.sentence)
    for words in found.advice:
        say(f"- {words}")
