"""Elimination of the points that are tied to nothing but the photographs that see them.

With damped normals (see `normal`) the Schur complement

    S' = S - W V^-1 W^T,   g' = g - W V^-1 h,   S' dc = g',   dx = V^-1 (h - W^T dc)

is taken a few hundred points at a time. The points are sorted by the photographs that see them,
so that each lot touches few columns: its rows D = V^-1/2 W^T are written out densely and
S' = S - D^T D is an ordinary matrix product. Arrays have their long axis last in memory.

References
----------
B. Triggs et al., "Bundle adjustment - a modern synthesis" (2000), section 6.1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tracker.maths.camera import Array
from tracker.network.layout import Layout
from tracker.network.problem import Rows
from tracker.network.residuals import (
    CAMERA,
    LENS,
    NOT_IN_FRONT,
    POSE,
    Linear,
    Unknowns,
    linearise,
    residuals,
)

LOT = 256
"""Points that are eliminated at a time."""


@dataclass(frozen=True, slots=True)
class Lot:
    """Rows of some points, dense in the columns of the photographs that see them."""

    start: int
    stop: int
    columns: Rows
    """(c,) columns of the reduced system."""
    D: Array
    """(c, 3, p): V^-1/2 W^T, transposed."""


def free_residuals(unknowns: Unknowns, layout: Layout) -> Array:
    """Whitened residuals of the eliminated points' observations, (m, 2)."""
    free = layout.free
    residual, in_front = residuals(unknowns, free.seen, layout.lens_of_photo)
    L = free.whitener
    z = np.empty_like(residual)
    z[:, 0] = L[:, 0, 0] * residual[:, 0]
    z[:, 1] = L[:, 1, 0] * residual[:, 0] + L[:, 1, 1] * residual[:, 1]
    z[~in_front] = NOT_IN_FRONT / np.sqrt(2.0)
    return z


def whitened(line: Linear, layout: Layout, root_weight: Array) -> tuple[Array, Array, Array]:
    """A (14, 2, m), B (3, 2, m) and residuals (2, m) with unit weight."""
    L = layout.free.whitener.transpose(1, 2, 0) * root_weight
    rows = []
    for long in (line.A.transpose(2, 1, 0), line.B.transpose(2, 1, 0), line.residual.T[None]):
        out = np.empty_like(long, order="C")
        out[:, 1] = L[1, 0] * long[:, 0] + L[1, 1] * long[:, 1]
        out[:, 0] = L[0, 0] * long[:, 0]
        rows.append(out)
    return rows[0], rows[1], rows[2][0]


def free_equations(
    S: Array, g: Array, unknowns: Unknowns, layout: Layout, weight: Array
) -> tuple[Array, Array, Array]:
    """Adds the cameras' share to S and g; V (n, 3, 3), h (n, 3) and W (14, 3, m)."""
    free = layout.free
    if len(free.starts) == 0:
        return np.zeros((0, 3, 3)), np.zeros((0, 3)), np.zeros((CAMERA, 3, 0))
    line = linearise(unknowns, free.seen, layout.lens_of_photo)
    A, B, z = whitened(line, layout, np.sqrt(weight))
    for photo, rows in enumerate(free.rows_of_photo):
        if len(rows) == 0:
            continue
        a = A[:, :, rows].reshape(CAMERA, -1)
        columns = layout.camera_columns(photo)
        S[np.ix_(columns, columns)] += a @ a.T
        g[columns] += a @ z[:, rows].ravel()
    V = np.empty((len(free.starts), 3, 3))
    h = np.empty((len(free.starts), 3))
    for i in range(3):
        h[:, i] = np.add.reduceat(B[i, 0] * z[0] + B[i, 1] * z[1], free.starts)
        for j in range(i, 3):
            V[:, i, j] = np.add.reduceat(B[i, 0] * B[j, 0] + B[i, 1] * B[j, 1], free.starts)
            V[:, j, i] = V[:, i, j]
    return V, h, A[:, None, 0] * B[None, :, 0] + A[:, None, 1] * B[None, :, 1]


def inverse_roots(V: Array) -> Array:
    """Inverse Cholesky factors (n, 3, 3), lower triangular, M^T M = V^-1, of the points' blocks."""
    return np.asarray(np.linalg.inv(np.linalg.cholesky(V)))


def half_rows(W: Array, roots: Array, layout: Layout) -> Array:
    """V^-1/2 W^T of every observation, (14, 3, m)."""
    M = np.take(np.ascontiguousarray(roots.transpose(1, 2, 0)), layout.free.index, axis=2)
    Y = np.empty_like(W)
    Y[:, 0] = M[0, 0] * W[:, 0]
    Y[:, 1] = M[1, 0] * W[:, 0] + M[1, 1] * W[:, 1]
    Y[:, 2] = M[2, 0] * W[:, 0] + M[2, 1] * W[:, 1] + M[2, 2] * W[:, 2]
    return Y


def lots(layout: Layout) -> list[tuple[int, int]]:
    """Ranges of eliminated points that are worked on together."""
    n = len(layout.free.starts)
    return [(k, min(k + LOT, n)) for k in range(0, n, LOT)]


def lot_rows(Y: Array, layout: Layout, start: int, stop: int) -> Lot:
    """Dense rows of the points start..stop from the half rows of their observations."""
    free = layout.free
    first = int(free.starts[start])
    last = int(free.starts[stop]) if stop < len(free.starts) else len(free.index)
    photos, place = np.unique(free.seen.photo[first:last], return_inverse=True)
    lens_column = layout.lens_column + np.arange(LENS * layout.n_lenses)
    pose_columns = (POSE * photos[:, None] + np.arange(POSE)).ravel()
    count = stop - start
    D = np.zeros((len(pose_columns) + len(lens_column), 3, count))
    point = free.index[first:last] - start
    of_poses = D[: len(pose_columns)].reshape(len(photos), POSE, 3, count)
    of_poses[place, :, :, point] = Y[:POSE, :, first:last].transpose(2, 0, 1)
    runs = free.lens_starts[slice(*np.searchsorted(free.lens_starts, [first, last]))]
    summed = np.add.reduceat(Y[POSE:, :, first:last], runs - first, axis=2)
    of_lenses = D[len(pose_columns) :].reshape(layout.n_lenses, LENS, 3, count)
    of_lenses[free.lens[runs], :, :, free.index[runs] - start] = summed.transpose(2, 0, 1)
    return Lot(start, stop, np.concatenate([pose_columns, lens_column]), D)


def eliminate(
    S: Array, g: Array, V: Array, h: Array, W: Array, layout: Layout
) -> tuple[Array, Array, Array]:
    """S' and g' with the points eliminated, and the inverse roots of V."""
    S, g = S.copy(), g.copy()
    if len(V) == 0:
        return S, g, V
    roots = inverse_roots(V)
    half = np.ascontiguousarray(np.matmul(roots, h[:, :, None])[:, :, 0].T)
    Y = half_rows(W, roots, layout)
    for start, stop in lots(layout):
        lot = lot_rows(Y, layout, start, stop)
        D = lot.D.reshape(len(lot.columns), -1)
        S[np.ix_(lot.columns, lot.columns)] -= D @ D.T
        g[lot.columns] -= D @ half[:, start:stop].ravel()
    return S, g, roots


def back_substitute(h: Array, W: Array, roots: Array, step: Array, layout: Layout) -> Array:
    """Steps of the eliminated points, (n, 3)."""
    free = layout.free
    if len(free.starts) == 0:
        return np.zeros((0, 3))
    of_camera = step[np.concatenate([free.pose_columns, free.lens_columns])]
    pulled = np.einsum("cm,cim->im", of_camera, W)
    rest = h - np.add.reduceat(pulled, free.starts, axis=1).T
    half = np.matmul(roots, rest[:, :, None])
    return np.asarray(np.matmul(roots.transpose(0, 2, 1), half)[:, :, 0])
