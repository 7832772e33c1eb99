"""Rotations against printed values and two independent libraries.

Values: textbook cases (120 degrees about (1,1,1) permutes the axes; intrinsic Z30 Y20 X10),
recomputed with scipy and OpenCV; printed to nine digits, so the tolerance is 1e-9.
"""

import cv2
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from tracker.maths import rotation


def test_third_of_a_turn_about_the_space_diagonal_permutes_the_axes() -> None:
    R = rotation.exp(np.radians(120.0) * np.ones(3) / np.sqrt(3.0))
    assert pytest.approx(np.array([[0, 0, 1], [1, 0, 0], [0, 1, 0]]), abs=1e-12) == R
    assert rotation.quaternion(R) == pytest.approx(np.full(4, 0.5), abs=1e-12)


def test_intrinsic_zyx() -> None:
    z, y, x = (
        rotation.exp(np.radians(angle) * axis)
        for angle, axis in zip((30.0, 20.0, 10.0), np.eye(3)[::-1], strict=True)
    )
    R = z @ y @ x
    assert R[0] == pytest.approx([0.813797681, -0.440969611, 0.378522306], abs=1e-9)
    expected = [0.038134576, 0.189307857, 0.239298338, 0.951548525]
    assert rotation.quaternion(R) == pytest.approx(expected, abs=1e-9)


def test_agrees_with_scipy_and_opencv() -> None:
    rng = np.random.default_rng(24)
    w = rng.normal(size=(200, 3))
    w *= (rng.uniform(0.0, np.pi, 200) / np.linalg.norm(w, axis=1))[:, None]
    R = rotation.exp(w)
    assert pytest.approx(Rotation.from_rotvec(w).as_matrix(), abs=1e-14) == R
    assert rotation.log(R) == pytest.approx(Rotation.from_matrix(R).as_rotvec(), abs=1e-12)
    for one, matrix in zip(w[:20], R[:20], strict=True):
        assert cv2.Rodrigues(one)[0] == pytest.approx(matrix, abs=1e-14)


@pytest.mark.parametrize("angle", [0.0, 1e-12, 1e-9, 3e-5, 0.99e-4, 1.01e-4, 1e-2, np.pi - 1e-9])
def test_round_trip_at_the_ends_of_the_range(angle: float) -> None:
    w = angle * np.array([2.0, -3.0, 6.0]) / 7.0
    assert rotation.log(rotation.exp(w)) == pytest.approx(w, abs=1e-12, rel=1e-9)
