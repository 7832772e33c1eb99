"""The tables of a stage: ``points.csv`` and ``overcuts.csv``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from tracker.comparison.states import Bands, State
from tracker.maths.camera import Array
from tracker.records.tables import Row, Table, fixed, millimetres, read_table, write_table

if TYPE_CHECKING:
    from tracker.comparison.overcuts import OvercutSpot

POINT_COLUMNS = (
    *("name", "x_mm", "y_mm", "z_mm", "nx", "ny", "nz"),
    *("stone_left_mm", "bound", "u95_mm", "state", "sure", "photos"),
)
OVERCUT_COLUMNS = (
    *("id", "x_mm", "y_mm", "z_mm", "depth_mm", "bound"),
    *("u95_mm", "area_mm2", "nearest_point", "trend"),
)
AT_LEAST = "at least"
STATES = tuple(state.label for state in State)


@dataclass(frozen=True, slots=True)
class PointReading:
    """One point of the pointing list and its stone left.

    Attributes
    ----------
    xyz, normal : (3,) arrays
        mm, frame coordinates; unit, outward.
    stone_left_mm, u95_mm : float or None
        None where not seen.
    at_least : bool
        The figure is a bound.
    state : str
        One of STATES.
    photos : int
        Photographs that see it.
    """

    name: str
    xyz: Array
    normal: Array
    stone_left_mm: float | None
    at_least: bool
    u95_mm: float | None
    state: str
    sure: bool
    photos: int


FEWEST_PHOTOS = 3
"""Photographs that have to look at a point before it can have a figure."""


def advice(reading: PointReading, bands: Bands) -> str:
    """What the carver has to mind at a point: the needle, light tools, or where to stand."""
    if reading.stone_left_mm is None or reading.u95_mm is None:
        if reading.photos < FEWEST_PHOTOS:
            return "photograph it from in front"
        return "not told by the photographs: take it with the needle"
    notes = []
    if not reading.sure:
        notes.append("check with the needle")
    lowest = reading.stone_left_mm - reading.u95_mm
    highest = reading.stone_left_mm + reading.u95_mm
    bound = reading.at_least and reading.stone_left_mm > 0.0
    stone_to_take = bound or highest > bands.finished_below_mm
    if stone_to_take and lowest < bands.light_tools_below_mm:
        notes.append("light tools only")
    return ", ".join(notes)


def point_rows(readings: Sequence[PointReading]) -> list[tuple[str | int, ...]]:
    """Lines of ``points.csv``, columns as in POINT_COLUMNS."""
    return [
        (
            reading.name,
            *map(millimetres, reading.xyz),
            *(fixed(n, 6) for n in reading.normal),
            "" if reading.stone_left_mm is None else millimetres(reading.stone_left_mm),
            AT_LEAST if reading.at_least else "",
            "" if reading.u95_mm is None else millimetres(reading.u95_mm),
            reading.state,
            "yes" if reading.sure else "no",
            reading.photos,
        )
        for reading in readings
    ]


def overcut_rows(spots: Sequence[OvercutSpot]) -> list[tuple[str | int, ...]]:
    """Lines of ``overcuts.csv``, columns as in OVERCUT_COLUMNS."""
    return [
        (
            spot.identity,
            *map(millimetres, spot.place),
            millimetres(spot.depth_mm),
            AT_LEAST if spot.at_least else "",
            millimetres(spot.u95_mm),
            fixed(spot.area_mm2, 1),
            spot.nearest_point,
            spot.trend,
        )
        for spot in spots
    ]


def write_point_readings(path: Path, readings: Sequence[PointReading]) -> None:
    """Writes ``points.csv``."""
    write_table(path, POINT_COLUMNS, point_rows(readings))


def write_overcuts(path: Path, spots: Sequence[OvercutSpot]) -> None:
    """Writes ``overcuts.csv``."""
    write_table(path, OVERCUT_COLUMNS, overcut_rows(spots))


def read_point_readings(path: Path) -> tuple[PointReading, ...]:
    """Points of a stage.

    Raises
    ------
    TableError
        The table was damaged.
    """
    rows = read_or_empty(path, POINT_COLUMNS, (*POINT_COLUMNS[1:8], "u95_mm", "photos"))
    return tuple(
        PointReading(
            name=table.text(row, "name"),
            xyz=_three(table, row, ("x_mm", "y_mm", "z_mm")),
            normal=_three(table, row, ("nx", "ny", "nz")),
            stone_left_mm=_maybe(table, row, "stone_left_mm"),
            at_least=_bound(table, row),
            u95_mm=_maybe(table, row, "u95_mm"),
            state=_one_of(table, row, "state", STATES),
            sure=_one_of(table, row, "sure", ("yes", "no")) == "yes",
            photos=table.whole(row, "photos"),
        )
        for table, row in rows
    )


def read_overcuts(path: Path) -> tuple[OvercutSpot, ...]:
    """Over-cut spots of a stage.

    Raises
    ------
    TableError
        The table was damaged.
    """
    from tracker.comparison.overcuts import OvercutSpot

    rows = read_or_empty(path, OVERCUT_COLUMNS, (*OVERCUT_COLUMNS[:5], "u95_mm", "area_mm2"))
    return tuple(
        OvercutSpot(
            identity=table.whole(row, "id"),
            place=_three(table, row, ("x_mm", "y_mm", "z_mm")),
            depth_mm=table.number(row, "depth_mm"),
            at_least=_bound(table, row),
            u95_mm=table.number(row, "u95_mm"),
            area_mm2=table.number(row, "area_mm2"),
            nearest_point=row.fields["nearest_point"],
            trend=table.text(row, "trend"),
        )
        for table, row in rows
    )


def read_or_empty(
    path: Path, columns: Sequence[str], numbers: Sequence[str]
) -> list[tuple[Table, Row]]:
    """Lines of a table of our own, which may have none."""
    header = ",".join(columns)
    if path.is_file() and path.read_bytes().strip() == header.encode():
        return []
    table = read_table(path, columns, numbers)
    return [(table, row) for row in table.rows]


def _three(table: Table, row: Row, columns: tuple[str, str, str]) -> Array:
    return np.array([table.number(row, column) for column in columns])


def _maybe(table: Table, row: Row, column: str) -> float | None:
    return table.number(row, column) if row.fields[column] else None


def _bound(table: Table, row: Row) -> bool:
    return _one_of(table, row, "bound", ("", AT_LEAST)) == AT_LEAST


def _one_of(table: Table, row: Row, column: str, allowed: Sequence[str]) -> str:
    text = row.fields[column]
    if text not in allowed:
        raise table.fault(row, f"{column} is '{text}'", f"It must be one of: {', '.join(allowed)}.")
    return text
