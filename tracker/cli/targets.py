"""``targets``: writes printable target sheets, and takes what a rule said of the print."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tracker.cli.context import job_if_any
from tracker.cli.output import print_table, say

if TYPE_CHECKING:
    from tracker.records.entries import Bar


def targets(
    ctx: typer.Context,
    sheets: Annotated[
        Path | None,
        typer.Argument(metavar="[PDF]", help="File to write; targets.pdf when left out."),
    ] = None,
    paper: Annotated[str, typer.Option(help="A4 or Letter.")] = "A4",
    frame: Annotated[int, typer.Option(min=0, help="Cards for the frame.")] = 18,
    bench: Annotated[int, typer.Option(min=0, help="Cards to lay about the block.")] = 9,
    bars: Annotated[int, typer.Option(min=0, help="Scale bars.")] = 3,
    long_bars: Annotated[
        int, typer.Option(min=0, help="Long bars: pairs of cards for a batten.")
    ] = 2,
    block: Annotated[int, typer.Option(min=0, help="Cards for lasting faces of the block.")] = 9,
    board: Annotated[bool, typer.Option(help="The board for the camera.")] = True,
    measured: Annotated[
        float | None,
        typer.Option(
            metavar="MM",
            help="What the line at the foot of your print measures. Puts the bars' true lengths "
            "into the job; nothing is drawn unless a PDF is named.",
        ),
    ] = None,
    bar_table: Annotated[
        Path | None,
        typer.Option(metavar="CSV", help="Write the bars' lengths as a table for bars import."),
    ] = None,
    replace: Annotated[
        bool, typer.Option("--replace", help="Let --measured replace bars that you measured.")
    ] = False,
) -> None:
    """Write target sheets at exact scale: cards, scale bars, seat targets, calibration board."""
    from tracker.job import put_printed_bars
    from tracker.records.printed_bars import printed_bars
    from tracker.records.tables import refuse_existing
    from tracker.targets.sheet import plan_sheets, write_sheets
    from tracker.targets.sheet_plan import paper_named

    if bar_table is not None:
        refuse_existing(bar_table)
    size = paper_named(paper)
    pages = plan_sheets(size, frame, bench, bars, block, long_bars, board)
    lengths = printed_bars(size, pages, measured, bar_table)
    job = job_if_any(ctx) if measured is not None else None
    kept: tuple[Bar, ...] = ()
    if job is not None:
        kept = put_printed_bars(job, printed_bars(size, pages), lengths, replace=replace)
    if sheets is not None or measured is None:
        target = sheets or Path("targets.pdf")
        write_sheets(target, size, pages)
        say(
            f"{len(pages) + 1} sheets for {size.name} in {target}",
            f"Print at 100 % and lay a rule on the line at the foot: {size.check_text}.",
            "If it is not true: stoneleft targets --measured MM",
        )
    _show(lengths, measured, job is not None)
    for bar in kept:
        say(
            f"Bar {bar.target_a}-{bar.target_b} keeps the {bar.length_mm:g} mm that the job has "
            "for it; --replace takes the line's instead."
        )


def _show(lengths: tuple[Bar, ...], measured: float | None, on_record: bool) -> None:
    if not lengths:
        return
    rows = [
        [f"{bar.target_a}-{bar.target_b}", f"{bar.length_mm:.2f}", f"{2.0 * bar.sigma_mm:.2f}"]
        for bar in lengths
    ]
    print_table(["bar", "length mm", "U95 mm"], rows, "lrr")
    if measured is None:
        say("Lengths as drawn, good for nothing until the print is measured.")
    elif on_record:
        say("These lengths are in the job now; measuring each bar is better.")
    else:
        say("Lengths of a print whose line measures so; measuring the bars is better.")
