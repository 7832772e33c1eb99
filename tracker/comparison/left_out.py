"""What stone may do between its measured points, told by leaving points out.

A surface through scattered points knows its points' noise, not the form of the stone between them:
a groove that no point fell into, a ridge that one point misses. But every measured point can be
foretold from the others. How far that fails there is what must be reckoned with nearby, where
nothing was measured; farther from the next point than the points are from each other it grows with
the distance, as a slope that is not known does.

    s^2 = mean of e_i^2 over the k nearest * max(1, d / d_i)^2 * (Student's factor)^2

with e_i across the stone, d the distance of the place from the nearest point and d_i that of the
points among themselves. Neighbours fail together, so k of them are worth k / 2 degrees of freedom.

References
----------
M. Stone, "Cross-validatory choice and assessment of statistical predictions", J. R. Statist. Soc.
B 36 (1974).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from tracker.comparison.local_surface import MOST_POINTS, fit_local_surfaces
from tracker.comparison.uncertainty import student_inflation
from tracker.maths.camera import Array

NEIGHBOURS = 8
FREEDOM_SHARE = 0.5
OTHER_STONE_MM = 6.0
"""Points farther above or below a point's tangent plane than this belong to other stone."""
LEAST_FACING = 0.25
"""Smallest cosine between the normals of a point and of those that foretell it."""


@dataclass(frozen=True, slots=True)
class LeftOut:
    """Points that were foretold from the others, k of them.

    Attributes
    ----------
    points : (k, 3) array, mm
    error_mm : (k,) array
        Foretold less measured, along the point's own normal.
    spacing_mm : (k,) array
        Distance to the nearest other point.
    """

    points: Array
    error_mm: Array
    spacing_mm: Array


def leave_out(
    points: Array, normals: Array, sigma_mm: Array, *, widest_mm: float, min_points: int
) -> LeftOut:
    """Every point foretold by the local surface through the others.

    Parameters
    ----------
    points, normals : (m, 3) arrays, mm and unit
    sigma_mm : (m,) array
    widest_mm, min_points
        As the local surfaces of needles are fitted (`fit_local_surfaces`).
    """
    count = min(MOST_POINTS, len(points) - 1)
    if count < min_points:
        return LeftOut(np.zeros((0, 3)), np.zeros(0), np.zeros(0))
    found = cKDTree(points).query(points, count + 1)
    distance, near = np.asarray(found[0]), np.asarray(found[1])
    group = np.repeat(np.arange(len(points)), count)
    member = near[:, 1:].ravel()
    offset = points[member] - points[group]
    along = np.einsum("nd,nd->n", offset, normals[group])
    aside2 = np.einsum("nd,nd->n", offset, offset) - along**2
    facing = np.einsum("nd,nd->n", normals[member], normals[group])
    keep = (aside2 < widest_mm**2) & (np.abs(along) < OTHER_STONE_MM) & (facing > LEAST_FACING)
    fits = fit_local_surfaces(
        points,
        normals,
        sigma_mm,
        points,
        normals,
        (group[keep], member[keep]),
        widest_mm=widest_mm,
        min_points=min_points,
    )
    told = fits.usable
    return LeftOut(points[told], fits.depth_mm[told], distance[told, 1])


def form_variance_mm2(left_out: LeftOut, places: Array, nearest_mm: Array) -> Array:
    """Variance across the stone of what it may do between its points, (n,), mm^2.

    Parameters
    ----------
    left_out : LeftOut
    places : (n, 3) array, mm
        On the surface.
    nearest_mm : (n,) array
        Distance of each to the nearest measured point.

    Returns
    -------
    (n,) array
        Infinite where no point could be foretold.
    """
    count = min(NEIGHBOURS, len(left_out.points))
    if count == 0:
        return np.full(len(places), np.inf)
    _, near = cKDTree(left_out.points).query(places, k=np.arange(1, count + 1))
    error2 = np.mean(left_out.error_mm[near] ** 2, axis=1)
    spacing2 = np.mean(left_out.spacing_mm[near] ** 2, axis=1)
    farther2 = np.maximum(1.0, nearest_mm**2 / np.maximum(spacing2, 1e-6))
    few = student_inflation(np.array([FREEDOM_SHARE * count]))
    return np.asarray(error2 * farther2 * few**2)
