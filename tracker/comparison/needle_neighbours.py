"""What the neighbours of a place say of the stone there.

Each measured neighbour carries a small plane of stone. Where that plane cuts the needle is its
prediction; predictions that agree make a surface, a figure that no neighbour shares does not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from tracker.maths.camera import Array

LEAST_SLOPE = 0.2


@dataclass(frozen=True, slots=True)
class Neighbours:
    """Nearest places on the same side of the figure.

    Attributes
    ----------
    index : (n, k) int array
        Rows of the places among which was searched; -1 where there is none near enough.
    distance_mm : (n, k) array
        inf where there is none.
    """

    index: NDArray[np.int64]
    distance_mm: Array


def find_neighbours(
    points: Array, needles: Array, among_points: Array, among_needles: Array, number: int,
    reach_mm: float, skip_self: bool,
) -> Neighbours:  # fmt: skip
    """The `number` nearest places whose needles point within 72 degrees of each one's own."""
    if len(among_points) == 0:
        empty = np.full((len(points), number), -1, dtype=np.int64)
        return Neighbours(empty, np.full((len(points), number), np.inf))
    ask = min(number + 1 if skip_self else number, len(among_points))
    found = cKDTree(among_points).query(points, k=ask, distance_upper_bound=reach_mm, workers=1)
    distance = np.asarray(found[0]).reshape(len(points), ask)
    index = np.asarray(found[1]).reshape(len(points), ask)
    if skip_self:
        own = index == np.arange(len(points))[:, None]
        distance = np.where(own, np.inf, distance)
        order = np.argsort(distance, axis=1, kind="stable")[:, : ask - 1]
        distance = np.take_along_axis(distance, order, axis=1)
        index = np.take_along_axis(index, order, axis=1)
    missing = ~np.isfinite(distance) | (index >= len(among_points))
    index = np.where(missing, 0, index)
    facing = np.einsum("nd,nkd->nk", needles, among_needles[index])
    missing |= facing < 0.3
    return Neighbours(np.where(missing, -1, index), np.where(missing, np.inf, distance))


def predict(
    near: Neighbours, points: Array, needles: Array, places: Array, normals: Array,
    usable: NDArray[np.bool_],
) -> Array:  # fmt: skip
    """Depths at which the neighbours' planes cut the needles.

    Parameters
    ----------
    points, needles : (n, 3) arrays
    places, normals : (m, 3) arrays
        Stone found at the neighbours and its outward normals.
    usable : (m,) bool

    Returns
    -------
    (n, k) array, mm; nan where a neighbour says nothing
    """
    index = np.maximum(near.index, 0)
    m = normals[index]
    slope = np.einsum("nd,nkd->nk", needles, m)
    height = np.einsum("nkd,nkd->nk", places[index] - points[:, None], m)
    speaks = (near.index >= 0) & usable[index] & (slope > LEAST_SLOPE)
    return np.where(speaks, height / np.where(slope > LEAST_SLOPE, slope, 1.0), np.nan)


def modes(predicted: Array, width_mm: float, number: int) -> tuple[Array, NDArray[np.int64], Array]:
    """Depths on which most predictions agree.

    Returns
    -------
    depth : (n, number) array, mm, nan where there are no more
    leader : (n, number) int array
        Column of the prediction that lies in the middle of each group.
    count : (n, number) array
    """
    left = predicted.copy()
    n = len(predicted)
    rows = np.arange(n)
    depth = np.full((n, number), np.nan)
    leader = np.zeros((n, number), dtype=np.int64)
    count = np.zeros((n, number))
    for c in range(number):
        apart = np.abs(left[:, :, None] - left[:, None, :])
        with np.errstate(invalid="ignore"):
            agree = (apart <= width_mm).sum(axis=2)
        # nearer neighbours win ties: columns are in order of distance
        best = np.argmax(agree, axis=1)
        count[:, c] = agree[rows, best]
        leader[:, c] = best
        depth[:, c] = np.where(count[:, c] > 0, left[rows, best], np.nan)
        with np.errstate(invalid="ignore"):
            gone = np.abs(left - depth[:, c : c + 1]) <= 1.5 * width_mm
        left[gone] = np.nan
    return depth, leader, count


def median_where(values: Array, there: NDArray[np.bool_]) -> Array:
    """Median over the columns that are there, (n,); 0 where none is."""
    ordered = np.sort(np.where(there, values, np.inf), axis=1)
    count = there.sum(axis=1)
    rows = np.arange(len(values))
    last = values.shape[1] - 1
    low = ordered[rows, np.maximum(count - 1, 0) // 2]
    high = ordered[rows, np.minimum(count // 2, last)]
    some = count > 0
    return np.asarray(0.5 * (np.where(some, low, 0.0) + np.where(some, high, 0.0)))


def agreed(
    near: Neighbours, predicted: Array, depth: Array, normals: Array, width_mm: float
) -> tuple[Array, Array]:
    """Median depth and mean normal of the neighbours that predict about `depth`.

    Returns
    -------
    (n,) array, mm, and (n, 3) array, unit; meaningless where `depth` is nan
    """
    with np.errstate(invalid="ignore"):
        close = np.abs(predicted - depth[:, None]) <= width_mm
    close[:, 0] |= ~close.any(axis=1)
    middle = median_where(np.nan_to_num(predicted), close)
    total = (normals[np.maximum(near.index, 0)] * close[:, :, None]).sum(axis=1)
    length = np.linalg.norm(total, axis=1, keepdims=True)
    return middle, np.asarray(total / np.maximum(length, 1e-9))


def links(
    near: Neighbours, places: Array, normals: Array, among_places: Array, among_normals: Array,
    usable: NDArray[np.bool_], floor_mm: float, share: float,
) -> NDArray[np.bool_]:  # fmt: skip
    """Which neighbours lie on one surface with each place, (n, k).

    Two places are on one surface when one of them lies in the other's plane, give or take
    `floor_mm` and `share` of their distance.
    """
    index = np.maximum(near.index, 0)
    across = among_places[index] - places[:, None]
    apart = np.linalg.norm(across, axis=2)
    own = np.abs(np.einsum("nkd,nd->nk", across, normals))
    other = np.abs(np.einsum("nkd,nkd->nk", across, among_normals[index]))
    facing = np.einsum("nd,nkd->nk", normals, among_normals[index])
    good = np.minimum(own, other) < floor_mm + share * apart
    good &= apart < 2.5 * np.where(np.isfinite(near.distance_mm), near.distance_mm, 0.0) + 1.0
    return np.asarray(good & (near.index >= 0) & usable[index] & (facing > 0.0))
