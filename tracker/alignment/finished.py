"""Finished stone: where the stone already lies on the model, gathered in regions.

Unfinished stone lies outside the model. A place counts as finished only if it lies within the
finished band of the model (widened by what the frame's pose and the place itself are unsure by)
and its surface runs parallel to the model there. Places are gathered in regions, because a
carver leaves stone proud by regions, not by points: thousands of points of one region know no
more of the pose than the region does.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracker.maths.camera import Array
from tracker.surface import Surface

REGION_SHARE = 1.0 / 12.0
"""Side of a region as a share of the model's diagonal."""
PARALLEL_COS = float(np.cos(np.deg2rad(25.0)))
POINTS_PER_REGION = 60
FEWEST_POINTS = 4
WORST_SIGMA_MM = 0.5


@dataclass(frozen=True, slots=True)
class Regions:
    """Stone gathered in regions, k of them; its points sorted by region.

    Attributes
    ----------
    points, normals : (n, 3) arrays, mm and unit, frame coordinates
    sigma_mm : (n,) array
    start : (k + 1,) array
        Rows of the points of region i are start[i] to start[i + 1].
    """

    points: Array
    normals: Array
    sigma_mm: Array
    start: NDArray[np.int64]

    @property
    def count(self) -> int:
        """Number of regions."""
        return len(self.start) - 1

    def means(self, values: Array) -> Array:
        """Mean of values (n, ...) over each region, (k, ...)."""
        size = np.diff(self.start).reshape(-1, *([1] * (values.ndim - 1)))
        return np.asarray(np.add.reduceat(values, self.start[:-1], axis=0) / size)

    def medians(self, values: Array) -> Array:
        """Median of values (n,) over each region, (k,)."""
        size = np.diff(self.start)
        ranked = values[np.lexsort((values, np.repeat(np.arange(self.count), size)))]
        first = self.start[:-1]
        return np.asarray(0.5 * (ranked[first + (size - 1) // 2] + ranked[first + size // 2]))

    def thinned(self, most: int) -> Regions:
        """The same regions with at most so many points each, evenly picked."""
        ends = zip(self.start[:-1], self.start[1:], strict=True)
        rows = [np.linspace(a, b - 1, min(b - a, most)).astype(np.int64) for a, b in ends]
        start = np.concatenate([[0], np.cumsum([len(r) for r in rows])]).astype(np.int64)
        pick = np.concatenate(rows) if rows else np.zeros(0, np.int64)
        return Regions(self.points[pick], self.normals[pick], self.sigma_mm[pick], start)

    @property
    def variance_mm2(self) -> Array:
        """Variance of a region's median from its points alone, (k,), mm^2."""
        size = np.diff(self.start)
        return np.asarray(0.5 * np.pi * self.means(self.sigma_mm**2) / size)


def motion_rows(points: Array, normals: Array) -> Array:
    """Change of the signed distance with a motion (w, dt): (p x n, n), (n, 6)."""
    return np.concatenate([np.cross(points, normals), normals], axis=1)


def finished_stone(
    points: Array,
    normals: Array,
    sigma_mm: Array,
    surface: Surface,
    frame_covariance: Array,
    band_mm: float,
) -> Regions:
    """Regions of finished stone as the frame's pose shows it.

    Parameters
    ----------
    points, normals, sigma_mm : (n, 3), (n, 3), (n,) arrays, frame coordinates
    frame_covariance : (6, 6) array
        Of (w, dt), rad and mm.
    band_mm : float
        Half width of the finished band.
    """
    away = surface.signed_distance_mm(points)
    near = (np.abs(away) < 4.0 * band_mm + 10.0 * WORST_SIGMA_MM) & (sigma_mm < WORST_SIGMA_MM)
    points, normals, sigma_mm, away = (
        points[near],
        normals[near],
        sigma_mm[near],
        away[near],
    )
    if len(points) == 0:
        return gather(points, normals, sigma_mm, surface)
    _, face = surface.nearest(points)
    n_model = surface.face_normals[face]
    rows = motion_rows(points, n_model)
    var_frame = np.einsum("ni,ij,nj->n", rows, frame_covariance, rows)
    gate = band_mm + 2.0 * np.sqrt(var_frame + sigma_mm**2)
    parallel = np.einsum("nd,nd->n", normals, n_model) > PARALLEL_COS
    keep = (np.abs(away) <= gate) & parallel
    return gather(points[keep], normals[keep], sigma_mm[keep], surface)


def gather(
    points: Array,
    normals: Array,
    sigma_mm: Array,
    surface: Surface,
    per_region: int = POINTS_PER_REGION,
) -> Regions:
    """Points sorted into regions whose side is a share of the model's diagonal.

    A region with fewer than `FEWEST_POINTS` is left out.
    """
    low, high = surface.box
    side_mm = float(np.linalg.norm(high - low)) * REGION_SHARE
    return regions_of(points, normals, sigma_mm, low, side_mm, FEWEST_POINTS, per_region)


def regions_of(
    points: Array,
    normals: Array,
    sigma_mm: Array,
    corner: Array,
    side_mm: float,
    fewest: int = 1,
    per_region: int = POINTS_PER_REGION,
) -> Regions:
    """Points sorted into regions: cells of space counted from a corner, opposite faces kept apart.

    A region keeps at most twice `per_region` points, evenly picked.
    """
    cell = np.floor((points - corner) / side_mm).astype(np.int64)
    axis = np.argmax(np.abs(normals), axis=1) if len(normals) else np.zeros(0, np.int64)
    facing = 2 * axis + (np.take_along_axis(normals, axis[:, None], axis=1)[:, 0] > 0)
    keys = np.concatenate([cell, facing[:, None]], axis=1)
    _, label = np.unique(keys, axis=0, return_inverse=True)
    order = np.lexsort((np.arange(len(label)), label.ravel()))
    chosen: list[NDArray[np.int64]] = []
    edges = np.flatnonzero(np.diff(label.ravel()[order])) + 1
    for rows in np.split(order, edges):
        if len(rows) >= fewest:
            step = max(1, len(rows) // per_region)
            chosen.append(rows[::step][: 2 * per_region])
    rows = np.concatenate(chosen) if chosen else np.zeros(0, np.int64)
    start = np.concatenate([[0], np.cumsum([len(c) for c in chosen])]).astype(np.int64)
    return Regions(points[rows], normals[rows], sigma_mm[rows], start)
