"""The job's tables as measuring sees them: frame targets, scale bars, points, seats."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import numpy as np

from tracker.errors import TableError
from tracker.maths.camera import Array
from tracker.records.tables import Row, Table, fixed, millimetres, read_table, write_table

LARGEST_TARGET = 586
"""Numbers of the family tag36h11 run from 0 to 586."""
SQUARE_TOLERANCE = 0.05
"""Largest relative difference between a target's sides: beyond it the corners are mixed up."""
SMALLEST_TARGET_MM = 4.0
LARGEST_TARGET_MM = 2000.0
LARGEST_CORNER_U95_MM = 5.0
LARGEST_BAR_U95 = 0.01
"""Largest believable U95 of a bar, as a share of its length."""
FRAME_COLUMNS = ("target", "corner", "x_mm", "y_mm", "z_mm")
BAR_COLUMNS = ("target_a", "target_b", "length_mm")
POINT_COLUMNS = ("name", "x_mm", "y_mm", "z_mm", "nx", "ny", "nz")
PROPOSED_COLUMNS = ("rank", "needle")
"""Added where points were proposed: their rank, and whether a needle gets there."""
NEEDLE_FREE, NEEDLE_BARRED = "free", "not reachable"
SEAT_COLUMNS = ("seat", "x_mm", "y_mm", "z_mm")


class FrameTarget(NamedTuple):
    """A target whose place in the frame is on record.

    Attributes
    ----------
    corners_mm : (4, 3) array, mm, frame coordinates
        Top left, top right, bottom right, bottom left of the upright print.
    sigma_mm : (4,) array, mm
        One standard deviation of each corner, the same in the three directions.
    """

    corners_mm: Array
    sigma_mm: Array


class Bar(NamedTuple):
    """A scale bar: distance between two targets' centres, mm, with one standard deviation."""

    target_a: int
    target_b: int
    length_mm: float
    sigma_mm: float


@dataclass(frozen=True, slots=True)
class Points:
    """The pointing list, n points.

    Attributes
    ----------
    names : tuple of str
    xyz : (n, 3) array, mm, frame coordinates
        Places on the model.
    normals : (n, 3) array, unit
        Direction from which the needle comes, outward.
    ranks : tuple of int or None
        Of proposed points, by which they keep their order; None for those picked by hand. Empty
        where none was proposed.
    barred : frozenset of str
        Names of points that no needle can reach.
    """

    names: tuple[str, ...]
    xyz: Array
    normals: Array
    ranks: tuple[int | None, ...] = ()
    barred: frozenset[str] = frozenset()

    def __len__(self) -> int:
        return len(self.names)

    @staticmethod
    def none() -> Points:
        """A list without points."""
        return Points((), np.zeros((0, 3)), np.zeros((0, 3)))

    def rank(self, row: int) -> int | None:
        """Rank of a proposed point, None for one picked by hand."""
        return self.ranks[row] if self.ranks else None

    def with_added(self, more: Points) -> Points:
        """Both lists, this one first.

        Raises
        ------
        TableError
            A name that is in both.
        """
        known = {name.casefold() for name in self.names}
        twice = [name for name in more.names if name.casefold() in known]
        if twice:
            raise TableError(
                f"The name {twice[0]} is on record already"
                + (f", and so are {len(twice) - 1} more." if len(twice) > 1 else "."),
                "Give the new points names of their own.",
            )
        ranks = tuple(part.rank(k) for part in (self, more) for k in range(len(part)))
        return Points(
            self.names + more.names,
            np.concatenate([self.xyz, more.xyz]),
            np.concatenate([self.normals, more.normals]),
            ranks if any(rank is not None for rank in ranks) else (),
            self.barred | more.barred,
        )


def read_frame(path: Path, default_u95_mm: float) -> dict[int, FrameTarget]:
    """Frame targets by number, in the order of their numbers.

    Raises
    ------
    TableError
        Faults of the table; corners missing, repeated, or not a square.
    """
    numbers = ("target", "corner", "x_mm", "y_mm", "z_mm", "u95_mm")
    table = read_table(path, FRAME_COLUMNS, numbers)
    found: dict[int, dict[int, tuple[Array, float, Row]]] = {}
    for row in table.rows:
        tag = _tag(table, row, "target")
        corner = table.whole(row, "corner")
        if corner not in (1, 2, 3, 4):
            raise table.fault(row, f"corner is {corner}; corners are numbered 1 to 4")
        if corner in found.setdefault(tag, {}):
            raise table.fault(row, f"corner {corner} of target {tag} is given twice")
        u95 = _u95(table, row, default_u95_mm)
        if u95 > LARGEST_CORNER_U95_MM:
            raise table.fault(
                row,
                f"corner {corner} of target {tag} is said to be unsure by {u95:g} mm",
                "Such a target places nothing; check u95_mm (decimal commas may have split "
                "the figures), or leave the target out.",
            )
        found[tag][corner] = (_xyz(table, row), u95, row)
    return {tag: _frame_target(table, tag, found[tag]) for tag in sorted(found)}


def read_bars(path: Path, default_u95_mm: float, noun: str = "bar") -> tuple[Bar, ...]:
    """Scale bars, or other known lengths, in the order of the file.

    Parameters
    ----------
    path : Path
    default_u95_mm : float
        Of those without one.
    noun : str
        What messages call one.

    Raises
    ------
    TableError
        Faults of the table; a bar given twice, from a target to itself, without length, or with
        an uncertainty that no bar has.
    """
    table = read_table(path, BAR_COLUMNS, (*BAR_COLUMNS, "u95_mm"))
    bars: list[Bar] = []
    for row in table.rows:
        a, b = _tag(table, row, "target_a"), _tag(table, row, "target_b")
        if a == b:
            raise table.fault(row, f"the {noun} goes from target {a} to itself")
        if any({a, b} == {bar.target_a, bar.target_b} for bar in bars):
            raise table.fault(row, f"the {noun} {a}-{b} is given twice")
        length = table.number(row, "length_mm")
        if length <= 0.0:
            raise table.fault(row, f"the {noun} {a}-{b} measures {length:g} mm")
        u95 = _u95(table, row, default_u95_mm)
        if u95 > LARGEST_BAR_U95 * length:
            raise table.fault(
                row,
                f"the {noun} {a}-{b} of {length:g} mm is said to be unsure by {u95:g} mm",
                f"A {noun} must be known to 1 % at the very least; check length and u95_mm "
                "(a decimal comma may have split the length).",
            )
        bars.append(Bar(a, b, length, 0.5 * u95))
    return tuple(bars)


def read_points(path: Path) -> Points:
    """Pointing list in the order of the file, directions made unit.

    Raises
    ------
    TableError
        Faults of the table; a name or a rank given twice, a direction without length.
    """
    table = read_table(path, POINT_COLUMNS, POINT_COLUMNS[1:])
    lines: dict[str, int] = {}
    names: list[str] = []
    xyz: list[Array] = []
    normals: list[Array] = []
    for row in table.rows:
        name = table.text(row, "name")
        if name.casefold() in lines:
            raise table.fault(
                row,
                f"the name {name} was already given in line {lines[name.casefold()]}",
                "Give each point a name of its own.",
            )
        lines[name.casefold()] = row.line
        direction = np.array([table.number(row, axis) for axis in ("nx", "ny", "nz")])
        length = float(np.linalg.norm(direction))
        if not 1e-6 < length < 1e6:
            raise table.fault(
                row,
                f"the needle direction of {name} has no usable length ({length:g})",
                "Give nx, ny, nz pointing outward, away from the stone.",
            )
        names.append(name)
        xyz.append(_xyz(table, row))
        normals.append(direction / length)
    ranks = tuple(_rank(table, row) for row in table.rows)
    given = [rank for rank in ranks if rank is not None]
    if len(set(given)) < len(given):
        raise TableError(
            f"{path.name} gives one rank to two points.", "Give each its own, or leave it empty."
        )
    barred = [row.fields.get("needle", "") == NEEDLE_BARRED for row in table.rows]
    return Points(
        tuple(names),
        np.array(xyz),
        np.array(normals),
        ranks if given else (),
        frozenset(name for name, shut in zip(names, barred, strict=True) if shut),
    )


def _rank(table: Table, row: Row) -> int | None:
    return table.whole(row, "rank") if row.fields.get("rank") else None


def read_seats(path: Path) -> Array:
    """The three seats in the mesh's own coordinates and units, (3, 3).

    Raises
    ------
    TableError
        Faults of the table; not exactly the seats 1, 2 and 3.
    """
    table = read_table(path, SEAT_COLUMNS, SEAT_COLUMNS)
    seats: dict[int, Array] = {}
    for row in table.rows:
        seat = table.whole(row, "seat")
        if seat not in (1, 2, 3) or seat in seats:
            found = "given twice" if seat in seats else "not one of the seats 1, 2 and 3"
            raise table.fault(row, f"seat {seat} is {found}")
        seats[seat] = _xyz(table, row)
    missing = [str(seat) for seat in (1, 2, 3) if seat not in seats]
    if missing:
        raise TableError(
            f"{path.name} lacks seat {', '.join(missing)}.", "Give the seats 1, 2 and 3."
        )
    return np.array([seats[seat] for seat in (1, 2, 3)])


def write_frame(path: Path, frame: Mapping[int, FrameTarget]) -> None:
    """Writes the frame targets with their U95."""
    rows: list[tuple[str | int, ...]] = [
        (tag, corner + 1, *(_micro(v) for v in target.corners_mm[corner]), _micro(2.0 * sigma))
        for tag, target in sorted(frame.items())
        for corner, sigma in enumerate(target.sigma_mm)
    ]
    write_table(path, (*FRAME_COLUMNS, "u95_mm"), rows)


def write_bars(path: Path, bars: Sequence[Bar]) -> None:
    """Writes the scale bars with their U95."""
    rows = [(b.target_a, b.target_b, _micro(b.length_mm), _micro(2.0 * b.sigma_mm)) for b in bars]
    write_table(path, (*BAR_COLUMNS, "u95_mm"), rows)


def write_points(path: Path, points: Points) -> None:
    """Writes the pointing list; with ranks and needles where points were proposed."""
    rows: list[tuple[str, ...]] = [
        (name, *map(millimetres, xyz), *(fixed(n, 6) for n in normal))
        for name, xyz, normal in zip(points.names, points.xyz, points.normals, strict=True)
    ]
    if not points.ranks:
        write_table(path, POINT_COLUMNS, rows)
        return
    more = [
        (
            "" if rank is None else str(rank),
            NEEDLE_BARRED if name in points.barred else "" if rank is None else NEEDLE_FREE,
        )
        for name, rank in zip(points.names, points.ranks, strict=True)
    ]
    rows = [(*row, *added) for row, added in zip(rows, more, strict=True)]
    write_table(path, (*POINT_COLUMNS, *PROPOSED_COLUMNS), rows)


def write_seats(path: Path, seats: Array) -> None:
    """Writes the three seats, (3, 3), mm."""
    rows: list[tuple[str | int, ...]] = [
        (k + 1, *(_micro(v) for v in seat)) for k, seat in enumerate(seats)
    ]
    write_table(path, SEAT_COLUMNS, rows)


def _micro(value: float) -> str:
    return fixed(float(value), 4)


def _xyz(table: Table, row: Row) -> Array:
    return np.array([table.number(row, axis) for axis in ("x_mm", "y_mm", "z_mm")])


def _tag(table: Table, row: Row, column: str) -> int:
    tag = table.whole(row, column)
    if tag > LARGEST_TARGET:
        raise table.fault(row, f"{column} is {tag}; targets are numbered 0 to {LARGEST_TARGET}")
    return tag


def _u95(table: Table, row: Row, default_mm: float) -> float:
    u95 = table.number_or(row, "u95_mm", default_mm)
    if u95 <= 0.0:
        raise table.fault(
            row,
            f"u95_mm is {u95:g}; nothing is known without doubt",
            "Give the expanded uncertainty in mm, or leave the field empty for the job's own.",
        )
    return u95


def _frame_target(
    table: Table, tag: int, corners: dict[int, tuple[Array, float, Row]]
) -> FrameTarget:
    missing = [str(k) for k in (1, 2, 3, 4) if k not in corners]
    if missing:
        raise TableError(
            f"{table.source}: target {tag} lacks corner {', '.join(missing)}.",
            "Give all four: 1 top left, 2 top right, 3 bottom right, 4 bottom left.",
        )
    xyz = np.array([corners[k][0] for k in (1, 2, 3, 4)])
    sides = np.linalg.norm(np.roll(xyz, -1, axis=0) - xyz, axis=1)
    side = float(np.median(sides))
    last = corners[4][2]
    if not SMALLEST_TARGET_MM < side < LARGEST_TARGET_MM:
        raise table.fault(
            last, f"target {tag} has sides of {side:g} mm", "The table's figures are millimetres."
        )
    diagonals = np.linalg.norm(xyz[[0, 1]] - xyz[[2, 3]], axis=1) / np.sqrt(2.0)
    if np.max(np.abs(np.concatenate([sides, diagonals]) / side - 1.0)) > SQUARE_TOLERANCE:
        shown = ", ".join(f"{value:.1f}" for value in sides)
        raise table.fault(
            last,
            f"the corners of target {tag} make no square (sides {shown} mm)",
            "Number them 1 top left, 2 top right, 3 bottom right, 4 bottom left of the print.",
        )
    return FrameTarget(xyz, 0.5 * np.array([corners[k][1] for k in (1, 2, 3, 4)]))
