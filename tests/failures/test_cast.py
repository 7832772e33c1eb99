"""What `model from-photos` refuses, each with its sentence, and nothing changed."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from tests.job_files import ball_surface, contents, empty_job, frame_lines, write
from tests.simulated_survey import scene, seen
from tracker.errors import JobError, NetworkError, PhotographError, ScaleError, TargetError
from tracker.job import Job, need_no_model, put_bars, put_frame, put_measured_model
from tracker.network.record import KnownTarget
from tracker.photos import read_photograph
from tracker.pipeline.cast import model_from_photos
from tracker.pipeline.cast_placing import place_cast
from tracker.pipeline.day import Day
from tracker.records.ply import read_surface, read_surface_u95
from tracker.targets.observation import Detection


@pytest.fixture
def job(tmp_path: Path) -> Job:
    return empty_job(tmp_path)


@pytest.fixture
def photos(tmp_path: Path) -> Path:
    """A folder with one photograph of nothing."""
    folder = tmp_path / "photos"
    folder.mkdir()
    Image.new("L", (640, 480), 128).save(folder / "a.jpg")
    return folder


def with_bars(job: Job) -> Job:
    put_bars(job, write(job.folder.parent / "b.csv", ["target_a,target_b,length_mm", "50,51,300"]))
    return job


def day_of(photos: Path, detections: list[Detection]) -> Day:
    photograph = read_photograph(photos / "a.jpg")
    named = [
        dataclasses.replace(photograph, path=photos / f"{k}.jpg") for k in range(len(detections))
    ]
    blank = np.zeros((480, 640), np.uint8)
    return Day(tuple(named), (blank,) * len(detections), tuple(detections), {})


def halves() -> tuple[list[Detection], list[Detection]]:
    """Photographs with the frame, and with the seat targets."""
    both = seen(scene())
    return both[:8], both[8:]


def test_a_model_on_record_is_kept(job: Job, photos: Path) -> None:
    put_measured_model(job, ball_surface(), np.full(len(ball_surface().vertices), 0.1))
    before = contents(job.folder)
    with pytest.raises(JobError, match=r"has a model on record already .*Add --replace"):
        model_from_photos(with_bars(job), photos, pin_mm=25.0)
    after = contents(job.folder)
    assert {k: after[k] for k in before} == before
    need_no_model(job, replace=True)


def test_no_frame_and_no_pins(job: Job, photos: Path) -> None:
    with pytest.raises(JobError, match=r"frame of this job is not on record.*--pin 25"):
        model_from_photos(job, photos)


def test_no_photographs(job: Job, tmp_path: Path) -> None:
    with pytest.raises(PhotographError, match="nowhere"):
        model_from_photos(with_bars(job), tmp_path / "nowhere", pin_mm=25.0)


def test_seat_targets_need_bars(job: Job, photos: Path) -> None:
    with pytest.raises(ScaleError, match=r"no scale bars, and seat targets give no scale"):
        model_from_photos(job, photos, pin_mm=25.0)


def test_photographs_without_targets(job: Job, photos: Path) -> None:
    before = (photos / "a.jpg").read_bytes()
    with pytest.raises(TargetError, match=r"Not seen in these photographs: seat target 1, 2, 3\."):
        model_from_photos(with_bars(job), photos, pin_mm=25.0)
    put_frame(job, write(job.folder.parent / "frame.csv", frame_lines()))
    with pytest.raises(TargetError, match=r"None of the frame's cards is seen"):
        model_from_photos(job, photos)
    assert (photos / "a.jpg").read_bytes() == before
    assert not job.model_path.exists()


def test_one_seat_target_is_missing(job: Job, photos: Path) -> None:
    _, seats = halves()
    two = [dataclasses.replace(d, used=tuple(t for t in d.used if t.tag != 2)) for d in seats]
    with pytest.raises(TargetError, match=r"Not seen .*: seat target 2\. .*leave --pin out"):
        place_cast(with_bars(job), day_of(photos, two), {})


def test_seat_targets_where_the_frame_is_expected(job: Job, photos: Path) -> None:
    _, seats = halves()
    known = {10: KnownTarget(np.zeros((4, 3)), None, "frame")}
    with pytest.raises(TargetError, match=r"put seat targets there and give --pin"):
        place_cast(job, day_of(photos, seats), known)


def test_too_few_photographs(job: Job, photos: Path) -> None:
    _, seats = halves()
    with pytest.raises(NetworkError, match=r"Only 2 photographs .*every 12 to 15 degrees"):
        place_cast(with_bars(job), day_of(photos, seats[:2]), {})


def test_u95_is_kept_with_the_model(job: Job) -> None:
    ball = ball_surface()
    u95 = np.linspace(0.05, 0.4, len(ball.vertices))
    assert job.model_u95_mm() is None
    put_measured_model(job, ball, u95)
    np.testing.assert_allclose(job.model_u95_mm(), u95, atol=1e-6)
    np.testing.assert_array_equal(read_surface(job.model_path).faces, ball.faces)
    np.testing.assert_array_equal(job.model().vertices, ball.vertices)
    assert read_surface_u95(job.model_path) is not None
