"""Large scans read in pieces: binary STL, and PLY with whatever else it carries.

PLY comes binary, in either order of bytes, with colours, texture and whatever else at corners and
triangles, so long as all triangles carry as much; or as text. Only corners and triangles are held
(24 bytes a corner, 12 a triangle of text files); the rest goes by. What fits none of this is left
to the ordinary reader, which takes the file whole and says what is wrong with it.

References
----------
G. Turk, "The PLY polygon file format" (1994).
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from tracker.errors import MeshError
from tracker.maths.camera import Array

LARGE = 1_500_000
"""Triangles from which a scan is thinned."""
AT_ONCE = 400_000
LONGEST_HEAD = 65_536
BYTES_A_TRIANGLE = 13
"""No file of triangles is smaller."""
_STL = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("spare", "<u2")])
_PLY_KINDS = {
    "char": "i1", "int8": "i1", "uchar": "u1", "uint8": "u1", "short": "i2", "int16": "i2",
    "ushort": "u2", "uint16": "u2", "int": "i4", "int32": "i4", "uint": "u4", "uint32": "u4",
    "float": "f4", "float32": "f4", "double": "f8", "float64": "f8",
}  # fmt: skip
_PLY_ORDERS = {"binary_little_endian": "<", "binary_big_endian": ">", "ascii": ""}
_CORNERS = ("vertex_indices", "vertex_index")


@dataclass(frozen=True, slots=True)
class LargeScan:
    """A scan whose triangles come in pieces.

    Attributes
    ----------
    kind : str
        stl, ply, or what the ordinary reader found.
    count : int
        Triangles.
    vertices : (n, 3) array or None
        None where the triangles carry their own corners.
    rows : (count, 3) array or None
        Triangles in memory; None where they are read from `path`.
    path, start, record
        File, its first triangle's byte, and what a triangle is there.
    """

    kind: str
    count: int
    vertices: Array | None = None
    rows: NDArray[np.integer] | None = None
    path: Path | None = None
    start: int = 0
    record: np.dtype[np.void] | None = None

    def pieces(self) -> Iterator[Array]:
        """Corners of the triangles, (n, 3, 3), a piece at a time; those without figures left out.

        Raises
        ------
        MeshError
            A triangle names a corner that is not there.
        """
        for corners in self._corners():
            yield corners[np.isfinite(corners).all(axis=(1, 2))]

    def _corners(self) -> Iterator[Array]:
        if self.vertices is None:
            for part in self._records():
                yield part["corners"].astype(np.float64)
        elif self.rows is None:
            for part in self._records():
                yield self._named(part["rows"].astype(np.int64), self.vertices)
        else:
            for first in range(0, self.count, AT_ONCE):
                yield self._named(self.rows[first : first + AT_ONCE], self.vertices)

    def _named(self, rows: NDArray[np.integer], vertices: Array) -> Array:
        if rows.min() < 0 or rows.max() >= len(vertices):
            raise MeshError(
                "The scan has triangles that name corners it does not have.", "Export it again."
            )
        return np.asarray(vertices[rows])

    def _records(self) -> Iterator[NDArray[np.void]]:
        assert self.path is not None
        assert self.record is not None
        with self.path.open("rb") as file:
            file.seek(self.start)
            for first in range(0, self.count, AT_ONCE):
                yield np.fromfile(file, self.record, min(AT_ONCE, self.count - first))


@dataclass(frozen=True, slots=True)
class _Element:
    """An element of a PLY header: its properties as (kind, name) or (count's, item's, name)."""

    name: str
    count: int
    properties: tuple[tuple[str, ...], ...]


def open_large(path: Path, least: int = LARGE) -> LargeScan | None:
    """The file as a large scan; None where it is small, or nothing that is read in pieces."""
    size = path.stat().st_size
    if size < BYTES_A_TRIANGLE * least:
        return None
    with path.open("rb") as file:
        head = file.read(LONGEST_HEAD)
        if head[:3] == b"ply":
            return _open_ply(path, file, head, least)
    count = int.from_bytes(head[80:84], "little")
    if count < least or size != 84 + 50 * count:
        return None
    return LargeScan("stl", count, path=path, start=84, record=_STL)


def _open_ply(path: Path, file: BinaryIO, head: bytes, least: int) -> LargeScan | None:
    found = _header(head)
    if found is None:
        return None
    order, vertex, face, others, start = found
    if face.count < least or not {"x", "y", "z"} <= {p[-1] for p in vertex.properties}:
        return None
    file.seek(start)
    if not order:
        return _text_scan(file, vertex, face)
    return _binary_scan(path, file, order, vertex, face, others)


def _header(head: bytes) -> tuple[str, _Element, _Element, bool, int] | None:
    """Byte order, corners, triangles, whether more follows, and where the data begin."""
    end = head.find(b"end_header")
    line_end = head.find(b"\n", end)
    if end < 0 or line_end < 0:
        return None
    lines = [line.split() for line in head[:end].decode("ascii", "replace").splitlines()]
    order = [_PLY_ORDERS.get(words[1]) for words in lines if words[:1] == ["format"]]
    elements: list[_Element] = []
    for words in lines:
        if words[:1] == ["element"] and len(words) == 3 and words[2].isdecimal():
            elements.append(_Element(words[1], int(words[2]), ()))
        elif words[:1] == ["property"] and elements:
            last, told = elements[-1], words[2:] if words[1:2] == ["list"] else words[1:]
            if not set(told[:-1]) <= set(_PLY_KINDS):
                return None
            elements[-1] = _Element(last.name, last.count, (*last.properties, tuple(told)))
    if len(order) != 1 or order[0] is None or [e.name for e in elements[:2]] != ["vertex", "face"]:
        return None
    vertex, face = elements[:2]
    if any(len(p) != 2 for p in vertex.properties):
        return None
    if sum(len(p) == 3 and p[-1] in _CORNERS for p in face.properties) != 1:
        return None
    return order[0], vertex, face, len(elements) > 2, line_end + 1


def _binary_scan(
    path: Path, file: BinaryIO, order: str, vertex: _Element, face: _Element, others: bool
) -> LargeScan | None:
    kind = np.dtype([(name, order + _PLY_KINDS[k]) for k, name in vertex.properties])
    vertices = np.empty((vertex.count, 3))
    for first in range(0, vertex.count, AT_ONCE):
        part = np.fromfile(file, kind, min(AT_ONCE, vertex.count - first))
        if len(part) < min(AT_ONCE, vertex.count - first):
            return None
        for axis, name in enumerate("xyz"):
            vertices[first : first + len(part), axis] = part[name]
    start = file.tell()
    record = _face_record(file, order, face)
    if record is None:
        return None
    left = path.stat().st_size - start - face.count * record.itemsize
    if left < 0 or (left > 0 and not others):
        return None  # cut short, or not all alike: the ordinary reader tells which
    scan = LargeScan("ply", face.count, vertices, None, path, start, record)
    file.seek(start)
    alike = np.fromfile(file, record, 1)
    counts = [name for name in record.names or () if name.startswith("count")]
    if any(np.any(part[name] != alike[name]) for part in scan._records() for name in counts):
        return None
    return scan


def _face_record(file: BinaryIO, order: str, face: _Element) -> np.dtype[np.void] | None:
    """What every triangle is if all are like the first: its lists' lengths are part of it."""
    fields: list[tuple[str, str] | tuple[str, str, int]] = []
    for place, told in enumerate(face.properties):
        if len(told) == 2:
            fields.append((f"other{place}", order + _PLY_KINDS[told[0]]))
            file.seek(np.dtype(_PLY_KINDS[told[0]]).itemsize, 1)
            continue
        first = np.fromfile(file, order + _PLY_KINDS[told[0]], 1)
        corners = told[2] in _CORNERS
        if len(first) == 0 or (corners and first[0] != 3):
            return None
        fields.append((f"count{place}", order + _PLY_KINDS[told[0]]))
        name = "rows" if corners else f"other{place}"
        fields.append((name, order + _PLY_KINDS[told[1]], int(first[0])))
        file.seek(int(first[0]) * np.dtype(_PLY_KINDS[told[1]]).itemsize, 1)
    return np.dtype(fields)


def _text_scan(file: BinaryIO, vertex: _Element, face: _Element) -> LargeScan | None:
    names = [p[-1] for p in vertex.properties]
    columns = [names.index(axis) for axis in "xyz"]
    vertices = _text_rows(file, vertex.count, len(names), columns)
    before = face.properties.index(next(p for p in face.properties if p[-1] in _CORNERS))
    if vertices is None or any(len(p) == 3 for p in face.properties[:before]):
        return None
    sides = _text_rows(file, face.count, None, [before + k for k in range(4)])
    if sides is None or np.any(sides[:, 0] != 3.0):
        return None
    return LargeScan("ply", face.count, vertices, sides[:, 1:].astype(np.int32))


def _text_rows(
    file: BinaryIO, count: int, wide: int | None, columns: list[int]
) -> NDArray[np.float64] | None:
    """Some columns of the next lines, (count, columns); None where lines are not all alike."""
    found = np.empty((count, len(columns)))
    for first in range(0, count, AT_ONCE):
        lines = list(islice(file, min(AT_ONCE, count - first)))
        if len(lines) < min(AT_ONCE, count - first):
            return None
        wide = len(lines[0].split()) if wide is None else wide
        with warnings.catch_warnings():
            warnings.simplefilter("error", DeprecationWarning)
            try:
                values = np.fromstring(b"".join(lines).decode("ascii"), sep=" ")
            except (DeprecationWarning, UnicodeDecodeError, ValueError):
                return None  # a word that is no number
        if len(values) != len(lines) * wide or wide <= max(columns):
            return None
        found[first : first + len(lines)] = values.reshape(len(lines), wide)[:, columns]
    return found
