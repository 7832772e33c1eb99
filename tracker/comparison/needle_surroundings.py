"""The stone round a place, as the other places see it: a smooth piece fitted without the place.

Stone found at the nearest places is laid out over the tangent plane and a bending surface is
fitted robustly (weights by distance, then by residual). How far the place lies off it, how widely
the others scatter about it, and how many follow it, tell whether the place belongs to it.
"""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from tracker.cloud.patch_fit import solve_small
from tracker.cloud.patch_sampling import tangents
from tracker.maths.camera import Array

NEAREST = 20
REACH = 2.6
"""Farthest neighbour, in spacings."""
BELL = 1.3
"""Standard deviation of the distance weights, in spacings."""
ROUNDS = 5
LEAST_SCATTER_MM = 0.04
FOLLOW_MM = 0.25
BENDING = np.diag([1e-9, 1e-3, 1e-3, 0.05, 0.05, 0.05])
"""Rein on slope and curvature, so that few neighbours make a plane."""
PIECE = 8192


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What n places see around themselves.

    Attributes
    ----------
    count : (n,) int, neighbours that face the same way
    offset_mm : (n,) array, fitted surface less the place, along the stone's normal
    scatter_mm : (n,) array, of the neighbours about the fit (1.48 times the median)
    share : (n,) array, weight of the neighbours within FOLLOW_MM of the fit
    bend : (n,) array, largest curvature of the fit, 1/mm
    normal : (n, 3) array, of the fit at the place
    """

    count: NDArray[np.int64]
    offset_mm: Array
    scatter_mm: Array
    share: Array
    bend: Array
    normal: Array


def look_around(
    places: Array, normals: Array, among: Array, among_normals: Array, spacing_mm: float,
    threads: int = 2,
) -> Surroundings:  # fmt: skip
    """Fits the surroundings of each place from the stone at other places.

    Parameters
    ----------
    places, normals : (n, 3) arrays, stone found and its outward normals
    among, among_normals : (m, 3) arrays, the others; a place is no neighbour of itself
    spacing_mm : distance of the others from each other
    """
    n = len(places)
    if n == 0 or len(among) == 0:
        nothing = np.zeros(n)
        return Surroundings(
            nothing.astype(np.int64), nothing, nothing + 1.0, nothing, nothing, normals
        )
    tree = cKDTree(among)

    def fit(start: int) -> Surroundings:
        part = slice(start, start + PIECE)
        return _fit(places[part], normals[part], among, among_normals, tree, spacing_mm)

    with ThreadPoolExecutor(threads) as pool:
        parts = list(pool.map(fit, range(0, n, PIECE)))
    names = ("count", "offset_mm", "scatter_mm", "share", "bend", "normal")
    return Surroundings(*(np.concatenate([getattr(p, name) for p in parts]) for name in names))


def _fit(
    places: Array, normals: Array, among: Array, among_normals: Array, tree: cKDTree,
    spacing_mm: float,
) -> Surroundings:  # fmt: skip
    found = tree.query(
        places, k=min(NEAREST + 1, len(among)), distance_upper_bound=REACH * spacing_mm
    )
    distance, index = (np.asarray(part).reshape(len(places), -1) for part in found)
    index = np.where(np.isfinite(distance) & (distance > 1e-6), index, -1)
    n = len(places)
    count = np.zeros(n, dtype=np.int64)
    offset, scatter, share, bend = np.zeros(n), np.zeros(n), np.zeros(n), np.zeros(n)
    turned = np.zeros((n, 3))
    _fit_each(
        places, normals, among, among_normals, index, BELL * spacing_mm, BENDING, count, offset,
        scatter, share, bend, turned,
    )  # fmt: skip
    return Surroundings(count, offset, scatter, share, bend, turned)


@njit(cache=True, nogil=True, error_model="numpy")  # type: ignore[untyped-decorator]
def _fit_each(
    places: Array, normals: Array, among: Array, among_normals: Array, index: np.ndarray,
    wide_mm: float, rein: Array, count: np.ndarray, offset: Array, scatter: Array, share: Array,
    bend: Array, turned: Array,
) -> None:  # fmt: skip
    """Fits each place; the last six arrays are filled, see `Surroundings`."""
    most = index.shape[1]
    u, v, fit = np.empty(3), np.empty(3), np.empty(6)
    shape, height, weight = np.empty((most, 6)), np.empty(most), np.empty(most)
    trust, off = np.empty(most), np.empty(most)
    H = np.empty((6, 6))
    for n in range(len(places)):
        tangents(normals[n], u, v)
        there = 0
        for k in range(most):
            j = index[n, k]
            if j < 0 or _along(among_normals, j, normals[n]) <= 0.2:
                continue
            x = _along(among, j, u) - _along(places, n, u)
            y = _along(among, j, v) - _along(places, n, v)
            height[there] = _along(among, j, normals[n]) - _along(places, n, normals[n])
            weight[there] = math.exp(-0.5 * (x * x + y * y) / wide_mm**2)
            trust[there] = 1.0
            row = shape[there]
            row[0], row[1], row[2] = 1.0, x, y
            row[3], row[4], row[5] = 0.5 * x * x, x * y, 0.5 * y * y
            there += 1
        for _ in range(ROUNDS):
            _solve(shape, height, weight, trust, there, rein, H, fit)
            for k in range(there):
                off[k] = abs(height[k] - _along(shape, k, fit))
            middle = _median(off, there)
            scatter[n] = max(1.4826 * middle, LEAST_SCATTER_MM)
            for k in range(there):
                trust[k] = (1.0 + (off[k] / (2.0 * scatter[n])) ** 2) ** -2.0
        total, follow = 0.0, 0.0
        for k in range(there):
            total += weight[k]
            follow += weight[k] if off[k] < FOLLOW_MM else 0.0
        count[n], offset[n], share[n] = there, fit[0], follow / max(total, 1e-12)
        bend[n] = max(abs(fit[3]), abs(fit[4]), abs(fit[5]))
        length = math.sqrt(1.0 + fit[1] * fit[1] + fit[2] * fit[2])
        for i in range(3):
            turned[n, i] = (normals[n, i] - fit[1] * u[i] - fit[2] * v[i]) / length


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def _along(rows: Array, k: int, way: Array) -> float:
    """Product of a row and a vector."""
    total = 0.0
    for i in range(len(way)):
        total += rows[k, i] * way[i]
    return total


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def _solve(
    shape: Array, height: Array, weight: Array, trust: Array, there: int, rein: Array, H: Array,
    fit: Array,
) -> None:  # fmt: skip
    """Weighted least squares, held by `rein`; fills `fit`."""
    for a in range(6):
        fit[a] = 0.0
        for b in range(6):
            H[a, b] = rein[a, b]
    for k in range(there):
        w = weight[k] * trust[k]
        for a in range(6):
            fit[a] += w * shape[k, a] * height[k]
            for b in range(a + 1):
                H[a, b] += w * shape[k, a] * shape[k, b]
    solve_small(H, fit, 6)


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def _median(values: Array, number: int) -> float:
    """Median of the first so many values; 0 of none."""
    if number == 0:
        return 0.0
    ordered = np.sort(values[:number])
    return float(0.5 * (ordered[(number - 1) // 2] + ordered[number // 2]))
