"""The high points of a form: places that stand out from everything round about.

Looked at through a ball of radius r about a place p, with n the mean normal of the surface in the
ball (the way out, away from the body behind p), the drop of a place q is ``n . (p - q)``. The
least drop over the ball's outer shell, divided by r, tells how much p stands out at that scale: a
slope or a ridge has none, since somewhere round about the surface goes on as high; a flat face has
none; a tip, a corner, a boss have much. Along a curved ridge it is much everywhere, so, as with
mountains, it is the prominence that counts: how far it falls on the way to any place that stands
out more. High points are the prominent ones, at several scales, each then set on the very highest
place and counted once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from tracker.maths.camera import Array
from tracker.pointing.places import Places, places_of, size_mm
from tracker.surface import Surface

SCALES = (1 / 3, 1 / 4.5, 1 / 7, 1 / 11, 1 / 17)
"""Radii of the balls, as shares of the box's diagonal."""
SAMPLES_A_RADIUS = 6.5
SHELL = 0.6
"""The outer shell is from this share of the radius to the radius."""
SECTORS = 8
"""Directions round about, in nearly all of which a high point needs surface."""
SMOOTHED = 0.2
"""Radius, as a share of the ball's, within which the largest standing out holds for all."""
LEAST_PROMINENCE = 0.08
"""Of the radius: by so much standing out falls on the way to a place that stands out more."""
CLIMB_SHARE = 0.4
"""How far, of the radius, the very highest place is looked for."""
APART_SHARE = SHELL
"""Nearer than this share of the smaller radius, two are one: its shell lies lower all round."""


@dataclass(frozen=True, slots=True)
class HighPoints:
    """High points, the one that stands out most first.

    Attributes
    ----------
    points : (n, 3) array, mm
    normals : (n, 3) array, unit
        The way out of the form there.
    standing_out_mm : (n,) array
        How much each stands out of what is round about.
    """

    points: Array
    normals: Array
    standing_out_mm: Array


def find_high_points(surface: Surface, fine: Places) -> HighPoints:
    """High points of a model.

    Parameters
    ----------
    fine : Places
        Samples among which the very highest place is picked.
    """
    found = [_at_scale(surface, fine, share * size_mm(surface)) for share in SCALES]
    points, normals, out, radius = (np.concatenate([row[k] for row in found]) for k in range(4))
    kept: list[int] = []
    for k in np.argsort(-out, kind="stable"):
        near = np.linalg.norm(points[kept] - points[k], axis=1)
        if np.all(near > APART_SHARE * np.minimum(radius[kept], radius[k])):
            kept.append(int(k))
    return HighPoints(points[kept], normals[kept], out[kept])


def _at_scale(
    surface: Surface, fine: Places, radius_mm: float
) -> tuple[Array, Array, Array, Array]:
    """Places, ways out, prominence in mm and radius of the high points at one scale."""
    coarse = places_of(surface, radius_mm / SAMPLES_A_RADIUS)
    standing, way_out = standing_out(coarse.samples.points, coarse.samples.normals, radius_mm)
    rows, out = _prominent(coarse.samples.points, standing, radius_mm)
    return _set_on_top(fine, coarse.samples.points[rows], way_out[rows], out, radius_mm)


def standing_out(points: Array, normals: Array, radius_mm: float) -> tuple[Array, Array]:
    """How much each place stands out at a scale (share of the radius), and its way out.

    Parameters
    ----------
    points, normals : (n, 3) arrays
        Even samples of a surface, mm, and their unit normals.
    """
    pairs = cKDTree(points).query_pairs(radius_mm, output_type="ndarray")
    way_out = normals + _summed(pairs, normals)
    way_out /= np.maximum(np.linalg.norm(way_out, axis=1, keepdims=True), 1e-12)
    least = np.argmin(np.abs(way_out), axis=1)
    across = np.cross(way_out, np.eye(3)[least])
    across /= np.maximum(np.linalg.norm(across, axis=1, keepdims=True), 1e-12)
    climb, sectors = _shell(pairs, points, way_out, across, SHELL * radius_mm)
    around = np.bitwise_count(sectors) >= SECTORS - 1
    standing = np.where(around & np.isfinite(climb), -climb / radius_mm, 0.0)
    return np.maximum(standing, 0.0), way_out


@njit(cache=True)
def _summed(pairs: NDArray[np.int64], normals: Array) -> Array:
    """Sum of the normals of each place's neighbours, (n, 3)."""
    total = np.zeros_like(normals)
    for k in range(len(pairs)):
        i, j = pairs[k]
        for axis in range(3):
            total[i, axis] += normals[j, axis]
            total[j, axis] += normals[i, axis]
    return total


@njit(cache=True)
def _shell(
    pairs: NDArray[np.int64], points: Array, way_out: Array, across: Array, inner_mm: float
) -> tuple[Array, NDArray[np.uint8]]:
    """Greatest climb along each way out within the outer shell, mm, and directions seen, bits."""
    climb = np.full(len(points), -np.inf)
    sectors = np.zeros(len(points), dtype=np.uint8)
    for k in range(len(pairs)):
        for turn in range(2):
            i, j = pairs[k, turn], pairs[k, 1 - turn]
            step = points[j] - points[i]
            if step @ step <= inner_mm * inner_mm:
                continue
            n, u = way_out[i], across[i]
            climb[i] = max(climb[i], step @ n)
            v = n[1] * u[2] - n[2] * u[1], n[2] * u[0] - n[0] * u[2], n[0] * u[1] - n[1] * u[0]
            other = step[0] * v[0] + step[1] * v[1] + step[2] * v[2]
            angle = np.arctan2(other, step @ u) + np.pi
            sectors[i] |= np.uint8(1 << (int(angle / (2.0 * np.pi) * SECTORS) % SECTORS))
    return climb, sectors


def _prominent(points: Array, standing: Array, radius_mm: float) -> tuple[NDArray[np.int64], Array]:
    """Rows of the prominent places and their prominence, mm.

    Places are flooded from the one that stands out most downward; where two islands meet, the
    lesser one's peak has its prominence: its own standing out less that of the saddle.
    """
    near = cKDTree(points).query_pairs(SMOOTHED * radius_mm, output_type="ndarray")
    i = np.concatenate([near[:, 0], near[:, 1]])
    j = np.concatenate([near[:, 1], near[:, 0]])
    level = standing.copy()
    np.maximum.at(level, i, standing[j])
    order = np.argsort(-level, kind="stable")
    by_place = np.argsort(i, kind="stable")
    ends = np.searchsorted(i[by_place], np.arange(len(points) + 1))
    beside = j[by_place]
    island = np.full(len(points), -1, dtype=np.int64)  # parent links; a peak is its own parent

    def peak_of(row: int) -> int:
        while island[row] != row:
            island[row] = island[island[row]]
            row = int(island[row])
        return row

    prominence = np.zeros(len(points))
    for row in order:
        met = {peak_of(int(k)) for k in beside[ends[row] : ends[row + 1]] if island[k] >= 0}
        highest = max(met, key=lambda peak: (level[peak], -peak), default=int(row))
        island[row] = highest
        for peak in met - {highest}:
            prominence[peak] = level[peak] - level[row]
            island[peak] = highest
    last = np.flatnonzero((island == np.arange(len(points))) & (prominence == 0.0))
    prominence[last] = level[last] - np.median(level)  # the highest of all has no saddle
    rows = np.flatnonzero(prominence > LEAST_PROMINENCE)
    return rows, prominence[rows] * radius_mm


def _set_on_top(
    fine: Places, points: Array, way_out: Array, out: Array, radius_mm: float
) -> tuple[Array, Array, Array, Array]:
    """Moves each place to the highest sample near it, along its way out; drops barred ones."""
    samples = fine.samples
    tree = cKDTree(samples.points)
    at, normals = points.copy(), way_out.copy()
    kept = np.zeros(len(points), dtype=bool)
    for k, start in enumerate(points):
        near = np.array(tree.query_ball_point(start, CLIMB_SHARE * radius_mm), dtype=np.int64)
        if not len(near):
            continue
        top = near[np.argmax(samples.points[near] @ way_out[k])]
        close = tree.query_ball_point(samples.points[top], 2.5 * fine.spacing_mm)
        mean = samples.normals[close].sum(axis=0)
        at[k], kept[k] = samples.points[top], bool(fine.allowed[top])
        if np.linalg.norm(mean) > 0.3 * len(close):
            normals[k] = mean / np.linalg.norm(mean)
    return at[kept], normals[kept], out[kept], np.full(int(kept.sum()), radius_mm)
