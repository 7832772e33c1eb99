"""Whatever is written is read back; whatever a spreadsheet makes of it is read right or refused."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tracker.errors import TableError
from tracker.records.entries import (
    Bar,
    FrameTarget,
    Points,
    read_bars,
    read_frame,
    read_points,
    write_bars,
    write_frame,
    write_points,
)
from tracker.records.tables import fixed

COORDINATE = st.floats(-5000.0, 5000.0, allow_nan=False)
NAME = st.text(
    st.characters(blacklist_categories=("C", "Z"), max_codepoint=0x2FFF), min_size=1, max_size=12
).filter(lambda text: text.isprintable() and text == text.strip())
BAR = st.tuples(
    st.integers(0, 292), st.integers(293, 586), st.floats(10.0, 5000.0), st.floats(0.005, 0.04)
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("tables")


@given(st.lists(st.tuples(NAME, COORDINATE, COORDINATE, COORDINATE), min_size=1, max_size=8))
@settings(max_examples=60, deadline=None)
def test_points(folder: Path, rows: list[tuple[str, float, float, float]]) -> None:
    rows = list({row[0].casefold(): row for row in rows}.values())
    xyz = np.array([row[1:] for row in rows])
    normals = np.roll(xyz, 1, axis=1) + np.array([0.1, 0.2, 0.3])
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    points = Points(tuple(row[0] for row in rows), xyz, normals)
    path = folder / "points.csv"
    write_points(path, points)
    back = read_points(path)
    assert back.names == points.names
    np.testing.assert_allclose(back.xyz, points.xyz, atol=5.001e-4)  # written to 0.001 mm
    np.testing.assert_allclose(back.normals, points.normals, atol=2e-6)
    assert b"\r" not in path.read_bytes()


@given(
    st.dictionaries(
        st.integers(0, 586), st.tuples(COORDINATE, COORDINATE, COORDINATE), min_size=1, max_size=5
    ),
    st.floats(10.0, 200.0),
    st.floats(0.001, 1.0),
)
@settings(max_examples=60, deadline=None)
def test_frame(
    folder: Path, centres: dict[int, tuple[float, float, float]], side: float, sigma: float
) -> None:
    square = 0.5 * side * np.array([[-1.0, 0, 1], [1, 0, 1], [1, 0, -1], [-1, 0, -1]])
    frame = {
        tag: FrameTarget(square + np.array(centre), np.full(4, sigma))
        for tag, centre in centres.items()
    }
    path = folder / "frame.csv"
    write_frame(path, frame)
    back = read_frame(path, 99.0)
    assert sorted(back) == sorted(frame)
    for tag, target in frame.items():
        np.testing.assert_allclose(back[tag].corners_mm, target.corners_mm, atol=5.001e-5)
        np.testing.assert_allclose(back[tag].sigma_mm, target.sigma_mm, atol=2.6e-5)


@given(st.lists(BAR, min_size=1, max_size=5, unique_by=lambda bar: bar[:2]), st.integers(0, 5))
@settings(max_examples=200, deadline=None)
def test_decimal_commas_and_semicolons(
    folder: Path, bars: list[tuple[int, int, float, float]], decimals: int
) -> None:
    """Whatever the number of decimals: the same lengths, or a refusal; never other lengths."""
    lines = ["target_a;target_b;length_mm;u95_mm"]
    lines += [f"{a};{b};{f'{x:.{decimals}f}'};{u:.3f}".replace(".", ",") for a, b, x, u in bars]
    path = folder / "bars.csv"
    path.write_text("\n".join(lines))
    text = path.read_text()
    thousands = re.findall(r"[;\n](?:[1-9]\d{0,2},\d{3})(?=[;\n]|$)", text)
    if "," in text and len(thousands) == text.count(","):
        with pytest.raises(TableError, match="may be read as"):
            read_bars(path, 0.1)
        return
    back = read_bars(path, 0.1)
    for found, (_, _, length, _) in zip(back, bars, strict=True):
        assert found.length_mm == float(f"{length:.{decimals}f}")


@given(st.lists(BAR, min_size=1, max_size=5, unique_by=lambda bar: bar[:2]), st.booleans())
@settings(max_examples=100, deadline=None)
def test_decimal_commas_between_commas_are_always_refused(
    folder: Path, bars: list[tuple[int, int, float, float]], with_u95: bool
) -> None:
    lines = ["target_a,target_b,length_mm" + (",u95_mm" if with_u95 else "")]
    for a, b, length, u95 in bars:
        line = f"{a},{b},{length:.2f}" + (f",{u95:.3f}" if with_u95 else "")
        lines.append(line.replace(".", ","))
    path = folder / "bars.csv"
    path.write_text("\n".join(lines))
    with pytest.raises(TableError) as caught:
        read_bars(path, 0.1)
    assert "decimal commas" in caught.value.hint


@given(st.lists(BAR, min_size=1, max_size=5, unique_by=lambda bar: bar[:2]))
@settings(max_examples=60, deadline=None)
def test_bars(folder: Path, rows: list[tuple[int, int, float, float]]) -> None:
    bars = tuple(Bar(*row) for row in rows)
    path = folder / "bars.csv"
    write_bars(path, bars)
    back = read_bars(path, 99.0)
    for one, other in zip(back, bars, strict=True):
        assert one[:2] == other[:2]
        np.testing.assert_allclose(one[2:], other[2:], atol=5.001e-5)


@given(st.floats(-1e6, 1e6), st.integers(0, 6))
def test_figures_have_no_minus_before_zero(value: float, decimals: int) -> None:
    text = fixed(value, decimals)
    assert abs(float(text) - value) <= 0.51 * 10.0**-decimals
    assert not (text.startswith("-") and float(text) == 0.0)
