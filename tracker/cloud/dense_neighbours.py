"""What its neighbours say of a measured place: how far off their common surface it lies.

The surface round a place is taken as a plane through the neighbours of the same side, bent as their
own normals bend: h_j = n_i . (p_j - p_i) is compared with the height that a surface of constant
curvature has when its normals are n_i and n_j, (n_i - n_j) . (p_j - p_i) / 2.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from tracker.maths.camera import Array

NEIGHBOURS = 16
SAME_SIDE = 0.3
"""Least cosine between neighbours' normals."""
FEWEST = 5
PIECE = 50_000


def height_over_neighbours(
    points: Array, normals: Array, sigma_mm: Array, reach_mm: float
) -> tuple[Array, Array, NDArray[np.int64]]:
    """Height of each place over its neighbours' surface.

    Parameters
    ----------
    points, normals : (n, 3) arrays, mm and unit
    sigma_mm : (n,) array, by which neighbours are weighted
    reach_mm : farther ones are no neighbours

    Returns
    -------
    height : (n,) array, mm; nan where there are fewer than FEWEST neighbours
    scatter : (n,) array, mm, robust spread of the neighbours about it
    count : (n,) int array, neighbours
    """
    n = len(points)
    height, scatter = np.full(n, np.nan), np.full(n, np.nan)
    count = np.zeros(n, np.int64)
    if n <= NEIGHBOURS:
        return height, scatter, count
    tree = cKDTree(points)
    for start in range(0, n, PIECE):
        part = slice(start, min(start + PIECE, n))
        found = tree.query(points[part], NEIGHBOURS + 1, distance_upper_bound=reach_mm)
        near = np.asarray(found[1])[:, 1:]
        there = near < n
        near = np.where(there, near, 0)
        own = normals[part][:, None]
        there &= np.einsum("nkd,nkd->nk", np.broadcast_to(own, normals[near].shape),
                           normals[near]) > SAME_SIDE  # fmt: skip
        off = points[near] - points[part][:, None]
        mean_normal = 0.5 * (own + normals[near])
        # (n_i + n_j) / 2 . off vanishes on a surface of constant curvature
        miss = np.where(there, np.einsum("nkd,nkd->nk", mean_normal, off), np.nan)
        weight = np.where(there, 1.0 / sigma_mm[near] ** 2, 0.0)
        count[part] = there.sum(axis=1)
        height[part], scatter[part] = _robust_mean(miss, weight)
        few = count[part] < FEWEST
        height[part][few], scatter[part][few] = np.nan, np.nan
    return -height, scatter, count


def _robust_mean(values: Array, weight: Array) -> tuple[Array, Array]:
    """Weighted mean and spread of each row, values far from the median counting for little."""
    filled = np.where(weight > 0.0, values, np.inf)
    ranked = np.sort(filled, axis=1)
    half = np.maximum((weight > 0.0).sum(axis=1) - 1, 0)[:, None] // 2
    middle = np.take_along_axis(ranked, half, axis=1)
    middle = np.where(np.isfinite(middle), middle, 0.0)
    away = np.abs(np.where(weight > 0.0, values, np.inf) - middle)
    spread = 1.4826 * np.take_along_axis(np.sort(away, axis=1), half, axis=1)
    spread = np.where(np.isfinite(spread), np.maximum(spread, 0.01), 1.0)
    soft = np.where(weight > 0.0, weight / (1.0 + (away / (2.0 * spread)) ** 2), 0.0)
    total = np.maximum(soft.sum(axis=1), 1e-300)
    mean = (soft * np.where(weight > 0.0, values, 0.0)).sum(axis=1) / total
    return mean, spread[:, 0]
