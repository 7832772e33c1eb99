"""Motion, or motion with a change of scale, that carries one set of points onto another.

References
----------
S. Umeyama, "Least-squares estimation of transformation parameters between two point patterns",
IEEE PAMI 13 (1991) 376-380, equations 34-43.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tracker.maths.camera import Array
from tracker.maths.rotation import hat


@dataclass(frozen=True, slots=True)
class Similarity:
    """``p_to = scale * R @ p_from + t`` (T_to_from)."""

    scale: float
    R: Array
    t: Array

    def apply(self, points_from: Array) -> Array:
        """Points (n, d) carried over."""
        return np.asarray(self.scale * points_from @ self.R.T + self.t)

    def inverse(self) -> Similarity:
        """The way back, T_from_to."""
        return Similarity(1.0 / self.scale, self.R.T, -self.R.T @ self.t / self.scale)


def fit_similarity(
    points_from: Array, points_to: Array, weights: Array | None = None
) -> Similarity:
    """Similarity with the least weighted sum of squared distances.

    Parameters
    ----------
    points_from, points_to : (n, d) arrays
        n >= d points that do not lie on one line (d = 3) or in one place (d = 2).
    weights : (n,) array, optional

    Raises
    ------
    ValueError
        The points do not fix the motion.
    """
    return _fit(points_from, points_to, weights, scaled=True)


def fit_rigid(points_from: Array, points_to: Array, weights: Array | None = None) -> Similarity:
    """Rigid motion (scale 1) with the least weighted sum of squared distances.

    Parameters and errors are those of `fit_similarity`.
    """
    return _fit(points_from, points_to, weights, scaled=False)


def motion_jacobian(points: Array, scaled: bool = False) -> Array:
    """Derivative of moved points by a small motion (w, dt[, ds]), (n, 3, 6 or 7).

    The motion is p + w x p + dt + ds p; its columns span what a datum can change.
    """
    J = np.zeros((len(points), 3, 7 if scaled else 6))
    J[:, :, :3] = -hat(points)
    J[:, :, 3:6] = np.eye(3)
    if scaled:
        J[:, :, 6] = points
    return J


def _fit(a: Array, b: Array, weights: Array | None, *, scaled: bool) -> Similarity:
    share = np.ones(len(a)) if weights is None else np.asarray(weights, dtype=np.float64)
    share = share / share.sum()
    mean_a, mean_b = share @ a, share @ b
    a0, b0 = a - mean_a, b - mean_b
    variance_a = float(share @ np.sum(a0 * a0, axis=1))
    U, D, Vt = np.linalg.svd((b0 * share[:, None]).T @ a0)
    if D[-2] <= 1e-12 * max(D[0], 1e-300):
        raise ValueError("the points lie on one line and do not fix a motion")
    sign = np.ones(len(D))
    if np.linalg.det(U) * np.linalg.det(Vt) < 0.0:
        sign[-1] = -1.0
    R = (U * sign) @ Vt
    scale = float(np.sum(D * sign)) / variance_a if scaled else 1.0
    return Similarity(scale, R, mean_b - scale * R @ mean_a)
