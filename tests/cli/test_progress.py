"""``progress``: several stages in a table, and every way in which stages can be missing."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import trimesh
from plyfile import PlyData, PlyElement
from typer.testing import CliRunner

from tests.job_files import ball_surface, empty_job
from tests.several_stages import Given, several
from tracker.cli.app import app
from tracker.comparison.overcuts import OvercutSpot
from tracker.job import Job, open_job
from tracker.progress.progress import job_progress
from tracker.stage import MAP_FILE
from tracker.surface import Surface

BALL = ball_surface()
N = len(BALL.vertices)
SPOTS = tuple(
    OvercutSpot(k + 1, BALL.vertices[k], 1.5, False, 0.2, 20.0, "beak", trend)
    for k, trend in enumerate(("growing", "steady", "new", "gone", "not seen"))
)


def stages(*lefts: float, spots: tuple[OvercutSpot, ...] = ()) -> list[Given]:
    """Stages on Mondays, stone left the same everywhere."""
    return [
        Given(f"week {k + 1}", f"2026-03-{2 + 7 * k:02d}", np.full(N, left), spots=spots)
        for k, left in enumerate(lefts)
    ]


def run(job: Job, *words: str) -> tuple[int, str, str]:
    result = CliRunner().invoke(app, ["--job", str(job.folder), "progress", *words])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result.exit_code, result.stdout, result.stderr


def document(job: Job) -> dict:
    code, out, _ = run(job, "--json")
    assert code == 0
    return json.loads(out)


def test_four_stages(tmp_path: Path) -> None:
    job = several(tmp_path, BALL, stages(12.0, 9.0, 6.0, 3.0, spots=SPOTS))
    found = document(job)
    shell = 4.0 / 3.0 * np.pi * (109.0**3 - 106.0**3) / 1000.0
    pair = found["between"][1]
    assert pair["working_days"] == 5
    assert pair["removed"]["cm3"] == pytest.approx(shell, rel=0.015)
    assert pair["cm3_per_working_day"] == pytest.approx(shell / 5.0, rel=0.015)
    assert pair["u95_cm3_per_working_day"] == pytest.approx(
        pair["removed"]["u95_cm3"] / 5.0, rel=0.01
    )
    assert sum(part["cm3"] for part in pair["sides"].values()) == pytest.approx(
        pair["removed"]["cm3"], abs=0.05
    )
    assert set(pair["sides"]) == {"front", "right", "back", "left", "top", "bottom"}
    forecast = found["forecast"]
    assert forecast["stages"] == 4
    assert 4.0 < forecast["likely_working_days"] < 5.5
    assert forecast["earliest_date"] <= forecast["likely_date"] == "2026-03-30"
    assert found["no_forecast"] == ""
    assert [spot["trend"] for spot in found["overcuts"]][:3] == ["growing", "steady", "new"]


def test_four_stages_as_a_table_and_a_chart(tmp_path: Path) -> None:
    code, out, _ = run(several(tmp_path, BALL, stages(12.0, 9.0, 6.0, 3.0, spots=SPOTS)))
    assert code == 0
    for word in ("week 4", "2026-03-23", "cm3 a day", "front", "bottom", "resolved", "growing"):
        assert word in out
    bars = [line.count("█") for line in out.splitlines() if "█" in line]
    assert len(bars) == 4
    assert bars == sorted(bars, reverse=True)
    assert bars[0] == 40
    assert "in 95 of 100 cases" in out
    assert "never for rigging" in out


def test_two_stages_make_no_forecast(tmp_path: Path) -> None:
    job = several(tmp_path, BALL, stages(9.0, 6.0))
    assert document(job)["forecast"] is None
    code, out, _ = run(job)
    assert code == 0
    assert "No forecast. A forecast needs three stages" in out
    assert "there are 2" in out


def test_one_stage(tmp_path: Path) -> None:
    code, out, _ = run(several(tmp_path, BALL, stages(9.0)))
    assert code == 0
    assert "there is one" in out
    assert "No over-cut spot" in out


def test_no_stage(tmp_path: Path) -> None:
    code, out, err = run(empty_job(tmp_path))
    assert (code, out) == (1, "")
    assert "There is no stage on record." in err
    assert "stoneleft stage add PHOTOS" in err


def test_a_stage_without_its_map_is_named_and_the_others_are_shown(tmp_path: Path) -> None:
    job = several(tmp_path, BALL, stages(12.0, 9.0, 6.0, 3.0))
    (job.stage_path("week 2") / MAP_FILE).unlink()
    code, out, _ = run(job)
    assert code == 0
    assert "The map of stage week 2 is missing (stone_left.ply)" in out
    assert "One of the two maps is missing." in out
    found = document(job)
    assert len(found["stages"]) == 4
    assert [stage["name"] for stage in found["compared"]] == ["week 1", "week 3", "week 4"]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("{", "is damaged or cannot be opened"),
        ('{"schema": 99}', "has schema 99; this version knows 1"),
    ],
)
def test_a_stage_that_cannot_be_read_does_not_hide_the_others(
    tmp_path: Path, text: str, said: str
) -> None:
    job = several(tmp_path, BALL, stages(9.0, 6.0))
    (job.stage_path("week 1") / "stage.json").write_text(text)
    code, out, _ = run(job)
    assert code == 0
    assert "Stage week 1 is left out." in out
    assert said in " ".join(out.split())
    (job.stage_path("week 2") / "stage.json").write_text(text)
    code, out, err = run(job)
    assert (code, out) == (1, "")
    assert "No stage of this job can be read." in err
    assert said in err


def test_a_date_that_is_none(tmp_path: Path) -> None:
    job = several(tmp_path, BALL, stages(9.0, 6.0))
    path = job.stage_path("week 1") / "stage.json"
    path.write_text(path.read_text().replace("2026-03-02", "some day"))
    code, out, _ = run(job)
    assert code == 0
    assert "has no date but 'some day'" in out


def test_a_record_of_before_bounds_were_kept(tmp_path: Path) -> None:
    job = several(tmp_path, BALL, stages(30.0, 6.0))
    path = job.stage_path("week 1") / MAP_FILE
    old = PlyData.read(str(path), mmap=False)
    vertex = old["vertex"].data
    kept = [name for name in vertex.dtype.names if name != "bound"]
    packed = np.empty(len(vertex), [(name, vertex.dtype[name]) for name in kept])
    for name in kept:
        packed[name] = vertex[name]
    PlyData([PlyElement.describe(packed, "vertex"), old["face"]], byte_order="<").write(str(path))
    pair = document(job)["between"][0]
    assert pair["removed"]["at_least"]


def test_another_model_is_not_compared(tmp_path: Path) -> None:
    job = several(tmp_path, BALL, stages(9.0))
    mesh = trimesh.creation.icosphere(2, 90.0)
    other = Surface(np.asarray(mesh.vertices), np.asarray(mesh.faces, dtype=np.int64))
    from tests.several_stages import add_given

    add_given(job, other, Given("later", "2026-04-01", np.full(len(other.vertices), 4.0)))
    assert document(job)["between"][0]["note"] == "The model was changed between them."


def test_the_week_is_the_carvers_own(tmp_path: Path) -> None:
    job = several(tmp_path, BALL, stages(9.0, 6.0))
    text = job.settings_path.read_text()
    job.settings_path.write_text(
        text.replace('["Mon", "Tue", "Wed", "Thu", "Fri"]', '["Mon", "Sat"]')
    )
    assert job_progress(open_job(job.folder)).between[0].working_days == 2


def test_stages_of_one_day_have_no_rate(tmp_path: Path) -> None:
    given = stages(9.0, 6.0)
    job = several(tmp_path, BALL, [given[0], replace(given[1], date="2026-03-02T17:00:00")])
    pair = document(job)["between"][0]
    assert pair["cm3_per_working_day"] is None
    assert pair["removed"]["cm3"] > 0.0
