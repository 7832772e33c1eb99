"""The frame surveyed in two halves: cards against the truth, and every bad half told.

The truth is the scene's own formula (tests/simulated_survey.py); limits are the project's: cards
within 0.10 mm RMS at the far end of the figure, 95 of 100 within U95.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

import tracker.pipeline.survey as module
from tests.job_files import empty_job
from tests.simulated_network import HEIGHT, WIDTH
from tests.simulated_survey import (
    BENCH,
    CARDS,
    FAR_MM,
    NAMES,
    PHOTOS,
    PIN_MM,
    SEATS,
    Scene,
    adjusted,
    moved,
    scene,
    seen,
    swapped,
)
from tracker.cli.app import app
from tracker.errors import PhotographError, TargetError
from tracker.frame import FrameSurvey
from tracker.job import open_job
from tracker.network.outcome import Adjustment
from tracker.photos import CameraKey, Photograph
from tracker.pipeline.day import Day, Placed
from tracker.pipeline.survey import need_halves, split_halves, survey_of
from tracker.targets.observation import Detection

WORLD = scene()


@cache
def day(seed: int) -> Adjustment:
    """Both halves with other noise in the photographs."""
    return adjusted(WORLD, seen(WORLD, seed))


@cache
def surveyed(seed: int) -> FrameSurvey:
    """A survey of the frame from them, the pins true."""
    return survey_of(day(seed), PIN_MM, 0.0)


def test_cards_lie_where_they_are_and_uncertainty_holds() -> None:
    off, within = [], []
    for seed in (2, 3, 4):
        found = surveyed(seed)
        assert not found.left_out
        assert sorted(found.targets) == list(CARDS)
        for tag, target in found.targets.items():
            error = target.corners - WORLD.frame[tag]
            off.append(error[WORLD.frame[tag][:, 2] > 0.8 * FAR_MM])
            assert target.u95_mm is not None
            within.append(np.abs(error) <= target.u95_mm[:, None])
    far = np.concatenate(off)
    assert np.sqrt(np.mean(np.sum(far**2, axis=1))) <= 0.10
    assert np.mean(within) >= 0.90


def test_covariance_covers_the_seats_part() -> None:
    squares = []
    for seed in (2, 3, 4):
        found = surveyed(seed)
        for tag, cov in found.cov_corners.items():
            error = found.targets[tag].corners - WORLD.frame[tag]
            squares += [float(e @ np.linalg.solve(c, e)) for e, c in zip(error, cov, strict=True)]
    # chi-square of 3 degrees of freedom: mean 3; corners of one survey hang together
    assert np.mean(squares) < 5.0


def test_pins_that_are_not_true_widen_it() -> None:
    found = survey_of(day(2), PIN_MM, 0.3)
    top = np.array([[120.0, 80.0, FAR_MM]])
    # sigma .15 mm a coordinate, seats 240 and 200 mm apart, 300 mm up: by hand from the triad
    expected = 2.0 * np.sqrt(
        np.linalg.eigvalsh(
            found.triad.covariance(top @ found.triad.R + found.triad.origin, 0.15**2 * np.eye(9))[0]
        )[-1]
    )
    assert found.u95_of_seats(top)[0] == pytest.approx(expected, rel=0.1)
    assert found.u95_of_seats(top)[0] > surveyed(2).u95_of_seats(top)[0]


def test_seat_targets_in_the_wrong_order() -> None:
    world = swapped(WORLD, 2, 3)
    with pytest.raises(TargetError, match="wrong way round: seen from above, 1, 2, 3") as refused:
        survey_of(adjusted(world, seen(world)), PIN_MM, 0.1)
    assert refused.value.hint.startswith("Swap 2 and 3")


def test_one_bench_target_that_moved_does_no_harm() -> None:
    later = {BENCH[0]: moved(WORLD.still[BENCH[0]], 4.0, 1)}
    found = survey_of(adjusted(WORLD, seen(WORLD, later=later)), PIN_MM, 0.1)
    error = [target.corners - WORLD.frame[tag] for tag, target in found.targets.items()]
    assert np.sqrt(np.mean(np.square(error))) < 0.1


def test_bench_that_moved_between_the_halves_is_refused() -> None:
    still = [*BENCH, 50, 51, 52, 53]
    later = {tag: moved(WORLD.still[tag], 6.0, tag) for tag in still}
    with pytest.raises(TargetError, match=r"moved between the two halves \(3") as refused:
        survey_of(adjusted(WORLD, seen(WORLD, later=later)), PIN_MM, 0.1)
    assert "take both halves again" in refused.value.hint


def day_of(detections: list[Detection], names: list[str] = NAMES) -> Day:
    """A day of such photographs without their pictures."""
    key = CameraKey("Maker", "Phone", "", 5.6, WIDTH, HEIGHT)
    photographs = tuple(
        Photograph(Path(name), "", WIDTH, HEIGHT, key, 3100.0, True, 1, None)
        for name, _ in zip(names, detections, strict=False)
    )
    images = tuple(np.zeros((2, 2), np.uint8) for _ in photographs)
    return Day(photographs, images, tuple(detections), {})


@pytest.mark.parametrize(
    ("rows", "words", "todo"),
    [
        (slice(0, PHOTOS), "None of the 8 photographs show the seat targets", "Lift the frame"),
        (slice(PHOTOS, None), "None of the 8 photographs show the frame standing", "Stand the"),
        (slice(0, PHOTOS + 2), "Only 2 of the 10 photographs show the seat targets", "Lift the"),
    ],
)
def test_a_half_is_missing(rows: slice, words: str, todo: str) -> None:
    detections = seen(WORLD)[rows]
    with pytest.raises(PhotographError, match=words) as refused:
        need_halves(split_halves(detections), day_of(detections))
    assert refused.value.hint.startswith(todo)


def test_frame_and_seat_targets_in_one_view() -> None:
    first, second = seen(WORLD)[:PHOTOS], seen(WORLD)[PHOTOS:]
    both = [Detection((*a.used, *b.used), ()) for a, b in zip(first, second, strict=True)]
    with pytest.raises(PhotographError, match="8 photographs show frame cards and seat targets"):
        need_halves(split_halves(both), day_of(both))


def run(
    monkeypatch: pytest.MonkeyPatch, folder: Path, world: Scene, bars: bool = True, *more: str
) -> tuple[int, str, str]:
    """The command on simulated photographs."""
    job = empty_job(folder)
    if bars:
        rows = [f"{b.target_a},{b.target_b},{b.length_mm:.4f},0.05" for b in world.bars]
        job.bars_path.write_text("\n".join(["target_a,target_b,length_mm,u95_mm", *rows, ""]))
    detections = seen(world)

    def place(day: Day, known: object, bars: object, lenses: Mapping[CameraKey, object]) -> Placed:
        del known, bars, lenses
        return Placed(day, adjusted(world, list(day.detections)), {})

    monkeypatch.setattr(module, "open_day", lambda folder, share: day_of(detections))
    monkeypatch.setattr(module, "place_day", place)
    words = ["--job", str(job.folder), "frame", "survey", "photos", "--pin", str(PIN_MM), *more]
    done = CliRunner().invoke(app, words, prog_name="stoneleft")
    return done.exit_code, done.stdout, done.stderr


def test_command_puts_the_frame_on_record(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    seats = tmp_path / "there.csv"
    # the seats on a model of half the size, seat 3 knocked aside by 2 mm
    there = 0.5 * SEATS + [[0, 0, 0], [0, 0, 0], [0, 2.0, 0]]
    rows = [f"{k + 1},{x:.3f},{y:.3f},{z:.3f}" for k, (x, y, z) in enumerate(there)]
    seats.write_text("\n".join(["seat,x_mm,y_mm,z_mm", *rows, ""]))
    more = ["--against", str(seats), "--scale", "2"]
    code, out, err = run(monkeypatch, tmp_path, WORLD, True, *more)
    assert code == 0, err
    assert f"{len(CARDS)} frame cards on record, from 16 photographs: 8 with the frame" in out
    assert "seat 3 is wrong: both sides that meet in it are off" in out
    frame = open_job(tmp_path / "owl").frame()
    assert sorted(frame) == list(CARDS)
    for tag, target in frame.items():
        assert np.abs(target.corners_mm - WORLD.frame[tag]).max() < 0.15
        assert (target.sigma_mm > 0.02).all()

    code, out, err = run(monkeypatch, tmp_path / "again", WORLD, True, "--json")
    document = json.loads(out)
    assert code == 0
    assert document["triangle"] is None
    assert np.array(document["targets"]["10"]["cov_mm2"]).shape == (4, 3, 3)


def test_no_bars_no_scale(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    code, _, err = run(monkeypatch, tmp_path, WORLD, bars=False)
    assert code == 1
    assert "no scale bars" in err
    assert "stoneleft bars import" in err
    assert not open_job(tmp_path / "owl").frame_path.exists()


def test_seats_close_together_are_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    close = scene(seats=np.array([[60.0, 60.0, 0.0], [150.0, 60.0, 0.0], [100.0, 74.0, 0.0]]))
    code, out, err = run(monkeypatch, tmp_path, close)
    assert code == 0, err
    assert "nearly in line (narrowest angle 16 degrees)" in out
    assert "Move a seat outward" in out
