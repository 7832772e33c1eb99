"""Printable target sheets at exact scale, and what a print that came out wrong is worth.

The length that counts is the one measured on the print, from centre to centre: paper shrinks and
printers rescale. The line at the foot of each sheet says by how much.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

from reportlab.pdfgen.canvas import Canvas

from tracker.errors import InputError
from tracker.targets.sheet_advice import draw_advice, draw_end_note, draw_seat_note
from tracker.targets.sheet_drawing import (
    PT_PER_MM,
    Pen,
    draw_bar,
    draw_board,
    draw_card,
    draw_check_line,
    draw_header,
)
from tracker.targets.sheet_plan import (
    CARD_SIDE_MM,
    Bar,
    Card,
    Page,
    Paper,
    Role,
    bar_pages,
    board_page,
    card_pages,
    card_size_mm,
    end_pages,
)

RULE_U95_MM = 0.3
"""How well a steel rule is read against two printed ticks (common practice)."""
LOWEST_NOTE_MM = 195.0
"""Cards may reach down to here for the note on long bars to stand below them."""
LARGEST_RESCALING = 0.10
"""A check line farther off than this was misread or not printed by these sheets."""


@dataclass(frozen=True, slots=True)
class Sheets:
    """What was written: the file, its paper, its pages after the page of advice."""

    path: Path
    paper: Paper
    pages: tuple[Page, ...]

    @property
    def cards(self) -> tuple[Card, ...]:
        """All targets in the order of printing."""
        return tuple(card for page in self.pages for card in page.cards)

    @property
    def bars(self) -> tuple[Bar, ...]:
        """All scale bars."""
        return tuple(bar for page in self.pages for bar in page.bars)


@dataclass(frozen=True, slots=True)
class BarLength:
    """A bar's length from centre to centre and its expanded uncertainty (k = 2)."""

    length_mm: float
    u95_mm: float


def plan_sheets(
    paper: Paper,
    frame: int = 18,
    bench: int = 9,
    bars: int = 3,
    block: int = 9,
    long_bars: int = 2,
    board: bool = True,
) -> tuple[Page, ...]:
    """Pages of the wanted numbers of cards: frame, bars, bench, seats, block; and the board.

    Raises
    ------
    InputError
        More of a sort than there are numbers for.
    """
    pages = card_pages(paper, Role.FRAME, frame)
    pages += bar_pages(paper, bars)
    pages += end_pages(paper, long_bars)
    pages += card_pages(paper, Role.BENCH, bench)
    pages += card_pages(paper, Role.SEAT, 3)
    pages += card_pages(paper, Role.LASTING, block)
    if board:
        pages.append(board_page(paper))
    return tuple(pages)


def write_sheets(path: Path, paper: Paper, pages: tuple[Page, ...]) -> Sheets:
    """Write planned pages, after one of advice, as one vector PDF that asks not to be rescaled.

    Parameters
    ----------
    path : Path
        The PDF to write; replaced as a whole if it is there.
    paper : Paper
    pages : pages
        From `plan_sheets` for the same paper.

    Raises
    ------
    InputError
        A place that cannot be written.
    """
    unfinished = path.with_name(path.name + ".part")
    try:
        _draw(unfinished, paper, pages)
        unfinished.replace(path)
    except OSError as error:
        unfinished.unlink(missing_ok=True)
        raise InputError(
            f"The sheets cannot be written to {path} ({error.strerror}).",
            "Name a folder that you may write to, with room on its disk.",
        ) from error
    return Sheets(path, paper, pages)


def print_ratio(paper: Paper, measured_mm: float) -> float:
    """Size of a print over that of the drawing, from its check line.

    Raises
    ------
    InputError
        The reading cannot be that line: not a length, or off by more than a tenth.
    """
    ratio = measured_mm / paper.check_mm
    if not math.isfinite(ratio) or abs(ratio - 1.0) > LARGEST_RESCALING:
        raise InputError(
            f"The line at the foot of the sheet is {paper.check_mm:g} mm long as drawn, "
            f"but {measured_mm:g} mm was given.",
            "Measure it again, from end tick to end tick, in millimetres.",
        )
    return ratio


def length_as_printed(
    drawn_mm: float, paper: Paper, check_measured_mm: float, rule_u95_mm: float = RULE_U95_MM
) -> BarLength:
    """Length of a bar on a print whose check line was measured.

    The bar and the line run the same way on the page, so both were rescaled alike; the reading
    of the rule grows with the bar. Measuring the bar itself, tick to tick, is better.

    Parameters
    ----------
    drawn_mm : float
        Length as drawn, from centre to centre.
    paper : Paper
        Its check line's true length is taken.
    check_measured_mm : float
        What the rule says.

    Raises
    ------
    InputError
        The reading cannot be that line: not a length, or off by more than a tenth.

    Examples
    --------
    >>> from tracker.targets.sheet_plan import PAPERS
    >>> length_as_printed(230.0, PAPERS["A4"], 98.6)
    BarLength(length_mm=226.78, u95_mm=0.69)
    """
    ratio = print_ratio(paper, check_measured_mm)
    stretch = drawn_mm / paper.check_mm
    return BarLength(round(drawn_mm * ratio, 3), round(rule_u95_mm * stretch, 3))


def _draw(path: Path, paper: Paper, pages: tuple[Page, ...]) -> None:
    box = (paper.width_mm * PT_PER_MM, paper.height_mm * PT_PER_MM)
    canvas = Canvas(str(path), pagesize=box, invariant=1, pageCompression=1)
    canvas.setTitle(f"Target sheets, {paper.name}")
    canvas.setAuthor("stoneleft")
    canvas.setViewerPreference("PrintScaling", "None")
    count = len(pages) + 1
    pen = Pen(canvas, paper)
    draw_advice(pen, count)
    draw_check_line(pen, paper)
    canvas.showPage()
    for number, page in enumerate(pages, start=2):
        _draw_page(Pen(canvas, paper, page.sideways), paper, page, number, count)
        canvas.showPage()
    canvas.save()


def _draw_page(pen: Pen, paper: Paper, page: Page, number: int, count: int) -> None:
    draw_header(pen, page, number, count)
    draw_check_line(pen, paper)
    for bar in page.bars:
        draw_bar(pen, bar)
    if page.board is not None:
        draw_board(pen, page.board)
    if not page.sideways:
        for card in page.cards:
            draw_card(pen, card)
    if page.role in (Role.SEAT, Role.END):
        wide, high = card_size_mm(CARD_SIDE_MM)
        bottom = max(card.y_mm for card in page.cards) + high - 0.5 * wide
        tags = [card.tag for card in page.cards]
        if page.role is Role.SEAT:
            draw_seat_note(pen, bottom + 30.0)
        elif bottom < LOWEST_NOTE_MM:
            draw_end_note(pen, bottom, list(zip(tags[::2], tags[1::2], strict=False)))
