"""Over-cut spots as a table in the terminal."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from tracker.cli.output import print_table, say, shown_mm

if TYPE_CHECKING:
    from tracker.comparison.overcuts import OvercutSpot


def print_overcuts(spots: Sequence[OvercutSpot], words: Mapping[str, str] | None = None) -> None:
    """Prints the spots, or that there are none; `words` renames trends."""
    words = words or {}
    rows = [
        [
            str(spot.identity),
            shown_mm(spot.depth_mm, spot.at_least),
            shown_mm(None if spot.at_least else spot.u95_mm),
            f"{spot.area_mm2:.0f}",
            spot.nearest_point,
            words.get(spot.trend, spot.trend),
        ]
        for spot in spots
    ]
    if rows:
        columns = ["over-cut", "depth mm", "U95", "area mm2", "nearest point", "trend"]
        print_table(columns, rows, "rrrrll")
    else:
        say("No over-cut spot was found on the stone that was seen.")
