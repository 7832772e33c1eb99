"""Scale bars as they come out of the printer."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from tracker.records.entries import Bar, write_bars
from tracker.targets.sheet import RULE_U95_MM, length_as_printed

if TYPE_CHECKING:
    from tracker.targets.sheet import Sheets


def printed_bars(
    sheets: Sheets, line_mm: float | None = None, table: Path | None = None
) -> tuple[Bar, ...]:
    """Bars of the sheets with the lengths that their print has.

    Parameters
    ----------
    line_mm : float, optional
        What the line at the foot of the print measures; by default the print is taken to be
        true to the drawing, which a rule has to confirm.
    table : Path, optional
        Where to write them for ``bars import``.

    Raises
    ------
    InputError
        The line cannot measure that.
    """
    check_mm = sheets.paper.check_mm if line_mm is None else line_mm
    bars = []
    for bar in sheets.bars:
        length = length_as_printed(bar.length_mm, sheets.paper, check_mm, RULE_U95_MM)
        bars.append(Bar(bar.first.tag, bar.second.tag, length.length_mm, 0.5 * length.u95_mm))
    if table is not None:
        write_bars(table, bars)
    return tuple(bars)
