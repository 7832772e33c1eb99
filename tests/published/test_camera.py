"""The lens model against OpenCV's published calibration.

D. C. Brown (1971); parameters of left_intrinsics.yml (Debian package opencv-doc, examples/data);
pixels recomputed by hand and with cv2.projectPoints, inverses with scipy fsolve. cv2's own
undistortPoints stops 5e-3 px short at the corners, so it is not the judge here.
"""

import cv2
import numpy as np
import pytest

from tracker.maths.camera import Lens, Pose, distort, project, rays_frame, undistort
from tracker.maths.rotation import exp

F = 5.3591573396163199e02
LENS = Lens(
    F,
    3.4228315473308373e02,
    2.3557082909788173e02,
    -2.6637260909660682e-01,
    -3.8588898922304653e-02,
    1.7831947042852964e-03,
    -2.8122100441115472e-04,
    2.3839153080878486e-01,
)


def test_forward() -> None:
    pixel = distort(LENS, np.array([[0.3, 0.2]]))[0]
    assert pixel == pytest.approx([497.53780955, 339.21122738], abs=1e-8)


def test_inverse_at_the_corners() -> None:
    corners = np.array([[0.0, 0.0], [0.0, 479.0], [639.0, 0.0], [639.0, 479.0]])
    plane = undistort(LENS, corners)
    assert plane[0] == pytest.approx([-0.72537243, -0.50097110], abs=1e-8)
    assert plane[1] == pytest.approx([-0.72186695, 0.51198431], abs=1e-8)
    assert distort(LENS, plane) == pytest.approx(corners, abs=1e-6)


def test_projection_agrees_with_opencv() -> None:
    rng = np.random.default_rng(10)
    pose = Pose(exp(np.array([0.2, -0.3, 0.1])), np.array([5.0, -8.0, 420.0]))
    points = rng.uniform(-100.0, 100.0, (50, 3))
    pixels, depth = project(LENS, pose, points)
    theirs, _ = cv2.projectPoints(points, cv2.Rodrigues(pose.R)[0], pose.t, LENS.K, LENS.dist)
    assert pixels == pytest.approx(theirs.reshape(-1, 2), abs=1e-9)
    assert depth == pytest.approx((points @ pose.R.T + pose.t)[:, 2])


def test_rays_meet_the_points_they_came_from() -> None:
    rng = np.random.default_rng(11)
    pose = Pose(exp(np.array([0.2, -0.3, 0.1])), np.array([5.0, -8.0, 420.0]))
    points = rng.uniform(-100.0, 100.0, (50, 3))
    rays = rays_frame(LENS, pose, project(LENS, pose, points)[0])
    toward = points - pose.centre_frame
    toward /= np.linalg.norm(toward, axis=1, keepdims=True)
    assert rays == pytest.approx(toward, abs=1e-9)
    assert pose.axis_frame == pytest.approx(pose.R[2])


def test_vector_round_trip() -> None:
    assert Lens.from_vector(LENS.vector) == LENS
