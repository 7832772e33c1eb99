"""The equations of the network and their derivatives.

A point X is seen at pixel u = c + f d(x, y), with (x, y) = (p1/p3, p2/p3), p = R X + t, and d
Brown's distortion. Residuals are measured minus computed. The unknowns of one observation are

    a = (w, dt | f, cx, cy, k1, k2, p1, p2, k3)   14, pose and lens
    b = dX                                         3, the point

with R <- exp([w]x) R and t <- t + dt, so that dp/dw = -[R X]x, dp/dt = I, dp/dX = R.

References
----------
D. C. Brown (1971), as written in the OpenCV documentation; see `tracker.maths.camera`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracker.maths import rotation
from tracker.maths.camera import Array, Lens, Pose
from tracker.network.problem import ImageObservations, Network, Rows

POSE, LENS, POINT = 6, 8, 3
CAMERA = POSE + LENS
NEAREST_MM = 1.0
"""Points nearer to the projection centre than this, or behind it, are not seen."""


@dataclass(frozen=True, slots=True)
class Unknowns:
    """Everything that is solved for, as stacked arrays."""

    lens: Array
    """(n_lenses, 8)."""
    R: Array
    """(n_photos, 3, 3), T_camera_frame."""
    t: Array
    """(n_photos, 3), mm."""
    points: Array
    """(n_points, 3), mm."""

    @staticmethod
    def of(network: Network) -> Unknowns:
        """Starting values of a network."""
        return Unknowns(
            np.array([lens.vector for lens in network.lenses]).reshape(-1, LENS),
            np.array([pose.R for pose in network.poses]).reshape(-1, 3, 3),
            np.array([pose.t for pose in network.poses]).reshape(-1, 3),
            np.asarray(network.points, dtype=np.float64).reshape(-1, 3),
        )

    def moved(self, d_pose: Array, d_lens: Array, d_points: Array) -> Unknowns:
        """Unknowns after a step: (n_photos, 6), (n_lenses, 8), (n_points, 3)."""
        return Unknowns(
            self.lens + d_lens,
            rotation.exp(d_pose[:, :3]) @ self.R,
            self.t + d_pose[:, 3:],
            self.points + d_points,
        )

    def lenses(self) -> tuple[Lens, ...]:
        """Lenses as records."""
        return tuple(Lens.from_vector(row) for row in self.lens)

    def poses(self) -> tuple[Pose, ...]:
        """Poses as records, their rotations made exactly orthogonal."""
        return tuple(
            Pose(R, t) for R, t in zip(rotation.nearest_rotation(self.R), self.t, strict=True)
        )


@dataclass(frozen=True, slots=True)
class Linear:
    """Observation equations at one place, m of them."""

    residual: Array
    """(m, 2), measured minus computed."""
    A: Array
    """(m, 2, 14), derivative of the computed pixel by pose and lens."""
    B: Array
    """(m, 2, 3), by the point."""
    in_front: NDArray[np.bool_]
    """(m,), False where the point is not in front of the camera; its row is zero."""


def camera_points(
    unknowns: Unknowns, seen: ImageObservations
) -> tuple[Array, Array, NDArray[np.bool_]]:
    """R X (m, 3), R X + t (m, 3) with a harmless depth where not in front, and in front (m,)."""
    turned = np.matmul(unknowns.R[seen.photo], unknowns.points[seen.point][:, :, None])[:, :, 0]
    p = turned + unknowns.t[seen.photo]
    in_front = p[:, 2] > NEAREST_MM
    p[~in_front] = (0.0, 0.0, 1e3)
    return turned, p, in_front


def residuals(
    unknowns: Unknowns, seen: ImageObservations, lens_of_photo: Rows
) -> tuple[Array, NDArray[np.bool_]]:
    """Measured minus computed pixels (m, 2), px, and whether each point is in front (m,).

    Where it is not, the residual is meaningless.
    """
    _, p, in_front = camera_points(unknowns, seen)
    f, cx, cy, k1, k2, p1, p2, k3 = unknowns.lens[lens_of_photo[seen.photo]].T
    x, y = p[:, 0] / p[:, 2], p[:, 1] / p[:, 2]
    r2 = x * x + y * y
    radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
    u = cx + f * (x * radial + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x))
    v = cy + f * (y * radial + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y)
    return seen.pixel - np.stack([u, v], axis=1), in_front


def linearise(unknowns: Unknowns, seen: ImageObservations, lens_of_photo: Rows) -> Linear:
    """Residuals and derivatives of all observations, in px."""
    turned, p, in_front = camera_points(unknowns, seen)
    f, cx, cy, k1, k2, p1, p2, k3 = unknowns.lens[lens_of_photo[seen.photo]].T
    inverse_depth = 1.0 / p[:, 2]
    x, y = p[:, 0] * inverse_depth, p[:, 1] * inverse_depth
    x2, y2, xy = x * x, y * y, x * y
    r2 = x2 + y2
    radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
    slope = 2.0 * (k1 + r2 * (2.0 * k2 + 3.0 * r2 * k3))
    xd = x * radial + 2.0 * p1 * xy + p2 * (r2 + 2.0 * x2)
    yd = y * radial + p1 * (r2 + 2.0 * y2) + 2.0 * p2 * xy

    m = len(x)
    A = np.empty((m, 2, CAMERA))
    # chain rule: pixel by image-plane coordinates, these by the camera coordinates p
    f_z = f * inverse_depth
    xx = f_z * (radial + x2 * slope + 2.0 * p1 * y + 6.0 * p2 * x)
    yy = f_z * (radial + y2 * slope + 6.0 * p1 * y + 2.0 * p2 * x)
    cross = f_z * (xy * slope + 2.0 * p1 * x + 2.0 * p2 * y)
    A[:, 0, 3], A[:, 0, 4] = xx, cross
    A[:, 1, 3], A[:, 1, 4] = cross, yy
    A[:, :, 5] = -(A[:, :, 3] * x[:, None] + A[:, :, 4] * y[:, None])
    by_p = A[:, :, 3:6]
    B = np.matmul(by_p, unknowns.R[seen.photo])
    A[:, :, 0] = by_p[:, :, 2] * turned[:, None, 1] - by_p[:, :, 1] * turned[:, None, 2]
    A[:, :, 1] = by_p[:, :, 0] * turned[:, None, 2] - by_p[:, :, 2] * turned[:, None, 0]
    A[:, :, 2] = by_p[:, :, 1] * turned[:, None, 0] - by_p[:, :, 0] * turned[:, None, 1]
    A[:, 0, 6], A[:, 1, 6] = xd, yd
    A[:, 0, 7], A[:, 1, 7] = 1.0, 0.0
    A[:, 0, 8], A[:, 1, 8] = 0.0, 1.0
    fr2 = f * r2
    for column, factor in ((9, fr2), (10, fr2 * r2), (13, fr2 * r2 * r2)):
        A[:, 0, column], A[:, 1, column] = factor * x, factor * y
    A[:, 0, 11], A[:, 1, 11] = 2.0 * f * xy, f * (r2 + 2.0 * y2)
    A[:, 0, 12], A[:, 1, 12] = f * (r2 + 2.0 * x2), 2.0 * f * xy

    computed = np.stack([cx + f * xd, cy + f * yd], axis=1)
    residual = seen.pixel - computed
    if not in_front.all():
        behind = ~in_front
        A[behind], B[behind], residual[behind] = 0.0, 0.0, 0.0
    return Linear(residual, A, B, in_front)


def whitener(cov_px2: Array) -> Array:
    """Matrices (m, 2, 2) that make observations uncorrelated with unit sigma: inverse Cholesky."""
    l11 = np.sqrt(cov_px2[:, 0, 0])
    l21 = cov_px2[:, 1, 0] / l11
    l22 = np.sqrt(cov_px2[:, 1, 1] - l21 * l21)
    W = np.zeros_like(cov_px2)
    W[:, 0, 0], W[:, 1, 1] = 1.0 / l11, 1.0 / l22
    W[:, 1, 0] = -l21 / (l11 * l22)
    return W
