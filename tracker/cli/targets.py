"""``targets``: writes printable target sheets."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from tracker.cli.output import print_table, say


def targets(
    sheets: Annotated[
        Path, typer.Argument(metavar="[PDF]", help="File to write.", show_default=False)
    ] = Path("targets.pdf"),
    paper: Annotated[str, typer.Option(help="A4 or Letter.")] = "A4",
    frame: Annotated[int, typer.Option(min=0, help="Cards for the frame.")] = 18,
    bench: Annotated[int, typer.Option(min=0, help="Cards to lay about the block.")] = 9,
    bars: Annotated[int, typer.Option(min=0, help="Scale bars.")] = 3,
    block: Annotated[int, typer.Option(min=0, help="Cards for lasting faces of the block.")] = 9,
    line: Annotated[
        float | None,
        typer.Option(metavar="MM", help="What the line at the foot of your print measures."),
    ] = None,
    bar_table: Annotated[
        Path | None,
        typer.Option(metavar="CSV", help="Write the bars' lengths as a table for bars import."),
    ] = None,
) -> None:
    """Write target sheets at exact scale: frame, bench, seat and block cards, and scale bars."""
    from tracker.records.printed_bars import printed_bars
    from tracker.records.tables import refuse_existing
    from tracker.targets.sheet import write_sheets

    if bar_table is not None:
        refuse_existing(bar_table)
    written = write_sheets(sheets, paper, frame=frame, bench=bench, bars=bars, block=block)
    lengths = printed_bars(written, line, bar_table)
    rows = [
        [f"{bar.target_a}-{bar.target_b}", f"{bar.length_mm:.2f}", f"{2.0 * bar.sigma_mm:.2f}"]
        for bar in lengths
    ]
    if rows:
        print_table(["bar", "length mm", "U95 mm"], rows, "lrr")
        say(
            "Lengths as drawn, good for nothing until the print is measured."
            if line is None
            else "Lengths of a print whose line measures so; measuring the bars is better."
        )
    say(
        f"{len(written.pages) + 1} sheets for {written.paper.name} in {sheets}",
        f"Print at 100 % and lay a rule on the line at the foot: {written.paper.check_text}.",
    )
