"""Which photographs should see a place, and how its surroundings look in each.

The model tells both: its normal at the nearest place, and whether it stands in the way. Stone
that is still to be carved is not parallel to the model, so this is only where patch matching
starts; the photographs decide.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracker.maths.camera import Array, Lens, Pose, project
from tracker.surface import Surface

Rows = NDArray[np.int64]

STEEPEST = float(np.deg2rad(65.0))
"""Largest angle between normal and line of sight."""
APART = float(np.deg2rad(45.0))
"""Largest angle between a view and the template's view."""
MOST_VIEWS = 8
EDGE_PX = 16.0
CLEAR_MM = 1.5
"""A line of sight may start so far outside the stone."""


@dataclass(frozen=True, slots=True)
class Views:
    """Views of places to be matched, m of n places, sorted by place, then photograph.

    Attributes
    ----------
    photo, point : (m,) arrays
    pixel : (m, 2) array, px
        Where the place is expected.
    points, normals : (n, 3) arrays, mm and unit, frame coordinates
    template : (n,) array
        Photograph that sees the place most squarely; always among the views.
    """

    photo: Rows
    point: Rows
    pixel: Array
    points: Array
    normals: Array
    template: Rows


def choose_views(
    photo: Rows,
    point: Rows,
    points: Array,
    lenses: list[Lens],
    poses: list[Pose],
    surface: Surface,
    sizes: list[tuple[int, int]],
) -> Views:
    """Photographs for every place: those that matched it, then those that should see it.

    Parameters
    ----------
    photo, point : (k,) arrays
        Photographs in which features of the places were matched.
    points : (n, 3) array, mm
    sizes : (width, height) of each photograph
    """
    count, photos = len(points), len(poses)
    if count == 0:
        none = np.zeros(0, np.int64)
        return Views(none, none, np.zeros((0, 2)), points, points, none)
    matched = np.zeros((count, photos), dtype=bool)
    matched[point, photo] = True
    sight = np.array([p.centre_frame for p in poses])[None] - points[:, None]
    sight /= np.linalg.norm(sight, axis=2, keepdims=True)
    normals = _facing_normals(points, sight, matched, surface)
    square = np.einsum("npd,nd->np", sight, normals)
    pixels, inside = _projections(points, lenses, poses, sizes)
    possible = inside & ((square > np.cos(STEEPEST)) | matched)
    possible &= matched | _unhidden(points, normals, sight, possible & ~matched, surface)
    rank = np.where(possible, square, -np.inf)
    template = np.argmax(rank, axis=1)
    near = np.einsum("npd,nd->np", sight, sight[np.arange(count), template]) > np.cos(APART)
    rank = np.where(near, rank + matched, -np.inf)
    rank[np.arange(count), template] = np.inf
    place = np.argsort(np.argsort(-rank, axis=1, kind="stable"), axis=1)
    rows, columns = np.nonzero((rank > -np.inf) & (place < MOST_VIEWS))
    return Views(columns, rows, pixels[rows, columns], points, normals, template)


def _facing_normals(
    points: Array, sight: Array, matched: NDArray[np.bool_], surface: Surface
) -> Array:
    """The model's normal, turned half-way to the photographs that see a place it hides from."""
    _, face = surface.nearest(points)
    normals = surface.face_normals[face].copy()
    mean = np.einsum("npd,np->nd", sight, matched.astype(np.float64))
    mean /= np.maximum(np.linalg.norm(mean, axis=1, keepdims=True), 1e-9)
    odd = np.einsum("nd,nd->n", normals, mean) < np.cos(STEEPEST)
    normals[odd] = mean[odd] + 0.5 * normals[odd]
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-9)
    return normals


def _projections(
    points: Array, lenses: list[Lens], poses: list[Pose], sizes: list[tuple[int, int]]
) -> tuple[Array, NDArray[np.bool_]]:
    """Pixels (n, photos, 2) and whether they lie well inside the photograph."""
    pixels = np.empty((len(points), len(poses), 2))
    inside = np.empty((len(points), len(poses)), dtype=bool)
    for i, (lens, pose, size) in enumerate(zip(lenses, poses, sizes, strict=True)):
        pixels[:, i], depth = project(lens, pose, points)
        room = np.array(size) - 1.0 - EDGE_PX
        inside[:, i] = (depth > 1.0) & np.all(
            (pixels[:, i] > EDGE_PX) & (pixels[:, i] < room), axis=1
        )
    return pixels, inside


def _unhidden(
    points: Array, normals: Array, sight: Array, asked: NDArray[np.bool_], surface: Surface
) -> NDArray[np.bool_]:
    """Whether the model leaves the line of sight free, for the views asked about."""
    free = np.zeros(asked.shape, dtype=bool)
    rows, columns = np.nonzero(asked)
    inside = np.maximum(-surface.signed_distance_mm(points), 0.0)
    start = points + normals * (inside + CLEAR_MM)[:, None]
    hit = surface.first_hit_mm(start[rows], sight[rows, columns])
    free[rows, columns] = ~np.isfinite(hit)
    return free


def tangent_warps(views: Views, lenses: list[Lens], poses: list[Pose]) -> Array:
    """Warps (m, 2, 2) from offsets in the template to offsets in each view.

    The stone is taken as flat round the place, square to its normal.
    """
    n = views.normals
    helper = np.eye(3)[np.argmin(np.abs(n), axis=1)]
    a = np.cross(n, helper)
    a /= np.maximum(np.linalg.norm(a, axis=1, keepdims=True), 1e-12)
    b = np.cross(n, a)
    slope = np.empty((len(views.photo), 2, 2))
    for i in np.unique(views.photo):
        rows = np.flatnonzero(views.photo == i)
        at = views.points[views.point[rows]]
        for k, axis in enumerate((a, b)):
            d = 0.25 * axis[views.point[rows]]
            ahead, _ = project(lenses[i], poses[i], at + d)
            back, _ = project(lenses[i], poses[i], at - d)
            slope[rows, :, k] = 2.0 * (ahead - back)
    in_template = np.empty((len(views.points), 2, 2))
    own = views.photo == views.template[views.point]
    in_template[views.point[own]] = slope[own]
    return np.asarray(slope @ np.linalg.inv(in_template[views.point]))
