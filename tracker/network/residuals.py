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
NOT_IN_FRONT = 1e3
"""Standardised residual that stands for a point behind a camera."""
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

    def scaled(self, factor: float) -> Unknowns:
        """The same pictures of a world enlarged about the origin."""
        return Unknowns(self.lens, self.R, self.t * factor, self.points * factor)

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
    """R X (3, m), R X + t (3, m) with a harmless depth where not in front, and in front (m,).

    Here and below the long axis comes last in memory: the work is the same few operations on
    long rows of numbers.
    """
    R = np.take(unknowns.R.transpose(1, 2, 0), seen.photo, axis=2)
    X = np.take(unknowns.points.T, seen.point, axis=1)
    turned = R[:, 0] * X[0] + R[:, 1] * X[1] + R[:, 2] * X[2]
    p = turned + np.take(unknowns.t.T, seen.photo, axis=1)
    in_front = p[2] > NEAREST_MM
    p[:, ~in_front] = np.array([[0.0], [0.0], [1e3]])
    return turned, p, in_front


def _lens_rows(unknowns: Unknowns, seen: ImageObservations, lens_of_photo: Rows) -> Array:
    """Lens parameters of every observation, (8, m), or (8, 1) when there is only one lens."""
    if len(unknowns.lens) == 1:
        return unknowns.lens.T
    return np.asarray(np.take(unknowns.lens.T, lens_of_photo[seen.photo], axis=1))


def residuals(
    unknowns: Unknowns, seen: ImageObservations, lens_of_photo: Rows
) -> tuple[Array, NDArray[np.bool_]]:
    """Measured minus computed pixels (m, 2), px, and whether each point is in front (m,).

    Where it is not, the residual is meaningless.
    """
    _, p, in_front = camera_points(unknowns, seen)
    f, cx, cy, k1, k2, p1, p2, k3 = _lens_rows(unknowns, seen, lens_of_photo)
    inverse_depth = 1.0 / p[2]
    x, y = p[0] * inverse_depth, p[1] * inverse_depth
    r2 = x * x + y * y
    radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
    u = cx + f * (x * radial + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x))
    v = cy + f * (y * radial + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y)
    return seen.pixel - np.stack([u, v], axis=1), in_front


def linearise(unknowns: Unknowns, seen: ImageObservations, lens_of_photo: Rows) -> Linear:
    """Residuals and derivatives of all observations, in px."""
    turned, p, in_front = camera_points(unknowns, seen)
    f, cx, cy, k1, k2, p1, p2, k3 = _lens_rows(unknowns, seen, lens_of_photo)
    inverse_depth = 1.0 / p[2]
    x, y = p[0] * inverse_depth, p[1] * inverse_depth
    x2, y2, xy = x * x, y * y, x * y
    r2 = x2 + y2
    radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
    slope = 2.0 * (k1 + r2 * (2.0 * k2 + 3.0 * r2 * k3))
    xd = x * radial + 2.0 * p1 * xy + p2 * (r2 + 2.0 * x2)
    yd = y * radial + p1 * (r2 + 2.0 * y2) + 2.0 * p2 * xy

    m = len(x)
    A = np.empty((CAMERA, 2, m))
    # chain rule: pixel by image-plane coordinates, these by the camera coordinates p
    f_z = f * inverse_depth
    A[3, 0] = f_z * (radial + x2 * slope + 2.0 * p1 * y + 6.0 * p2 * x)
    A[4, 1] = f_z * (radial + y2 * slope + 6.0 * p1 * y + 2.0 * p2 * x)
    A[3, 1] = A[4, 0] = f_z * (xy * slope + 2.0 * p1 * x + 2.0 * p2 * y)
    A[5] = -(A[3] * x + A[4] * y)
    R = np.take(unknowns.R.transpose(1, 2, 0), seen.photo, axis=2)[:, :, None]
    B = A[3] * R[0] + A[4] * R[1] + A[5] * R[2]
    A[0] = A[5] * turned[1] - A[4] * turned[2]
    A[1] = A[3] * turned[2] - A[5] * turned[0]
    A[2] = A[4] * turned[0] - A[3] * turned[1]
    A[6] = xd, yd
    A[7, 0], A[7, 1], A[8, 0], A[8, 1] = 1.0, 0.0, 0.0, 1.0
    fr2 = f * r2
    A[9] = fr2 * x, fr2 * y
    A[10] = A[9] * r2
    A[13] = A[10] * r2
    fxy = 2.0 * f * xy
    A[11] = fxy, fr2 + 2.0 * f * y2
    A[12] = fr2 + 2.0 * f * x2, fxy

    residual = seen.pixel - np.stack([cx + f * xd, cy + f * yd], axis=1)
    if not in_front.all():
        behind = ~in_front
        A[..., behind], B[..., behind], residual[behind] = 0.0, 0.0, 0.0
    return Linear(residual, A.transpose(2, 1, 0), B.transpose(2, 1, 0), in_front)


def whitener(cov_px2: Array) -> Array:
    """Matrices (m, 2, 2) that make observations uncorrelated with unit sigma: inverse Cholesky."""
    l11 = np.sqrt(cov_px2[:, 0, 0])
    l21 = cov_px2[:, 1, 0] / l11
    l22 = np.sqrt(cov_px2[:, 1, 1] - l21 * l21)
    W = np.zeros_like(cov_px2)
    W[:, 0, 0], W[:, 1, 1] = 1.0 / l11, 1.0 / l22
    W[:, 1, 0] = -l21 / (l11 * l22)
    return W
