"""Properties of rotations and fits that hold whatever the numbers."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from tracker.maths import rotation
from tracker.maths.camera import Array
from tracker.maths.rigid import fit_rigid, fit_similarity

VECTOR = arrays(np.float64, 3, elements=st.floats(-1.8, 1.8, allow_nan=False))


@given(VECTOR)
@settings(deadline=None)
def test_exp_is_a_rotation_and_log_undoes_it(w: Array) -> None:
    R = rotation.exp(w)
    assert pytest.approx(np.eye(3), abs=1e-14) == R @ R.T
    assert np.linalg.det(R) == pytest.approx(1.0, abs=1e-14)
    assert rotation.exp(rotation.log(R)) == pytest.approx(R, abs=1e-12)


@given(VECTOR, VECTOR)
@settings(deadline=None)
def test_left_jacobian_against_differences(w: Array, d: Array) -> None:
    h = 1e-6
    turned = rotation.exp(w + h * d) @ rotation.exp(w - h * d).T
    expected = rotation.log(turned) / (2.0 * h)
    assert rotation.left_jacobian(w) @ d == pytest.approx(expected, abs=1e-7)


@given(VECTOR, VECTOR)
@settings(deadline=None)
def test_hat_is_the_cross_product(a: Array, b: Array) -> None:
    assert rotation.hat(a) @ b == pytest.approx(np.cross(a, b), abs=1e-14)


@given(st.integers(0, 2**32 - 1))
@settings(deadline=None)
def test_nearest_rotation(seed: int) -> None:
    rng = np.random.default_rng(seed)
    M = rng.normal(size=(3, 3))
    R = rotation.nearest_rotation(M)
    assert np.linalg.det(R) == pytest.approx(1.0, abs=1e-12)
    nearby = rotation.exp(rng.normal(0, 0.1, 3)) @ R
    assert np.linalg.norm(M - R) <= np.linalg.norm(M - nearby) + 1e-12


@given(st.integers(0, 2**32 - 1), st.floats(0.2, 5.0))
@settings(deadline=None)
def test_fits_follow_a_motion_of_either_side(seed: int, scale: float) -> None:
    rng = np.random.default_rng(seed)
    a, b = rng.normal(size=(7, 3)), rng.normal(size=(7, 3))
    turn, shift = rotation.exp(rng.normal(size=3)), rng.normal(size=3)
    rigid = fit_rigid(a, b)
    moved = fit_rigid(a, b @ turn.T + shift)
    assert pytest.approx(turn @ rigid.R, abs=1e-9) == moved.R
    assert moved.t == pytest.approx(turn @ rigid.t + shift, abs=1e-9)
    similar = fit_similarity(a, b)
    assert fit_similarity(a, scale * b).scale == pytest.approx(scale * similar.scale, rel=1e-9)
