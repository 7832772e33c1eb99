"""The sparse cloud: adjusted tie points on the stone, with what each is worth.

A tie point is where the photographs agree, but a patch is not a point: on rough stone the plane
that fits the patch passes a little above or below the place itself, in all photographs alike.
The adjustment cannot see that, so the variance along the normal gets two more parts: a share of
the pixel's size on the stone, and a share of how far the place moves with the size of the patch.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from tracker.cloud.ties_refine import TiePoints
from tracker.cloud.ties_region import DEEPEST_MM
from tracker.cloud.tracks import largest_angle_rad
from tracker.maths.camera import Array, Lens, Pose
from tracker.surface import Surface

Rows = NDArray[np.int64]

FEWEST_PHOTOS = 3
SMALLEST_ANGLE = float(np.deg2rad(6.0))
WORST_SIGMA_MM = 0.3
"""Of the point in its least sure direction."""
LEAST_SURE = 1.4
"""A point whose sigma along the normal is this many times the cloud's median is left out."""
PIXEL_SHARE = 0.25
"""Of a pixel's size on the stone: standard deviation that any patch leaves."""
RELIEF_SHARE = 0.6
"""Of the move between wide and fine window."""
NEIGHBOURS = 10
FEWEST_NEIGHBOURS = 5
NEIGHBOUR_REACH = 3.0
"""Neighbours are taken within so many times the cloud's usual spacing."""
STRAY_SIGMAS = 4.0
STRAY_MM = 0.6
"""A point farther off its neighbours' plane than this and `STRAY_SIGMAS` is no stone."""


@dataclass(frozen=True, slots=True)
class Cloud:
    """Points measured on the stone, n of them.

    Attributes
    ----------
    points : (n, 3) array, mm, frame coordinates
    normals : (n, 3) array
        Unit, outward: local plane, turned to the photographs.
    colour : (n, 3) uint8 array
        RGB of the photograph that sees the point most squarely.
    sigma_mm : (n,) array
        Standard deviation along the normal.
    cov : (n, 3, 3) array, mm^2
    photos : (n,) array
        Photographs that hold the point.
    tie : (n,) array
        Row of the tie point.
    """

    points: Array
    normals: Array
    colour: NDArray[np.uint8]
    sigma_mm: Array
    cov: Array
    photos: Rows
    tie: Rows


def sparse_cloud(
    ties: TiePoints,
    points: Array,
    cov_points: Array,
    used: NDArray[np.bool_],
    lenses: Sequence[Lens],
    poses: Sequence[Pose],
    images: Sequence[NDArray[np.uint8]],
    surface: Surface,
    allowance_mm: float,
) -> Cloud:
    """Tie points that are stone, with normals, colours and covariances.

    Parameters
    ----------
    ties : TiePoints, n places, m observations
    points : (n, 3) array, mm
        Adjusted, frame coordinates.
    cov_points : (n, 3, 3) array, mm^2
        From the adjustment, and from how well each point's own rays meet.
    used : (m,) bool array
        Observations that the adjustment kept.
    lenses, poses : one per photograph, adjusted
    images : (height, width) or (height, width, 3) arrays, one per photograph
    surface, allowance_mm : the model, and how far outside it the block's face may be
    """
    photo, point = ties.photo[used], ties.point[used]
    photos = np.bincount(point, minlength=len(points))
    wide = largest_angle_rad(photo, point, list(poses), points)
    away = surface.signed_distance_mm(points) if len(points) else np.zeros(0)
    keep = (photos >= FEWEST_PHOTOS) & (wide > SMALLEST_ANGLE)
    keep &= (away > -DEEPEST_MM) & (away < allowance_mm)
    keep &= np.all(np.isfinite(points), axis=1)
    rows = np.flatnonzero(keep)
    footprint = _footprint_mm(ties.template, points, lenses, poses)
    extra = (PIXEL_SHARE * footprint) ** 2 + (RELIEF_SHARE * ties.relief_mm) ** 2
    normals, height, spread = local_planes(points[rows], ties.normal[rows])
    cov = cov_points[rows] + extra[rows, None, None] * normals[:, :, None] * normals[:, None, :]
    sigma = np.sqrt(np.einsum("ni,nij,nj->n", normals, cov, normals))
    largest = np.sqrt(np.linalg.eigvalsh(cov)[:, -1])
    stray = np.abs(height) > np.maximum(STRAY_MM, STRAY_SIGMAS * np.hypot(sigma, spread))
    good = ~stray & np.isfinite(height) & (largest < WORST_SIGMA_MM)
    if good.any():
        good &= sigma <= LEAST_SURE * np.median(sigma[good])
    rows = rows[good]
    return Cloud(
        points=points[rows],
        normals=normals[good],
        colour=_colours(ties, rows, images),
        sigma_mm=sigma[good],
        cov=cov[good],
        photos=photos[rows],
        tie=rows,
    )


def local_planes(points: Array, towards: Array) -> tuple[Array, Array, Array]:
    """Plane through each point's neighbours, robust against strays among them.

    Parameters
    ----------
    points : (n, 3) array, mm
    towards : (n, 3) array
        Direction from which each is seen; normals are turned that way, and neighbours seen from
        the other side do not count.

    Returns
    -------
    normals : (n, 3) array
        Unit; `towards` where there are too few neighbours.
    height : (n,) array, mm
        Of the point above the plane of its neighbours; nan where it has too few.
    spread : (n,) array, mm
        Of the neighbours about the plane.
    """
    n = len(points)
    if n <= FEWEST_NEIGHBOURS:
        return towards.copy(), np.full(n, np.nan), np.zeros(n)
    count = min(NEIGHBOURS, n - 1)
    found = cKDTree(points).query(points, count + 1)
    distance, rows = np.asarray(found[0])[:, 1:], np.asarray(found[1])[:, 1:]
    reach = NEIGHBOUR_REACH * float(np.median(distance[:, -1]))
    weight = (distance < reach) & (np.einsum("nd,nkd->nk", towards, towards[rows]) > 0.3)
    few = weight.sum(axis=1) < FEWEST_NEIGHBOURS
    near = points[rows]
    soft = weight.astype(np.float64)
    for _ in range(5):
        total = np.maximum(soft.sum(axis=1), 1e-9)
        middle = np.einsum("nk,nkd->nd", soft, near) / total[:, None]
        off = near - middle[:, None]
        scatter = np.einsum("nk,nki,nkj->nij", soft, off, off)
        normals = np.linalg.eigh(scatter)[1][:, :, 0]
        miss = np.abs(np.einsum("nkd,nd->nk", off, normals))
        # median over the true neighbours: the others are sorted behind them
        ranked = np.sort(np.where(weight, miss, np.inf), axis=1)
        half = np.maximum(weight.sum(axis=1) - 1, 0)[:, None] // 2
        spread = 1.4826 * np.take_along_axis(ranked, half, axis=1)
        spread = np.where(np.isfinite(spread), np.maximum(spread, 0.02), 1.0)
        soft = weight / (1.0 + (miss / spread) ** 2)
    normals *= np.sign(np.einsum("nd,nd->n", normals, towards) + 1e-12)[:, None]
    height = np.einsum("nd,nd->n", points - middle, normals)
    normals[few] = towards[few]
    height[few] = np.nan
    return normals, height, spread[:, 0]


def _footprint_mm(
    template: Rows, points: Array, lenses: Sequence[Lens], poses: Sequence[Pose]
) -> Array:
    """Size of a pixel of the template's photograph on the stone, (n,), mm."""
    centre = np.array([p.centre_frame for p in poses])
    focal = np.array([lens.focal_px for lens in lenses])
    return np.asarray(np.linalg.norm(points - centre[template], axis=1) / focal[template])


def _colours(ties: TiePoints, rows: Rows, images: Sequence[NDArray[np.uint8]]) -> NDArray[np.uint8]:
    """RGB at the template's pixel, (k, 3)."""
    at = np.zeros((len(ties.start), 2))
    own = ties.photo == ties.template[ties.point]
    at[ties.point[own]] = ties.pixel[own]
    pixel = np.rint(at[rows]).astype(np.int64)
    colour = np.empty((len(rows), 3), np.uint8)
    for i in np.unique(ties.template[rows]):
        mine = np.flatnonzero(ties.template[rows] == i)
        height, width = images[i].shape[:2]
        x = pixel[mine, 0].clip(0, width - 1)
        y = pixel[mine, 1].clip(0, height - 1)
        values = images[i][y, x]
        colour[mine] = values if values.ndim == 2 else values[:, None]
    return colour
