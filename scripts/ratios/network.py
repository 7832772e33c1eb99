"""Our adjustment against scipy's on one network of 100,000 observations.

Processor seconds. Same observations, weights, starting values and analytic derivatives; plain least
squares on both sides, so that both have the same optimum.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.sparse import csr_matrix

from scripts.ratios.line import Line
from tracker.maths import rotation
from tracker.maths.camera import Lens, Pose, project
from tracker.network.problem import (
    ImageObservations,
    KnownDistances,
    KnownPoints,
    LensPrior,
    Network,
)
from tracker.network.residuals import Unknowns, linearise, residuals
from tracker.network.solve import solve

Array = NDArray[np.float64]
PHOTOS, POINTS, PER_POINT, KNOWN = 28, 20_000, 5, 40
SIGMA_PX, KNOWN_SIGMA_MM = 0.1, 0.02
PATIENCE = 20.0
"""scipy is stopped after so many times our own time."""
SAME_COST = 1e-6


def make_network(seed: int = 3) -> Network:
    """Stations round a cloud of points, noisy pixels, starting values a little off."""
    rng = np.random.default_rng(seed)
    lens = Lens(3000.0, 2010.0, 1490.0, 0.05, -0.08, 3e-4, -2e-4, 0.02)
    points = rng.normal(0.0, [80.0, 80.0, 110.0], (POINTS, 3))
    poses = [_station(2 * np.pi * k / PHOTOS, (120.0, 420.0)[k % 2]) for k in range(PHOTOS)]
    first = rng.integers(0, PHOTOS, POINTS)
    photo = ((first[:, None] + np.arange(PER_POINT)) % PHOTOS).ravel()
    point = np.repeat(np.arange(POINTS), PER_POINT)
    pixel = np.empty((len(photo), 2))
    for k, pose in enumerate(poses):
        rows = photo == k
        pixel[rows] = project(lens, pose, points[point[rows]])[0]
    pixel += rng.normal(0.0, SIGMA_PX, pixel.shape)
    cov = np.broadcast_to(np.eye(2) * SIGMA_PX**2, (len(photo), 2, 2)).copy()
    known = np.arange(KNOWN)
    measured = points[known] + rng.normal(0.0, KNOWN_SIGMA_MM, (KNOWN, 3))
    away = [
        Pose(rotation.exp(rng.normal(0, 1e-3, 3)) @ p.R, p.t + rng.normal(0, 1.0, 3)) for p in poses
    ]
    return Network(
        lenses=(Lens(2970.0, 2000.0, 1500.0, 0.0, 0.0, 0.0, 0.0, 0.0),),
        lens_of_photo=np.zeros(PHOTOS, np.int64),
        poses=tuple(away),
        points=points + rng.normal(0.0, 0.5, points.shape),
        seen=ImageObservations(photo.astype(np.int64), point.astype(np.int64), pixel, cov),
        known=KnownPoints(known.astype(np.int64), measured, np.full(KNOWN, KNOWN_SIGMA_MM)),
        distances=KnownDistances.none(),
        lens_priors=(LensPrior(np.zeros(8), np.full(8, np.inf)),),
    )


def _station(angle: float, height: float) -> Pose:
    centre = np.array([800 * np.cos(angle), 800 * np.sin(angle), height])
    z = -centre / np.linalg.norm(centre)
    x = np.cross(z, [0.0, 0.0, 1.0])
    x /= np.linalg.norm(x)
    R = np.stack([x, np.cross(z, x), z])
    return Pose(R, -R @ centre)


@dataclass(slots=True)
class Reference:
    """The same network as a residual vector and a sparse Jacobian for scipy."""

    network: Network
    stop_at: float

    def unknowns(self, x: Array) -> Unknowns:
        """Unknowns of a parameter vector: poses (rotation vector, t), lens, points."""
        start = Unknowns.of(self.network)
        pose, lens = x[: 6 * PHOTOS].reshape(-1, 6), x[6 * PHOTOS : 6 * PHOTOS + 8]
        return Unknowns(
            lens[None],
            rotation.exp(pose[:, :3]) @ start.R,
            pose[:, 3:],
            x[6 * PHOTOS + 8 :].reshape(-1, 3),
        )

    def start(self) -> Array:
        """Parameter vector of the starting values."""
        first = Unknowns.of(self.network)
        pose = np.concatenate([np.zeros((PHOTOS, 3)), first.t], axis=1)
        return np.concatenate([pose.ravel(), first.lens[0], first.points.ravel()])

    def residual(self, x: Array) -> Array:
        """Standardised residuals: pixels, then known coordinates."""
        if time.process_time() > self.stop_at:
            raise TimeoutError
        network, unknowns = self.network, self.unknowns(x)
        pixels, _ = residuals(unknowns, network.seen, network.lens_of_photo)
        known = network.known.xyz - unknowns.points[network.known.point]
        return np.concatenate([pixels.ravel() / SIGMA_PX, known.ravel() / KNOWN_SIGMA_MM])

    def jacobian(self, x: Array) -> csr_matrix:
        """Derivative of `residual`, sparse."""
        network, unknowns = self.network, self.unknowns(x)
        seen = network.seen
        made = linearise(unknowns, seen, network.lens_of_photo)
        turn = rotation.left_jacobian(x[: 6 * PHOTOS].reshape(-1, 6)[:, :3])[seen.photo]
        by_turn = np.einsum("mik,mkj->mij", made.A[:, :, :3], turn)
        values = np.concatenate([by_turn, made.A[:, :, 3:14], made.B], axis=2) / -SIGMA_PX
        lens = np.broadcast_to(6 * PHOTOS + np.arange(8), (len(seen.photo), 8))
        pose = 6 * seen.photo[:, None] + np.arange(6)
        point = 6 * PHOTOS + 8 + 3 * seen.point[:, None] + np.arange(3)
        columns = np.repeat(np.concatenate([pose, lens, point], axis=1), 2, axis=0)
        known = 6 * PHOTOS + 8 + 3 * network.known.point[:, None] + np.arange(3)
        data = np.concatenate([values.ravel(), np.full(known.size, -1.0 / KNOWN_SIGMA_MM)])
        rows = len(columns)
        ends = np.concatenate([np.arange(rows) * 17, rows * 17 + np.arange(known.size + 1)])
        return csr_matrix(
            (data, np.concatenate([columns.ravel(), known.ravel()]), ends), (len(ends) - 1, len(x))
        )


def compare() -> list[Line]:
    """Both solvers on the same network; whoever is not done is stopped."""
    network = make_network()
    solve(replace(network, points=network.points.copy()), robust=False, covariance=False)  # warm
    began = time.process_time()
    ours = solve(network, robust=False, covariance=False)
    ours_s = time.process_time() - began
    began = time.process_time()
    solve(network, robust=False, covariance=True)
    covariance_s = time.process_time() - began - ours_s
    reference = Reference(network, time.process_time() + PATIENCE * ours_s)
    began = time.process_time()
    cost = _scipy_cost(reference, ours.cost)
    theirs_s = time.process_time() - began
    if np.isfinite(cost):
        print(f"scipy's cost over ours: 1 {cost / ours.cost - 1.0:+.1e}")
    else:
        print(f"scipy did not reach our optimum in {theirs_s:.0f} s and was stopped")
    return [
        Line(
            f"scipy's time over ours, {POINTS * PER_POINT} observations",
            theirs_s / ours_s,
            "x",
            8.0,
            True,
        ),
        Line("adjustment", ours_s, "s", 8.0),
        Line("its covariance", covariance_s, "s", 2.0),
    ]


def _scipy_cost(reference: Reference, wanted: float) -> float:
    """Cost that scipy reaches; infinite if it is stopped before it is within a millionth."""
    try:
        found = least_squares(
            reference.residual,
            reference.start(),
            jac=reference.jacobian,
            method="trf",
            tr_solver="lsmr",
            x_scale="jac",
            ftol=1e-10,
            xtol=1e-12,
            gtol=1e-12,
        )
    except TimeoutError:
        return float("inf")
    return float(found.cost) if found.cost < wanted * (1.0 + SAME_COST) else float("inf")
