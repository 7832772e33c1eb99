"""Plain bodies as fine triangle meshes, so that light can be stored at their corners."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import trimesh
from numpy.typing import NDArray

Array = NDArray[np.float64]
STONE, WOOD, CARD, BENCH, PAINT = range(5)
"""Materials."""


@dataclass(frozen=True, slots=True)
class Part:
    """A body of one material; `number` is the card's row for cards; `colour` linear RGB."""

    vertices: Array
    faces: NDArray[np.int64]
    normals: Array
    material: int
    number: int
    colour: tuple[float, float, float]


def part(
    mesh: trimesh.Trimesh, material: int, colour: tuple[float, float, float], number: int = 0
) -> Part:
    """Part with smooth normals from a mesh."""
    return Part(
        np.asarray(mesh.vertices, float),
        np.asarray(mesh.faces, np.int64),
        np.asarray(mesh.vertex_normals, float),
        material,
        number,
        colour,
    )


def sheet(corner: Array, a: Array, b: Array, cell_mm: float) -> trimesh.Trimesh:
    """Flat rectangle from `corner` along a and b, facing a x b, in cells of about `cell_mm`."""
    na = max(1, int(np.ceil(np.linalg.norm(a) / cell_mm)))
    nb = max(1, int(np.ceil(np.linalg.norm(b) / cell_mm)))
    s, t = np.meshgrid(np.linspace(0, 1, na + 1), np.linspace(0, 1, nb + 1), indexing="ij")
    vertices = corner + s.reshape(-1, 1) * a + t.reshape(-1, 1) * b
    i = (np.arange(na)[:, None] * (nb + 1) + np.arange(nb)).ravel()
    p, q, r, w = i, i + nb + 1, i + nb + 2, i + 1
    faces = np.concatenate([np.stack([p, q, r], 1), np.stack([p, r, w], 1)])
    return trimesh.Trimesh(vertices, faces, process=False)


def joined(pieces: list[trimesh.Trimesh]) -> trimesh.Trimesh:
    """One mesh of several, nothing merged."""
    offsets = np.cumsum([0, *(len(p.vertices) for p in pieces)])
    faces = [p.faces + offset for p, offset in zip(pieces, offsets[:-1], strict=True)]
    vertices = np.concatenate([p.vertices for p in pieces])
    return trimesh.Trimesh(vertices, np.concatenate(faces), process=False)


def brick(centre: Array, axes: Array, sizes: Array, cell_mm: float) -> trimesh.Trimesh:
    """Box with sharp edges; `axes` rows are its unit directions (right-handed)."""
    pieces = []
    for i in range(3):
        u, v, w = axes[i], axes[(i + 1) % 3], axes[(i + 2) % 3]
        su, sv, sw = sizes[i], sizes[(i + 1) % 3], sizes[(i + 2) % 3]
        for sign in (1.0, -1.0):
            start = centre + 0.5 * (sign * su * u - sv * v - sign * sw * w)
            pieces.append(sheet(start, sv * v, sign * sw * w, cell_mm))
    return joined(pieces)


def rod(
    a: Array, b: Array, radius_mm: float, cell_mm: float = 6.0, tip_mm: float | None = None
) -> trimesh.Trimesh:
    """Round bar from a to b; with `tip_mm` its end at a is a cone of that length."""
    length = float(np.linalg.norm(b - a))
    way = (b - a) / length
    side = np.cross(way, [1.0, 0.0, 0.0] if abs(way[0]) < 0.7 else [0.0, 1.0, 0.0])
    side /= np.linalg.norm(side)
    other = np.cross(way, side)
    rows = np.linspace(0.0, length, max(2, int(length / cell_mm)) + 1)
    radii = np.full(len(rows), radius_mm)
    if tip_mm:
        rows = np.concatenate([[0.0, 0.5 * tip_mm, tip_mm], rows[rows > tip_mm + 1.0]])
        radii = np.minimum(radius_mm, 0.6 + rows * (radius_mm - 0.6) / tip_mm)
    rows = np.concatenate([[0.0], rows, [length]])
    radii = np.concatenate([[1e-3], radii, [1e-3]])
    n = 24
    angle = np.arange(n) * (2 * np.pi / n)
    circle = np.cos(angle)[:, None] * side + np.sin(angle)[:, None] * other
    vertices = (a + rows[:, None, None] * way + radii[:, None, None] * circle).reshape(-1, 3)
    faces = []
    for i in range(len(rows) - 1):
        p = i * n + np.arange(n)
        q = i * n + (np.arange(n) + 1) % n
        faces += [np.stack([p, q, q + n], 1), np.stack([p, q + n, p + n], 1)]
    return trimesh.Trimesh(vertices, np.concatenate(faces), process=False)
