"""Rotations as exponentials of rotation vectors.

Symbols: w rotation vector (rad, direction the axis, length the angle, right-handed),
R = exp([w]x) rotation matrix, J_l left Jacobian: exp([w + dw]x) = exp([J_l(w) dw]x) exp([w]x)
to first order. All functions take stacks: (..., 3) and (..., 3, 3).

References
----------
J. Sola, J. Deray, D. Atchuthan, "A micro Lie theory for state estimation in robotics" (2018),
equations 132-146.
"""

from __future__ import annotations

import numpy as np

from tracker.maths.camera import Array

SMALL_RAD = 1e-4
"""Below this angle the series replace the quotients (their error is under 1e-17)."""


def hat(w: Array) -> Array:
    """Matrix of the cross product, hat(w) @ v = w x v, (..., 3, 3)."""
    w = np.asarray(w, dtype=np.float64)
    out = np.zeros((*w.shape[:-1], 3, 3))
    out[..., 0, 1], out[..., 0, 2] = -w[..., 2], w[..., 1]
    out[..., 1, 0], out[..., 1, 2] = w[..., 2], -w[..., 0]
    out[..., 2, 0], out[..., 2, 1] = -w[..., 1], w[..., 0]
    return out


def exp(w: Array) -> Array:
    """Rotation matrix of a rotation vector (Rodrigues), (..., 3, 3)."""
    w = np.asarray(w, dtype=np.float64)
    sine, cosine, _ = _coefficients(w)
    K = hat(w)
    return np.asarray(np.eye(3) + sine[..., None, None] * K + cosine[..., None, None] * (K @ K))


def log(R: Array) -> Array:
    """Rotation vector of a rotation matrix, length in [0, pi], (..., 3), rad.

    By way of the unit quaternion (Shepperd's choice of the largest component), which stays
    accurate near half a turn.
    """
    q = quaternion(R)
    vector, scalar = q[..., :3], q[..., 3]
    flip = np.where(scalar < 0.0, -1.0, 1.0)
    vector, scalar = vector * flip[..., None], scalar * flip
    sine = np.linalg.norm(vector, axis=-1)
    angle = 2.0 * np.arctan2(sine, scalar)
    tiny = sine < SMALL_RAD**2
    factor = np.where(tiny, 2.0, angle / np.where(tiny, 1.0, sine))
    return np.asarray(vector * factor[..., None])


def quaternion(R: Array) -> Array:
    """Unit quaternion (x, y, z, w) of a rotation matrix, (..., 4)."""
    R = np.asarray(R, dtype=np.float64)
    trace = np.trace(R, axis1=-2, axis2=-1)
    diagonal = np.stack([R[..., 0, 0], R[..., 1, 1], R[..., 2, 2]], axis=-1)
    # rows of the matrix 4 q q^T; the one with the largest diagonal element is the safest
    outer = np.empty((*R.shape[:-2], 4, 4))
    for i in range(3):
        j, k = (i + 1) % 3, (i + 2) % 3
        outer[..., i, i] = 1.0 + 2.0 * diagonal[..., i] - trace
        outer[..., i, j] = outer[..., j, i] = R[..., i, j] + R[..., j, i]
        outer[..., i, 3] = outer[..., 3, i] = R[..., k, j] - R[..., j, k]
    outer[..., 3, 3] = 1.0 + trace
    best = np.argmax(np.diagonal(outer, axis1=-2, axis2=-1), axis=-1)
    q = np.take_along_axis(outer, best[..., None, None], axis=-2)[..., 0, :]
    return np.asarray(q / np.linalg.norm(q, axis=-1, keepdims=True))


def left_jacobian(w: Array) -> Array:
    """J_l: how a change of the rotation vector turns the result, (..., 3, 3)."""
    w = np.asarray(w, dtype=np.float64)
    _, cosine, third = _coefficients(w)
    K = hat(w)
    return np.asarray(np.eye(3) + cosine[..., None, None] * K + third[..., None, None] * (K @ K))


def angle_rad(R: Array) -> Array:
    """Angle of a rotation, (...,), rad, in [0, pi]."""
    return np.asarray(np.linalg.norm(log(R), axis=-1))


def nearest_rotation(M: Array) -> Array:
    """Rotation nearest to a matrix in the Frobenius norm, (..., 3, 3), determinant +1."""
    U, _, Vt = np.linalg.svd(M)
    sign = np.linalg.det(U @ Vt)
    U = U.copy()
    U[..., :, 2] *= sign[..., None]
    return np.asarray(U @ Vt)


def _coefficients(w: Array) -> tuple[Array, Array, Array]:
    """sin(a)/a, (1 - cos a)/a^2 and (a - sin a)/a^3 for the angle a of w."""
    a2 = np.sum(w * w, axis=-1)
    small = a2 < SMALL_RAD**2
    a = np.sqrt(np.where(small, 1.0, a2))
    sine = np.where(small, 1.0 - a2 / 6.0, np.sin(a) / a)
    cosine = np.where(small, 0.5 - a2 / 24.0, 2.0 * np.sin(a / 2.0) ** 2 / (a * a))
    third = np.where(small, 1.0 / 6.0 - a2 / 120.0, (a - np.sin(a)) / a**3)
    return sine, cosine, third
