"""What a print that came out too small or too large is worth, and sheets that cannot be made.

Proportion by hand: a 100 mm line that measures 98.6 mm makes a 230 mm bar 226.78 mm long. An
inch is 25.4 mm exactly (international yard and pound agreement, 1959).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tracker.errors import InputError
from tracker.targets.sheet import length_as_printed, write_sheets
from tracker.targets.sheet_plan import PAPERS, bar_length_mm


def test_bar_shrinks_with_the_check_line() -> None:
    bar = length_as_printed(230.0, PAPERS["A4"], 98.6)
    assert bar.length_mm == pytest.approx(226.78, abs=1e-9)


def test_reading_of_the_rule_grows_with_the_bar() -> None:
    bar = length_as_printed(210.0, PAPERS["Letter"], 101.6)
    assert bar.length_mm == 210.0
    assert bar.u95_mm == pytest.approx(0.3 * 210.0 / 101.6, abs=5e-4)


@pytest.mark.parametrize("reading", [9.86, 986.0, 0.0, -98.6, float("nan"), float("inf")])
def test_impossible_readings_are_refused(reading: float) -> None:
    with pytest.raises(InputError, match=r"100 mm long as drawn, but .* mm was given") as refused:
        length_as_printed(230.0, PAPERS["A4"], reading)
    assert "Measure it again" in refused.value.hint


@pytest.mark.parametrize("name", ["A4", "Letter"])
def test_bars_are_as_long_as_the_sheet_allows(name: str) -> None:
    paper = PAPERS[name]
    assert 0.73 * paper.height_mm < bar_length_mm(paper) < paper.height_mm - 24.0 - 42.0


def test_unknown_paper(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no sheets for the paper 'A3'") as refused:
        write_sheets(tmp_path / "sheets.pdf", "A3")
    assert refused.value.hint == "Choose A4 or Letter."
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("frame", "bench", "bars", "most"),
    [(21, 9, 3, "20 frame cards"), (18, 9, 11, "10 bars"), (18, -1, 3, "20 bench cards")],
)
def test_more_cards_than_numbers(
    tmp_path: Path, frame: int, bench: int, bars: int, most: str
) -> None:
    with pytest.raises(InputError, match=f"There are numbers for 0 to {most}"):
        write_sheets(tmp_path / "sheets.pdf", frame=frame, bench=bench, bars=bars)
    assert list(tmp_path.iterdir()) == []


def test_no_such_folder(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be written") as refused:
        write_sheets(tmp_path / "missing" / "sheets.pdf")
    assert "may write to" in refused.value.hint


def test_same_sheets_every_time(tmp_path: Path) -> None:
    first = write_sheets(tmp_path / "a.pdf").path.read_bytes()
    assert write_sheets(tmp_path / "b.pdf").path.read_bytes() == first
