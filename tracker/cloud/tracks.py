"""Tracks: one place of the stone through all photographs that see it, and where it lies.

Matches are joined nearest first; two groups that hold different features of one photograph are
not joined. A group's place is the least-squares meeting point of its rays, found for all tracks
at once, with observations that do not agree left out one by one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
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
    parent = list(range(len(photo_of)))
    members = [1 << int(p) for p in photo_of]

    def root(i: int) -> int:
        while parent[i] != i:
            parent[i] = parent[parent[i]]
            i = parent[i]
        return i

    order = np.lexsort((second, first, distance))
    for a, b in zip(first[order].tolist(), second[order].tolist(), strict=True):
        i, j = root(a), root(b)
        if i != j and not members[i] & members[j]:
            low, high = min(i, j), max(i, j)
            parent[high] = low
            members[low] |= members[high]
    touched = np.unique(np.concatenate([first, second]))
    group = np.full(len(photo_of), -1, dtype=np.int64)
    group[touched] = [root(int(i)) for i in touched]
    size = np.bincount(group[touched], minlength=len(photo_of))
    group[(group >= 0) & (size[np.maximum(group, 0)] < 2)] = -1
    _, compact = np.unique(group[group >= 0], return_inverse=True)
    group[group >= 0] = compact
    return group


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
    d = sight.direction
    across = np.eye(3) - d[:, :, None] * d[:, None, :]
    pull = np.einsum("mij,mj->mi", across, sight.centre)
    scale = np.ones(len(point))
    points = np.full((count, 3), np.nan)
    for _ in range(rounds):
        w = weight * scale
        normal = _sum_by(point, w[:, None] * across.reshape(-1, 9), count).reshape(-1, 3, 3)
        right = _sum_by(point, w[:, None] * pull, count)
        sound = np.linalg.det(normal) > 1e-9 * np.trace(normal, axis1=1, axis2=2) ** 3
        points[sound] = np.linalg.solve(normal[sound], right[sound][..., None])[..., 0]
        depth = np.linalg.norm(np.nan_to_num(points)[point] - sight.centre, axis=1)
        scale = (sight.focal_px / np.maximum(depth, 1.0)) ** 2
    return points


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
