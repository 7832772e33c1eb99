"""Derivatives of the network's equations against differences, on arbitrary states."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tracker.maths import rotation
from tracker.maths.camera import Array, Lens, Pose, project
from tracker.network.normal import distance_residuals
from tracker.network.problem import (
    ImageObservations,
    KnownDistances,
    KnownPoints,
    LensPrior,
    Network,
)
from tracker.network.residuals import Unknowns, linearise, residuals, whitener


def state(seed: int) -> tuple[Unknowns, ImageObservations, Array]:
    """Three photographs with two lenses, five points in front of all of them."""
    rng = np.random.default_rng(seed)
    w = rng.normal(0.0, 0.3, (3, 3))
    lens = np.stack(
        [
            [rng.uniform(500, 4000), *rng.uniform(200, 2000, 2), *rng.normal(0, 0.1, 2),
             *rng.normal(0, 0.005, 2), rng.normal(0, 0.05)]
            for _ in range(2)
        ]
    )  # fmt: skip
    unknowns = Unknowns(
        lens,
        rotation.exp(w),
        rng.normal(0, 30, (3, 3)) + [0, 0, 700],
        rng.normal(0, 120, (5, 3)),
    )
    photo, point = np.repeat(np.arange(3), 5), np.tile(np.arange(5), 3)
    seen = ImageObservations(photo, point, rng.uniform(0, 3000, (15, 2)), np.zeros((15, 2, 2)))
    return unknowns, seen, np.array([0, 1, 0])


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=25, deadline=None)
def test_jacobian_of_pose_lens_and_point(seed: int) -> None:
    unknowns, seen, lens_of_photo = state(seed)
    line = linearise(unknowns, seen, lens_of_photo)
    assert line.residual == pytest.approx(residuals(unknowns, seen, lens_of_photo)[0])
    steps = np.array([1e-6] * 3 + [1e-3] * 3 + [1e-2] * 3 + [1e-6] * 5 + [1e-3] * 3)
    for column, h in enumerate(steps):
        differences = []
        for sign in (1.0, -1.0):
            d_pose, d_lens, d_points = np.zeros((3, 6)), np.zeros((2, 8)), np.zeros((5, 3))
            target = (d_pose, d_lens, d_points)[(column >= 6) + (column >= 14)]
            target[:, column - (0, 6, 14)[(column >= 6) + (column >= 14)]] = sign * h
            moved = unknowns.moved(d_pose, d_lens, d_points)
            differences.append(-residuals(moved, seen, lens_of_photo)[0])
        slope = (differences[0] - differences[1]) / (2.0 * h)
        found = line.A[:, :, column] if column < 14 else line.B[:, :, column - 14]
        size = max(1.0, float(np.abs(found).max()))
        assert np.abs(found - slope).max() <= 2e-6 * size


def test_residuals_are_those_of_the_camera_model() -> None:
    unknowns, seen, lens_of_photo = state(3)
    computed = seen.pixel - residuals(unknowns, seen, lens_of_photo)[0]
    for k in range(3):
        lens = Lens.from_vector(unknowns.lens[lens_of_photo[k]])
        pixels, _ = project(lens, Pose(unknowns.R[k], unknowns.t[k]), unknowns.points)
        assert computed[seen.photo == k] == pytest.approx(pixels, abs=1e-9)


def test_points_behind_the_camera_take_no_part() -> None:
    unknowns, seen, lens_of_photo = state(4)
    behind = Unknowns(unknowns.lens, unknowns.R, unknowns.t - [0, 0, 2000], unknowns.points)
    line = linearise(behind, seen, lens_of_photo)
    assert not line.in_front.any()
    assert np.abs(line.A).max() == np.abs(line.B).max() == np.abs(line.residual).max() == 0.0


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=25, deadline=None)
def test_whitening_makes_unit_covariance(seed: int) -> None:
    rng = np.random.default_rng(seed)
    root = rng.normal(size=(4, 2, 2)) + 2.0 * np.eye(2)
    cov = root @ root.transpose(0, 2, 1)
    W = whitener(cov)
    assert W @ cov @ W.transpose(0, 2, 1) == pytest.approx(
        np.broadcast_to(np.eye(2), (4, 2, 2)), abs=1e-9
    )


def test_bar_derivatives() -> None:
    rng = np.random.default_rng(9)
    unknowns, seen, lens_of_photo = state(5)
    points = rng.normal(0, 100, (8, 3))
    unknowns = Unknowns(unknowns.lens, unknowns.R, unknowns.t, points)
    bars = KnownDistances(
        np.arange(4)[None, :], np.arange(4, 8)[None, :], np.array([100.0]), np.array([0.05])
    )
    prior = LensPrior(np.zeros(8), np.full(8, np.inf))
    network = Network(
        lenses=unknowns.lenses(),
        lens_of_photo=lens_of_photo,
        poses=unknowns.poses(),
        points=points,
        seen=seen,
        known=KnownPoints.none(),
        distances=bars,
        lens_priors=(prior, prior),
    )
    z, J = distance_residuals(unknowns, network)
    for k in range(8):
        for axis in range(3):
            ends = []
            for sign in (1.0, -1.0):
                moved = points.copy()
                moved[k, axis] += sign * 1e-4
                at = Unknowns(unknowns.lens, unknowns.R, unknowns.t, moved)
                ends.append(-distance_residuals(at, network)[0][0])
            assert J[0, k, axis] == pytest.approx((ends[0] - ends[1]) / 2e-4, abs=1e-6)
    assert z.shape == (1,)
