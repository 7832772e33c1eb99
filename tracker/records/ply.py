"""Binary PLY files of a job: surfaces, clouds, and surfaces with figures at their corners."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from plyfile import PlyData, PlyElement, PlyParseError

from tracker.errors import MeshError
from tracker.maths.camera import Array
from tracker.surface import Faces, Surface

Colours = NDArray[np.uint8]
_XYZ = ("x", "y", "z")
_NORMAL = ("nx", "ny", "nz")
_RGB = ("red", "green", "blue")


@dataclass(frozen=True, slots=True)
class CloudPoints:
    """Measured points on the stone, n of them.

    Attributes
    ----------
    points : (n, 3) array, mm, frame coordinates
    normals : (n, 3) array, unit, outward
    colours : (n, 3) uint8 array, red, green, blue
    sigma_mm : (n,) array
        One standard deviation of the place along the normal.
    photos : (n,) int array
        Photographs that each point was measured in.
    """

    points: Array
    normals: Array
    colours: Colours
    sigma_mm: Array
    photos: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class StoneLeftMap:
    """The model's surface with stone left at its vertices, n of them.

    Attributes
    ----------
    surface : Surface
    stone_left_mm, u95_mm : (n,) arrays
        Not a number where not seen.
    seen : (n,) bool array
    colours : (n, 3) uint8 array, red, green, blue
    at_least : (n,) bool array or None
        The figure is a bound; None in records of before this was kept.
    """

    surface: Surface
    stone_left_mm: Array
    u95_mm: Array
    seen: NDArray[np.bool_]
    colours: Colours
    at_least: NDArray[np.bool_] | None = None


def write_surface(path: Path, surface: Surface, u95_mm: Array | None = None) -> None:
    """Writes a surface with double coordinates, and each corner's u95_mm (float) if known."""
    kinds = [(axis, "<f8") for axis in _XYZ]
    if u95_mm is not None:
        kinds.append(("u95_mm", "<f4"))
    vertex = np.empty(len(surface.vertices), kinds)
    _fill(vertex, _XYZ, surface.vertices)
    if u95_mm is not None:
        vertex["u95_mm"] = u95_mm
    _write(path, [PlyElement.describe(vertex, "vertex"), _face_element(surface.faces)])


def read_surface(path: Path) -> Surface:
    """Surface from a file of this module.

    Raises
    ------
    MeshError
        The file is damaged.
    """
    data = _read(path)
    return Surface(_columns(data, _XYZ, path), _faces(data, path))


def read_surface_u95(path: Path) -> Array | None:
    """U95 of each corner of a surface, (n,), mm; None where the file does not tell it.

    Raises
    ------
    MeshError
        The file is damaged.
    """
    data = _read(path)
    if "vertex" not in data or "u95_mm" not in data["vertex"].data.dtype.names:
        return None
    return _columns(data, ("u95_mm",), path)[:, 0]


def write_cloud(path: Path, cloud: CloudPoints) -> None:
    """Writes a cloud: x y z nx ny nz (float), red green blue, sigma_mm, photos."""
    kinds = [(name, "<f4") for name in (*_XYZ, *_NORMAL)] + [(name, "u1") for name in _RGB]
    vertex = np.empty(len(cloud.points), [*kinds, ("sigma_mm", "<f4"), ("photos", "<i4")])
    _fill(vertex, _XYZ, cloud.points)
    _fill(vertex, _NORMAL, cloud.normals)
    _fill(vertex, _RGB, cloud.colours)
    vertex["sigma_mm"], vertex["photos"] = cloud.sigma_mm, cloud.photos
    _write(path, [PlyElement.describe(vertex, "vertex")])


def read_cloud(path: Path) -> CloudPoints:
    """Cloud of a stage.

    Raises
    ------
    MeshError
        The file is damaged.
    """
    data = _read(path)
    return CloudPoints(
        points=_columns(data, _XYZ, path),
        normals=_columns(data, _NORMAL, path),
        colours=_columns(data, _RGB, path).astype(np.uint8),
        sigma_mm=_columns(data, ("sigma_mm",), path)[:, 0],
        photos=_columns(data, ("photos",), path)[:, 0].astype(np.int64),
    )


def write_map(path: Path, stone_left: StoneLeftMap) -> None:
    """Writes a map: x y z (double), stone_left_mm, u95_mm (float, NaN where not seen), seen, bound.

    `bound` is left out where the map does not tell it.
    """
    kinds = [(name, "<f8") for name in _XYZ] + [(name, "u1") for name in _RGB]
    figures = [("stone_left_mm", "<f4"), ("u95_mm", "<f4"), ("seen", "u1")]
    if stone_left.at_least is not None:
        figures.append(("bound", "u1"))
    vertex = np.empty(len(stone_left.surface.vertices), [*kinds, *figures])
    _fill(vertex, _XYZ, stone_left.surface.vertices)
    _fill(vertex, _RGB, stone_left.colours)
    for name in ("stone_left_mm", "u95_mm"):
        vertex[name] = np.where(stone_left.seen, getattr(stone_left, name), np.nan)
    vertex["seen"] = stone_left.seen
    if stone_left.at_least is not None:
        vertex["bound"] = stone_left.at_least
    _write(path, [PlyElement.describe(vertex, "vertex"), _face_element(stone_left.surface.faces)])


def read_map(path: Path) -> StoneLeftMap:
    """Map of a stage.

    Raises
    ------
    MeshError
        The file is damaged.
    """
    data = _read(path)
    known = "vertex" in data and "bound" in data["vertex"].data.dtype.names
    return StoneLeftMap(
        surface=Surface(_columns(data, _XYZ, path), _faces(data, path)),
        stone_left_mm=_columns(data, ("stone_left_mm",), path)[:, 0],
        u95_mm=_columns(data, ("u95_mm",), path)[:, 0],
        seen=_columns(data, ("seen",), path)[:, 0] > 0.5,
        colours=_columns(data, _RGB, path).astype(np.uint8),
        at_least=_columns(data, ("bound",), path)[:, 0] > 0.5 if known else None,
    )


def _fill(vertex: NDArray[np.void], names: tuple[str, ...], values: Array | Colours) -> None:
    for k, name in enumerate(names):
        vertex[name] = values[:, k]


def _face_element(faces: Faces) -> PlyElement:
    row = np.empty(len(faces), [("vertex_indices", "<i4", (3,))])
    row["vertex_indices"] = faces
    return PlyElement.describe(row, "face")


def _write(path: Path, elements: list[PlyElement]) -> None:
    """Header by the library; rows as they lie in memory, since its own loop takes seconds."""
    with path.open("wb") as out:
        out.write(PlyData(elements, byte_order="<").header.encode("ascii") + b"\n")
        for element in elements:
            out.write(_rows(element.data).tobytes())


def _rows(table: NDArray[np.void]) -> NDArray[np.void]:
    """A table with the length of its triangles' lists, a byte, before each."""
    if table.dtype.names != ("vertex_indices",):
        return table
    rows = np.empty(len(table), [("count", "u1"), ("vertex_indices", "<i4", (3,))])
    rows["count"], rows["vertex_indices"] = 3, table["vertex_indices"]
    return rows


def _read(path: Path) -> PlyData:
    try:
        return PlyData.read(str(path), mmap="c", known_list_len={"face": {"vertex_indices": 3}})
    except (PlyParseError, ValueError, OSError) as error:
        raise MeshError(
            f"{path.name} of this job is damaged or cannot be opened.",
            "Restore it from a copy, or make it again.",
        ) from error


def _columns(data: PlyData, names: tuple[str, ...], path: Path) -> Array:
    try:
        vertex = data["vertex"]
        return np.stack([np.asarray(vertex[name], dtype=np.float64) for name in names], axis=1)
    except (KeyError, ValueError) as error:
        raise MeshError(
            f"{path.name} of this job lacks {', '.join(names)}.", "Make it again."
        ) from error


def _faces(data: PlyData, path: Path) -> Faces:
    try:
        return np.array(data["face"]["vertex_indices"], dtype=np.int64).reshape(-1, 3)
    except (KeyError, ValueError) as error:
        raise MeshError(f"{path.name} of this job has no triangles.", "Make it again.") from error
