"""What is printed where on the target sheets: papers, roles, numbers, places.

Places are millimetres from the upper left corner of the page as it is read, x to the right and
y down. Scale-bar pages are read sideways, so that the bars run along the long edge.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from tracker.errors import InputError
from tracker.targets.family import FAMILY_SIZE, SQUARE_MODULES

INCH_MM = 25.4
MARGIN_MM = 12.0
"""Free edge; desktop printers reach to about 6 mm (common practice)."""
HEADER_MM = 20.0
FOOTER_MM = 20.0
CARD_SIDE_MM = 48.0
"""Side of the black square of a card, six millimetres a module."""
CARD_LABEL_MM = 10.0
"""Strip under the card's white rim that bears its number."""
BAR_SIDE_MM = 34.0
BAR_EDGE_MM = 2.75
"""Strip outside the white rim of a bar, for the centre ticks and the dimension line."""
BAR_STEP_MM = 5.0
"""Bars have lengths in whole steps."""
BOARD_SQUARES = (10, 7)
"""Squares along and across the calibration board: one count even, so that it has one way up."""
BOARD_SQUARE_MM = 20.0


class Role(Enum):
    """What a target is for; the first number of each sort of card."""

    SEAT = "seat"
    FRAME = "frame"
    BENCH = "bench"
    BAR = "scale bar"
    END = "bar end"
    LASTING = "block"
    BOARD = "calibration board"


FIRST_TAG = {
    Role.SEAT: 1,
    Role.FRAME: 10,
    Role.BENCH: 30,
    Role.BAR: 50,
    Role.END: 70,
    Role.LASTING: 80,
}
ROOM = {
    Role.SEAT: 3,
    Role.FRAME: 20,
    Role.BENCH: 20,
    Role.BAR: 20,
    Role.END: 10,
    Role.LASTING: FAMILY_SIZE - 80,
}
"""How many targets of each role have numbers of their own."""


@dataclass(frozen=True, slots=True)
class Paper:
    """A paper size and the line printed on it for the ruler.

    References
    ----------
    ISO 216 (A4: 210 mm x 297 mm); Letter 8.5 in x 11 in, ANSI/ASME Y14.1 (from memory).
    """

    name: str
    width_mm: float
    height_mm: float
    check_mm: float
    check_text: str
    check_step_mm: float


PAPERS = {
    "A4": Paper("A4", 210.0, 297.0, 100.0, "100 mm", 10.0),
    "Letter": Paper(
        "Letter", 8.5 * INCH_MM, 11.0 * INCH_MM, 4.0 * INCH_MM, "4 inch = 101.6 mm", 0.5 * INCH_MM
    ),
}


@dataclass(frozen=True, slots=True)
class Card:
    """One printed target; `x_mm`, `y_mm` is the centre of its black square."""

    tag: int
    role: Role
    side_mm: float
    x_mm: float
    y_mm: float

    @property
    def rim_mm(self) -> float:
        """White round the square: one module."""
        return self.side_mm / SQUARE_MODULES


@dataclass(frozen=True, slots=True)
class Bar:
    """Two targets on one strip; `length_mm` from centre to centre as drawn."""

    letter: str
    first: Card
    second: Card

    @property
    def length_mm(self) -> float:
        """Distance of the centres."""
        return self.second.x_mm - self.first.x_mm


@dataclass(frozen=True, slots=True)
class Board:
    """The chequered calibration board; `x_mm`, `y_mm` is its upper left corner."""

    columns: int
    rows: int
    square_mm: float
    x_mm: float
    y_mm: float

    @property
    def corners(self) -> tuple[int, int]:
        """Inner corners along and across, by which the board is found."""
        return self.columns - 1, self.rows - 1


@dataclass(frozen=True, slots=True)
class Page:
    """One sheet: cards of one role, or bars, or the board (these two are read sideways)."""

    role: Role
    cards: tuple[Card, ...]
    bars: tuple[Bar, ...] = ()
    board: Board | None = None

    @property
    def sideways(self) -> bool:
        """Whether the page is read with its long edge level."""
        return bool(self.bars) or self.board is not None


def paper_named(name: str) -> Paper:
    """Paper of that name, however it is capitalised.

    Raises
    ------
    InputError
        Neither A4 nor Letter.
    """
    for paper in PAPERS.values():
        if paper.name.lower() == name.strip().lower():
            return paper
    raise InputError(f"There are no sheets for the paper {name!r}.", "Choose A4 or Letter.")


def card_size_mm(side_mm: float) -> tuple[float, float]:
    """Width and height of a card as cut: square, rim all round, label strip below."""
    wide = side_mm * (SQUARE_MODULES + 2) / SQUARE_MODULES
    return wide, wide + CARD_LABEL_MM


def card_pages(paper: Paper, role: Role, count: int) -> list[Page]:
    """`count` cards of a role, filled into pages row by row from the upper left.

    Raises
    ------
    InputError
        More cards than the role has numbers.
    """
    _check_count(role, count)
    wide, high = card_size_mm(CARD_SIDE_MM)
    columns = int((paper.width_mm - 2 * MARGIN_MM) // wide)
    rows = int((paper.height_mm - 2 * MARGIN_MM - HEADER_MM - FOOTER_MM) // high)
    left = 0.5 * (paper.width_mm - columns * wide)
    top = 0.5 * (paper.height_mm + HEADER_MM - FOOTER_MM - rows * high)
    cards = []
    for place in range(count):
        row, column = divmod(place % (columns * rows), columns)
        x, y = left + (column + 0.5) * wide, top + row * high + 0.5 * wide
        cards.append(Card(FIRST_TAG[role] + place, role, CARD_SIDE_MM, x, y))
    full = columns * rows
    return [Page(role, tuple(cards[i : i + full])) for i in range(0, count, full)]


def bar_size_mm(length_mm: float) -> tuple[float, float]:
    """Length and width of a bar's strip as cut."""
    rimmed = BAR_SIDE_MM * (SQUARE_MODULES + 2) / SQUARE_MODULES
    return length_mm + rimmed, rimmed + 2 * BAR_EDGE_MM


def bar_length_mm(paper: Paper) -> float:
    """Longest centre distance, in whole steps, that the long edge of the paper allows."""
    ends, _ = bar_size_mm(0.0)
    room = paper.height_mm - 2 * MARGIN_MM - ends
    return float(room // BAR_STEP_MM) * BAR_STEP_MM


def bar_pages(paper: Paper, count: int) -> list[Page]:
    """`count` scale bars, as many a page as fit above one another.

    Raises
    ------
    InputError
        More bars than there are pairs of numbers for.
    """
    _check_count(Role.BAR, 2 * count)
    length = bar_length_mm(paper)
    _, wide = bar_size_mm(length)
    room = paper.width_mm - 2 * MARGIN_MM - HEADER_MM - FOOTER_MM
    rows = int(room // wide)
    left = 0.5 * (paper.height_mm - length)
    bars = []
    for place in range(count):
        y = MARGIN_MM + HEADER_MM + (place % rows + 0.5) * wide
        tag = FIRST_TAG[Role.BAR] + 2 * place
        ends = [Card(tag + k, Role.BAR, BAR_SIDE_MM, left + k * length, y) for k in (0, 1)]
        bars.append(Bar(chr(ord("A") + place), ends[0], ends[1]))
    return [
        Page(Role.BAR, tuple(c for b in part for c in (b.first, b.second)), tuple(part))
        for part in (bars[i : i + rows] for i in range(0, count, rows))
    ]


def end_pages(paper: Paper, count: int) -> list[Page]:
    """Cards for `count` long bars, two to a bar, whose length the carver measures.

    Raises
    ------
    InputError
        More bars than there are pairs of numbers for.
    """
    return card_pages(paper, Role.END, 2 * count)


def board_page(paper: Paper) -> Page:
    """The calibration board, in the middle between head and foot of a page read sideways."""
    columns, rows = BOARD_SQUARES
    left = 0.5 * (paper.height_mm - columns * BOARD_SQUARE_MM)
    top = 0.5 * (paper.width_mm + HEADER_MM - FOOTER_MM - rows * BOARD_SQUARE_MM)
    return Page(Role.BOARD, (), (), Board(columns, rows, BOARD_SQUARE_MM, left, top))


def _check_count(role: Role, count: int) -> None:
    if not 0 <= count <= ROOM[role]:
        paired = {Role.BAR: "bars", Role.END: "long bars"}
        unit = paired.get(role, f"{role.value} cards")
        most = ROOM[role] // 2 if role in paired else ROOM[role]
        raise InputError(
            f"There are numbers for 0 to {most} {unit}.", "Ask for fewer, and print them once only."
        )
