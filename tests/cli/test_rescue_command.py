"""``progress --rescue``: what the carver is told, in words and for programs."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from tests.job_files import CENTRE, ball_surface, empty_job
from tests.several_stages import Given, several
from tracker.cli.app import app
from tracker.comparison.overcuts import OvercutSpot
from tracker.job import Job, import_model_into, put_seats
from tracker.maths.camera import Array
from tracker.progress.direction_words import way_in_words
from tracker.stage import MAP_FILE

BALL = ball_surface()
UP = (BALL.vertices - CENTRE)[:, 2] / 100.0
SEATS = np.array([[0.0, 0.0, 0.0], [300.0, 0.0, 0.0], [0.0, 240.0, 0.0]])


def run(job: Job, *words: str) -> tuple[int, str, str]:
    result = CliRunner().invoke(app, ["--job", str(job.folder), "progress", "--rescue", *words])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result.exit_code, " ".join(result.stdout.split()), result.stderr


def flat_cut(depth_mm: float, below_mm: float = 6.0) -> Array:
    """Stone a shell thick, but its top planed off `depth_mm` below the top of the ball."""
    with np.errstate(divide="ignore"):
        plane = np.where(UP > 0.0, (100.0 - depth_mm) / np.maximum(UP, 1e-9), np.inf) - 100.0
    return np.asarray(np.minimum(below_mm, plane))


def job_with(folder: Path, left: Array, **more: object) -> Job:
    return several(folder, BALL, [Given("monday", "2026-03-02", left, **more)])  # type: ignore[arg-type]


def test_a_planed_top_is_met_by_setting_the_figure_down(tmp_path: Path) -> None:
    job = job_with(tmp_path, flat_cut(2.5))
    put_seats(job, SEATS)
    code, out, _ = run(job)
    assert code == 0
    assert "the figure can still be had" in out
    # 2.5 mm below the top, 0.2 mm U95, half a millimetre of grace
    assert "seat 1: 2.2 mm down; now at 0.00, 0.00, -2.2" in out
    assert "near crown (top side)" in out
    assert "photograph again before you strike" in out
    found = json.loads(CliRunner().invoke(
        app, ["--job", str(job.folder), "progress", "--rescue", "--json"]
    ).stdout)  # fmt: skip
    assert found["possible"]
    assert found["t_mm"] == pytest.approx([0.0, 0.0, -2.2], abs=0.03)
    assert found["seats"][1]["to_mm"] == pytest.approx([300.0, 0.0, -2.2], abs=0.05)
    assert found["tightest"]["stone_left_mm"] == pytest.approx(-0.3, abs=0.01)
    assert found["least_left_mm"] == -0.5
    assert found["not_seen_share"] == 0.0


def test_what_must_stay_is_a_setting(tmp_path: Path) -> None:
    job = job_with(tmp_path, flat_cut(2.5))
    text = job.settings_path.read_text().replace("# least_left_mm = 0.0", "least_left_mm = 1.0")
    job.settings_path.write_text(text)
    code, out, _ = run(job)
    assert code == 0
    assert "at least 1 mm of stone left" in out
    assert "they are not on record" in out


def test_impossible(tmp_path: Path) -> None:
    left = flat_cut(2.5, 0.1)
    code, out, _ = run(job_with(tmp_path, left))
    assert code == 0
    assert "it is impossible" in out
    assert "make the figure smaller" in out


def test_the_limits_of_the_settings_are_named(tmp_path: Path) -> None:
    job = job_with(tmp_path, flat_cut(4.0))
    text = job.settings_path.read_text().replace("most_shift_mm = 15.0", "most_shift_mm = 1.0")
    job.settings_path.write_text(text)
    out = run(job)[1]
    assert "it is impossible" in out
    assert "The limits of shift or turn are reached" in out


def test_nothing_to_rescue(tmp_path: Path) -> None:
    out = run(job_with(tmp_path, flat_cut(0.0)))[1]
    assert "The figure can stay where it is." in out


def test_a_spot_of_the_list_asks_for_a_rescue(tmp_path: Path) -> None:
    spot = OvercutSpot(1, CENTRE + [0, 0, 100.0], 1.5, True, 0.2, 9.0, "crown", "new")
    out = run(job_with(tmp_path, np.full(len(UP), 6.0), spots=(spot,)))[1]
    assert "the figure can still be had" in out
    assert "1 places lie over pits" in out
    gone = OvercutSpot(1, CENTRE + [0, 0, 100.0], 1.5, True, 0.2, 9.0, "crown", "gone")
    out = run(job_with(tmp_path / "b", np.full(len(UP), 6.0), spots=(gone,)))[1]
    assert "can stay where it is" in out


def test_what_was_not_seen_is_told(tmp_path: Path) -> None:
    left = flat_cut(2.5)
    left[UP < -0.5] = np.nan
    out = run(job_with(tmp_path, left))[1]
    assert "25% of the surface was not seen and promises nothing" in out.replace("24%", "25%")


@pytest.mark.parametrize("what", ["nothing seen", "no map"])
def test_a_stage_that_shows_no_stone(tmp_path: Path, what: str) -> None:
    job = job_with(tmp_path, np.full(len(UP), np.nan) if what == "nothing seen" else flat_cut(1.0))
    if what == "no map":
        (job.stage_path("monday") / MAP_FILE).unlink()
    code, _, err = run(job)
    assert code == 1
    assert "The latest stage monday has no map that shows stone" in err


def test_no_stage(tmp_path: Path) -> None:
    code, _, err = run(empty_job(tmp_path))
    assert code == 1
    assert "There is no stage on record." in err


@pytest.mark.parametrize(
    ("move", "said"),
    [
        ((0.0, 0.0, -1.24), "1.2 mm down"),
        ((1.0, -2.0, 0.01), "2.0 mm to the front and 1.0 mm to the right"),
        ((-3.0, 2.0, 1.0), "3.0 mm to the left, 2.0 mm to the back and 1.0 mm up"),
        ((0.01, 0.0, 0.0), ""),
    ],
)
def test_ways_in_words(move: tuple[float, float, float], said: str) -> None:
    assert way_in_words(np.array(move)) == said


def test_seats_given_with_the_model_are_kept(tmp_path: Path) -> None:
    from tests.job_files import ball, write

    job = empty_job(tmp_path)
    mesh = ball()
    turn = np.array([[0.0, -1, 0], [1, 0, 0], [0, 0, 1]])
    mesh.vertices = mesh.vertices @ turn.T + [7.0, 8.0, 9.0]
    mesh.export(tmp_path / "m.stl")
    lines = ["seat,x_mm,y_mm,z_mm"]
    for k, seat in enumerate(SEATS @ turn.T + [7.0, 8.0, 9.0]):
        lines.append(f"{k + 1},{seat[0]},{seat[1]},{seat[2]}")
    seats = write(tmp_path / "seats.csv", lines)
    import_model_into(job, tmp_path / "m.stl", "mm", seats, "2")
    found = job.seats()
    assert found is not None
    assert found == pytest.approx(2.0 * SEATS, abs=1e-4)
