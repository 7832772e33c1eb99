"""The first page of the sheets: what to do with the others; and how a seat target stands."""

from __future__ import annotations

from tracker.targets.sheet_drawing import (
    HAIR_MM,
    LINE_MM,
    STRONG,
    Pen,
    footer_top_mm,
)
from tracker.targets.sheet_plan import MARGIN_MM

STEPS = (
    (
        "Print at 100 %",
        "Actual size, on flat matt paper. Lay a steel rule on the line at the foot of each sheet. "
        "If it is not true, measure it and tell the program what it measures.",
    ),
    (
        "Glue flat, then cut",
        "Spray glue on something stiff and matt: plywood, foam board, sheet metal. No laminate, "
        "no gloss, no tape over the print. A card that curls is a card that lies. Cut on the "
        "small crosses; the white rim belongs to the target.",
    ),
    (
        "Frame cards: on the frame, for good",
        "Ten or more, low and high, on every side, turned many ways: spread in depth, never all "
        "in one plane. Screw or glue them so that a knock cannot turn them.",
    ),
    (
        "Scale bars: long, straight, measured",
        "Glue the strip whole. Longer is better: glue two ends of long bars far apart on a "
        "straight batten. Measure from dot to dot, or tick to tick, with the best rule in the shop "
        "and write it on the bar. Two bars in different directions find each other's mistakes.",
    ),
    (
        "Bench cards: lay them about",
        "Between the block and the camera, some on wedges. Nothing may move from the first "
        "photograph of the day to the last.",
    ),
    (
        "One number, one card",
        "Never two prints of one number in view. A number you can read is the right way up, "
        "though targets work however they are turned.",
    ),
)


def draw_advice(pen: Pen, count: int) -> None:
    """Title, two pictures (do, do not), the steps."""
    right = pen.width_mm - MARGIN_MM
    pen.text(MARGIN_MM, MARGIN_MM + 8.0, "Target sheets", 26, STRONG)
    pen.text(right, MARGIN_MM + 8.0, f"1 of {count}", 9, align="right")
    pen.text(MARGIN_MM, MARGIN_MM + 15.5, "Read this first: how to make targets that measure.", 11)
    pen.line(MARGIN_MM, MARGIN_MM + 19.5, right, MARGIN_MM + 19.5, LINE_MM)
    top, half = MARGIN_MM + 27.0, 0.5 * (right - MARGIN_MM)
    _good_setting(pen, MARGIN_MM + 0.5 * half, top)
    _poor_setting(pen, MARGIN_MM + 1.5 * half, top)
    _steps(pen, top + 86.0, footer_top_mm(pen) + 4.0)


def _steps(pen: Pen, top: float, bottom: float) -> None:
    """Six steps in two columns of three, filled down to `bottom`."""
    right = pen.width_mm - MARGIN_MM
    gap = 10.0
    wide = 0.5 * (right - MARGIN_MM - gap)
    row_mm = (bottom - top) / 3.0
    for place, (title, words) in enumerate(STEPS):
        column, row = divmod(place, 3)
        x, y = MARGIN_MM + column * (wide + gap), top + row * row_mm
        pen.line(x, y - 8.0, x + wide, y - 8.0, HAIR_MM)
        pen.text(x, y, str(place + 1), 20, STRONG)
        pen.text(x + 9.0, y, title, 12, STRONG)
        pen.paragraph(x + 9.0, y + 6.2, wide - 9.0, words, 10, 4.7)


def _block(pen: Pen, x: float, ground: float) -> None:
    """A block with a rough figure coming out of it, and the bench it stands on."""
    pen.line(x - 42.0, ground, x + 42.0, ground, 0.6)
    left = [(-13, 0), (-14, 17), (-9, 29), (-11, 40), (-4, 46)]
    rough = left + [(5, 45), (10, 37), (8, 27), (14, 15), (13, 0)]
    pen.outline([(x + dx, ground - up) for dx, up in rough], LINE_MM, 0.93)


def _mini(pen: Pen, x: float, y: float, lean: float, wide: float = 7.0) -> None:
    """A small target seen at an angle: `lean` -1..1 narrows and shears it."""
    half, skew = 0.5 * wide * (1.0 - 0.45 * abs(lean)), 0.22 * wide * lean
    for size, grey in ((1.25, 1.0), (1.0, 0.0), (0.42, 1.0)):
        a, b, s = half * size, 0.5 * wide * size, skew * size
        corners = [(x - a, y - b - s), (x + a, y - b + s), (x + a, y + b + s), (x - a, y + b - s)]
        pen.outline(corners, HAIR_MM if size > 1.2 else 0.0, grey)


def _good_setting(pen: Pen, x: float, top: float) -> None:
    """Cards round the stone, low and high, near and far."""
    ground = top + 52.0
    for post, high in ((-30.0, 44.0), (27.0, 50.0), (-19.0, 20.0)):
        pen.line(x + post, ground, x + post, ground - high, 0.6)
    _block(pen, x, ground)
    pen.line(x + 20.0, ground, x + 20.0, ground - 15.0, 0.6)
    spots = ((-30, 44, 0.6), (-31, 27, -0.5), (-19, 17, 0.3), (27, 50, -0.7), (28, 31, 0.4))
    for dx, up, lean in (*spots, (20, 14, -0.3), (-37, 5, 0.9), (37, 6, -0.9), (4, 4.6, 0.1)):
        _mini(pen, x + dx, ground - up, lean)
    pen.line(x - 41.0, top + 3.0, x - 39.0, top + 5.5, 1.0)
    pen.line(x - 39.2, top + 5.5, x - 35.0, top - 0.5, 1.0)
    pen.text(x, ground + 9.0, "Spread in height and depth, turned many ways", 10, STRONG, "centre")
    pen.text(x, ground + 13.8, "The stone stands among its targets.", 10, align="centre")


def _poor_setting(pen: Pen, x: float, top: float) -> None:
    """Cards in one row on one board behind."""
    ground = top + 52.0
    board = [(x - 36, ground), (x - 36, ground - 20), (x + 36, ground - 20), (x + 36, ground)]
    pen.outline(board, HAIR_MM, 1.0)
    for dx in (-30.0, -20.0, 20.0, 30.0):
        _mini(pen, x + dx, ground - 10.0, 0.0, 6.0)
    _block(pen, x, ground)
    pen.line(x - 41.0, top - 0.5, x - 35.0, top + 5.5, 1.0)
    pen.line(x - 41.0, top + 5.5, x - 35.0, top - 0.5, 1.0)
    pen.text(x, ground + 9.0, "Not all in one plane behind the stone", 10, STRONG, "centre")
    pen.text(x, ground + 13.8, "Depth is then guessed, not measured.", 10, align="centre")


def draw_seat_note(pen: Pen, top: float) -> None:
    """Section through a seat: card, pin, dimple; how to set it."""
    x, k = MARGIN_MM + 46.0, 1.5
    ground = top + 30.0
    stone = [(-30, 0), (-3, 0), (0, 5), (3, 0), (30, 0), (30, 14), (-30, 14)]
    pin = [(-0.8, -14), (0.8, -14), (0.8, 2), (0, 5), (-0.8, 2)]
    card = [(-22, -9), (22, -9), (22, -7), (-22, -7)]
    for shape, grey in ((stone, 0.93), (card, 1.0), (pin, 0.0)):
        pen.outline([(x + k * dx, ground + k * dy) for dx, dy in shape], LINE_MM, grey)
    end = x + k * 38.0
    marks = ((1.4, -12.5, "pin, square to the card"), (22.8, -8.0, "card, stiff and level"))
    for dx, dy, words in (*marks, (1.4, 3.6, "dimple of the seat")):
        pen.line(x + k * dx, ground + k * dy, end, ground + k * dy, HAIR_MM)
        pen.text(end + 1.5, ground + k * dy + 1.2, words, 10)
    words = (
        "Glue the card to a stiff board and drill through the dot, square to the board. Set the "
        "pin so that its point stands a known length below the print, the same for all three, and "
        "write that length on the card: frame survey asks for it (--pin). Number 1 is for seat 1, "
        "2 for seat 2, 3 for seat 3: seen from above they run round against the clock."
    )
    pen.paragraph(MARGIN_MM, ground + k * 14 + 12.0, pen.width_mm - 2 * MARGIN_MM, words, 10, 4.7)


def draw_end_note(pen: Pen, top: float, pairs: list[tuple[int, int]]) -> None:
    """Two ends on a batten, and a line to write each long bar's length on."""
    left, right, level = MARGIN_MM + 8.0, pen.width_mm - MARGIN_MM - 8.0, top + 24.0
    batten = [(left, level - 5), (right, level - 5), (right, level + 5), (left, level + 5)]
    pen.outline(batten, LINE_MM, 0.93)
    for x in (left + 12.0, right - 12.0):
        _mini(pen, x, level, 0.0, 8.0)
        pen.line(x, level - 8.0, x, level - 15.0, HAIR_MM)
    pen.line(left + 12.0, level - 12.0, right - 12.0, level - 12.0, HAIR_MM)
    middle = 0.5 * (left + right)
    pen.text(middle, level - 14.0, "from dot to dot: half a metre or more", 10, align="centre")
    for row, (a, b) in enumerate(pairs):
        y = level + 17.0 + 8.0 * row
        pen.text(left, y, f"Long bar {a}-{b} measures", 10)
        pen.line(left + 46.0, y + 0.4, left + 90.0, y + 0.4, HAIR_MM)
        pen.text(left + 92.0, y, "mm: a line of bars.csv", 10)
