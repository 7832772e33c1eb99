"""Scale bars as they come out of the printer."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from tracker.errors import InputError
from tracker.records.entries import Bar, write_bars
from tracker.targets.sheet import RULE_U95_MM, length_as_printed, print_ratio

SAME_MM = 0.005
"""Lengths that differ by less are one length."""

if TYPE_CHECKING:
    from tracker.targets.sheet_plan import Page, Paper


def printed_bars(
    paper: Paper,
    pages: Sequence[Page],
    measured_mm: float | None = None,
    table: Path | None = None,
) -> tuple[Bar, ...]:
    """Bars of the sheets with the lengths that their print has.

    Parameters
    ----------
    paper, pages : Paper, pages
        As printed (`tracker.targets.sheet.plan_sheets`).
    measured_mm : float, optional
        What the line at the foot of the print measures; by default the print is taken to be
        true to the drawing, which a rule has to confirm.
    table : Path, optional
        Where to write them for ``bars import``.

    Raises
    ------
    InputError
        The line cannot measure that.
    """
    check_mm = paper.check_mm if measured_mm is None else measured_mm
    print_ratio(paper, check_mm)
    bars = []
    for bar in (bar for page in pages for bar in page.bars):
        length = length_as_printed(bar.length_mm, paper, check_mm, RULE_U95_MM)
        bars.append(Bar(bar.first.tag, bar.second.tag, length.length_mm, 0.5 * length.u95_mm))
    if table is not None:
        write_bars(table, bars)
    return tuple(bars)


def corrected_bars(
    on_record: Sequence[Bar], drawn: Sequence[Bar], printed: Sequence[Bar], replace: bool = False
) -> tuple[tuple[Bar, ...], tuple[Bar, ...]]:
    """Bars of a job with the printed ones put right, and those that kept a length of their own.

    A length on record that is neither as drawn nor as printed was measured on the bar, which is
    better than the line at the foot of the sheet: it stays.

    Parameters
    ----------
    on_record : bars of the job
    drawn, printed : the same bars as drawn and as the print has them
    replace : bool
        Whether lengths on record that were measured go too.

    Raises
    ------
    InputError
        No printed bars to put on record.
    """
    if not printed:
        raise InputError("These sheets have no scale bars.", "Leave --bars as it was in printing.")
    fresh = {frozenset((bar.target_a, bar.target_b)): bar for bar in printed}
    true = {frozenset((bar.target_a, bar.target_b)): bar.length_mm for bar in drawn}
    out, kept = [], []
    for bar in on_record:
        pair = frozenset((bar.target_a, bar.target_b))
        if pair not in fresh:
            out.append(bar)
            continue
        new = fresh.pop(pair)
        lengths = (true[pair], new.length_mm)
        own = all(abs(bar.length_mm - length) > SAME_MM for length in lengths)
        if own and not replace:
            kept.append(bar)
        out.append(bar if own and not replace else new)
    return (*out, *fresh.values()), tuple(kept)
