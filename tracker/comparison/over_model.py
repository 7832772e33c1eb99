"""Stone left as a field over the model, from the measured points near it.

Close to the finished form the stone repeats the model's own relief, which is finer than the
points are dense. Each point's distance from the model varies much less than the point's height,
so the distances, not the points, are fitted round each place. Far from the model the stone does
not follow its relief and this second opinion is silent.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from tracker.comparison.local_surface import LocalFits, fit_local_surfaces, no_fits
from tracker.maths.camera import Array
from tracker.surface import Surface

Rows = NDArray[np.int64]

NEAR_MODEL_MM = 8.0
"""Points farther from the model do not count."""
SAME_SIDE = 0.5
"""Least cosine between the normals of stone, model and needle."""
LEAST_COSINE = 0.4
FLATNESS = 0.7
"""Feet farther along the needle than this share of the reach lie on another piece of the form."""


def fit_over_model(
    cloud_points: Array,
    cloud_normals: Array,
    sigma_mm: Array,
    model: Surface,
    points: Array,
    needles: Array,
    *,
    widest_mm: float,
    min_points: int,
) -> LocalFits:
    """Stone left at places by a robust local fit of the points' distances from the model.

    Parameters
    ----------
    cloud_points, cloud_normals : (m, 3) arrays, mm; sigma_mm : (m,) across the surface
    points, needles : (n, 3) arrays
        Places of the model and unit outward directions.
    widest_mm : float
        Points whose foot on the model lies farther from the place do not count.

    Returns
    -------
    LocalFits
        One per place, depth along the needle.
    """
    if not len(cloud_points):
        return no_fits(len(points))
    near = np.flatnonzero(np.abs(model.signed_distance_mm(cloud_points)) <= NEAR_MODEL_MM)
    foot, face = model.nearest(cloud_points[near])
    facing = np.einsum("nd,nd->n", model.face_normals[face], cloud_normals[near]) > SAME_SIDE
    near, foot, face = near[facing], foot[facing], face[facing]
    distance = model.signed_distance_mm(cloud_points[near])
    place, row = _feet_near(foot, points, widest_mm)
    along = np.einsum("nd,nd->n", foot[row] - points[place], needles[place])
    keep = np.einsum("nd,nd->n", model.face_normals[face[row]], needles[place]) > SAME_SIDE
    keep &= np.abs(along) < FLATNESS * widest_mm
    place, row, along = place[keep], row[keep], along[keep]
    here = model.face_normals[model.nearest(points)[1]]
    slanting = np.clip(np.einsum("nd,nd->n", here, needles), LEAST_COSINE, 1.0)
    # the model laid flat across the needle, the stone above it as far as the needle goes
    height = distance[row] / slanting[place]
    flat = foot[row] + (height - along)[:, None] * needles[place]
    return fit_local_surfaces(
        flat,
        needles[place],
        sigma_mm[near[row]] / slanting[place],
        points,
        needles,
        (place, np.arange(len(place))),
        widest_mm=widest_mm,
        min_points=min_points,
    )


def _feet_near(foot: Array, points: Array, reach_mm: float) -> tuple[Rows, Rows]:
    """Pairs (place, row of a foot) within reach, places rising."""
    nothing = np.zeros(0, dtype=np.int64)
    if not len(foot) or not len(points):
        return nothing, nothing
    lists = [
        np.sort(np.asarray(found, dtype=np.int64))
        for found in cKDTree(foot).query_ball_point(points, reach_mm)
    ]
    place = np.repeat(np.arange(len(points)), [len(found) for found in lists])
    return place, np.concatenate(lists)
