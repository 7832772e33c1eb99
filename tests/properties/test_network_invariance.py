"""What must not change the network's result: order, place, turn and size of the world."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from tests.simulated_network import detect, make_world, network_of
from tracker.maths.camera import Array, Pose
from tracker.maths.rotation import exp
from tracker.network.problem import (
    ImageObservations,
    KnownDistances,
    KnownPoints,
    Network,
    Solution,
    TargetSightings,
)
from tracker.network.solve import solve

WORLD = make_world(10)


@cache
def base() -> tuple[Network, Array, Solution]:
    network, truth = network_of(WORLD, detect(WORLD), ties=60)
    return network, truth, solve(network)


def test_order_of_photographs_and_observations() -> None:
    network, _, solution = base()
    rng = np.random.default_rng(1)
    photos = rng.permutation(len(network.poses))
    place = np.argsort(photos)
    rows = rng.permutation(len(network.seen.photo))
    targets = rng.permutation(len(network.sightings.photo))
    seen, s = network.seen, network.sightings
    shuffled = replace(
        network,
        poses=tuple(network.poses[k] for k in photos),
        seen=ImageObservations(
            place[seen.photo[rows]], seen.point[rows], seen.pixel[rows], seen.cov_px2[rows]
        ),
        sightings=TargetSightings(
            place[s.photo[targets]], s.corners[targets], s.pixel[targets], s.cov_px2[targets]
        ),
    )
    again = solve(shuffled)
    assert again.cost == pytest.approx(solution.cost, rel=1e-10)
    assert again.points == pytest.approx(solution.points, abs=1e-7)
    for k, old in enumerate(photos):
        assert again.poses[k].t == pytest.approx(solution.poses[old].t, abs=1e-6)
    assert again.used[np.argsort(rows)].tolist() == solution.used.tolist()


def test_same_input_gives_the_same_digits() -> None:
    network, _, solution = base()
    again = solve(network)
    assert again.points.tobytes() == solution.points.tobytes()
    assert again.cov_points.tobytes() == solution.cov_points.tobytes()


@pytest.mark.parametrize("scale", [1.0, 0.5])
def test_motion_and_size_of_the_world(scale: float) -> None:
    network, _, solution = base()
    turn, shift = exp(np.array([0.7, -0.4, 1.9])), np.array([3000.0, -200.0, 90.0])

    def moved(points: Array) -> Array:
        return np.asarray(scale * points @ turn.T + shift)

    poses = []
    for pose in network.poses:
        R = pose.R @ turn.T
        poses.append(Pose(R, scale * pose.t - R @ shift))
    known, bars = network.known, network.distances
    other = replace(
        network,
        poses=tuple(poses),
        points=moved(network.points),
        known=KnownPoints(known.point, moved(known.xyz), scale * known.sigma_mm),
        distances=KnownDistances(
            bars.corners_a, bars.corners_b, scale * bars.length_mm, scale * bars.sigma_mm
        ),
    )
    again = solve(other)
    assert again.cost == pytest.approx(solution.cost, rel=1e-8)
    assert again.points == pytest.approx(moved(solution.points), abs=1e-5)
    assert again.lenses[0].vector == pytest.approx(solution.lenses[0].vector, rel=1e-6, abs=1e-7)
    turned = scale**2 * turn @ solution.cov_points @ turn.T
    assert again.cov_points == pytest.approx(turned, abs=1e-5 * np.abs(turned).max())


def test_more_photographs_never_make_a_claim_worse() -> None:
    """Claims from the same sigmas: all photographs against every second one."""
    network, _, solution = base()
    seen, s = network.seen, network.sightings
    half = replace(
        network,
        seen=ImageObservations.none(),
        points=network.points[: 4 * len(WORLD.corners)],
        poses=network.poses[::2],
        lens_of_photo=network.lens_of_photo[::2],
        sightings=TargetSightings(
            s.photo[s.photo % 2 == 0] // 2,
            s.corners[s.photo % 2 == 0],
            s.pixel[s.photo % 2 == 0],
            s.cov_px2[s.photo % 2 == 0],
        ),
    )
    fewer = solve(half, robust=False)
    rows = np.flatnonzero(fewer.placed)
    less = fewer.cov_points[rows] / max(1.0, fewer.sigma0) ** 2
    more = solution.cov_points[rows] / max(1.0, solution.sigma0) ** 2
    assert len(rows) > 40
    assert (np.linalg.eigvalsh(less - more)[:, 0] >= -1e-9).all()
    assert len(seen.photo) > 0
