"""A surface through measured places, open where nothing was measured.

Screened Poisson reconstruction (open3d's) bridges what it does not know; what lies farther from
every measured place than their spacing allows is cut away again, so a hole stays a hole; only gaps
of a few millimetres, of a width that is stated, stay bridged. What is left is set onto the measured
places: every corner moves along its normal to their local mean.

References
----------
M. Kazhdan, H. Hoppe, "Screened Poisson surface reconstruction", ACM TOG 32(3), 2013.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from tracker.maths.camera import Array
from tracker.surface import Surface

MARGIN = 1.1
"""Box of the reconstruction over that of the places."""
MOST_DEPTH = 10
SCALE_OF_CELL = 0.75
"""Cell of the finest level over the places' spacing."""
SAME_SIDE = 0.2
LOOKED_AT = 12
LEAST_PIECE_SHARE = 0.004
"""Pieces smaller than this share of the surface are strays."""


def poisson(points: Array, normals: Array, spacing_mm: float) -> Surface:
    """Closed surface through places with normals, holes bridged."""
    from tracker.maths.open3d_core import o3d

    cloud = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(points))
    cloud.normals = o3d.utility.Vector3dVector(normals)
    size = MARGIN * float(np.ptp(points, axis=0).max())
    depth = int(np.clip(np.ceil(np.log2(size / (SCALE_OF_CELL * spacing_mm))), 5, MOST_DEPTH))
    with o3d.utility.VerbosityContextManager(o3d.utility.VerbosityLevel.Error):
        mesh, _ = o3d.geometry.TriangleMesh.create_from_point_cloud_poisson(
            cloud, depth=depth, scale=MARGIN, linear_fit=True, n_threads=1
        )
    return Surface(np.asarray(mesh.vertices), np.asarray(mesh.triangles, dtype=np.int64))


@dataclass(frozen=True, slots=True)
class Support:
    """Measured places round every corner, m corners with k places each.

    Attributes
    ----------
    near : (m, k) int array, rows of the places
    away_mm : (m, k) array, their distance; inf where there is none within reach
    same_side : (m, k) bool array
    """

    near: NDArray[np.int64]
    away_mm: Array
    same_side: NDArray[np.bool_]

    def within(self, reach_mm: float) -> NDArray[np.bool_]:
        """Which places count within a reach, (m, k)."""
        return np.asarray(self.same_side & (self.away_mm < reach_mm))


def support(surface: Surface, points: Array, normals: Array, reach_mm: float) -> Support:
    """Measured places within reach of every corner."""
    tree = cKDTree(points)
    found = tree.query(surface.vertices, min(LOOKED_AT, len(points)), distance_upper_bound=reach_mm)
    away = np.asarray(found[0]).reshape(len(surface.vertices), -1)
    near = np.asarray(found[1]).reshape(len(surface.vertices), -1)
    near = np.where(near < len(points), near, 0)
    facing = np.einsum("md,mkd->mk", surface.vertex_normals, normals[near])
    return Support(near, away, facing > SAME_SIDE)


def small_gaps(surface: Surface, kept: NDArray[np.bool_], most_mm: float) -> NDArray[np.bool_]:
    """Which corners lie in gaps of what is kept that are no wider than stated, (m,).

    A gap is what hangs together of the corners that are not kept; its width is the diagonal of
    its box.
    """
    n = len(surface.vertices)
    ends = np.concatenate([surface.faces[:, [0, 1]], surface.faces[:, [1, 2]]])
    ends = ends[~kept[ends].any(axis=1)]
    graph = coo_matrix((np.ones(len(ends), np.int8), (ends[:, 0], ends[:, 1])), shape=(n, n))
    count, gap = connected_components(graph, directed=False)
    low, high = np.full((count, 3), np.inf), np.full((count, 3), -np.inf)
    np.minimum.at(low, gap, surface.vertices)
    np.maximum.at(high, gap, surface.vertices)
    wide = np.linalg.norm(high - low, axis=1)
    return np.asarray(~kept & (wide[gap] <= most_mm))


def cut_open(surface: Surface, kept: NDArray[np.bool_]) -> tuple[Surface, NDArray[np.int64]]:
    """The surface without corners that are not kept and without strays; rows of its corners."""
    faces = surface.faces[kept[surface.faces].all(axis=1)]
    if len(faces):
        faces = faces[_whole_pieces(surface, faces)]
    rows, number = np.unique(faces, return_inverse=True)
    return Surface(surface.vertices[rows], np.asarray(number).reshape(-1, 3)), rows


def _whole_pieces(surface: Surface, faces: NDArray[np.int64]) -> NDArray[np.bool_]:
    n = len(surface.vertices)
    ends = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]]])
    graph = coo_matrix((np.ones(len(ends), np.int8), (ends[:, 0], ends[:, 1])), shape=(n, n))
    _, piece = connected_components(graph, directed=False)
    of_face = piece[faces[:, 0]]
    area = np.bincount(of_face, Surface(surface.vertices, faces).face_areas_mm2)
    return np.asarray(area[of_face] >= LEAST_PIECE_SHARE * area.sum())


def set_onto(
    surface: Surface, points: Array, normals: Array, sigma_mm: Array, near: NDArray[np.int64],
    counts: NDArray[np.bool_], width_mm: float,
) -> tuple[Surface, Array, Array]:  # fmt: skip
    """Corners moved along their normals to the local mean of the measured places.

    Parameters
    ----------
    near, counts : from `support`
    width_mm : of the bell by which nearer places count more

    Returns
    -------
    surface : Surface
    scatter : (m,) array, mm, of the places about the surface, robust
    aside : (m,) array, mm, from the corner to the middle of the places, along the surface
    """
    facing = surface.vertex_normals
    off = points[near] - surface.vertices[:, None]
    mixed = 0.5 * (facing[:, None] + normals[near])
    height = np.einsum("mkd,mkd->mk", mixed, off)
    along = np.einsum("mkd,mkd->mk", off, off) - height**2
    weight = np.where(counts, np.exp(-0.5 * along / width_mm**2) / sigma_mm[near] ** 2, 0.0)
    weight += np.where(counts, 1e-6, 0.0)
    for _ in range(3):
        total = np.maximum(weight.sum(axis=1), 1e-300)
        mean = (weight * height).sum(axis=1) / total
        miss = np.abs(height - mean[:, None])
        limit = np.maximum(2.5 * sigma_mm[near], 0.02)
        weight = np.where(counts, weight / np.maximum(1.0, miss / limit), 0.0)
    total = np.maximum(weight.sum(axis=1), 1e-300)
    mean = (weight * height).sum(axis=1) / total
    scatter = np.sqrt((weight * (height - mean[:, None]) ** 2).sum(axis=1) / total)
    lean = (weight[:, :, None] * (off - height[:, :, None] * facing[:, None])).sum(axis=1)
    aside = np.linalg.norm(lean, axis=1) / total
    return Surface(surface.vertices + mean[:, None] * facing, surface.faces), scatter, aside
