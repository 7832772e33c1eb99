"""A small set of photographs of a plaster cast becomes a model, held against the cast's own mesh.

Sixteen photographs of 1.6 megapixels, 0.5 mm a pixel, with the frame about the cast: a fifteenth
of what `scripts/make_cast` makes for the README's table, so that it stays a minute's work. Few see
each place; what is asked is that nothing is wrong, not that much is there.
"""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from typer.testing import CliRunner

from tests.forms import surface_of
from tests.job_files import contents
from tracker.cli.app import app
from tracker.job import create_job, open_job
from tracker.surface import Surface

ROOT = Path(__file__).resolve().parents[2]
CAST = ROOT / "fixtures" / "cast"
ABOVE_MM = 5.0
sys.path.insert(0, str(ROOT))


@dataclass(frozen=True, slots=True)
class Run:
    """What the command printed and left, and the truth."""

    folder: Path
    document: dict[str, Any]
    model: Surface
    u95_mm: NDArray[np.float64]
    off_mm: NDArray[np.float64]
    samples: NDArray[np.float64]
    away_mm: NDArray[np.float64]
    photos_before: dict[str, bytes]


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Run:
    from scripts.scene.kept import kept_mesh

    folder = tmp_path_factory.mktemp("cast") / "job"
    create_job(folder, "Owl finial")
    before = contents(CAST / "photos")
    for words in (
        ["bars", "import", str(CAST / "bars.csv")],
        ["frame", "import", str(CAST / "frame.csv")],
        ["model", "from-photos", str(CAST / "photos"), "--json"],
    ):
        done = CliRunner().invoke(app, ["--job", str(folder), *words])
        assert done.exit_code == 0, done.stderr
    job = open_job(folder)
    model, u95 = job.model(), job.model_u95_mm()
    assert u95 is not None
    truth = surface_of(kept_mesh(CAST / "truth" / "cast.xz"))
    samples = np.loadtxt(CAST / "truth" / "samples.csv", delimiter=",", skiprows=1)
    samples = samples[samples[:, 2] > ABOVE_MM + 1.0]
    return Run(
        folder, json.loads(done.stdout), model, u95,
        np.linalg.norm(truth.nearest(model.vertices)[0] - model.vertices, axis=1), samples,
        np.linalg.norm(model.nearest(samples[:, :3])[0] - samples[:, :3], axis=1), before,
    )  # fmt: skip


def test_surface_lies_on_the_cast(run: Run) -> None:
    """Under a pixel: RMS 0.4 mm, 95 of 100 within 0.8 mm, hardly any off by 2 mm."""
    assert np.sqrt(np.mean(run.off_mm**2)) < 0.4
    assert np.quantile(run.off_mm, 0.95) < 0.8
    assert np.mean(run.off_mm > 2.0) < 0.005


def test_truth_lies_within_the_u95(run: Run) -> None:
    """At the rate stated, no matter how sure the corner; sure corners are truly better."""
    assert 0.90 < np.mean(run.off_mm < run.u95_mm) < 0.995
    sure = run.u95_mm < np.quantile(run.u95_mm, 0.3)
    assert np.quantile(run.off_mm[sure], 0.95) < 0.5 * np.quantile(run.off_mm[~sure], 0.95)


def test_what_was_seen_is_there_and_what_was_not_is_open(run: Run) -> None:
    """Places seen by five photographs, and places that none sees."""
    photos = run.samples[:, 6]
    assert np.mean(run.away_mm[photos >= 5] < 2.0) > 0.8
    assert np.mean(run.away_mm[photos == 0] < 1.0) < 0.1
    assert run.document["not_seen_mm2"] > 2000.0
    assert run.document["holes"]
    assert any("More than half of the cast was not seen" in w for w in run.document["warnings"])


def test_frame_and_base_are_not_in_the_model(run: Run) -> None:
    """Nothing outside the figure: neither wood nor cards nor the base."""
    figure = run.samples[:, :3]
    low, high = run.model.box
    assert low[2] > ABOVE_MM - 0.5
    assert np.all(low[:2] > figure[:, :2].min(axis=0) - 3.0)
    assert np.all(high < figure.max(axis=0) + 3.0)


def test_document_and_record_tell_the_same(run: Run) -> None:
    """U95 of every corner, median and nineteen in twenty; photographs are untouched."""
    told = run.document["u95_mm"]
    np.testing.assert_allclose(told["corners"], run.u95_mm, atol=1e-3)
    assert told["median"] == pytest.approx(np.median(run.u95_mm), abs=1e-3)
    assert told["p95"] == pytest.approx(np.quantile(run.u95_mm, 0.95), abs=2e-3)
    assert run.document["datum"] == "frame"
    assert run.document["photos"] == {"used": 16, "given": 16}
    assert run.document["triangles"] == len(run.model.faces)
    assert contents(CAST / "photos") == run.photos_before


def test_the_model_serves_the_next_step(run: Run) -> None:
    """Points can be proposed on it, and a second model is refused before any work."""
    done = CliRunner().invoke(app, ["--job", str(run.folder), "points", "propose", "12"])
    assert done.exit_code == 0, done.stderr
    assert len(open_job(run.folder).points().names) == 12
    again = ["--job", str(run.folder), "model", "from-photos", str(CAST / "photos")]
    done = CliRunner().invoke(app, again)
    assert done.exit_code == 1
    assert "has a model on record already" in done.stderr
    assert "Traceback" not in done.stderr
