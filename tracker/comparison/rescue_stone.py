"""The stone as measured, asked by the needles of a figure that stands elsewhere in it.

Seen triangles of the model, moved out (or in) by stone left, are the stone's surface. A needle of
the moved figure leaves the stone through a triangle that faces along it; outward of the place that
is stone to spare, inward of it the place stands in air.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csr_array

from tracker.comparison.on_vertices import VertexReadings, stone_surface
from tracker.comparison.uncertainty import MIN_COSINE
from tracker.maths.camera import Array
from tracker.maths.open3d_core import o3d
from tracker.surface import Surface

ODD_FLOOR_MM = 0.15
MAD_TO_SIGMA = 1.482602
RINGS = 2


@dataclass(frozen=True, slots=True)
class Met:
    """Where n needles leave the stone.

    Attributes
    ----------
    known : (n,) bool
        False where the needle meets no stone that was seen; the rest is then meaningless.
    left_mm : (n,) array
        Stone left along the needle, signed.
    u95_mm : (n,) array
        The largest of the corners' of the triangle that is met.
    open_floor : (n,) bool
        The stone met is the seen part of a pit whose floor is not seen: it may be deeper.
    normal : (n, 3) array
        Of the stone there, outward.
    """

    known: NDArray[np.bool_]
    left_mm: Array
    u95_mm: Array
    open_floor: NDArray[np.bool_]
    normal: Array


@dataclass(frozen=True, slots=True)
class MeasuredStone:
    """The stone's surface where it was seen.

    Attributes
    ----------
    surface : Surface
        Seen triangles only.
    u95_mm : (m,) array
    open_floor : (m,) bool
        By triangle.
    """

    surface: Surface
    u95_mm: Array
    open_floor: NDArray[np.bool_]

    def meet(self, places: Array, needles: Array) -> Met:
        """Stone left at places along unit needles (outward), (n, 3) each."""
        out, face_out = self._facing(places, needles, outward=True)
        back, face_back = self._facing(places, needles, outward=False)
        first = out <= back
        face = np.where(first, face_out, face_back)
        left = np.where(first, out, -back)
        known = np.isfinite(left)
        face, left = np.where(known, face, 0), np.where(known, left, 0.0)
        return Met(
            known,
            left,
            self.u95_mm[face],
            self.open_floor[face],
            self.surface.face_normals[face],
        )

    def _facing(
        self, places: Array, needles: Array, *, outward: bool
    ) -> tuple[Array, NDArray[np.int64]]:
        """Way to the first triangle, infinite where it does not face along the needle.

        Triangles that the needle only grazes tell nothing: a hair's breadth aside it misses them.
        """
        rays = np.concatenate([places, needles if outward else -needles], axis=1)
        hits = self.surface.scene.cast_rays(o3d.core.Tensor(rays.astype(np.float32)))
        way = hits["t_hit"].numpy().astype(np.float64)
        face = hits["primitive_ids"].numpy().astype(np.int64)
        face = np.where(np.isfinite(way), face, 0)
        along = np.einsum("nd,nd->n", self.surface.face_normals[face], needles) > MIN_COSINE
        return np.where(along, way, np.inf), face


def measured_stone(model: Surface, readings: VertexReadings) -> MeasuredStone:
    """The stone's surface from a stage's readings at the model's corners.

    Raises
    ------
    ValueError
        No triangle has three corners that were seen.
    """
    seen = readings.seen[model.faces].all(axis=1)
    if not seen.any():
        raise ValueError("no triangle of the model was seen")
    corners = model.faces[seen]
    moved = stone_surface(model, readings)
    used, row = np.unique(corners, return_inverse=True)
    surface = Surface(moved.vertices[used], row.reshape(-1, 3))
    pit = readings.at_least & (np.nan_to_num(readings.stone_left_mm) < 0.0)
    return MeasuredStone(
        surface, readings.u95_mm[corners].max(axis=1), np.asarray(pit[corners].any(axis=1))
    )


def without_odd_ones(
    model: Surface, readings: VertexReadings
) -> tuple[VertexReadings, NDArray[np.bool_]]:
    """The readings without corners whose neighbours do not bear out that stone is missing.

    A corner that stands deeper than its neighbourhood's mean by more than its U95 and three times
    their scatter is odd. A narrow spot that is real stands in the list of over-cuts, which has
    weighed it.

    Returns
    -------
    readings, odd : VertexReadings and (n,) bool array
    """
    near = _neighbourhoods(model)
    value = np.where(readings.seen, np.nan_to_num(readings.stone_left_mm), 0.0)
    weight = readings.seen.astype(np.float64)
    count = np.maximum(near @ weight, 1.0)
    mean = (near @ value) / count
    spread = np.sqrt(np.maximum((near @ value**2) / count - mean**2, 0.0))
    limit = np.maximum(np.nan_to_num(readings.u95_mm), ODD_FLOOR_MM) + 3.0 * spread
    odd = readings.seen & (value < 0.0) & (mean - value > limit)
    seen = readings.seen & ~odd
    kept = VertexReadings(
        np.where(seen, readings.stone_left_mm, np.nan),
        np.where(seen, readings.u95_mm, np.nan),
        seen,
        readings.at_least & seen,
    )
    return kept, odd


def _neighbourhoods(model: Surface) -> csr_array:
    """Corners within two edges of each corner, itself left out, as a 0/1 matrix."""
    pairs = np.concatenate([model.faces[:, [k, (k + 1) % 3]] for k in range(3)])
    pairs = np.concatenate([pairs, pairs[:, ::-1]])
    count = len(model.vertices)
    one = csr_array(coo_array((np.ones(len(pairs)), pairs.T), shape=(count, count)))
    near = one
    for _ in range(RINGS - 1):
        near = csr_array(near @ one + one)
    near.setdiag(0.0)
    near.eliminate_zeros()
    near.data[:] = 1.0
    return near
