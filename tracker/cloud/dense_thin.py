"""Places of a surface thinned to an even spacing, those of opposite sides kept apart."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tracker.maths.camera import Array

Rows = NDArray[np.int64]


def side_cells(
    points: NDArray[np.float32] | Array, normals: NDArray[np.float32] | Array, cell_mm: float
) -> Rows:
    """Number of the lattice cell and of the side (one of six) that each place belongs to, (n,).

    Opposite faces of a thin form share cells but not numbers.
    """
    index = np.floor(points / cell_mm).astype(np.int64)
    index -= index.min(axis=0)
    size = index.max(axis=0) + 1
    facing = np.argmax(np.abs(normals), axis=1)
    outward = normals[np.arange(len(normals)), facing] > 0.0
    cell = (index[:, 0] * size[1] + index[:, 1]) * size[2] + index[:, 2]
    _, number = np.unique((cell * 3 + facing) * 2 + outward, return_inverse=True)
    return np.asarray(number).reshape(-1).astype(np.int64)


def thinned(
    points: NDArray[np.float32] | Array,
    normals: NDArray[np.float32] | Array,
    weights: Array,
    cell_mm: float,
) -> tuple[Array, Array, Array]:
    """One place for each cell and side: weighted mean place and normal, and the summed weight.

    Parameters
    ----------
    points, normals : (n, 3) arrays, mm and unit
    weights : (n,) array
    cell_mm : float
        Spacing of the lattice.
    """
    if not len(points):
        return np.zeros((0, 3)), np.zeros((0, 3)), np.zeros(0)
    cell = side_cells(points, normals, cell_mm)
    total = _summed(cell, weights)
    mean = np.stack([_summed(cell, weights * points[:, k]) / total for k in range(3)], axis=1)
    turned = np.stack([_summed(cell, weights * normals[:, k]) for k in range(3)], axis=1)
    turned = turned / np.maximum(np.linalg.norm(turned, axis=1, keepdims=True), 1e-9)
    return mean, turned, total


def _summed(cell: Rows, values: Array) -> Array:
    return np.asarray(np.bincount(cell, values), dtype=np.float64)
