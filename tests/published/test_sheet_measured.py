"""What a print that came out too small or too large is worth, and sheets that cannot be made.

Proportion by hand: a 100 mm line that measures 98.6 mm makes a 230 mm bar 226.78 mm long. An
inch is 25.4 mm exactly (international yard and pound agreement, 1959).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tracker.errors import InputError
from tracker.records.entries import Bar
from tracker.records.printed_bars import corrected_bars, printed_bars
from tracker.targets.sheet import length_as_printed, plan_sheets, write_sheets
from tracker.targets.sheet_plan import PAPERS, bar_length_mm, paper_named

A4 = PAPERS["A4"]


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


def test_unknown_paper() -> None:
    with pytest.raises(InputError, match="no sheets for the paper 'A3'") as refused:
        paper_named("A3")
    assert refused.value.hint == "Choose A4 or Letter."


@pytest.mark.parametrize(
    ("sort", "wanted", "most"),
    [
        ("frame", 21, "20 frame cards"),
        ("bars", 11, "10 bars"),
        ("long_bars", 6, "5 long bars"),
        ("bench", -1, "20 bench cards"),
    ],
)
def test_more_cards_than_numbers(sort: str, wanted: int, most: str) -> None:
    with pytest.raises(InputError, match=f"There are numbers for 0 to {most}"):
        plan_sheets(A4, **{sort: wanted})


def test_no_such_folder(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be written") as refused:
        write_sheets(tmp_path / "missing" / "sheets.pdf", A4, plan_sheets(A4))
    assert "may write to" in refused.value.hint


def test_same_sheets_every_time(tmp_path: Path) -> None:
    first = write_sheets(tmp_path / "a.pdf", A4, plan_sheets(A4)).path.read_bytes()
    assert write_sheets(tmp_path / "b.pdf", A4, plan_sheets(A4)).path.read_bytes() == first


def test_job_takes_the_bars_of_the_print_and_keeps_the_others() -> None:
    pages = plan_sheets(A4)
    drawn, printed = printed_bars(A4, pages), printed_bars(A4, pages, 98.6)
    long_bar = Bar(70, 71, 612.4, 0.1)
    job = (long_bar, Bar(51, 50, 230.0, 0.05))
    bars, kept = corrected_bars(job, drawn, printed)
    assert bars[0] == long_bar
    assert kept == ()
    assert [bar.length_mm for bar in bars[1:]] == pytest.approx([226.78] * 3, abs=1e-9)
    assert corrected_bars(bars, drawn, printed) == (bars, ())


def test_measured_bar_is_not_replaced_by_the_line() -> None:
    pages = plan_sheets(A4)
    drawn, printed = printed_bars(A4, pages), printed_bars(A4, pages, 98.6)
    measured = Bar(50, 51, 226.9, 0.05)
    bars, kept = corrected_bars((measured,), drawn, printed)
    assert bars[0] == measured
    assert kept == (measured,)
    assert [bar.length_mm for bar in bars[1:]] == pytest.approx([226.78] * 2)
    bars, kept = corrected_bars((measured,), drawn, printed, replace=True)
    assert bars[0].length_mm == pytest.approx(226.78)
    assert kept == ()


def test_sheets_without_bars_correct_nothing() -> None:
    with pytest.raises(InputError, match="no scale bars"):
        corrected_bars((), (), ())
