"""The pointing list on paper: every point is on it, names cover no other name."""

from __future__ import annotations

import io
import re
from pathlib import Path

import numpy as np
import pytest
from pypdf import PdfReader
from typer.testing import CliRunner

from tests.job_files import CENTRE, RADIUS_MM, ball_surface, empty_job
from tracker.cli.app import app
from tracker.records.entries import Points, write_points
from tracker.records.ply import write_surface
from tracker.report.points_sheet import (
    SheetPoint,
    _free,
    draw_points_sheet,
    needle_words,
)
from tracker.targets.sheet_plan import PAPERS


def spiral(count: int) -> np.ndarray:
    z = 1.0 - (2.0 * np.arange(count) + 1.0) / count
    turn = np.pi * (3.0 - np.sqrt(5.0)) * np.arange(count)
    r = np.sqrt(1.0 - z * z)
    return np.stack([r * np.cos(turn), r * np.sin(turn), z], axis=1)


@pytest.mark.parametrize("name", ["A4", "Letter"])
def test_every_point_is_in_a_picture_and_in_the_table(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tracker.report.points_sheet.PX_A_MM", 2.0)  # as quick as can be
    rays = spiral(40)
    points = [
        SheetPoint(f"n{k}", CENTRE + RADIUS_MM * ray, ray, k % 2 == 0, k != 5)
        for k, ray in enumerate(rays)
    ]
    reader = PdfReader(io.BytesIO(draw_points_sheet(ball_surface(), points, "Owl", PAPERS[name])))
    assert len(reader.pages) == 4
    wide, high = (float(v) * 25.4 / 72.0 for v in reader.pages[0].mediabox[2:])
    assert (wide, high) == pytest.approx((PAPERS[name].height_mm, PAPERS[name].width_mm))
    texts = [page.extract_text() for page in reader.pages]
    drawn = {word for text in texts[:3] for word in re.findall(r"\bn\d+\b", text)}
    # from the four sides and above all of a ball is seen but its very underside
    low = {f"n{k}" for k, ray in enumerate(rays) if ray[2] < -0.95}
    assert drawn >= {f"n{k}" for k in range(40)} - low
    assert set(re.findall(r"\bn\d+\b", texts[3])) == {f"n{k}" for k in range(40)}
    assert texts[3].count("no needle gets there") == 1
    assert "front" in texts[0]
    assert "from above" in texts[2]


def test_names_cover_no_other_name_where_there_is_room_and_stay_away_where_there_is_none() -> None:
    taken: list[tuple[float, float, float, float]] = []
    for x in range(0, 100, 12):
        box = _free(float(x), 0.0, 8.0, taken)
        assert box is not None
        for other in taken:
            assert (
                box[0] >= other[2] or box[2] <= other[0] or box[1] >= other[3] or box[3] <= other[1]
            )
        taken.append(box)
    assert _free(0.0, 0.0, 8.0, [(-200.0, -200.0, 200.0, 200.0)]) is None


@pytest.mark.parametrize(
    ("needle", "words"),
    [
        ([0.0, -1.0, 0.0], "from the front, level"),
        ([1.0, 0.0, 0.0], "from the right, level"),
        ([-0.6, 0.6, 0.529], "from the back left, 32 deg above level"),
        ([0.0, 0.866, -0.5], "from the back, 30 deg below level"),
        ([0.05, 0.0, 0.99], "from straight above"),
    ],
)
def test_needles_in_words(needle: list[float], words: str) -> None:
    assert needle_words(np.array(needle)) == words


def test_the_command(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tracker.report.points_sheet.PX_A_MM", 2.0)
    job = empty_job(tmp_path)
    write_surface(job.model_path, ball_surface())
    sheet = tmp_path / "points.pdf"

    def run(*more: str) -> tuple[int, str]:
        words = ["--job", str(job.folder), "points", "sheet", str(sheet), *more]
        done = CliRunner().invoke(app, words)
        return done.exit_code, done.output

    code, said = run()
    assert code == 1
    assert "no points on record" in said
    rays = spiral(6)
    write_points(
        job.points_path, Points(tuple("abcdef"), CENTRE + RADIUS_MM * rays, rays, (None,) * 6)
    )
    code, said = run("--paper", "A5")
    assert code == 1
    assert "Choose A4 or Letter" in said
    assert not sheet.exists()
    assert run() == (0, f"6 points drawn in {sheet}\n")
    assert len(PdfReader(sheet).pages) == 4
    code, said = run()
    assert code == 1
    assert "is there already" in said
