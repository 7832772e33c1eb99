"""Normal equations of the network, reduced to cameras and joint points.

Most points are seen in a few photographs and tied to nothing else, so they can be eliminated one
by one (Schur complement). Joint points (corners of targets and bars) stay. With damped normals

    [ S  W ] [ dc ]   [ g ]        S' = S - W V^-1 W^T,   g' = g - W V^-1 h,
    [ W^T V] [ dx ] = [ h ]        S' dc = g',  dx = V^-1 (h - W^T dc)

where c holds poses, lenses and joint points, x the rest, and V is block diagonal (3 x 3).

References
----------
B. Triggs et al., "Bundle adjustment - a modern synthesis" (2000), section 6.1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tracker.maths.camera import Array
from tracker.network.layout import Free, Group, Layout
from tracker.network.problem import Network, Rows
from tracker.network.residuals import CAMERA, LENS, POSE, Unknowns, linearise, residuals

CHUNK_BYTES = 24_000_000
NOT_IN_FRONT = 1e3
"""Standardised residual that stands for a point behind a camera."""


@dataclass(frozen=True, slots=True)
class Weights:
    """Weights of the observations beyond their own covariance (robust loss, rejection)."""

    free: Array
    groups: tuple[Array, ...]
    loose_columns: Rows
    """Columns of joint points that too few observations hold: they stay where they are."""
    loose_points: Rows
    """Eliminated points of the same kind."""


@dataclass(frozen=True, slots=True)
class Normal:
    """Normal equations at one place; the arrays of the docstring above."""

    S: Array
    g: Array
    V: Array
    h: Array
    W: Array
    """(m, 14, 3), one block per observation of an eliminated point."""


def group_residuals(unknowns: Unknowns, group: Group, layout: Layout) -> Array:
    """Whitened residuals of a group, (n, 2c); those not in front of the camera are huge."""
    residual, in_front = residuals(unknowns, group.seen, layout.lens_of_photo)
    rows = residual.reshape(len(group.whitener), 2 * group.size)
    z = np.matmul(group.whitener, rows[:, :, None])[:, :, 0]
    lost = ~in_front.reshape(-1, group.size).all(axis=1)
    z[lost] = NOT_IN_FRONT / np.sqrt(2.0 * group.size)
    return np.asarray(z)


def free_residuals(unknowns: Unknowns, free: Free, layout: Layout) -> Array:
    """Whitened residuals of the eliminated points' observations, (m, 2)."""
    residual, in_front = residuals(unknowns, free.seen, layout.lens_of_photo)
    z = np.matmul(free.whitener, residual[:, :, None])[:, :, 0]
    z[~in_front] = NOT_IN_FRONT / np.sqrt(2.0)
    return np.asarray(z)


def distance_residuals(unknowns: Unknowns, network: Network) -> tuple[Array, Array]:
    """Whitened residuals (b,) of the bars and derivatives (b, 8, 3) by their corners."""
    bars = network.distances
    a = unknowns.points[bars.corners_a].mean(axis=1)
    b = unknowns.points[bars.corners_b].mean(axis=1)
    length = np.linalg.norm(b - a, axis=1)
    toward = (b - a) / (length * 4.0 * bars.sigma_mm)[:, None]
    z = (bars.length_mm - length) / bars.sigma_mm
    J = np.repeat(np.stack([-toward, toward], axis=1), 4, axis=1)
    return z, J


def normal_equations(
    unknowns: Unknowns, network: Network, layout: Layout, weights: Weights
) -> Normal:
    """Weighted normal equations of all observations, undamped."""
    S = np.zeros((layout.size, layout.size))
    g = np.zeros(layout.size)
    for group, weight in zip(layout.groups, weights.groups, strict=True):
        _add_group(S, g, unknowns, group, layout, weight)
    V, h, W = _add_free(S, g, unknowns, layout, weights.free)
    _add_known(S, g, V, h, unknowns, network, layout)
    _add_distances(S, g, unknowns, network, layout)
    _add_priors(S, g, unknowns, network, layout)
    held = np.concatenate([layout.held, weights.loose_columns])
    S[held, :], S[:, held], g[held] = 0.0, 0.0, 0.0
    S[held, held] = 1.0
    W[:, POSE:][layout.held_lens[layout.free.lens]] = 0.0
    V[weights.loose_points] = np.eye(3)
    h[weights.loose_points] = 0.0
    return Normal(S, g, V, h, W)


def whitened_jacobian(unknowns: Unknowns, group: Group, layout: Layout) -> Array:
    """Derivative of a group's whitened pixels by pose, lens and points, (n, 2c, 14 + 3c)."""
    n, c = len(group.whitener), group.size
    line = linearise(unknowns, group.seen, layout.lens_of_photo)
    J = np.zeros((n, 2 * c, CAMERA + 3 * c))
    J[:, :, :CAMERA] = line.A.reshape(n, 2 * c, CAMERA)
    B = line.B.reshape(n, c, 2, 3)
    for k in range(c):
        J[:, 2 * k : 2 * k + 2, CAMERA + 3 * k : CAMERA + 3 * k + 3] = B[:, k]
    return np.asarray(np.matmul(group.whitener, J))


def _add_group(
    S: Array, g: Array, unknowns: Unknowns, group: Group, layout: Layout, weight: Array
) -> None:
    if len(group.whitener) == 0:
        return
    J = whitened_jacobian(unknowns, group, layout) * np.sqrt(weight)[:, None, None]
    z = (group_residuals(unknowns, group, layout) * np.sqrt(weight)[:, None])[:, :, None]
    Jt = J.transpose(0, 2, 1)
    flat = group.columns[:, :, None] * layout.size + group.columns[:, None, :]
    summed = np.bincount(flat.ravel(), np.matmul(Jt, J).ravel(), minlength=S.size)
    S += summed.reshape(S.shape)
    g += np.bincount(group.columns.ravel(), np.matmul(Jt, z).ravel(), minlength=len(g))


def _add_free(
    S: Array, g: Array, unknowns: Unknowns, layout: Layout, weight: Array
) -> tuple[Array, Array, Array]:
    free = layout.free
    if len(free.starts) == 0:
        return np.zeros((0, 3, 3)), np.zeros((0, 3)), np.zeros((0, CAMERA, 3))
    line = linearise(unknowns, free.seen, layout.lens_of_photo)
    root = free.whitener * np.sqrt(weight)[:, None, None]
    A, B = np.matmul(root, line.A), np.matmul(root, line.B)
    z = np.matmul(root, line.residual[:, :, None])
    for photo, rows in enumerate(free.rows_of_photo):
        if len(rows) == 0:
            continue
        a = A[rows].reshape(-1, CAMERA)
        columns = layout.camera_columns(photo)
        S[np.ix_(columns, columns)] += a.T @ a
        g[columns] += a.T @ z[rows].ravel()
    Bt = B.transpose(0, 2, 1)
    V = np.add.reduceat(np.matmul(Bt, B), free.starts, axis=0)
    h = np.add.reduceat(np.matmul(Bt, z)[:, :, 0], free.starts, axis=0)
    return V, h, np.matmul(A.transpose(0, 2, 1), B)


def _add_known(
    S: Array, g: Array, V: Array, h: Array, unknowns: Unknowns, network: Network, layout: Layout
) -> None:
    known = network.known
    if len(known.point) == 0:
        return
    weight = 1.0 / known.sigma_mm**2
    pull = (known.xyz - unknowns.points[known.point]) * weight[:, None]
    first = layout.column_of_point[known.point]
    joint = first >= 0
    columns = first[joint][:, None] + np.arange(3)
    np.add.at(S, (columns, columns), weight[joint][:, None])
    np.add.at(g, columns, pull[joint])
    rows = layout.free_of_point[known.point]
    free = rows >= 0
    np.add.at(V, rows[free], weight[free][:, None, None] * np.eye(3))
    np.add.at(h, rows[free], pull[free])


def _add_distances(
    S: Array, g: Array, unknowns: Unknowns, network: Network, layout: Layout
) -> None:
    if len(network.distances.length_mm) == 0:
        return
    z, J = distance_residuals(unknowns, network)
    rows = np.concatenate([network.distances.corners_a, network.distances.corners_b], axis=1)
    for k in range(len(z)):
        columns = (layout.column_of_point[rows[k]][:, None] + np.arange(3)).ravel()
        j = J[k].ravel()
        S[np.ix_(columns, columns)] += np.outer(j, j)
        g[columns] += j * z[k]


def _add_priors(S: Array, g: Array, unknowns: Unknowns, network: Network, layout: Layout) -> None:
    for row, prior in enumerate(network.lens_priors):
        weight = prior_weight(prior.sigma)
        columns = layout.lens_column + LENS * row + np.arange(LENS)
        S[columns, columns] += weight
        g[columns] += weight * (prior.vector - unknowns.lens[row])


def prior_weight(sigma: Array) -> Array:
    """Weights of a lens's prior, (8,): zero where nothing is known or the parameter is held."""
    usable = np.isfinite(sigma) & (sigma > 0.0)
    return np.asarray(np.where(usable, 1.0 / np.where(usable, sigma, 1.0) ** 2, 0.0))


def inverse_roots(V: Array) -> Array:
    """Inverse Cholesky factors (n, 3, 3), M^T M = V^-1, of the points' blocks."""
    return np.asarray(np.linalg.inv(np.linalg.cholesky(V)))


def point_rows(normal_W: Array, roots: Array, layout: Layout, start: int, stop: int) -> Array:
    """Rows V^-1/2 W^T of points start..stop by all camera columns, (3 (stop-start), cameras)."""
    free = layout.free
    first = free.starts[start]
    last = free.starts[stop] if stop < len(free.starts) else len(free.seen.photo)
    rows = slice(int(first), int(last))
    point = free.index[rows]
    Y = np.matmul(roots[point], normal_W[rows].transpose(0, 2, 1))
    dense = np.zeros((stop - start, 3, layout.camera_size))
    k = (point - start)[:, None, None]
    axis = np.arange(3)[None, :, None]
    dense[k, axis, free.pose_columns[rows][:, None, :]] = Y[:, :, :POSE]
    segments = free.lens_starts[(free.lens_starts >= first) & (free.lens_starts < last)] - first
    summed = np.add.reduceat(Y[:, :, POSE:], segments, axis=0)
    where = segments + first
    k = (free.index[where] - start)[:, None, None]
    dense[k, axis, free.lens_columns[where][:, None, :]] = summed
    return dense.reshape(-1, layout.camera_size)


def chunks(layout: Layout) -> list[tuple[int, int]]:
    """Ranges of eliminated points whose dense rows fit into the working memory."""
    n = len(layout.free.starts)
    step = max(16, CHUNK_BYTES // (24 * max(layout.camera_size, 1)))
    return [(k, min(k + step, n)) for k in range(0, n, step)]


def reduce_points(normal: Normal, V: Array, layout: Layout) -> tuple[Array, Array, Array]:
    """S' and g' with the points eliminated, and the inverse roots of V."""
    S, g = normal.S.copy(), normal.g.copy()
    if len(V) == 0:
        return S, g, V
    roots = inverse_roots(V)
    half = np.matmul(roots, normal.h[:, :, None]).reshape(-1)
    c = layout.camera_size
    for start, stop in chunks(layout):
        rows = point_rows(normal.W, roots, layout, start, stop)
        S[:c, :c] -= rows.T @ rows
        g[:c] -= rows.T @ half[3 * start : 3 * stop]
    return S, g, roots


def back_substitute(normal: Normal, roots: Array, step: Array, layout: Layout) -> Array:
    """Steps of the eliminated points, (n, 3)."""
    free = layout.free
    if len(free.starts) == 0:
        return np.zeros((0, 3))
    of_camera = np.concatenate([step[free.pose_columns], step[free.lens_columns]], axis=1)
    pulled = np.matmul(of_camera[:, None, :], normal.W)[:, 0, :]
    rest = normal.h - np.add.reduceat(pulled, free.starts, axis=0)
    half = np.matmul(roots, rest[:, :, None])
    return np.asarray(np.matmul(roots.transpose(0, 2, 1), half)[:, :, 0])


def length(z: Array) -> Array:
    """Length of whitened residuals, (n,)."""
    return np.asarray(np.sqrt(np.sum(z * z, axis=1)))
