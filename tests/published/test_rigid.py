"""Fits of motions against a worked example and two libraries.

S. Umeyama, IEEE PAMI 13 (1991), example of section III: scale .7211, a rotation (not the
reflection that fits better), mean squared residual .5333 (recomputed). Libraries:
scipy.spatial.transform.Rotation.align_vectors and trimesh.registration.procrustes.
"""

import numpy as np
import pytest
import trimesh.registration
from scipy.spatial.transform import Rotation

from tracker.maths.rigid import fit_rigid, fit_similarity, motion_jacobian
from tracker.maths.rotation import exp


def test_umeyama_example() -> None:
    a = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 2.0]])
    b = np.array([[0.0, 0.0], [-1.0, 0.0], [0.0, 2.0]])
    found = fit_similarity(a, b)
    assert found.scale == pytest.approx(0.7211, abs=1e-4)
    assert pytest.approx(np.array([[0.8321, 0.5547], [-0.5547, 0.8321]]), abs=1e-4) == found.R
    assert np.linalg.det(found.R) == pytest.approx(1.0, abs=1e-12)
    assert found.t == pytest.approx([-0.8, 0.4], abs=1e-4)
    residual = np.mean(np.sum((found.apply(a) - b) ** 2, axis=1))
    assert residual == pytest.approx(0.5333, abs=1e-4)


def test_agrees_with_scipy_and_trimesh() -> None:
    rng = np.random.default_rng(22)
    a = rng.normal(size=(20, 3)) * 50.0
    b = a @ exp(np.array([0.3, -0.5, 0.8])).T + [5.0, -7.0, 11.0] + rng.normal(0, 0.1, (20, 3))
    found = fit_rigid(a, b)
    theirs, rssd = Rotation.align_vectors(b - b.mean(axis=0), a - a.mean(axis=0))
    assert pytest.approx(theirs.as_matrix(), abs=1e-12) == found.R
    assert np.sqrt(np.sum((found.apply(a) - b) ** 2)) == pytest.approx(rssd, abs=1e-8)
    matrix, *_ = trimesh.registration.procrustes(a, b, reflection=False, scale=False)
    assert pytest.approx(matrix[:3, :3], abs=1e-12) == found.R
    assert found.t == pytest.approx(matrix[:3, 3], abs=1e-11)


def test_there_and_back() -> None:
    rng = np.random.default_rng(5)
    a = rng.normal(size=(6, 3))
    motion = fit_similarity(a, 2.5 * a @ exp(rng.normal(size=3)).T + 3.0)
    assert motion.inverse().apply(motion.apply(a)) == pytest.approx(a, abs=1e-12)
    assert motion.scale == pytest.approx(2.5, rel=1e-12)


def test_weights_count_like_copies() -> None:
    rng = np.random.default_rng(6)
    a, b = rng.normal(size=(5, 3)), rng.normal(size=(5, 3))
    weighted = fit_similarity(a, b, np.array([1.0, 2.0, 1.0, 3.0, 1.0]))
    rows = [0, 1, 1, 2, 3, 3, 3, 4]
    copied = fit_similarity(a[rows], b[rows])
    assert pytest.approx(copied.R, abs=1e-12) == weighted.R
    assert weighted.scale == pytest.approx(copied.scale, rel=1e-12)


def test_points_on_a_line_are_refused() -> None:
    a = np.outer(np.arange(4.0), [1.0, 2.0, 3.0])
    with pytest.raises(ValueError, match="on one line"):
        fit_rigid(a, a)


def test_motion_jacobian_is_the_derivative() -> None:
    rng = np.random.default_rng(7)
    p = rng.normal(size=(4, 3)) * 100.0
    J = motion_jacobian(p, scaled=True)
    h = 1e-6
    for k in range(7):
        step = np.zeros(7)
        step[k] = h

        def moved(s: np.ndarray) -> np.ndarray:
            return (1.0 + s[6]) * p @ exp(s[:3]).T + s[3:6]

        assert J[:, :, k] == pytest.approx((moved(step) - moved(-step)) / (2 * h), abs=1e-6)
