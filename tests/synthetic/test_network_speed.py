"""Time for 100,000 observations, against scipy on the same equations and the same derivatives."""

import time

import numpy as np
import pytest
from scipy import optimize, sparse

from tests.simulated_network import detect, make_world, network_of
from tracker.maths.camera import Array
from tracker.maths.rotation import left_jacobian
from tracker.network.normal import distance_residuals
from tracker.network.problem import ImageObservations, Network
from tracker.network.residuals import Unknowns, linearise, residuals
from tracker.network.solve import solve

TIMES_FASTER = 8.0
COVARIANCE_S = 2.0


class _Problem:
    """The network's weighted residuals and sparse Jacobian in steps from the start."""

    def __init__(self, network: Network) -> None:
        self.network = network
        self.start = Unknowns.of(network)
        self.photos, self.points = len(self.start.R), len(self.start.points)
        self.size = 6 * self.photos + 8 + 3 * self.points
        s, seen = network.sightings, network.seen
        self.every = ImageObservations(
            np.concatenate([np.repeat(s.photo, 4), seen.photo]),
            np.concatenate([s.corners.ravel(), seen.point]),
            np.concatenate([s.pixel.reshape(-1, 2), seen.pixel]),
            np.zeros((4 * len(s.photo) + len(seen.photo), 2, 2)),
        )
        roots = [np.linalg.inv(np.linalg.cholesky(cov)) for cov in (s.cov_px2, seen.cov_px2)]
        blocks = [sparse.bsr_matrix((r, np.arange(len(r)), np.arange(len(r) + 1))) for r in roots]
        self.root = sparse.block_diag(blocks).tocsr()

    def unpack(self, x: Array) -> Unknowns:
        poses = x[: 6 * self.photos].reshape(-1, 6)
        lens = x[6 * self.photos : 6 * self.photos + 8]
        return self.start.moved(poses, lens[None], x[6 * self.photos + 8 :].reshape(-1, 3))

    def residual(self, x: Array) -> Array:
        u, known, prior = self.unpack(x), self.network.known, self.network.lens_priors[0]
        seen = residuals(u, self.every, self.network.lens_of_photo)[0]
        return np.concatenate(
            [
                -(self.root @ seen.ravel()),
                ((u.points[known.point] - known.xyz) / known.sigma_mm[:, None]).ravel(),
                -distance_residuals(u, self.network)[0],
                (u.lens[0] - prior.vector) / prior.sigma,
            ]
        )

    def jacobian(self, x: Array) -> sparse.csr_matrix:
        u, every, known = self.unpack(x), self.every, self.network.known
        line = linearise(u, every, self.network.lens_of_photo)
        A = line.A.copy()
        bend = left_jacobian(x[: 6 * self.photos].reshape(-1, 6)[:, :3])
        A[:, :, :3] = A[:, :, :3] @ bend[every.photo]
        first = 6 * self.photos + 8
        columns = np.concatenate(
            [
                6 * every.photo[:, None] + np.arange(6),
                np.broadcast_to(6 * self.photos + np.arange(8), (len(every.photo), 8)),
                first + 3 * every.point[:, None] + np.arange(3),
            ],
            axis=1,
        )
        J = self._rows(np.concatenate([A, line.B], axis=2), np.repeat(columns[:, None], 2, 1))
        at_known = first + 3 * known.point[:, None] + np.arange(3)
        K = self._rows(np.repeat(1.0 / known.sigma_mm, 3)[:, None], at_known.reshape(-1, 1))
        bars = self.network.distances
        corners = np.concatenate([bars.corners_a, bars.corners_b], axis=1)
        at_bars = (first + 3 * corners[:, :, None] + np.arange(3)).reshape(len(corners), -1)
        D = self._rows(distance_residuals(u, self.network)[1].reshape(len(corners), -1), at_bars)
        at_lens = (6 * self.photos + np.arange(8))[:, None]
        P = self._rows(1.0 / self.network.lens_priors[0].sigma[:, None], at_lens)
        return sparse.vstack([self.root @ J, K, D, P]).tocsr()

    def _rows(self, values: Array, columns: Array) -> sparse.csr_matrix:
        width = columns.shape[-1]
        count = columns.size // width
        return sparse.csr_matrix(
            (values.ravel(), columns.ravel(), np.arange(0, count * width + 1, width)),
            shape=(count, self.size),
        )


class _TimeIsUp(Exception):
    """Scipy has had its time."""


def test_faster_than_scipy_at_100000_observations() -> None:
    world = make_world(28)
    network, _ = network_of(world, detect(world), ties=20000, shake=0.3)
    assert 4 * len(network.sightings.photo) + len(network.seen.photo) > 100_000
    seconds = np.inf
    for _ in range(2):  # the better of two: others use the machine too
        begun = time.process_time()
        ours = solve(network, robust=False, covariance=False)
        seconds = min(seconds, time.process_time() - begun)
    assert ours.warnings == ()
    begun = time.process_time()
    solve(network, robust=False)
    assert time.process_time() - begun - seconds <= COVARIANCE_S

    problem = _Problem(network)
    assert 0.5 * np.sum(problem.residual(np.zeros(problem.size)) ** 2) > 2.0 * ours.cost
    lowest = np.inf
    begun = time.process_time()

    def timed(x: Array) -> Array:
        nonlocal lowest
        r = problem.residual(x)
        lowest = min(lowest, 0.5 * float(r @ r))
        if time.process_time() - begun > TIMES_FASTER * seconds:
            raise _TimeIsUp
        return r

    with pytest.raises(_TimeIsUp):
        optimize.least_squares(
            timed, np.zeros(problem.size), problem.jacobian, x_scale="jac", tr_solver="lsmr",
            ftol=1e-12, xtol=1e-12, gtol=1e-12, max_nfev=1000,
        )  # fmt: skip
    # eight times our time, and it is not there yet
    assert lowest > ours.cost * (1.0 + 1e-6)
    assert lowest < 1.1 * ours.cost  # but it is the same problem and on its way
