"""``model fit`` as it is typed."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from tests.job_files import SEATS_FRAME, add_stage, ball_surface, contents, empty_job
from tracker.cli.app import app
from tracker.job import Job, put_seats
from tracker.records.ply import write_surface


@pytest.fixture
def job(tmp_path: Path) -> Job:
    job = empty_job(tmp_path)
    write_surface(job.model_path, ball_surface())
    put_seats(job, SEATS_FRAME)
    return job


def run(job: Job, *words: str) -> tuple[int, str, str]:
    done = CliRunner().invoke(app, ["--job", str(job.folder), "model", "fit", *words])
    return done.exit_code, done.stdout, done.stderr


def test_block_by_its_sides(job: Job) -> None:
    before = contents(job.folder)
    code, out, _ = run(job, "--block", "240", "230", "220", "--json")
    assert code == 0
    document = json.loads(out)
    assert document["goes_in"]
    assert document["least_mm"] == pytest.approx(10.0, abs=0.1)
    R, t = np.array(document["R"]), np.array(document["t"])
    np.testing.assert_allclose(SEATS_FRAME @ R.T + t, document["seats_mm"], atol=2e-3)
    code, out, _ = run(job, "--block", "240", "230", "190")
    assert code == 0
    assert "does not go into the block" in out
    assert "Mark the seats" in out
    assert contents(job.folder) == before


def test_block_by_a_stage(job: Job) -> None:
    add_stage(job)
    code, out, _ = run(job, "--stage", "first day", "--json")
    assert code == 0
    document = json.loads(out)
    assert document["before_mm"] == pytest.approx(-1.0, abs=0.1)
    assert document["least_mm"] > document["before_mm"]
    assert 0.3 < document["unseen_share"] < 0.4
    code, out, _ = run(job, "--stage", "first day")
    assert "too little for 5 mm" in out
    assert "seats would go" in out


def test_what_cannot_be(job: Job) -> None:
    assert run(job)[0] == 2
    assert run(job, "--block", "1", "2", "3", "--stage", "x")[0] == 2
    code, _, err = run(job, "--block", "1", "2", "3")
    assert code == 1
    assert "is impossible" in err
    code, _, err = run(job, "--stage", "monday")
    assert code == 1
    assert "There is no stage monday" in err
    job.model_path.unlink()
    code, _, err = run(job, "--block", "240", "230", "220")
    assert code == 1
    assert "model of this job is not on record" in err
