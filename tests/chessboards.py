"""Real photographs of a chessboard with a published calibration.

OpenCV's example data (Debian package opencv-doc, examples/data): left01..14.jpg and
right01..14.jpg, 640 x 480, a board of 9 x 6 inner corners 25 mm apart, and left_intrinsics.yml,
the calibration made from the left ones. The corner finder is fixed: other finders move the focal
length by several pixels.
"""

from __future__ import annotations

import os
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest

from tracker.maths.camera import Array, Lens, Pose, undistort
from tracker.maths.rotation import exp
from tracker.network.problem import ImageObservations, LensPrior

DEFAULT = Path("/usr/share/doc/opencv-doc/examples/data")
NUMBERS = tuple(k for k in range(1, 15) if k != 10)
COLUMNS, ROWS, PITCH_MM = 9, 6, 25.0
CORNERS = COLUMNS * ROWS
WIDTH, HEIGHT = 640, 480
BOARD = np.array([[PITCH_MM * c, PITCH_MM * r, 0.0] for r in range(ROWS) for c in range(COLUMNS)])


def folder() -> Path:
    """Folder of the example data; the test fails where it is missing."""
    place = Path(os.environ.get("STONELEFT_OPENCV_DATA", DEFAULT))
    if not (place / "left01.jpg").is_file():
        pytest.fail(
            f"The real test photographs are not in {place}. Install the Debian package "
            "opencv-doc, or name their folder in STONELEFT_OPENCV_DATA."
        )
    return place


@cache
def corners(side: str) -> Array:
    """Corners of every photograph of one camera, (13, 54, 2), px."""
    found = []
    for number in NUMBERS:
        path = folder() / f"{side}{number:02d}.jpg"
        gray = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        seen, pixels = cv2.findChessboardCorners(gray, (COLUMNS, ROWS))
        assert seen, path.name
        stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 30, 0.01)
        pixels = cv2.cornerSubPix(gray, pixels, (11, 11), (-1, -1), stop)
        found.append(pixels.reshape(-1, 2).astype(np.float64))
    return np.array(found)


@cache
def published() -> tuple[Lens, Array, Array]:
    """Lens, extrinsics (13, 6) as rotation vector and metres, per-view errors (13,), px."""
    store = cv2.FileStorage(str(folder() / "left_intrinsics.yml"), cv2.FILE_STORAGE_READ)
    K = store.getNode("camera_matrix").mat()
    k1, k2, p1, p2, k3 = store.getNode("distortion_coefficients").mat().ravel()
    lens = Lens(K[0, 0], K[0, 2], K[1, 2], k1, k2, p1, p2, k3)
    extrinsics = store.getNode("extrinsic_parameters").mat()
    errors = store.getNode("per_view_reprojection_errors").mat().ravel()
    return lens, extrinsics, errors


def first_poses(pixels: Array, lens: Lens) -> tuple[Pose, ...]:
    """Poses by OpenCV's resection, as starting values."""
    out = []
    for seen in pixels:
        _, rvec, tvec = cv2.solvePnP(BOARD, undistort(lens, seen), np.eye(3), None)
        out.append(Pose(exp(rvec.ravel()), tvec.ravel()))
    return tuple(out)


def observations(pixels: Array, first_photo: int = 0, sigma_px: float = 0.2) -> ImageObservations:
    """All corners of some photographs as observations of the board's points."""
    photos = len(pixels)
    return ImageObservations(
        np.repeat(np.arange(photos) + first_photo, CORNERS),
        np.tile(np.arange(CORNERS), photos),
        pixels.reshape(-1, 2),
        np.broadcast_to(sigma_px**2 * np.eye(2), (photos * CORNERS, 2, 2)).copy(),
    )


def unknown_lens() -> tuple[Lens, LensPrior]:
    """A first lens that is some way off, and no belief in it."""
    lens = Lens(600.0, (WIDTH - 1) / 2.0, (HEIGHT - 1) / 2.0)
    return lens, LensPrior(lens.vector, np.full(8, np.inf))
