"""What a calibration does to a day: it adds its own information, and gives way when it is wrong."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.job_files import empty_job
from tests.simulated_network import FRAME, HEIGHT, LENS, WIDTH, detect, make_world, network_of
from tracker.calibration import Calibration
from tracker.errors import JobError
from tracker.job import open_job, put_cameras
from tracker.maths.camera import Array, Lens
from tracker.network.adjust import adjust
from tracker.network.outcome import Adjustment
from tracker.network.problem import LensPrior
from tracker.network.record import KnownTarget
from tracker.network.residuals import POSE
from tracker.network.solve import solve
from tracker.photos import CameraKey
from tracker.pipeline.day import contradicted
from tracker.records.cameras import CameraRecord, belief, camera_record, refocus_share

KEY = CameraKey("Maker", "Phone", "", 5.6, WIDTH, HEIGHT)


def correlated(scale: float = 1.0) -> Array:
    """Covariance of a calibration: focal length and radial terms hang together."""
    sigma = np.array([2.0, 3.0, 3.0, 0.004, 0.02, 0.0002, 0.0002, 0.03])
    R = np.eye(8)
    R[0, 3] = R[3, 0] = 0.5
    R[3, 4] = R[4, 3] = R[4, 7] = R[7, 4] = -0.6
    return np.asarray(scale * R * np.outer(sigma, sigma))


def calibration(lens: Lens = LENS, scale: float = 1.0) -> Calibration:
    """A calibration as `calibrate` hands it on."""
    rms = {f"{k}.jpg": 0.2 for k in range(12)}
    covered = np.ones((3, 4), np.bool_)
    return Calibration(lens, correlated(scale), (WIDTH, HEIGHT), 0.2, rms, {}, covered, 8, 420.0)


def day(photos: int, prior: LensPrior | None) -> Adjustment:
    """A small day with or without a calibrated lens."""
    world = make_world(photos=photos)
    known = {tag: KnownTarget(world.corners[tag], np.full(4, 0.04)) for tag in FRAME}
    return adjust(
        detect(world),
        names=[f"{k}.jpg" for k in range(photos)],
        cameras=[0] * photos,
        sizes=[(WIDTH, HEIGHT)],
        focal_guess_px=[3000.0],
        known=known,
        lens_priors={} if prior is None else {0: prior},
    )


def test_information_adds_up() -> None:
    network, _ = network_of(make_world(photos=6), detect(make_world(photos=6)), shake=0.2)
    unknown = LensPrior(LENS.vector, np.full(8, np.inf))
    prior = LensPrior(LENS.vector, np.sqrt(np.diag(correlated())), correlated())
    lens = POSE * 6 + np.arange(8)
    information = []
    for belief_of_lens in (unknown, prior):
        found = solve(replace(network, lens_priors=(belief_of_lens,)), robust=False)
        cov = found.cov_cameras[np.ix_(lens, lens)] / max(1.0, found.sigma0) ** 2
        information.append(np.linalg.inv(cov))
    wanted = information[0] + np.linalg.inv(correlated())
    scale = np.sqrt(np.diag(wanted))
    assert information[1] / np.outer(scale, scale) == pytest.approx(
        wanted / np.outer(scale, scale), abs=0.02
    )


def test_diagonal_covariance_is_the_same_as_sigmas() -> None:
    network, _ = network_of(make_world(photos=6), detect(make_world(photos=6)), shake=0.2)
    sigma = network.lens_priors[0].sigma
    whole = LensPrior(network.lens_priors[0].vector, sigma, np.diag(sigma**2))
    a, b = (solve(replace(network, lens_priors=(p,))) for p in (network.lens_priors[0], whole))
    assert a.lenses[0].vector == pytest.approx(b.lenses[0].vector, abs=1e-6)
    assert a.cost == pytest.approx(b.cost, rel=1e-9)


def test_few_photographs_gain_by_it() -> None:
    known = calibration(scale=0.01)
    record = camera_record(KEY, known, "2024-05-14", focus_locked=True)
    alone, helped = day(4, None), day(4, belief(record))
    sigma = [float(np.sqrt(a.solution.cov_cameras[POSE * 4, POSE * 4])) for a in (alone, helped)]
    off = [abs(a.lenses[0].focal_px - LENS.focal_px) for a in (alone, helped)]
    assert sigma[1] < 0.8 * sigma[0]
    assert off[1] < 3.0 * sigma[1]


def test_true_calibration_is_believed_and_another_zoom_is_not() -> None:
    record = camera_record(KEY, calibration(), "2024-05-14", focus_locked=False)
    prior = belief(record)
    assert contradicted(day(8, prior).lenses[0], prior, KEY) == ""
    zoomed = replace(LENS, focal_px=1.15 * LENS.focal_px)
    wrong = belief(camera_record(KEY, calibration(zoomed), "2024-05-14", focus_locked=False))
    words = contradicted(day(8, wrong).lenses[0], wrong, KEY)
    assert "Maker Phone" in words
    assert "set aside" in words


def test_focusing_anew_widens_the_belief() -> None:
    # thin lens: 5.6 mm focused at 420 mm lies 5.6 / 420 = 1.3 % farther from the sensor than at
    # infinity; half of that is the sigma
    free = camera_record(KEY, calibration(), "2024-05-14", focus_locked=False)
    locked = camera_record(KEY, calibration(), "2024-05-14", focus_locked=True)
    assert refocus_share(free) == pytest.approx(0.5 * 5.6 / 420.0)
    assert belief(free).sigma[0] == pytest.approx(np.hypot(2.0, LENS.focal_px / 150.0), rel=1e-6)
    assert belief(locked).sigma[0] < 2.3


def test_calibrations_are_kept_one_a_camera(tmp_path: Path) -> None:
    job = empty_job(tmp_path)
    first = camera_record(KEY, calibration(), "2024-05-14", focus_locked=False)
    other = camera_record(
        replace(KEY, width=3000, height=2000), calibration(), "2024-05-14", focus_locked=False
    )
    put_cameras(job, (first, other))
    later = first.model_copy(update={"date": "2024-06-01"})
    put_cameras(job, (later,))
    kept: tuple[CameraRecord, ...] = open_job(job.folder).cameras()
    assert [camera.date for camera in kept] == ["2024-05-14", "2024-06-01"]
    assert kept[1].key == KEY
    assert np.array(kept[1].cov) == pytest.approx(correlated(), rel=1e-8)


def test_damaged_record_is_told(tmp_path: Path) -> None:
    job = empty_job(tmp_path)
    job.cameras_path.write_text('{"schema": 1, "cameras": [{"make": 3}]}')
    with pytest.raises(JobError, match="cannot be read as calibrated cameras") as refused:
        job.cameras()
    assert "calibrate again" in refused.value.hint
