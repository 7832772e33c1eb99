"""CSV tables that people make: read right, or refused with the line and what to do."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.job_files import frame_lines, points_lines, write
from tracker.errors import TableError
from tracker.records.entries import read_bars, read_frame, read_points, read_seats

BARS = ["target_a,target_b,length_mm,u95_mm", "50,51,230.25,0.1", "52,53,199.5,0.1"]


def refused(path: Path, *words: str) -> None:
    with pytest.raises(TableError) as caught:
        read_bars(path, 0.1)
    for word in words:
        assert word in caught.value.message
    assert caught.value.hint


def test_plain_table(tmp_path: Path) -> None:
    bars = read_bars(write(tmp_path / "bars.csv", BARS), 0.3)
    assert [tuple(bar) for bar in bars] == [(50, 51, 230.25, 0.05), (52, 53, 199.5, 0.05)]


@pytest.mark.parametrize("end", ["\n", "\r\n", "\n\n\n"])
@pytest.mark.parametrize("mark", ["utf-8-sig", "utf-16", "utf-8"])
def test_mark_line_ends_and_blank_lines(tmp_path: Path, mark: str, end: str) -> None:
    path = tmp_path / "bars.csv"
    path.write_bytes(end.join(BARS).encode(mark))
    assert read_bars(path, 0.3)[1].length_mm == 199.5


@pytest.mark.parametrize("separator", [";", "\t"])
def test_semicolons_and_decimal_commas_are_read(tmp_path: Path, separator: str) -> None:
    lines = [line.replace(",", separator).replace(".", ",") for line in BARS]
    assert read_bars(write(tmp_path / "bars.csv", lines), 0.3)[0].length_mm == 230.25


def test_default_uncertainty_where_the_column_or_field_is_empty(tmp_path: Path) -> None:
    lines = ["target_a,target_b,length_mm,u95_mm", "50,51,230,", "52,53,200,0.2"]
    bars = read_bars(write(tmp_path / "bars.csv", lines), 0.5)
    assert [bar.sigma_mm for bar in bars] == [0.25, 0.1]
    short = [line.rsplit(",", 1)[0] for line in lines]
    assert read_bars(write(tmp_path / "short.csv", short), 0.5)[1].sigma_mm == 0.25


def test_capitals_and_spaces_in_the_header(tmp_path: Path) -> None:
    lines = ["Target_A, Target_B , LENGTH_mm", " 50 , 51 , 230.25 "]
    assert read_bars(write(tmp_path / "bars.csv", lines), 0.3)[0].length_mm == 230.25


def test_decimal_commas_between_commas_are_refused(tmp_path: Path) -> None:
    lines = [BARS[0], "50,51,230,25,0,1"]
    refused(write(tmp_path / "bars.csv", lines), "line 2", "6 fields", "names 4")


def test_decimal_comma_that_splits_a_length_into_length_and_uncertainty(tmp_path: Path) -> None:
    lines = [BARS[0], "50,51,230,25"]  # 230,25 mm without u95: reads as 230 mm +- 25 mm
    refused(write(tmp_path / "bars.csv", lines), "230 mm", "unsure by 25 mm")


def test_thousands_or_decimals_are_not_guessed(tmp_path: Path) -> None:
    lines = ["target_a;target_b;length_mm", "50;51;1,234"]
    refused(write(tmp_path / "bars.csv", lines), "1,234", "1.234", "1234")


@pytest.mark.parametrize("settled", ["0,234", "1234,567", "12,5", "0,12345"])
def test_one_figure_may_settle_what_commas_mean(tmp_path: Path, settled: str) -> None:
    lines = ["target;corner;x_mm;y_mm;z_mm"]
    square = [("0,000", "40,000"), ("40,000", "40,000"), ("40,000", "0,000"), ("0,000", "0,000")]
    lines += [f"7;{k + 1};{x};{y};{settled}" for k, (x, y) in enumerate(square)]
    frame = read_frame(write(tmp_path / "frame.csv", lines), 0.1)
    assert frame[7].corners_mm[1, 0] == 40.0
    assert frame[7].corners_mm[0, 2] == float(settled.replace(",", "."))


def test_dots_and_commas_mixed(tmp_path: Path) -> None:
    lines = ["target_a;target_b;length_mm", "50;51;230,25", "52;53;199.5"]
    refused(write(tmp_path / "bars.csv", lines), "mixes dots and commas", "199.5", "230,25")


def test_missing_columns_are_named(tmp_path: Path) -> None:
    refused(write(tmp_path / "bars.csv", ["target_a,length_mm", "50,230"]), "target_b")


def test_no_header(tmp_path: Path) -> None:
    refused(write(tmp_path / "bars.csv", BARS[1:]), "no header line", "target_a, target_b")


def test_column_named_twice(tmp_path: Path) -> None:
    lines = ["target_a,target_b,length_mm,length_mm", "50,51,230,230"]
    refused(write(tmp_path / "bars.csv", lines), "length_mm twice")


@pytest.mark.parametrize("column", ["u95", "sigma_mm", "uncertainty"])
def test_uncertainty_by_another_name_is_not_dropped(tmp_path: Path, column: str) -> None:
    lines = [f"target_a,target_b,length_mm,{column}", "50,51,230,0.5"]
    refused(write(tmp_path / "bars.csv", lines), column, "more than one thing")


@pytest.mark.parametrize(
    "text", ["long", "", "12 mm", "1_000", "0x10", "\u0661\u0662", "1.2.3", "--1"]
)
def test_text_for_numbers_is_named_with_its_line(tmp_path: Path, text: str) -> None:
    lines = [*BARS[:2], f"52,53,{text},0.1"]
    refused(write(tmp_path / "bars.csv", lines), "line 3", "length_mm is")


@pytest.mark.parametrize("text", ["nan", "NaN", "inf", "-Infinity", "1e999"])
def test_no_measured_figure(tmp_path: Path, text: str) -> None:
    refused(write(tmp_path / "bars.csv", [*BARS[:2], f"52,53,{text},0.1"]), "line 3", "length_mm")


@pytest.mark.parametrize("text", ["1.5", "-1", "x", "", "587", "9999999999"])
def test_target_numbers(tmp_path: Path, text: str) -> None:
    # the family tag36h11 has 587 codes, 0 to 586 (OpenXR 1.0, XrMarkerAprilTagDictML)
    refused(write(tmp_path / "bars.csv", [BARS[0], f"{text},51,230,0.1"]), "line 2", "target_a")


def test_bar_twice_or_to_itself_or_without_length(tmp_path: Path) -> None:
    refused(write(tmp_path / "a.csv", [*BARS, "51,50,230,0.1"]), "line 4", "51-50 is given twice")
    refused(write(tmp_path / "b.csv", [BARS[0], "50,50,230,0.1"]), "to itself")
    refused(write(tmp_path / "c.csv", [BARS[0], "50,51,0,0.1"]), "measures 0 mm")
    refused(write(tmp_path / "d.csv", [BARS[0], "50,51,230,0"]), "u95_mm is 0")


def test_header_alone_empty_file_and_no_file(tmp_path: Path) -> None:
    refused(write(tmp_path / "a.csv", BARS[:1]), "no line below it")
    refused(write(tmp_path / "b.csv", []), "is empty")
    refused(write(tmp_path / "c.csv", ["", "  "]), "is empty")
    refused(tmp_path / "none.csv", "cannot be opened", "No such file")


def test_files_that_are_no_text(tmp_path: Path) -> None:
    sheet = tmp_path / "bars.csv"
    sheet.write_bytes(b"PK\x03\x04" + bytes(100))
    refused(sheet, "spreadsheet file")
    sheet.write_bytes("target_a,target_b,length_mm\n50,51,230 \u00fc\n".encode("latin-1"))
    refused(sheet, "not written in UTF-8")
    sheet.write_bytes(b"target_a,target_b,length_mm\n50,51,2\x0030\n")
    refused(sheet, "not a text file")
    sheet.write_bytes(b'target_a,target_b,length_mm\n50,51,"230\n')
    refused(sheet, "not a clean CSV table")


def test_short_and_long_lines(tmp_path: Path) -> None:
    refused(write(tmp_path / "a.csv", [BARS[0], "50,51"]), "line 2", "2 fields")
    refused(write(tmp_path / "b.csv", [BARS[0], "50,51,230,0.1,7"]), "line 2", "5 fields")
    assert read_bars(write(tmp_path / "c.csv", [BARS[0], "50,51,230,0.1,,"]), 0.1)


def test_frame_is_read_whole(tmp_path: Path) -> None:
    found = read_frame(write(tmp_path / "frame.csv", frame_lines()), 0.1)
    assert list(found) == [10, 11, 12, 13]
    np.testing.assert_allclose(found[11].corners_mm[0], [280.0, 20.0, 60.0])
    np.testing.assert_allclose(found[11].sigma_mm, 0.02)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda lines: lines[:-1], "target 13 lacks corner 4"),
        (lambda lines: [*lines, lines[-1]], "line 18: corner 4 of target 13 is given twice"),
        (lambda lines: [*lines, "14,5,0,0,0,0.1"], "corner is 5; corners are numbered 1 to 4"),
        (lambda lines: [*lines, "14,0,0,0,0,0.1"], "corner is 0; corners are numbered 1 to 4"),
        (lambda lines: [*lines[:-1], "13,4,280,220,60,30"], "unsure by 30 mm"),
        (
            lambda lines: [lines[0], lines[2].replace("10,2", "10,1"),
                           lines[1].replace("10,1", "10,2"), *lines[3:]],
            "the corners of target 10 make no square",
        ),
        (
            lambda lines: [lines[0], *(f"1,{k},{x},{y},0,0.1" for k, (x, y) in
                           enumerate([(0, 0.04), (0.04, 0.04), (0.04, 0), (0, 0)], start=1))],
            "target 1 has sides of 0.04 mm",
        ),
    ],
)  # fmt: skip
def test_frame_faults(tmp_path: Path, change, message: str) -> None:  # type: ignore[no-untyped-def]
    path = write(tmp_path / "frame.csv", change(frame_lines()))
    with pytest.raises(TableError) as caught:
        read_frame(path, 0.1)
    assert message in caught.value.message
    assert caught.value.hint


def test_points_are_read_with_unit_needles(tmp_path: Path) -> None:
    lines = [*points_lines(), "left ear \u00fc,1,2,3,0,3,4"]
    points = read_points(write(tmp_path / "points.csv", lines))
    assert points.names == ("beak", "crown", "left ear \u00fc")
    np.testing.assert_allclose(points.normals[2], [0.0, 0.6, 0.8])


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("beak,1,2,3,0,0,1", "line 4: the name beak was already given in line 2"),
        ("BEAK,1,2,3,0,0,1", "line 4: the name BEAK was already given in line 2"),
        (",1,2,3,0,0,1", "name is empty"),
        ("ear,1,2,3,0,0,0", "the needle direction of ear has no usable length (0)"),
        ("ear,1,2,three,0,0,1", "z_mm is 'three', not a number"),
        ("ear,1,2,3,0,0,nan", "nz is nan, which is no measured figure"),
        ("e\x07ar,1,2,3,0,0,1", "characters that cannot be printed"),
    ],
)
def test_points_faults(tmp_path: Path, line: str, message: str) -> None:
    path = write(tmp_path / "points.csv", [*points_lines(), line])
    with pytest.raises(TableError) as caught:
        read_points(path)
    assert message in caught.value.message


@pytest.mark.parametrize(
    ("lines", "message"),
    [
        (["1,0,0,0", "2,1,0,0"], "lacks seat 3"),
        (["1,0,0,0", "2,1,0,0", "2,0,1,0"], "line 4: seat 2 is given twice"),
        (["1,0,0,0", "2,1,0,0", "4,0,1,0"], "seat 4 is not one of the seats 1, 2 and 3"),
    ],
)
def test_seats_faults(tmp_path: Path, lines: list[str], message: str) -> None:
    with pytest.raises(TableError) as caught:
        read_seats(write(tmp_path / "seats.csv", ["seat,x_mm,y_mm,z_mm", *lines]))
    assert message in caught.value.message
