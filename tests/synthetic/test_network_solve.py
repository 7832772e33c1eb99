"""The network's solution against exact truth, scipy, and repeated noise."""

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy import optimize

from tests.simulated_network import detect, make_world, network_of
from tracker.maths.camera import Array, project
from tracker.maths.rotation import angle_rad, left_jacobian
from tracker.network.covariance import place_covariance, place_covariances
from tracker.network.normal import distance_residuals
from tracker.network.problem import ImageObservations, Network, Solution
from tracker.network.quality import centre_covariance, redundancy_numbers
from tracker.network.residuals import Unknowns, linearise, residuals
from tracker.network.solve import solve

WORLD = make_world(14)


def small_network(seed: int = 3, ties: int = 80, sigma_px: float = 0.05) -> tuple[Network, Array]:
    return network_of(WORLD, detect(WORLD, sigma_px, seed=seed), ties=ties, seed=seed)


def station_errors(solution: Solution) -> Array:
    return np.array(
        [
            found.centre_frame - true.centre_frame
            for found, true in zip(solution.poses, WORLD.poses, strict=True)
        ]
    )


def test_exact_without_noise() -> None:
    network, truth = network_of(
        WORLD, detect(WORLD, 0.0), ties=40, sigma_px=1e-9, record_sigma_mm=1e-9, bars=0
    )
    known = replace(network.known, sigma_mm=np.full(len(network.known.point), 0.02))
    seen = replace(
        network.seen, cov_px2=np.broadcast_to(0.01 * np.eye(2), (len(network.seen.photo), 2, 2))
    )
    solution = solve(replace(network, known=known, seen=seen))
    assert solution.warnings == ()
    placed = solution.placed
    assert placed.mean() > 0.95
    assert np.abs(solution.points - truth)[placed].max() <= 1e-5
    assert np.abs(station_errors(solution)).max() <= 1e-4
    turns = [angle_rad(a.R @ b.R.T) for a, b in zip(solution.poses, WORLD.poses, strict=True)]
    assert max(turns) <= 1e-7
    assert solution.lenses[0].focal_px == pytest.approx(WORLD.lens.focal_px, abs=1e-3)


Function = Callable[[Array], Array]


def scipy_problem(network: Network) -> tuple[Array, Function, Function]:
    """All observations as one dense problem in steps from the starting values."""
    start = Unknowns.of(network)
    photos, points = len(start.R), len(start.points)
    s, seen = network.sightings, network.seen
    every = ImageObservations(
        np.concatenate([np.repeat(s.photo, 4), seen.photo]),
        np.concatenate([s.corners.ravel(), seen.point]),
        np.concatenate([s.pixel.reshape(-1, 2), seen.pixel]),
        np.zeros((4 * len(s.photo) + len(seen.photo), 2, 2)),
    )
    m = len(every.photo)
    root = np.zeros((2 * m, 2 * m))
    for k, cov in enumerate(s.cov_px2):
        root[8 * k : 8 * k + 8, 8 * k : 8 * k + 8] = np.linalg.inv(np.linalg.cholesky(cov))
    for k, cov in enumerate(seen.cov_px2):
        at = 8 * len(s.photo) + 2 * k
        root[at : at + 2, at : at + 2] = np.linalg.inv(np.linalg.cholesky(cov))
    prior, known = network.lens_priors[0], network.known

    def unpack(x: Array) -> Unknowns:
        lens = x[6 * photos : 6 * photos + 8]
        return start.moved(
            x[: 6 * photos].reshape(-1, 6), lens[None], x[6 * photos + 8 :].reshape(-1, 3)
        )

    def residual(x: Array) -> Array:
        u = unpack(x)
        return np.concatenate(
            [
                -root @ residuals(u, every, network.lens_of_photo)[0].ravel(),
                ((u.points[known.point] - known.xyz) / known.sigma_mm[:, None]).ravel(),
                -distance_residuals(u, network)[0],
                (u.lens[0] - prior.vector) / prior.sigma,
            ]
        )

    def jacobian(x: Array) -> Array:
        u = unpack(x)
        line = linearise(u, every, network.lens_of_photo)
        J = np.zeros((2 * m, len(x)))
        bend = left_jacobian(x[: 6 * photos].reshape(-1, 6)[:, :3])[every.photo]
        A = line.A.copy()
        A[:, :, :3] = A[:, :, :3] @ bend
        rows = np.arange(2 * m).reshape(m, 2, 1)
        J[rows, 6 * every.photo[:, None, None] + np.arange(6)] = A[:, :, :6]
        J[rows, 6 * photos + np.arange(8)] = A[:, :, 6:]
        first = 6 * photos + 8 + 3 * every.point[:, None, None]
        J[rows, first + np.arange(3)] = line.B
        K = np.zeros((3 * len(known.point), len(x)))
        columns = (6 * photos + 8 + 3 * known.point[:, None] + np.arange(3)).ravel()
        K[np.arange(len(K)), columns] = np.repeat(1.0 / known.sigma_mm, 3)
        bars = network.distances
        _, Jb = distance_residuals(u, network)
        D = np.zeros((len(bars.length_mm), len(x)))
        corners = np.concatenate([bars.corners_a, bars.corners_b], axis=1)
        for k in range(len(D)):
            columns = (6 * photos + 8 + 3 * corners[k][:, None] + np.arange(3)).ravel()
            D[k, columns] = Jb[k].ravel()
        P = np.zeros((8, len(x)))
        P[np.arange(8), 6 * photos + np.arange(8)] = 1.0 / prior.sigma
        return np.concatenate([root @ J, K, D, P])

    return np.zeros(6 * photos + 8 + 3 * points), residual, jacobian


def test_same_optimum_and_covariance_as_scipy() -> None:
    world = make_world(6, seed=4)
    kept = [tag for tag in world.corners if tag < 26]
    world = replace(world, corners={tag: world.corners[tag] for tag in kept}, bars=())
    network, _ = network_of(world, detect(world), ties=25, bars=0)
    start, residual, jacobian = scipy_problem(network)
    theirs = optimize.least_squares(
        residual, start, jacobian, method="lm", x_scale="jac", ftol=1e-14, xtol=1e-14, gtol=1e-14
    )
    ours = solve(network, robust=False)
    assert ours.cost == pytest.approx(theirs.cost, rel=1e-6)
    cameras = 6 * 6 + 8
    moved = Unknowns.of(network).points + theirs.x[cameras:].reshape(-1, 3)
    assert np.abs(moved - ours.points).max() <= 1e-3
    J = jacobian(theirs.x)
    dense = np.linalg.inv(J.T @ J) * max(1.0, ours.sigma0) ** 2
    # theirs are rotation vectors from the start, ours small turns at the end
    bend = np.eye(len(dense))
    for k in range(6):
        w = theirs.x[6 * k : 6 * k + 3]
        bend[6 * k : 6 * k + 3, 6 * k : 6 * k + 3] = left_jacobian(w)
    dense = bend @ dense @ bend.T
    sigma = np.sqrt(np.diag(dense))
    apart = (ours.cov_cameras - dense[:cameras, :cameras]) / np.outer(sigma, sigma)[
        :cameras, :cameras
    ]
    assert np.abs(apart).max() <= 1e-3
    for row in range(len(network.points)):
        at = slice(cameras + 3 * row, cameras + 3 * row + 3)
        size = np.abs(dense[at, at]).max()
        assert ours.cov_points[row] == pytest.approx(dense[at, at], abs=1e-3 * size)


def test_eliminated_points_get_what_joint_points_get() -> None:
    network, _ = small_network()
    apart = solve(network)
    together = solve(replace(network, joint=np.arange(len(network.points))))
    assert together.cost == pytest.approx(apart.cost, rel=1e-9)
    assert together.points == pytest.approx(apart.points, abs=1e-6)
    size = np.abs(apart.cov_points).max()
    assert together.cov_points == pytest.approx(apart.cov_points, abs=1e-7 * size)
    cameras = np.sqrt(np.diag(apart.cov_cameras))
    scaled = (together.cov_cameras - apart.cov_cameras) / np.outer(cameras, cameras)
    assert np.abs(scaled).max() <= 1e-6
    r_apart, t_apart = redundancy_numbers(network, apart)
    r_joint, t_joint = redundancy_numbers(
        replace(network, joint=np.arange(len(network.points))), together
    )
    assert r_apart == pytest.approx(r_joint, abs=1e-6)
    assert t_apart == pytest.approx(t_joint, abs=1e-6)


def test_starting_far_off_ends_in_the_same_place() -> None:
    world_network, _ = small_network()
    near = solve(world_network)
    far, _ = network_of(WORLD, detect(WORLD, 0.05, seed=3), ties=80, seed=3, shake=4.0)
    far = replace(
        far,
        seen=world_network.seen,
        known=world_network.known,
        distances=world_network.distances,
    )
    again = solve(far)
    assert again.cost == pytest.approx(near.cost, rel=1e-7)
    assert again.lenses[0].vector == pytest.approx(near.lenses[0].vector, rel=1e-5, abs=1e-6)


def test_gross_errors_are_found_and_do_not_hurt() -> None:
    network, truth = small_network(ties=400)
    rng = np.random.default_rng(8)
    clean = solve(network)
    pixel = network.seen.pixel.copy()
    bad = rng.random(len(pixel)) < 0.05
    pixel[bad] += rng.choice([-1.0, 1.0], (bad.sum(), 2)) * rng.uniform(3.0, 40.0, (bad.sum(), 2))
    sightings = network.sightings.pixel.copy()
    wrong = rng.random(len(sightings)) < 0.03
    sightings[wrong, 0] += 2.0
    spoilt = solve(
        replace(
            network,
            seen=replace(network.seen, pixel=pixel),
            sightings=replace(network.sightings, pixel=sightings),
        )
    )
    assert not spoilt.used[bad].any()
    assert not spoilt.sighting_used[wrong].any()
    assert (
        spoilt.used[~bad & np.isin(network.seen.point, np.flatnonzero(spoilt.placed))].mean() > 0.99
    )
    ties = np.arange(len(truth)) >= 4 * len(WORLD.corners)
    both = ties & clean.placed & spoilt.placed

    def rms(solution: Solution) -> float:
        return float(np.sqrt(np.mean((solution.points - truth)[both] ** 2)))

    assert rms(spoilt) <= 1.15 * rms(clean)
    assert np.isinf(spoilt.cov_points[~spoilt.placed][:, 0, 0]).all()


@cache
def repeats(count: int = 20) -> list[tuple[Network, Array, Solution]]:
    out = []
    for seed in range(count):
        network, truth = small_network(seed=100 + seed, ties=120)
        out.append((network, truth, solve(network)))
    return out


def test_claimed_sigmas_cover_the_truth() -> None:
    """Normalised squared errors of stations, focal length and points have mean 1."""
    stations, focal, corners, ties, sigma0 = [], [], [], [], []
    lens_column = 6 * len(WORLD.poses)
    for _, truth, solution in repeats():
        for k, error in enumerate(station_errors(solution)):
            pose = solution.poses[k]
            block = solution.cov_cameras[6 * k : 6 * k + 6, 6 * k : 6 * k + 6]
            cov = centre_covariance(pose.R, pose.t, block)
            stations.append(error @ np.linalg.solve(cov, error) / 3.0)
        off = solution.lenses[0].focal_px - WORLD.lens.focal_px
        focal.append(off**2 / solution.cov_cameras[lens_column, lens_column])
        error = solution.points - truth
        rows = np.flatnonzero(solution.placed)
        weighted = np.linalg.solve(solution.cov_points[rows], error[rows, :, None])[..., 0]
        nees = np.einsum("ni,ni->n", error[rows], weighted) / 3.0
        corners.append(nees[rows < 4 * len(WORLD.corners)].mean())
        ties.append(nees[rows >= 4 * len(WORLD.corners)].mean())
        sigma0.append(solution.sigma0)
    assert np.mean(sigma0) == pytest.approx(1.0, abs=0.02)
    assert np.mean(stations) == pytest.approx(1.0, abs=0.25)
    assert np.mean(focal) == pytest.approx(1.0, abs=0.7)
    assert np.mean(corners) == pytest.approx(1.0, abs=0.15)
    assert np.mean(ties) == pytest.approx(1.0, abs=0.1)


def test_places_intersected_later_have_the_cameras_uncertainty() -> None:
    """Errors of places met by error-free pixels are those that the cameras' covariance says."""
    places = np.array([[150.0, 40.0, 200.0], [150.0, 200.0, 60.0], [60.0, 120.0, 250.0]])
    rows = np.array([[0, 1, 2, 3, -1], [5, 6, 7, 8, 9], [10, 11, 12, -1, -1]])
    nees = []
    for network, _, solution in repeats():
        found, shares = [], []
        for place, photos in zip(places, rows, strict=True):
            used = photos[photos >= 0]
            point = place.copy()
            for _ in range(5):
                A, b = [], []
                for k in used:
                    seen, _ = project(WORLD.lens, WORLD.poses[k], place[None])
                    u = Unknowns(
                        np.array([solution.lenses[0].vector]),
                        solution.poses[k].R[None],
                        solution.poses[k].t[None],
                        point[None],
                    )
                    zero = np.zeros(1, np.int64)
                    one = ImageObservations(zero, zero, seen, np.zeros((1, 2, 2)))
                    line = linearise(u, one, zero)
                    A.append(line.B[0])
                    b.append(line.residual[0])
                point = point + np.linalg.lstsq(np.concatenate(A), np.concatenate(b))[0]
            found.append(point - place)
        own, cameras = place_covariances(solution, network, rows, places)
        assert np.abs(own).max() == 0.0
        shares = [
            place_covariance(solution, network, photos[photos >= 0], place)
            for place, photos in zip(places, rows, strict=True)
        ]
        assert cameras == pytest.approx(np.array(shares), rel=1e-9)
        nees += [e @ np.linalg.solve(c, e) / 3.0 for e, c in zip(found, cameras, strict=True)]
    assert np.mean(nees) == pytest.approx(1.0, abs=0.35)


def test_pixel_noise_of_a_place_adds_its_own_share() -> None:
    network, _, solution = repeats()[0]
    place = np.array([[150.0, 40.0, 200.0]])
    rows = np.array([[0, 1, 2, 3]])
    own, cameras = place_covariances(solution, network, rows, place, 0.2)
    twice, same = place_covariances(solution, network, rows, place, 0.4)
    assert twice == pytest.approx(4.0 * own, rel=1e-9)
    assert same == pytest.approx(cameras, rel=1e-9)
    both = place_covariance(solution, network, rows[0], place[0], 0.2)
    assert both == pytest.approx(own[0] + cameras[0], rel=1e-9)


def test_double_observation_is_refused() -> None:
    network, _ = small_network()
    seen = network.seen
    rows = np.append(np.arange(len(seen.photo)), 0)
    double = ImageObservations(
        seen.photo[rows], seen.point[rows], seen.pixel[rows], seen.cov_px2[rows]
    )
    with pytest.raises(ValueError, match="observed twice"):
        solve(replace(network, seen=double))
