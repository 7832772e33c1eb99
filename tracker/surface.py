"""A triangle surface in frame coordinates: the model, asked by rays and by nearest point."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from tracker.maths.camera import Array

if TYPE_CHECKING:
    import open3d as o3d

Faces = NDArray[np.int64]
Places = NDArray[np.floating[Any]]


@dataclass(frozen=True)
class Surface:
    """Triangles with outward normals (counter-clockwise seen from outside).

    Attributes
    ----------
    vertices : (n, 3) array, mm, frame coordinates
    faces : (m, 3) array of rows of `vertices`
    """

    vertices: Array
    faces: Faces

    @cached_property
    def face_normals(self) -> Array:
        """Unit outward normals of the triangles, (m, 3)."""
        a, b, c = (self.vertices[self.faces[:, k]] for k in range(3))
        cross = np.cross(b - a, c - a)
        return np.asarray(cross / np.maximum(np.linalg.norm(cross, axis=1, keepdims=True), 1e-300))

    @cached_property
    def face_sides(self) -> Faces:
        """Which of six ways the triangles face most, (m,): twice the axis, one more if along it."""
        axis = np.argmax(np.abs(self.face_normals), axis=1)
        along = np.take_along_axis(self.face_normals, axis[:, None], axis=1)[:, 0] > 0
        return np.asarray(2 * axis + along)

    @cached_property
    def face_areas_mm2(self) -> Array:
        """Areas of the triangles, (m,), mm^2."""
        a, b, c = (self.vertices[self.faces[:, k]] for k in range(3))
        return np.asarray(0.5 * np.linalg.norm(np.cross(b - a, c - a), axis=1))

    @cached_property
    def vertex_normals(self) -> Array:
        """Unit outward normals at the vertices, area weighted, (n, 3)."""
        weighted = np.repeat(self.face_normals * self.face_areas_mm2[:, None], 3, axis=0)
        corner, count = self.faces.ravel(), len(self.vertices)
        summed = np.stack(
            [np.bincount(corner, weighted[:, k], minlength=count) for k in range(3)], axis=1
        )
        length = np.linalg.norm(summed, axis=1, keepdims=True)
        return np.asarray(summed / np.maximum(length, 1e-300))

    @cached_property
    def box(self) -> tuple[Array, Array]:
        """Lowest and highest corner of the axis-parallel box, (3,), mm."""
        return self.vertices.min(axis=0), self.vertices.max(axis=0)

    @cached_property
    def scene(self) -> o3d.t.geometry.RaycastingScene:
        """Ray-casting structure (float32: good to about 1e-5 of the size)."""
        from tracker.maths.open3d_core import o3d

        scene = o3d.t.geometry.RaycastingScene()
        scene.add_triangles(
            o3d.core.Tensor(self.vertices.astype(np.float32)),
            o3d.core.Tensor(self.faces.astype(np.uint32)),
        )
        return scene

    def first_hit_mm(self, origins: Places, directions: Places) -> Array:
        """Distance along unit directions to the first triangle, (n,), mm; inf where none."""
        from tracker.maths.open3d_core import o3d

        rays = np.concatenate([origins, directions], axis=1).astype(np.float32)
        hits = self.scene.cast_rays(o3d.core.Tensor(rays))["t_hit"]
        return np.asarray(hits.numpy(), dtype=np.float64)

    def first_hit_steps(self, rays: NDArray[np.float32]) -> NDArray[np.float32]:
        """How many times its direction each ray goes to the first triangle; inf where none.

        Parameters
        ----------
        rays : (..., 6) float32 array
            Origin, mm, and direction of any length.
        """
        from tracker.maths.open3d_core import o3d

        hits: NDArray[np.float32] = self.scene.cast_rays(o3d.core.Tensor(rays))["t_hit"].numpy()
        return hits

    def first_hits(self, origins: Array, directions: Array) -> tuple[Array, Faces]:
        """Distance along unit directions to the first triangle, (n,), mm, and its row.

        Infinite and -1 where none is met.
        """
        from tracker.maths.open3d_core import o3d

        rays = np.concatenate([origins, directions], axis=1).astype(np.float32)
        hits = self.scene.cast_rays(o3d.core.Tensor(rays))
        away = hits["t_hit"].numpy().astype(np.float64)
        face = hits["primitive_ids"].numpy().astype(np.int64)
        return away, np.where(np.isfinite(away), face, -1)

    def signed_distance_mm(self, points: Array) -> Array:
        """Distance to the nearest triangle, (n,), mm; positive outside, negative inside."""
        from tracker.maths.open3d_core import o3d

        query = o3d.core.Tensor(points.astype(np.float32))
        distance = self.scene.compute_signed_distance(query, nsamples=3)
        return np.asarray(distance.numpy(), dtype=np.float64)

    def holds(self, points: Array) -> NDArray[np.bool_]:
        """Whether points (n, 3), mm, lie inside, by the most of three rays."""
        from tracker.maths.open3d_core import o3d

        query = o3d.core.Tensor(points.astype(np.float32))
        inside = self.scene.compute_occupancy(query, nsamples=3)
        return np.asarray(inside.numpy() > 0.5)

    def nearest(self, points: Array) -> tuple[Array, Faces]:
        """Nearest points on the surface (n, 3), mm, and their triangles (n,)."""
        from tracker.maths.open3d_core import o3d

        found = self.scene.compute_closest_points(o3d.core.Tensor(points.astype(np.float32)))
        return (
            found["points"].numpy().astype(np.float64),
            found["primitive_ids"].numpy().astype(np.int64),
        )


@dataclass(frozen=True, slots=True)
class Samples:
    """Places on a surface, each standing for a patch of it.

    Attributes
    ----------
    points : (n, 3) array, mm, frame coordinates
    normals : (n, 3) array, unit, outward
    area_mm2 : (n,) array
        Area that each sample stands for; the sum is the surface's area.
    face : (n,) array
        Triangle that each sample lies on.
    """

    points: Array
    normals: Array
    area_mm2: Array
    face: Faces


PORTION = 200_000
"""Places that are thinned at a time."""
Winners = tuple[Faces, Array, Faces, Faces]
"""Keys of cells, squared distance of each cell's place from its middle, its row, and how many
places the cell holds."""


def sample_surface(surface: Surface, spacing_mm: float, seed: int = 1) -> Samples:
    """Samples about `spacing_mm` apart, one per cell of a cubic lattice.

    Dense random points on the triangles are thinned to the one nearest to each lattice cell's
    middle, so the spacing is even and the result the same for the same seed. The normal is the
    interpolated vertex normal.
    """
    rng = np.random.default_rng(seed)
    areas = surface.face_areas_mm2
    count = int(np.ceil(areas.sum() / spacing_mm**2 * 24.0))
    per_face = np.bincount(
        np.searchsorted(
            np.cumsum(areas), (np.arange(count) + rng.random()) / count * areas.sum(), side="right"
        ).clip(0, len(areas) - 1),
        minlength=len(areas),
    )
    face = np.repeat(np.arange(len(areas)), per_face)
    u, v = rng.random(len(face)), rng.random(len(face))
    flip = u + v > 1.0
    u[flip], v[flip] = 1.0 - u[flip], 1.0 - v[flip]
    best, members = _nearest_to_middles(surface, face, u, v, spacing_mm)
    order = np.argsort(best, kind="stable")
    best, share = best[order], members[order] * (areas.sum() / len(face))
    face, u, v = face[best], u[best], v[best]
    points = _blended(surface.vertices, surface.faces, face, u, v)
    normals = _blended(surface.vertex_normals, surface.faces, face, u, v)
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-300)
    return Samples(points, normals, share, face)


def _nearest_to_middles(
    surface: Surface, face: Faces, u: Array, v: Array, cell_mm: float
) -> tuple[Faces, Faces]:
    """Row of the place nearest to each lattice cell's middle, and how many lie in the cell.

    In portions, whose winners compete again, so that the memory is that of the winners.
    """
    kept: list[Winners] = []
    waiting = 0
    for start in range(0, len(face), PORTION):
        part = slice(start, start + PORTION)
        points = _blended(surface.vertices, surface.faces, face[part], u[part], v[part]) / cell_mm
        index = np.floor(points)
        middle = points - index - 0.5
        away = np.einsum("nd,nd->n", middle, middle)
        keys = _cell_keys(surface, index.astype(np.int64), face[part], cell_mm)
        rows = np.arange(start, start + len(keys), dtype=np.int64)
        kept.append(_first_of_cells(keys, away, rows, np.ones(len(keys), np.int64)))
        waiting += len(kept[-1][0])
        if len(kept) > 1 and waiting > 2 * max(PORTION, len(kept[0][0])):
            kept, waiting = [_first_of_cells(*map(np.concatenate, zip(*kept, strict=True)))], 0
    _, _, row, members = _first_of_cells(*map(np.concatenate, zip(*kept, strict=True)))
    return row, members


def _first_of_cells(keys: Faces, away: Array, row: Faces, members: Faces) -> Winners:
    """Of the places with one key the nearest, the first of equals; and how many there are.

    The winners' keys rise.
    """
    order = np.argsort(keys)
    keys, away, row = keys[order], away[order], row[order]
    first = np.flatnonzero(np.diff(keys, prepend=-1))
    nearest = np.minimum.reduceat(away, first)
    size = np.diff(first, append=len(keys))
    rivals = np.where(away == np.repeat(nearest, size), row, np.iinfo(np.int64).max)
    return (
        keys[first],
        nearest,
        np.minimum.reduceat(rivals, first),
        np.add.reduceat(members[order], first),
    )


def _blended(values: Array, faces: Faces, face: Faces, u: Array, v: Array) -> Array:
    """Values of the corners at places (u, v) of triangles; one corner after the other."""
    blended = (1.0 - u - v)[:, None] * values[faces[face, 0]]
    blended += u[:, None] * values[faces[face, 1]]
    blended += v[:, None] * values[faces[face, 2]]
    return np.asarray(blended)


def _cell_keys(surface: Surface, index: Faces, face: Faces, cell_mm: float) -> Faces:
    """One number per cell and side: opposite faces of a thin form share cells but not samples."""
    # a cell of room all round: a place may round to just outside the box
    low, high = (np.floor(corner / cell_mm).astype(np.int64) for corner in surface.box)
    index, size = index - low + 1, high - low + 3
    keys = (index[:, 0] * size[1] + index[:, 1]) * size[2] + index[:, 2]
    return np.asarray(keys * 6 + surface.face_sides[face])
