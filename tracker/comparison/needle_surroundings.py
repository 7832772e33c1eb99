"""The stone round a place, as the other places see it: a smooth piece fitted without the place.

Stone found at the nearest places is laid out over the tangent plane and a bending surface is
fitted robustly (weights by distance, then by residual). How far the place lies off it, how widely
the others scatter about it, and how many follow it, tell whether the place belongs to it.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from tracker.comparison.needle_neighbours import median_where
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


def grid_tangents(m: Array) -> tuple[Array, Array]:
    """Two unit tangents of each unit normal, as `patch_sampling.tangents` makes them, (n, 3)."""
    k = np.argmin(np.abs(m), axis=1)
    rows = np.arange(len(m))
    u = -m[rows, k][:, None] * m
    u[rows, k] += 1.0
    u /= np.linalg.norm(u, axis=1, keepdims=True)
    return u, np.cross(m, u)


def _fit(
    places: Array, normals: Array, among: Array, among_normals: Array, tree: cKDTree,
    spacing_mm: float,
) -> Surroundings:  # fmt: skip
    found = tree.query(
        places, k=min(NEAREST + 1, len(among)), distance_upper_bound=REACH * spacing_mm
    )
    distance, index = (np.asarray(part).reshape(len(places), -1) for part in found)
    there = np.isfinite(distance) & (distance > 1e-6)
    index = np.where(there, index, 0)
    across = among[index] - places[:, None]
    u, v = grid_tangents(normals)
    x, y, h = (np.einsum("nkd,nd->nk", across, axis) for axis in (u, v, normals))
    there &= np.einsum("nkd,nd->nk", among_normals[index], normals) > 0.2
    weight = there * np.exp(-0.5 * (x * x + y * y) / (BELL * spacing_mm) ** 2)
    shape = np.stack([np.ones_like(x), x, y, 0.5 * x * x, x * y, 0.5 * y * y], axis=2)
    trust = np.ones_like(weight)
    for _ in range(ROUNDS):
        weighted = shape * (weight * trust)[:, :, None]
        H = np.matmul(weighted.transpose(0, 2, 1), shape) + BENDING
        g = np.einsum("nki,nk->ni", weighted, h)
        fit = np.linalg.solve(H, g[..., None])[..., 0]
        off = np.abs(h - np.matmul(shape, fit[..., None])[..., 0])
        scatter = np.maximum(1.4826 * median_where(off, there), LEAST_SCATTER_MM)
        trust = (1.0 + (off / (2.0 * scatter[:, None])) ** 2) ** -2.0
    follow = (weight * (off < FOLLOW_MM)).sum(axis=1) / np.maximum(weight.sum(axis=1), 1e-12)
    turned = normals - fit[:, 1:2] * u - fit[:, 2:3] * v
    turned /= np.linalg.norm(turned, axis=1, keepdims=True)
    return Surroundings(
        there.sum(axis=1), fit[:, 0], scatter, follow, np.abs(fit[:, 3:]).max(axis=1), turned
    )
