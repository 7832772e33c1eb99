"""Very large scans, thinned while they are read so that memory stays bounded.

Triangles come in pieces (`large_scan`). Corners fall into the cells of a cubic lattice; each
cell becomes one corner of the thinned surface, placed where the planes of all triangles that touch
the cell meet best (least squares), so that edges stay sharp and curved faces are not shrunk. A
triangle remains where its corners fall into three cells. Triangles that fall onto each other with
opposite sides are a fold of no thickness and cancel, as chains do: where the scan is closed, every
edge of what remains is used as often one way as the other, and no hole appears (save where two
sheets of the scan fall onto one triangle, with relief about as deep as the lattice is wide). How
far the thinned surface is from the scan is then measured, not assumed.

References
----------
P. Lindstrom, "Out-of-core simplification of large polygonal models", Proc. SIGGRAPH 2000, 259-262
(clusters placed by summed plane quadrics); the regularised solution here is a ridge, not his SVD.
J. R. Munkres, "Elements of algebraic topology" (1984), section 12 (a simplicial map takes
boundaries to boundaries).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracker.errors import MeshError
from tracker.maths.camera import Array
from tracker.records.large_scan import LargeScan
from tracker.surface import Faces, Surface

WANTED = 700_000
"""Triangles that a thinned scan has, about."""
JUDGED = 200_000
"""Corners of the scan by which the thinned surface is judged."""
RIDGE = 1e-3
"""Pull toward the corners' mean, as a share of the planes' own."""
CELLS_A_SIDE = 1 << 20


@dataclass(frozen=True, slots=True)
class Thinned:
    """A thinned scan, in its own units.

    Attributes
    ----------
    surface : Surface
    count : int
        Triangles of the scan.
    cell : float
        Side of the lattice's cells.
    rms, most : float
        Root mean square and 99.9th percentile of the distance from the scan's corners.
    """

    surface: Surface
    count: int
    cell: float
    rms: float
    most: float


def thin(scan: LargeScan, wanted: int = WANTED) -> Thinned:
    """A surface of about `wanted` triangles that stands for the scan.

    Raises
    ------
    MeshError
        The scan has no area.
    """
    low, high, area = np.full(3, np.inf), np.full(3, -np.inf), 0.0
    for corners in scan.pieces():
        if len(corners):
            low = np.minimum(low, corners.min(axis=(0, 1)))
            high = np.maximum(high, corners.max(axis=(0, 1)))
            area += float(np.linalg.norm(_doubled_normals(corners), axis=1).sum()) / 2.0
    if not area > 0.0:
        raise MeshError("The scan holds no triangle with area.", "Export it again.")
    # a surface over a lattice of cell c has about 1.5 occupied cells, and 3 triangles, a c^2
    cell = max(float(np.sqrt(3.0 * area / wanted)), float((high - low).max()) / CELLS_A_SIDE * 2.0)
    keys, sums, faces = _clustered(scan, low, cell)
    vertices = _placed(keys, sums, low, cell)
    surface = Surface(vertices, faces)
    rms, most = _judged(scan, surface)
    return Thinned(surface, scan.count, cell, rms, most)


def _doubled_normals(corners: Array) -> Array:
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    return np.cross(b - a, c - a)


def _clustered(scan: LargeScan, low: Array, cell: float) -> tuple[NDArray[np.int64], Array, Faces]:
    """Occupied cells, their sums (plane quadric 6, its right side 3, mean 3, count) and faces."""
    keys, sums = np.zeros(0, np.int64), np.zeros((0, 13))
    kept: list[NDArray[np.int64]] = []
    for corners in scan.pieces():
        at = np.floor((corners - low) / cell).astype(np.int64)
        key = (at[..., 0] * CELLS_A_SIDE + at[..., 1]) * CELLS_A_SIDE + at[..., 2]
        own, back = np.unique(key.ravel(), return_inverse=True)
        piece = _sums(corners, low, np.asarray(back), len(own))
        both, place = np.unique(np.concatenate([keys, own]), return_inverse=True)
        merged = np.zeros((len(both), 13))
        merged[place[: len(keys)]] = sums
        merged[place[len(keys) :]] += piece
        keys, sums = both, merged
        apart = (key[:, 0] != key[:, 1]) & (key[:, 1] != key[:, 2]) & (key[:, 2] != key[:, 0])
        kept.append(_chain(key[apart]))
    faces = np.searchsorted(keys, _uncancelled(kept))
    return keys, sums, np.asarray(faces, dtype=np.int64)


def _chain(faces: NDArray[np.int64]) -> NDArray[np.int64]:
    """Each triangle's corners rising, and how often it is there less how often turned over."""
    rising = np.sort(faces, axis=1)
    odd = (faces[:, 0] > faces[:, 1]) ^ (faces[:, 1] > faces[:, 2]) ^ (faces[:, 0] > faces[:, 2])
    return _summed(np.column_stack([rising, np.where(odd, -1, 1)]))


def _summed(chain: NDArray[np.int64]) -> NDArray[np.int64]:
    """Rows of the same triangle added up; those that cancel fall out."""
    order = np.lexsort(chain[:, 2::-1].T)
    chain = chain[order]
    first = np.flatnonzero(np.any(np.diff(chain[:, :3], axis=0, prepend=-1) != 0, axis=1))
    if len(first) == 0:
        return chain
    count = np.add.reduceat(chain[:, 3], first)
    summed = np.column_stack([chain[first, :3], count])
    return np.asarray(summed[count != 0], dtype=np.int64)


def _uncancelled(pieces: list[NDArray[np.int64]]) -> NDArray[np.int64]:
    """Triangles that remain of all pieces, each once, its corners in their way round."""
    chain = _summed(np.concatenate(pieces))
    faces = chain[:, :3].copy()
    turned = chain[:, 3] < 0
    faces[turned] = faces[turned][:, [0, 2, 1]]
    return faces


def _sums(corners: Array, low: Array, back: NDArray[np.int64], cells: int) -> Array:
    local = corners - low
    normal = _doubled_normals(local)
    length = np.linalg.norm(normal, axis=1, keepdims=True)
    unit = normal / np.maximum(length, 1e-300)
    weight = length[:, 0]
    offset = np.einsum("nd,nd->n", unit, local[:, 0])
    terms = [weight * unit[:, i] * unit[:, j] for i, j in _UPPER]
    terms += [weight * offset * unit[:, i] for i in range(3)]
    summed = np.zeros((cells, 13))
    for k, term in enumerate(terms):
        summed[:, k] = np.bincount(back, np.repeat(term, 3), cells)
    for axis in range(3):
        summed[:, 9 + axis] = np.bincount(back, local[..., axis].ravel(), cells)
    summed[:, 12] = np.bincount(back, minlength=cells)
    return summed


_UPPER = ((0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2))


def _placed(keys: NDArray[np.int64], sums: Array, low: Array, cell: float) -> Array:
    """Corner of each cell: where its planes meet best, never outside of the cell's neighbours."""
    mean = sums[:, 9:12] / sums[:, 12:13]
    A = np.zeros((len(sums), 3, 3))
    for k, (i, j) in enumerate(_UPPER):
        A[:, i, j] = A[:, j, i] = sums[:, k]
    pull = RIDGE * np.trace(A, axis1=1, axis2=2) + 1e-300
    A += pull[:, None, None] * np.eye(3)
    best = np.linalg.solve(A, (sums[:, 6:9] + pull[:, None] * mean)[..., None])[..., 0]
    at = np.stack([keys // CELLS_A_SIDE**2, keys // CELLS_A_SIDE % CELLS_A_SIDE,
                   keys % CELLS_A_SIDE], axis=1)  # fmt: skip
    astray = np.abs(best / cell - at - 0.5).max(axis=1) > 1.0
    best[astray] = mean[astray]
    return np.asarray(best + low)


def _judged(scan: LargeScan, surface: Surface) -> tuple[float, float]:
    """Root mean square and 99.9th percentile of the distance of the scan's corners."""
    step = max(3 * scan.count // JUDGED, 1)
    away = []
    for corners in scan.pieces():
        points = corners.reshape(-1, 3)[::step]
        if len(points):
            away.append(np.linalg.norm(points - surface.nearest(points)[0], axis=1))
    off = np.concatenate(away)
    return float(np.sqrt(np.mean(off**2))), float(np.percentile(off, 99.9))
