"""Tracks: one place of the stone through all photographs that see it, and where it lies.

Matches are joined nearest first; two groups that hold different features of one photograph are
not joined. A group's place is the least-squares meeting point of its rays, found for all tracks
at once, with observations that do not agree left out one by one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tracker.maths.camera import Array, Lens, Pose, project, rays_frame

Rows = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Tracks:
    """Observations of places, m of them, sorted by place, then photograph.

    Attributes
    ----------
    photo, point : (m,) arrays
    pixel : (m, 2) array, px
    points : (n, 3) array, mm, frame coordinates
    """

    photo: Rows
    point: Rows
    pixel: Array
    points: Array


def join_matches(first: Rows, second: Rows, distance: Array, photo_of: Rows) -> Rows:
    """Group of every feature, (features,), -1 where it is in none.

    Parameters
    ----------
    first, second : (k,) arrays
        Features of each match, counted through all photographs.
    distance : (k,) array
        Small is sure.
    photo_of : (features,) array
    """
    order = np.lexsort((second, first, distance))
    parent = _join(first[order], second[order], photo_of.astype(np.int64))
    touched = np.unique(np.concatenate([first, second]))
    group = np.full(len(photo_of), -1, dtype=np.int64)
    group[touched] = parent[touched]
    size = np.bincount(group[touched], minlength=len(photo_of))
    group[(group >= 0) & (size[np.maximum(group, 0)] < 2)] = -1
    _, compact = np.unique(group[group >= 0], return_inverse=True)
    group[group >= 0] = compact
    return group


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def _root(parent: Rows, i: int) -> int:
    """First feature of the group that a feature is in; the way there is shortened."""
    while parent[i] != i:
        parent[i] = parent[parent[i]]
        i = parent[i]
    return i


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def _join(first: Rows, second: Rows, photo_of: Rows) -> Rows:
    """First feature of every feature's group, matches being taken in their order.

    A group is also kept as a ring, each feature naming the next, so that two can be compared.
    """
    count = len(photo_of)
    parent, after = np.arange(count), np.arange(count)
    seen = np.full(photo_of.max() + 1 if count else 0, -1)
    for k in range(len(first)):
        i, j = _root(parent, first[k]), _root(parent, second[k])
        if i == j:
            continue
        member = i
        while True:
            seen[photo_of[member]] = k
            member = after[member]
            if member == i:
                break
        shared, member = False, j
        while True:
            shared |= seen[photo_of[member]] == k
            member = after[member]
            if member == j:
                break
        if not shared:
            parent[max(i, j)] = min(i, j)
            after[i], after[j] = after[j], after[i]
    for i in range(count):
        parent[i] = _root(parent, i)
    return parent


@dataclass(frozen=True, slots=True)
class Sights:
    """Rays of observations, m of them, made once for many triangulations.

    Attributes
    ----------
    centre : (m, 3) array, mm, frame coordinates
    direction : (m, 3) array
        Unit.
    focal_px : (m,) array
    """

    centre: Array
    direction: Array
    focal_px: Array


def sights(photo: Rows, pixel: Array, lenses: list[Lens], poses: list[Pose]) -> Sights:
    """Rays of observed pixels (m, 2)."""
    direction = np.empty((len(photo), 3))
    for i in np.unique(photo):
        rows = photo == i
        direction[rows] = rays_frame(lenses[i], poses[i], pixel[rows])
    centre = np.array([p.centre_frame for p in poses]).reshape(-1, 3)[photo]
    return Sights(centre, direction, np.array([lens.focal_px for lens in lenses])[photo])


def meet(sight: Sights, point: Rows, weight: Array, count: int, rounds: int = 3) -> Array:
    """Meeting points of rays, (count, 3), mm; nan where the rays determine none.

    Minimises the sum over observations of weight times squared distance from the ray divided by
    squared depth, which is the squared reprojection error over f^2 to first order.

    Parameters
    ----------
    weight : (m,) array
        Inverse variance, 1/px^2; zero leaves an observation out.
    count : int
        Number of points.
    """
    points = np.full((count, 3), np.nan)
    _meet(sight.centre, sight.direction, sight.focal_px, point, weight, rounds, points)
    return points


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def _meet(
    centre: Array, direction: Array, focal_px: Array, point: Rows, weight: Array, rounds: int,
    points: Array,
) -> None:  # fmt: skip
    """Fills the meeting points: (sum w (1 - d d')) x = sum w (1 - d d') c, w by the last depth."""
    normal, right = np.empty((len(points), 3, 3)), np.empty((len(points), 3))
    scale = np.ones(len(point))
    for _ in range(rounds):
        normal[:] = 0.0
        right[:] = 0.0
        for m in range(len(point)):
            n, w = point[m], weight[m] * scale[m]
            for i in range(3):
                for j in range(3):
                    across = w * ((1.0 if i == j else 0.0) - direction[m, i] * direction[m, j])
                    normal[n, i, j] += across
                    right[n, i] += across * centre[m, j]
        for n in range(len(points)):
            _solve_three(normal[n], right[n], points[n])
        for m in range(len(point)):
            square = 0.0
            for i in range(3):
                x = points[point[m], i]
                square += ((0.0 if np.isnan(x) else x) - centre[m, i]) ** 2
            scale[m] = (focal_px[m] / max(np.sqrt(square), 1.0)) ** 2


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def _solve_three(A: Array, b: Array, x: Array) -> None:
    """Solves a symmetric A x = b by cofactors; x stays as it is where A is all but singular."""
    c0 = A[1, 1] * A[2, 2] - A[1, 2] * A[2, 1]
    c1 = A[1, 2] * A[2, 0] - A[1, 0] * A[2, 2]
    c2 = A[1, 0] * A[2, 1] - A[1, 1] * A[2, 0]
    det = A[0, 0] * c0 + A[0, 1] * c1 + A[0, 2] * c2
    if not det > 1e-9 * (A[0, 0] + A[1, 1] + A[2, 2]) ** 3:
        return
    c3 = A[0, 0] * A[2, 2] - A[0, 2] * A[2, 0]
    c4 = A[0, 1] * A[2, 0] - A[0, 0] * A[2, 1]
    c5 = A[0, 0] * A[1, 1] - A[0, 1] * A[1, 0]
    x[0] = (c0 * b[0] + c1 * b[1] + c2 * b[2]) / det
    x[1] = (c1 * b[0] + c3 * b[1] + c4 * b[2]) / det
    x[2] = (c2 * b[0] + c4 * b[1] + c5 * b[2]) / det


def triangulate(
    photo: Rows,
    point: Rows,
    pixel: Array,
    weight: Array,
    lenses: list[Lens],
    poses: list[Pose],
    count: int,
) -> tuple[Array, Array]:
    """Meeting points (count, 3), mm, as `meet` finds them, and the residuals (m, 2), px."""
    points = meet(sights(photo, pixel, lenses, poses), point, weight, count)
    return points, reproject(photo, point, pixel, lenses, poses, points)


def point_covariances(
    photo: Rows,
    point: Rows,
    sigma_px: Array,
    lenses: list[Lens],
    poses: list[Pose],
    points: Array,
) -> Array:
    """Covariance of the meeting points with the cameras taken as exact, (n, 3, 3), mm^2.

    Distortion changes a pixel's size on the stone by a per cent or two, which is left out.
    """
    slope = np.empty((len(photo), 2, 3))
    for i in np.unique(photo):
        rows = photo == i
        p_camera = points[point[rows]] @ poses[i].R.T + poses[i].t
        x, y = (p_camera[:, :2] / p_camera[:, 2:]).T
        flat = np.zeros((len(x), 2, 3))
        flat[:, 0, 0] = flat[:, 1, 1] = 1.0
        flat[:, 0, 2], flat[:, 1, 2] = -x, -y
        slope[rows] = (lenses[i].focal_px / p_camera[:, 2])[:, None, None] * flat @ poses[i].R
    information = np.swapaxes(slope, 1, 2) @ slope / (sigma_px**2)[:, None, None]
    normal = _sum_by(point, information.reshape(-1, 9), len(points)).reshape(-1, 3, 3)
    return np.asarray(np.linalg.inv(normal))


def reproject(
    photo: Rows, point: Rows, pixel: Array, lenses: list[Lens], poses: list[Pose], points: Array
) -> Array:
    """Measured minus computed pixels, (m, 2); nan for points that are nan."""
    residual = np.empty((len(photo), 2))
    for i in np.unique(photo):
        rows = photo == i
        computed, _ = project(lenses[i], poses[i], points[point[rows]])
        residual[rows] = pixel[rows] - computed
    return residual


def robust_triangulate(
    photo: Rows,
    point: Rows,
    pixel: Array,
    sigma_px: Array,
    lenses: list[Lens],
    poses: list[Pose],
    count: int,
    gate: float,
) -> tuple[Array, NDArray[np.bool_], Array]:
    """Meeting points with the worst observation of a track left out until all agree.

    Parameters
    ----------
    gate : float
        Largest residual, in sigmas.

    Returns
    -------
    points : (count, 3) array, mm; nan where fewer than two observations agree
    keep : (m,) bool array
    residual : (m, 2) array, px
    """
    keep = np.ones(len(photo), dtype=bool)
    sight = sights(photo, pixel, lenses, poses)
    residual = np.zeros((len(photo), 2))
    points = np.full((count, 3), np.nan)
    most = int(np.bincount(point, minlength=1).max()) if len(point) else 0
    for _ in range(max(most, 1)):
        points = meet(sight, point, keep / sigma_px**2, count)
        residual = reproject(photo, point, pixel, lenses, poses, points)
        size = np.linalg.norm(residual, axis=1) / sigma_px
        size[~keep] = 0.0
        worst = np.zeros(count)
        np.maximum.at(worst, point, np.nan_to_num(size))
        drop = keep & (size >= worst[point]) & (size > gate)
        if not drop.any():
            break
        keep &= ~drop
    alive = np.bincount(point[keep], minlength=count) >= 2
    points[~alive] = np.nan
    return points, keep & alive[point], residual


def _sum_by(group: Rows, values: Array, count: int) -> Array:
    """Sums of the columns of values (m, k) over groups, (count, k)."""
    return np.stack(
        [np.bincount(group, values[:, k], minlength=count) for k in range(values.shape[1])], axis=1
    )


def largest_angle_rad(photo: Rows, point: Rows, poses: list[Pose], points: Array) -> Array:
    """Largest angle between two rays of each point, (n,), rad; zero with fewer than two."""
    centre = np.array([p.centre_frame for p in poses])[photo]
    ray = points[point] - centre
    ray /= np.linalg.norm(ray, axis=1, keepdims=True)
    smallest_cos = np.ones(len(points))
    order = np.argsort(point, kind="stable")
    ray, sorted_point = ray[order], point[order]
    most = int(np.bincount(point, minlength=1).max()) if len(point) else 0
    for step in range(1, most):
        same = sorted_point[step:] == sorted_point[:-step]
        cosine = np.einsum("md,md->m", ray[step:], ray[:-step])
        np.minimum.at(smallest_cos, sorted_point[step:][same], cosine[same])
    return np.arccos(np.clip(smallest_cos, -1.0, 1.0))
