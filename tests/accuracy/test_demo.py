"""The whole main job on the demo's two stages against rendered truth; writes the table.

The table goes to build/accuracy.md. Where a figure has not reached its aim yet, the test says so
and holds what has been reached.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from scripts.scene.kept import kept_mesh
from scripts.scene.truth import stone_left
from tests.accuracy import scoring
from tracker.alignment.unchanged import EarlierStone, compare_stone
from tracker.job import create_job, put_bars, put_frame, put_model, put_points
from tracker.maths.rotation import exp
from tracker.pipeline import Measured, measure
from tracker.pipeline.add import task_of
from tracker.pipeline.day import Clock
from tracker.records.entries import read_seats
from tracker.records.ply import read_surface
from tracker.surface import Surface

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "fixtures" / "demo"
STAGES = ("stage-1", "stage-2")


@dataclass(frozen=True, slots=True)
class Scored:
    """A stage, and all its figures."""

    measured: Measured
    figures: dict[str, float]
    true_points_mm: np.ndarray
    photos_of_points: np.ndarray


def _job(folder: Path):
    job = create_job(folder, name="Owl finial", stone="Carrara marble")
    put_model(job, read_surface(DEMO / "model.ply"))
    put_frame(job, DEMO / "frame.csv")
    put_bars(job, DEMO / "bars.csv")
    put_points(job, DEMO / "points.csv")
    return job


def _score(stage: str, measured: Measured) -> Scored:
    truth = scoring.Truth(DEMO / "truth" / stage, DEMO / "truth" / f"stone_{stage}.xz")
    mesh = kept_mesh(truth.stone)
    stone = Surface(np.array(mesh.vertices, float), np.array(mesh.faces, np.int64))
    points = truth.table("points.csv")
    part, _, photos = scoring.at_true_samples(measured, truth)
    true = stone_left(mesh, part.points, part.needles)
    figures = {
        **scoring.corners(measured, truth),
        **scoring.cameras(measured, truth),
        **scoring.targets(measured, truth),
        **scoring.cloud(measured, stone),
        **scoring.places(
            measured.point_readings, points["stone_left_mm"], points["photos"], "points"
        ),
        **scoring.states(measured, points["stone_left_mm"]),
        **scoring.places(part, true, photos, "samples"),
        **scoring.sample_states(measured, part, true),
        **scoring.cloud_readings(measured, part, true),
        **scoring.overcuts(measured, truth, mesh, deep=0.8, wide=8.0),
    }
    return Scored(measured, figures, points["stone_left_mm"], points["photos"])


@pytest.fixture(scope="module")
def scored(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Scored]]:
    job = _job(tmp_path_factory.mktemp("accuracy") / "job")
    task = task_of(job)
    found: dict[str, Scored] = {}
    lines = []
    for stage in STAGES:
        began = time.perf_counter()
        measured = measure(DEMO / stage, task, Clock(lambda words, share: None))
        found[stage] = _score(stage, measured)
        found[stage].figures["seconds"] = time.perf_counter() - began
    yield found
    names = list(found[STAGES[0]].figures)
    lines = ["| figure | " + " | ".join(STAGES) + " |", "|---|" + "---|" * len(STAGES)]
    for name in names:
        values = (found[stage].figures.get(name, float("nan")) for stage in STAGES)
        lines.append(f"| {name} | " + " | ".join(f"{value:.4g}" for value in values) + " |")
    (ROOT / "build").mkdir(exist_ok=True)
    (ROOT / "build" / "accuracy.md").write_text("\n".join(lines) + "\n", encoding="utf-8")


@pytest.mark.parametrize("lifted_mm", [0.0, 1.0])
@pytest.mark.parametrize("foot", [0, 1, 2])
def test_lifted_foot_shows_in_uncarved_stone(
    scored: dict[str, Scored], foot: int, lifted_mm: float
) -> None:
    """Second day against the first: a third of the stone was carved in between."""
    first, second = (scored[stage].measured for stage in STAGES)
    before = EarlierStone(
        "first day",
        first.cloud.points,
        first.cloud.normals,
        first.cloud.sigma_mm,
        first.alignment.covariance,
    )
    seats = read_seats(DEMO / "seats.csv")
    a, b = seats[foot - 2], seats[foot - 1]
    arm = np.linalg.norm(np.cross(b - a, seats[foot] - a)) / np.linalg.norm(b - a)
    R = exp(lifted_mm / arm * (b - a) / np.linalg.norm(b - a))
    points, normals = second.cloud.points, second.cloud.normals
    found = compare_stone(
        (points - a) @ R.T + a,
        normals @ R.T,
        second.cloud.sigma_mm,
        second.alignment.covariance,
        before,
    )
    assert found.contradicted == (lifted_mm > 0.0)
    assert found.agrees == (lifted_mm == 0.0)


@pytest.mark.parametrize("stage", STAGES)
class TestStage:
    """Every figure of a stage."""

    @pytest.mark.parametrize(
        ("name", "most"),
        [
            ("corners RMS px", 0.06),
            ("corners mean shift px", 0.01),
            ("wrong numbers", 0),
            ("cameras RMS mm", 0.10),
            ("cameras RMS / targets alone", 1.05),
            ("cameras worst turn deg", 0.01),
            ("focal length off %", 0.05),
            ("bench corners RMS mm", 0.04),
            ("unknown bars over limit", 1.0),
            ("cloud RMS mm", 0.12),
            ("cloud > 1 mm %", 0.5),
            ("points RMS mm", 0.12),
            ("points p95 mm", 0.25),
            ("points > 1 mm %", 0.0),
            ("samples median mm", 0.06),
            ("samples RMS under 1 mm", 0.12),
            ("samples p95 mm", 0.25),
            ("samples > 1 mm %", 0.2),
            ("samples U95 median mm", 0.3),
            ("samples sure and wrong %", 0.5),
            ("sure states wrong", 0),
            ("cloud readings U95 median mm", 1.5),
            ("needle and cloud disagree %", 4.0),
            ("points figures without 3 photographs", 0),
            ("over-cuts missed", 0),
            ("over-cuts false", 0),
            ("over-cut depth error / allowed, worst", 1.0),
        ],
    )
    def test_at_most(self, scored: dict[str, Scored], stage: str, name: str, most: float) -> None:
        assert scored[stage].figures[name] <= most

    @pytest.mark.parametrize(
        ("name", "least"),
        [
            ("targets used share", 0.95),
            ("photographs used", 24),
            ("unknown bars", 2),
            ("cloud points", 4000),
            ("samples inside U95 %", 93.0),
            ("samples finished inside U95 %", 93.0),
            ("samples close inside U95 %", 93.0),
            ("samples untouched inside U95 %", 93.0),
            ("samples dimmest quarter inside U95 %", 93.0),
            ("samples sure %", 85.0),
            ("states sure %", 85.0),
            ("cloud readings", 1000),
            ("cloud readings inside U95 %", 93.0),
            ("cloud readings finished inside U95 %", 92.0),
            ("cloud readings close inside U95 %", 92.0),
            ("cloud readings untouched inside U95 %", 92.0),
            ("over-cuts that count", 1),
        ],
    )
    def test_at_least(self, scored: dict[str, Scored], stage: str, name: str, least: float) -> None:
        assert scored[stage].figures[name] >= least

    @pytest.mark.parametrize(
        ("name", "aim", "reached"),
        [
            ("samples RMS mm", 0.12, 0.45),
        ],
    )
    def test_short_of_the_aim(
        self, scored: dict[str, Scored], stage: str, name: str, aim: float, reached: float
    ) -> None:
        """Figures that do not reach their aim yet must not fall back."""
        assert aim < reached
        assert scored[stage].figures[name] <= reached

    def test_points_measured_do_not_fall_back(self, scored: dict[str, Scored], stage: str) -> None:
        """Half of the points that three photographs see; of samples the aim is 70 to 90 %."""
        assert scored[stage].figures["points measured 3+ %"] >= 50.0
        assert scored[stage].figures["samples measured 3+ %"] >= 48.0
