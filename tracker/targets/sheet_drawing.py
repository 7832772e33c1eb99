"""Draws the target sheets: squares, cards, bars, cut marks, the line for the ruler.

Everything is vector and black; nothing depends on the printer's greys. Lines that are laid a
ruler on are 0.15 mm wide.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from reportlab.pdfbase.pdfmetrics import stringWidth

from tracker.targets.family import SQUARE_MODULES, white_modules
from tracker.targets.sheet_plan import (
    BAR_EDGE_MM,
    FOOTER_MM,
    MARGIN_MM,
    Bar,
    Board,
    Card,
    Page,
    Paper,
    Role,
    bar_size_mm,
    card_size_mm,
)

PT_PER_MM = 72.0 / 25.4
HAIR_MM, LINE_MM, BOLD_MM = 0.15, 0.25, 0.6
BODY, STRONG = "Helvetica", "Helvetica-Bold"
TITLES = {
    Role.SEAT: "Seat targets",
    Role.FRAME: "Frame cards",
    Role.BENCH: "Bench cards",
    Role.BAR: "Scale bars",
    Role.END: "Ends of long bars",
    Role.LASTING: "Block cards",
    Role.BOARD: "Calibration board",
}
USES = {
    Role.SEAT: "Stand in the three seats when the frame is off: a pin through the centre, "
    "its point in the dimple.",
    Role.FRAME: "Glue to the pointing frame for good: ten or more, at many heights and turned "
    "many ways.",
    Role.BENCH: "Lay about the block. They must not move while the photographs are taken; "
    "between days they may.",
    Role.BAR: "Glue to something that stays straight, then measure from centre to centre.",
    Role.END: "Two to a bar, as far apart as a straight batten allows, both the same way up. "
    "Measure from dot to dot.",
    Role.BOARD: "Glue the whole sheet to something flat and stiff. For the lens alone: it gives "
    "no scale.",
    Role.LASTING: "For faces of the block that stay: the back, the base. One number, one place, "
    "to the end.",
}


class Pen:
    """Draws in millimetres from the upper left corner, y down, on a page read upright."""

    def __init__(self, canvas: Any, paper: Paper, sideways: bool = False) -> None:
        self.canvas = canvas
        self.width_mm = paper.height_mm if sideways else paper.width_mm
        self.height_mm = paper.width_mm if sideways else paper.height_mm
        # reportlab takes the size as read and writes an upright box that viewers turn
        canvas.setPageSize((self.width_mm * PT_PER_MM, self.height_mm * PT_PER_MM))
        canvas.setPageRotation(90 if sideways else 0)
        if sideways:
            canvas.transform(0, 1, -1, 0, paper.width_mm * PT_PER_MM, 0)

    def box(self, x: float, y: float, wide: float, high: float, white: bool = False) -> None:
        """Filled rectangle from its upper left corner."""
        self.canvas.setFillGray(1.0 if white else 0.0)
        k = PT_PER_MM
        self.canvas.rect(
            x * k, (self.height_mm - y - high) * k, wide * k, high * k, stroke=0, fill=1
        )

    def outline(self, points: list[tuple[float, float]], width: float, fill: float | None) -> None:
        """Closed polygon, lined and, if `fill` is a grey (0 black, 1 white), filled."""
        path = self.canvas.beginPath()
        for step, (x, y) in enumerate(points):
            place = (x * PT_PER_MM, (self.height_mm - y) * PT_PER_MM)
            (path.lineTo if step else path.moveTo)(*place)
        path.close()
        self.canvas.setLineWidth(width * PT_PER_MM)
        if fill is not None:
            self.canvas.setFillGray(fill)
        self.canvas.drawPath(path, stroke=1 if width else 0, fill=0 if fill is None else 1)

    def disc(self, x: float, y: float, radius: float, grey: float) -> None:
        """Filled circle about its centre (0 black, 1 white)."""
        k = PT_PER_MM
        self.canvas.setFillGray(grey)
        self.canvas.circle(x * k, (self.height_mm - y) * k, radius * k, stroke=0, fill=1)

    def line(self, x0: float, y0: float, x1: float, y1: float, width: float = LINE_MM) -> None:
        """Straight black line."""
        k, top = PT_PER_MM, self.height_mm
        self.canvas.setLineWidth(width * k)
        self.canvas.line(x0 * k, (top - y0) * k, x1 * k, (top - y1) * k)

    def text(
        self, x: float, y: float, words: str, size_pt: float, font: str = BODY, align: str = "left"
    ) -> None:
        """One line of text on the base line `y`."""
        self.canvas.setFillGray(0.0)
        self.canvas.setFont(font, size_pt)
        draw = {
            "left": self.canvas.drawString,
            "right": self.canvas.drawRightString,
            "centre": self.canvas.drawCentredString,
        }[align]
        draw(x * PT_PER_MM, (self.height_mm - y) * PT_PER_MM, words)

    def paragraph(
        self, x: float, y: float, wide: float, words: str, size_pt: float, lead_mm: float
    ) -> float:
        """Text broken to a width; returns the base line after the last one."""
        row = ""
        for word in words.split():
            longer = f"{row} {word}".strip()
            if row and stringWidth(longer, BODY, size_pt) > wide * PT_PER_MM:
                self.text(x, y, row, size_pt)
                row, y = word, y + lead_mm
            else:
                row = longer
        self.text(x, y, row, size_pt)
        return y + lead_mm


def draw_square(pen: Pen, card: Card) -> None:
    """The target's black square with its white modules."""
    left, top = card.x_mm - 0.5 * card.side_mm, card.y_mm - 0.5 * card.side_mm
    pen.box(left, top, card.side_mm, card.side_mm)
    module = card.side_mm / SQUARE_MODULES
    white = white_modules(card.tag)[1:-1, 1:-1]
    for row, first, last in _runs(white):
        pen.box(left + first * module, top + row * module, (last - first) * module, module, True)
    for column, first, last in _runs(white.T):  # again upwards, so that no seam shows
        pen.box(left + column * module, top + first * module, module, (last - first) * module, True)


def draw_card(pen: Pen, card: Card) -> None:
    """A card: the square, cut marks, its number, which way is up, its size."""
    wide, high = card_size_mm(card.side_mm)
    left, top = card.x_mm - 0.5 * wide, card.y_mm - 0.5 * wide
    draw_square(pen, card)
    for x in (left, left + wide):
        for y in (top, top + high):
            cut_mark(pen, x, y)
    inner, base = left + card.rim_mm, top + high - 4.0
    pen.text(inner, base, str(card.tag), 22, STRONG)
    after = inner + stringWidth(str(card.tag), STRONG, 22) / PT_PER_MM + 2.5
    up_arrow(pen, after, base)
    right = left + wide - card.rim_mm
    pen.text(right, base - 3.4, card.role.value, 8, STRONG, "right")
    pen.text(right, base, f"{card.side_mm:g} mm", 8, BODY, "right")
    if card.role in (Role.SEAT, Role.END):
        _centre_ticks(pen, card)
        _centre_dot(pen, card)


def draw_board(pen: Pen, board: Board) -> None:
    """The board's squares, the upper left one black, and its facts in figures below."""
    size = board.square_mm
    for row in range(board.rows):
        for column in range(row % 2, board.columns, 2):
            pen.box(board.x_mm + column * size, board.y_mm + row * size, size, size)
    across, down = board.corners
    words = f"{across} x {down} inner corners, squares of {size:g} mm as drawn"
    bottom = board.y_mm + board.rows * size
    pen.text(board.x_mm + board.columns * size, bottom + 5.0, words, 9, BODY, "right")


def draw_bar(pen: Pen, bar: Bar) -> None:
    """A bar: two squares, centre ticks, a dimension line with its length in figures."""
    long, wide = bar_size_mm(bar.length_mm)
    rimmed = long - bar.length_mm
    left, top = bar.first.x_mm - 0.5 * rimmed, bar.first.y_mm - 0.5 * wide
    for x in (left, left + long):
        for y in (top, top + wide):
            cut_mark(pen, x, y)
    for card in (bar.first, bar.second):
        draw_square(pen, card)
        pen.line(card.x_mm, top + 0.4, card.x_mm, top + BAR_EDGE_MM - 0.3, HAIR_MM)
        pen.line(card.x_mm, top + wide - BAR_EDGE_MM + 0.3, card.x_mm, top + wide - 0.4, HAIR_MM)
    _dimension(pen, bar, top + wide - 0.5 * BAR_EDGE_MM)
    middle = 0.5 * (bar.first.x_mm + bar.second.x_mm)
    for card, align, side in ((bar.first, "left", 1.0), (bar.second, "right", -1.0)):
        at = card.x_mm + side * (0.5 * rimmed + 2.0)
        pen.text(at, card.y_mm + 2.6, str(card.tag), 22, STRONG, align)
        number_mm = stringWidth(str(card.tag), STRONG, 22) / PT_PER_MM
        up_arrow(pen, at + (number_mm + 2.5 if side > 0 else -number_mm - 10.5), card.y_mm + 2.6)
    pen.text(middle, bar.first.y_mm - 6.5, f"{bar.length_mm:.1f} mm", 22, STRONG, "centre")
    pen.text(middle, bar.first.y_mm - 1.2, "from centre to centre, as drawn", 9, BODY, "centre")
    pen.text(middle - 24, bar.first.y_mm + 9.5, f"Bar {bar.letter} measures", 9, BODY, "right")
    pen.line(middle - 22, bar.first.y_mm + 9.9, middle + 22, bar.first.y_mm + 9.9, HAIR_MM)
    pen.text(middle + 24, bar.first.y_mm + 9.5, "mm from tick to tick", 9)


def draw_header(pen: Pen, page: Page, number: int, count: int) -> None:
    """Title, use, page number, a rule."""
    right = pen.width_mm - MARGIN_MM
    pen.text(MARGIN_MM, MARGIN_MM + 5.5, TITLES[page.role], 18, STRONG)
    pen.text(right, MARGIN_MM + 5.5, f"{number} of {count}", 9, BODY, "right")
    pen.text(MARGIN_MM, MARGIN_MM + 11.5, USES[page.role], 9)
    pen.line(MARGIN_MM, MARGIN_MM + 14.5, right, MARGIN_MM + 14.5, LINE_MM)


def draw_check_line(pen: Pen, paper: Paper) -> None:
    """The line of known length at the foot of every sheet, with what to do with it."""
    left, y = MARGIN_MM, pen.height_mm - MARGIN_MM - 3.0
    steps = round(paper.check_mm / paper.check_step_mm)
    pen.line(left, y, left + paper.check_mm, y, HAIR_MM)
    for step in range(steps + 1):
        end = step in (0, steps)
        x = left + step * paper.check_step_mm
        pen.line(x, y - (5.0 if end else 2.0), x, y + (2.0 if end else 0.0), HAIR_MM)
    pen.text(left + 0.5 * paper.check_mm, y - 4.0, paper.check_text, 10, STRONG, "centre")
    at = left + paper.check_mm + 7.0
    pen.text(at, y - 3.4, "Lay a steel rule on this line before you cut.", 8.5, STRONG)
    pen.text(at, y + 0.6, "Print at 100 %, never \u201cfit to page\u201d. If the line is not", 8.5)
    pen.text(at, y + 4.6, "true, note what it measures: the bars can still be used.", 8.5)


def cut_mark(pen: Pen, x: float, y: float, arm_mm: float = 2.0) -> None:
    """A small cross where two cuts meet."""
    pen.line(x - arm_mm, y, x + arm_mm, y, HAIR_MM)
    pen.line(x, y - arm_mm, x, y + arm_mm, HAIR_MM)


def up_arrow(pen: Pen, x: float, base: float) -> None:
    """Arrow and the word: this way up."""
    pen.outline([(x, base - 2.6), (x + 1.5, base - 5.4), (x + 3.0, base - 2.6)], 0.0, 0.0)
    pen.box(x + 1.05, base - 2.7, 0.9, 2.7)
    pen.text(x + 4.0, base, "up", 8)


def footer_top_mm(pen: Pen) -> float:
    """Where the foot of a page begins."""
    return pen.height_mm - MARGIN_MM - FOOTER_MM


def _centre_ticks(pen: Pen, card: Card) -> None:
    """Ticks outside the white rim that point at the centre, where the pin goes."""
    reach = 0.5 * card.side_mm + card.rim_mm
    for dx, dy in ((-1, 0), (1, 0), (0, -1), (0, 1)):
        a, b = reach - 1.6, reach + 1.6
        x, y = card.x_mm, card.y_mm
        pen.line(x + dx * a, y + dy * a, x + dx * b, y + dy * b, HAIR_MM)


def _centre_dot(pen: Pen, card: Card) -> None:
    """A dot in a white ring where the diagonals cross; too small to change how it is read."""
    pen.disc(card.x_mm, card.y_mm, 0.7, 1.0)
    pen.disc(card.x_mm, card.y_mm, 0.3, 0.0)


def _dimension(pen: Pen, bar: Bar, y: float) -> None:
    """Line from tick to tick with a slim arrow head at either end."""
    x0, x1 = bar.first.x_mm, bar.second.x_mm
    pen.line(x0, y, x1, y, HAIR_MM)
    for x, side in ((x0, 1.0), (x1, -1.0)):
        pen.outline([(x, y), (x + side * 2.6, y - 0.5), (x + side * 2.6, y + 0.5)], 0.0, 0.0)


def _runs(white: NDArray[np.bool_]) -> list[tuple[int, int, int]]:
    """White stretches (row, first, end) of a square of modules."""
    found = []
    for row, modules in enumerate(white):
        cuts = np.flatnonzero(np.diff(np.concatenate([[False], modules, [False]]).astype(int)))
        found += [(row, int(a), int(b)) for a, b in zip(cuts[::2], cuts[1::2], strict=True)]
    return found
