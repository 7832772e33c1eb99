"""Very large scans, thinned while they are read so that memory stays bounded.

Triangles are read in pieces from the file. Corners fall into the cells of a cubic lattice; each
cell becomes one corner of the thinned surface, placed where the planes of all triangles that touch
the cell meet best (least squares), so that edges stay sharp and curved faces are not shrunk. A
triangle remains where its corners fall into three cells. How far the thinned surface is from the
scan is then measured, not assumed.

References
----------
P. Lindstrom, "Out-of-core simplification of large polygonal models", Proc. SIGGRAPH 2000, 259-262
(clusters placed by summed plane quadrics); the regularised solution here is a ridge, not his SVD.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tracker.errors import MeshError
from tracker.maths.camera import Array
from tracker.surface import Faces, Surface

LARGE = 1_500_000
"""Triangles from which a scan is thinned."""
WANTED = 700_000
"""Triangles that a thinned scan has, about."""
AT_ONCE = 400_000
JUDGED = 200_000
"""Corners of the scan by which the thinned surface is judged."""
RIDGE = 1e-3
"""Pull toward the corners' mean, as a share of the planes' own."""
CELLS_A_SIDE = 1 << 20
_STL = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("spare", "<u2")])
_PLY_KINDS = {
    "char": "i1", "int8": "i1", "uchar": "u1", "uint8": "u1", "short": "i2", "int16": "i2",
    "ushort": "u2", "uint16": "u2", "int": "i4", "int32": "i4", "uint": "u4", "uint32": "u4",
    "float": "f4", "float32": "f4", "double": "f8", "float64": "f8",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class LargeMesh:
    """A scan that is read in pieces.

    Attributes
    ----------
    kind : str
        stl or ply.
    count : int
        Triangles.
    """

    kind: str
    count: int
    _triangles: NDArray[np.void]
    _vertices: NDArray[np.void] | None

    def pieces(self) -> Iterator[Array]:
        """Corners of the triangles, (n, 3, 3), a piece at a time; those without figures left out.

        Raises
        ------
        MeshError
            A triangle names a corner that is not there.
        """
        for first in range(0, self.count, AT_ONCE):
            part = self._triangles[first : first + AT_ONCE]
            if self._vertices is None:
                corners = np.asarray(part["corners"], dtype=np.float64)
            else:
                rows = np.asarray(part["rows"], dtype=np.int64)
                if rows.min() < 0 or rows.max() >= len(self._vertices):
                    raise MeshError(
                        "The scan has triangles that name corners it does not have.",
                        "Export it again.",
                    )
                corners = np.stack(
                    [np.asarray(self._vertices[axis], dtype=np.float64)[rows] for axis in "xyz"],
                    axis=-1,
                )
            yield corners[np.isfinite(corners).all(axis=(1, 2))]


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


def open_large(path: Path, least: int = LARGE) -> LargeMesh | None:
    """The file as a large scan; None where it is small, or no binary STL or triangle PLY."""
    size = path.stat().st_size
    if size < 13 * least:
        return None
    with path.open("rb") as file:
        head = file.read(8192)
    if head[:3] == b"ply":
        return _open_ply(path, head, least)
    count = int.from_bytes(head[80:84], "little")
    if count < least or size != 84 + 50 * count:
        return None
    return LargeMesh("stl", count, np.memmap(path, _STL, "r", 84, (count,)), None)


def _open_ply(path: Path, head: bytes, least: int) -> LargeMesh | None:
    end = head.find(b"end_header\n")
    lines = head[: max(end, 0)].decode("ascii", "replace").split("\n")
    if end < 0 or "format binary_little_endian 1.0" not in (line.strip() for line in lines):
        return None
    elements: list[tuple[str, int, list[list[str]]]] = []
    for words in (line.split() for line in lines):
        if words[:1] == ["element"]:
            elements.append((words[1], int(words[2]), []))
        elif words[:1] == ["property"] and elements:
            elements[-1][2].append(words[1:])
    if [name for name, _, _ in elements] != ["vertex", "face"]:
        return None
    (_, corners, vertex), (_, count, face) = elements
    plain = all(len(p) == 2 and p[0] in _PLY_KINDS for p in vertex)
    lists = len(face) == 1 and len(face[0]) == 4 and {*face[0][1:3]} <= set(_PLY_KINDS)
    if count < least or not plain or not lists or not {"x", "y", "z"} <= {p[1] for p in vertex}:
        return None
    kind = np.dtype([(p[1], "<" + _PLY_KINDS[p[0]]) for p in vertex])
    sides = np.dtype(
        [("sides", "<" + _PLY_KINDS[face[0][1]]), ("rows", "<" + _PLY_KINDS[face[0][2]], 3)]
    )
    start = end + len(b"end_header\n")
    if path.stat().st_size != start + corners * kind.itemsize + count * sides.itemsize:
        return None  # cut short, or not all triangles: the ordinary reader tells which
    vertices = np.memmap(path, kind, "r", start, (corners,))
    faces = np.memmap(path, sides, "r", start + corners * kind.itemsize, (count,))
    if any(np.any(faces["sides"][k : k + AT_ONCE] != 3) for k in range(0, count, AT_ONCE)):
        return None
    return LargeMesh("ply", count, faces, vertices)


def thin(scan: LargeMesh, wanted: int = WANTED) -> Thinned:
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


def _clustered(scan: LargeMesh, low: Array, cell: float) -> tuple[NDArray[np.int64], Array, Faces]:
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
        kept.append(_started_low(key[apart]))
    faces = np.searchsorted(keys, np.unique(np.concatenate(kept), axis=0))
    return keys, sums, np.asarray(faces, dtype=np.int64)


def _started_low(faces: NDArray[np.int64]) -> NDArray[np.int64]:
    """Each triangle begun at its lowest corner, its way round kept; doubled ones once."""
    first = np.argmin(faces, axis=1)
    turned = (first[:, None] + np.arange(3)) % 3
    return np.unique(np.take_along_axis(faces, turned, axis=1), axis=0)


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


def _judged(scan: LargeMesh, surface: Surface) -> tuple[float, float]:
    """Root mean square and 99.9th percentile of the distance of the scan's corners."""
    step = max(3 * scan.count // JUDGED, 1)
    away = []
    for corners in scan.pieces():
        points = corners.reshape(-1, 3)[::step]
        if len(points):
            away.append(np.linalg.norm(points - surface.nearest(points)[0], axis=1))
    off = np.concatenate(away)
    return float(np.sqrt(np.mean(off**2))), float(np.percentile(off, 99.9))
