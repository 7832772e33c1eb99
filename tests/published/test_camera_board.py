"""The calibration of a camera on real photographs with a published calibration.

Data: see tests/chessboards.py. Judges: the published left_intrinsics.yml (f 535.916, c (342.283,
235.571), k1 -.2664, rms .3926 px, left02 at 1.18 px where the next worst has .38) with its own
corner finder, and cv2.calibrateCameraExtended's standard deviations. Our finder looks at less of
each corner; it must then fit better than the published .39 px, and its focal length stays within
the spread of OpenCV's finders on these photographs (532.4 to 536.1).
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import cv2
import numpy as np
import pytest
from typer.testing import CliRunner

from tests.chessboards import BOARD, HEIGHT, NUMBERS, WIDTH, corners, folder, published
from tests.job_files import empty_job
from tracker.calibration import Calibration, calibrate, next_photographs
from tracker.cli.app import app
from tracker.job import open_job

NAMES = [f"left{number:02d}.jpg" for number in NUMBERS]


def calibrated(reject: bool) -> Calibration:
    """The left camera from the published example's corner finder."""
    return calibrate(NAMES, list(corners("left")), BOARD, (WIDTH, HEIGHT), reject=reject)


def test_lens_is_the_published_one() -> None:
    lens, _, views = published()
    found = calibrated(reject=False)
    assert found.lens.focal_px == pytest.approx(lens.focal_px, abs=1.0)
    centre = (found.lens.cx_px, found.lens.cy_px)
    assert centre == pytest.approx((lens.cx_px, lens.cy_px), abs=1.0)
    assert found.lens.k1 == pytest.approx(lens.k1, abs=0.01)
    assert 0.37 <= found.rms_px <= 0.43
    assert list(found.photo_rms_px.values()) == pytest.approx(views, abs=0.1)


def test_sigmas_are_those_of_opencv() -> None:
    found = calibrated(reject=False)
    seen = [pixels.astype(np.float32).reshape(-1, 1, 2) for pixels in corners("left")]
    boards = [BOARD.astype(np.float32)] * len(seen)
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 200, 1e-12)
    _, _, _, _, _, sd, _, _ = cv2.calibrateCameraExtended(
        boards,
        seen,
        (WIDTH, HEIGHT),
        np.eye(3),
        np.zeros(5),
        flags=cv2.CALIB_FIX_ASPECT_RATIO,
        criteria=stop,
    )
    # OpenCV orders fx fy cx cy k1 k2 p1 p2 k3, and leaves out one of fx, fy that is tied
    theirs = np.asarray(sd).ravel()[1:9]
    assert np.sqrt(np.diag(found.cov)) == pytest.approx(theirs, rel=0.01)


def test_bad_photograph_is_named() -> None:
    found = calibrated(reject=True)
    assert list(found.left_out) == ["left02.jpg"]
    assert "times worse than the others (1.2" in found.left_out["left02.jpg"]
    assert found.rms_px < 0.25


def test_command_on_the_photographs_themselves(tmp_path: Path) -> None:
    job = empty_job(tmp_path)
    photos = tmp_path / "board"
    photos.mkdir()
    for name in NAMES:
        shutil.copy(folder() / name, photos / name)
    words = ["--job", str(job.folder), "camera", str(photos)]
    done = CliRunner().invoke(app, [*words, "--json"], prog_name="stoneleft")
    assert done.exit_code == 0, done.output
    (one,) = json.loads(done.stdout)["cameras"]
    assert 532.0 < one["vector"][0] < 536.5
    assert one["rms_px"] < 0.3926
    assert one["photos"] == len(NAMES)
    (kept,) = open_job(job.folder).cameras()
    assert kept.model_dump() == one

    shown = CliRunner().invoke(app, [*words, "--measured", "98.6"], prog_name="stoneleft")
    assert "known to" in shown.stdout
    assert "Next: Bring the board to the upper left, left of the picture." in shown.stdout
    assert "98.60 %. The lens does not depend on that" in shown.stdout
    assert len(open_job(job.folder).cameras()) == 1


def test_few_photographs_say_what_is_next() -> None:
    found = calibrate(NAMES[:6], list(corners("left"))[:6], BOARD, (WIDTH, HEIGHT))
    words = " ".join(next_photographs(found))
    assert f"Take {10 - len(found.photo_rms_px)} more photographs" in words
