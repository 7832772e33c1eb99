"""Covariance of everything that the network solves for, and of a place intersected from it.

The reduced normal matrix is inverted whole; eliminated points follow by back-substitution,

    C_x = V^-1 + Y C Y^T,   Y = V^-1 W^T ,

block by block, and a further place seen in some of the photographs in the same way: V is then
its own normal matrix, and Y says how it follows the cameras.

References
----------
B. Triggs et al., "Bundle adjustment - a modern synthesis" (2000), sections 6.1 and 9.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import linalg

from tracker.errors import NetworkError
from tracker.maths.camera import Array
from tracker.network.datum import inner_constraints, is_free, open_motions
from tracker.network.eliminate import (
    eliminate,
    half_rows,
    inverse_roots,
    lot_rows,
    lots,
    whitened,
)
from tracker.network.layout import Layout
from tracker.network.normal import Normal, Weights
from tracker.network.problem import ImageObservations, Network, Rows, Solution
from tracker.network.residuals import LENS, POSE, Unknowns, linearise

CHUNK_BYTES = 24_000_000
"""Working memory for places at a time."""


def covariances(
    unknowns: Unknowns, network: Network, layout: Layout, normal: Normal, weights: Weights
) -> tuple[Array, Array]:
    """Covariance of the reduced unknowns (size, size) and of every point (n_points, 3, 3)."""
    still = np.concatenate([layout.held, weights.loose_columns])
    S, _, roots = eliminate(normal.S, normal.g, normal.V, normal.h, normal.W, layout)
    joint = _inverse(S, unknowns, network, layout, still)
    joint[still, :] = joint[:, still] = 0.0
    points = np.zeros((len(network.points), 3, 3))
    own = layout.camera_size + 3 * np.arange(len(layout.joint))[:, None] + np.arange(3)
    points[layout.joint] = joint[own[:, :, None], own[:, None, :]]
    if len(roots):
        points[layout.free.point] = _eliminated(normal, roots, joint, layout, network.free_worth)
    return joint, points


def _inverse(S: Array, unknowns: Unknowns, network: Network, layout: Layout, still: Rows) -> Array:
    scale = 1.0 / np.sqrt(np.diag(S))
    N = np.zeros((layout.size, 0))
    if is_free(network):
        N = open_motions(unknowns, network, layout, still)
        H = inner_constraints(N, layout)
        weight = float(np.median(np.diag(S)))
        S = S + weight * (H @ H.T)
        scale = 1.0 / np.sqrt(np.diag(S))
    try:
        factor, info = linalg.lapack.dpotrf(S * scale[:, None] * scale[None, :], lower=1)
        inverse, info2 = linalg.lapack.dpotri(factor, lower=1)
    except linalg.LinAlgError:  # pragma: no cover - dpotrf reports by info
        info = info2 = 1
    if info or info2:
        raise NetworkError(
            "The photographs leave the measurement undetermined.",
            "Take more photographs from other sides, each with several targets in view.",
        )
    inverse = np.tril(inverse) + np.tril(inverse, -1).T
    C = inverse * scale[:, None] * scale[None, :]
    if N.shape[1]:
        HN = H.T @ N
        C = C - N @ np.linalg.inv(weight * HN.T @ HN) @ N.T
    return np.asarray(C)


def _eliminated(
    normal: Normal, roots: Array, joint: Array, layout: Layout, worth: float = 1.0
) -> Array:
    """C_x, block by block; V is `worth` times what the points' own observations say of them."""
    out = worth * np.matmul(roots.transpose(0, 2, 1), roots)
    Y = half_rows(normal.W, roots, layout)
    for start, stop in lots(layout):
        lot = lot_rows(Y, layout, start, stop)
        own = joint[np.ix_(lot.columns, lot.columns)]
        spread = (own @ lot.D.reshape(len(own), -1)).reshape(lot.D.shape)
        inner = np.einsum("cip,cjp->pij", spread, lot.D, optimize=True)
        M = roots[start:stop]
        out[start:stop] += np.matmul(np.matmul(M.transpose(0, 2, 1), inner), M)
    return np.asarray(out)


def free_share(unknowns: Unknowns, normal: Normal, joint: Array, layout: Layout) -> Array:
    """trace(J C J^T) of each eliminated point's observation, in working order, (m,)."""
    free = layout.free
    roots = inverse_roots(normal.V)
    points = _eliminated(normal, roots, joint, layout)
    line = linearise(unknowns, free.seen, layout.lens_of_photo)
    A, B, _ = whitened(line, layout, np.ones(len(free.index)))
    A, B = A.transpose(2, 1, 0), B.transpose(2, 1, 0)
    columns = np.concatenate([free.pose_columns, free.lens_columns]).T
    own = joint[columns[:, :, None], columns[:, None, :]]
    taken = np.einsum("nij,njk,nik->n", A, own, A, optimize=True)
    taken += np.einsum("nij,njk,nik->n", B, points[free.index], B, optimize=True)
    Y = half_rows(normal.W, roots, layout)
    for start, stop in lots(layout):
        lot = lot_rows(Y, layout, start, stop)
        spread = joint[:, lot.columns] @ lot.D.reshape(len(lot.columns), -1)
        spread = spread.reshape(-1, 3, stop - start)
        mine = np.flatnonzero((free.index >= start) & (free.index < stop))
        half = spread[columns[mine], :, (free.index[mine] - start)[:, None]]
        cross = -np.matmul(half, roots[free.index[mine]])  # (n, 14, 3), camera by point
        taken[mine] += 2.0 * np.einsum("nij,njk,nik->n", A[mine], cross, B[mine], optimize=True)
    return np.asarray(taken)


def place_covariance(
    solution: Solution,
    network: Network,
    photo_rows: Rows,
    point_frame: Array,
    sigma_px: float | Array = 0.0,
) -> Array:
    """Covariance of one place intersected from photographs, cameras' share included.

    Parameters
    ----------
    photo_rows : (k,) rows of photographs that see it, k >= 2
    point_frame : (3,) mm
    sigma_px : float or (k,) array
        Sigma of its pixel coordinates. Zero: the cameras' share alone.

    Returns
    -------
    (3, 3) array, mm^2
    """
    rows = np.asarray(photo_rows, np.int64)[None, :]
    own, cameras = place_covariances(
        solution, network, rows, np.asarray(point_frame, np.float64)[None, :], sigma_px
    )
    return np.asarray(own[0] + cameras[0])


def place_covariances(
    solution: Solution,
    network: Network,
    photo_rows: Rows,
    points_frame: Array,
    sigma_px: float | Array = 0.0,
) -> tuple[Array, Array]:
    """Covariance of many intersected places.

    Parameters
    ----------
    photo_rows : (n, k) rows of photographs, -1 where fewer than k see the place
    points_frame : (n, 3) mm
    sigma_px : float, or array that broadcasts to (n, k)
        Sigma of the pixel coordinates; where zero, rays count alike.

    Returns
    -------
    own : (n, 3, 3) array, mm^2
        From the pixel coordinates.
    cameras : (n, 3, 3) array, mm^2
        From the poses and lenses.
    """
    n, k = photo_rows.shape
    sees: NDArray[np.bool_] = photo_rows >= 0
    sigma = np.broadcast_to(np.asarray(sigma_px, np.float64), (n, k))
    weight = np.where(sees, 1.0 / np.where(sigma > 0.0, sigma, 1.0) ** 2, 0.0)
    photo = np.where(sees, photo_rows, 0).ravel()
    seen = ImageObservations(
        photo, np.repeat(np.arange(n), k), np.zeros((n * k, 2)), np.zeros((n * k, 2, 2))
    )
    unknowns = Unknowns(
        np.array([lens.vector for lens in solution.lenses]),
        np.array([pose.R for pose in solution.poses]),
        np.array([pose.t for pose in solution.poses]),
        points_frame,
    )
    line = linearise(unknowns, seen, network.lens_of_photo)
    A = line.A.reshape(n, 2 * k, POSE + LENS)
    B = line.B.reshape(n, 2 * k, 3)
    W = np.repeat(weight, 2, axis=1)[:, :, None]
    Q = np.linalg.inv(np.matmul(B.transpose(0, 2, 1), W * B))
    L = np.matmul(Q, (W * B).transpose(0, 2, 1))  # (n, 3, 2k): place by pixels
    variance = np.repeat(np.where(sees, sigma**2, 0.0), 2, axis=1)
    own = np.matmul(L * variance[:, None, :], L.transpose(0, 2, 1))
    return own, _cameras_share(solution, network, photo.reshape(n, k), L, A)


def _cameras_share(solution: Solution, network: Network, photo: Rows, L: Array, A: Array) -> Array:
    """L A C A^T L^T with C the cameras' covariance, (n, 3, 3), in pieces."""
    n, k = photo.shape
    c = len(solution.cov_cameras)
    lens_column = POSE * len(solution.poses)
    out = np.empty((n, 3, 3))
    step = max(16, CHUNK_BYTES // (24 * c))
    for start in range(0, n, step):
        stop = min(start + step, n)
        dense = np.zeros((stop - start, 3, c))
        row = np.arange(stop - start)[:, None, None]
        axis = np.arange(3)[None, :, None]
        for j in range(k):
            part = np.matmul(L[start:stop, :, 2 * j : 2 * j + 2], A[start:stop, 2 * j : 2 * j + 2])
            of_pose = POSE * photo[start:stop, j][:, None, None] + np.arange(POSE)
            lens = network.lens_of_photo[photo[start:stop, j]]
            of_lens = lens_column + LENS * lens[:, None, None] + np.arange(LENS)
            dense[row, axis, of_pose] += part[:, :, :POSE]
            dense[row, axis, of_lens] += part[:, :, POSE:]
        spread = (dense.reshape(-1, c) @ solution.cov_cameras).reshape(dense.shape)
        out[start:stop] = np.matmul(spread, dense.transpose(0, 2, 1))
    return out
