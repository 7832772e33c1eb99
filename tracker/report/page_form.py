"""The model's form as the page turns it: thinned to what a screen shows, with its record's rows.

Only the drawing is thinned: its corners are corners of the model, and carry that corner's figures.
Nothing is averaged or made up between them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracker.surface import Surface

Rows = NDArray[np.int64]

FINEST_MM = 2.0
"""Corners closer together than this are drawn as one."""
MOST_FACES = 200_000
"""More triangles than this make a page heavy for a phone."""
COARSER = 1.25
EQUILATERAL = 0.433
"""Area of a triangle of equal sides over the square of its side."""


@dataclass(frozen=True, slots=True)
class Form:
    """What is drawn.

    Attributes
    ----------
    surface : Surface
    rows : (n,) int array
        Vertex of the model that each vertex of `surface` is.
    """

    surface: Surface
    rows: Rows


def thinned(model: Surface, finest_mm: float = FINEST_MM, most_faces: int = MOST_FACES) -> Form:
    """The model with corners about `finest_mm` apart, coarser where it has too many triangles."""
    cell = finest_mm
    edge = np.sqrt(model.face_areas_mm2.sum() / max(len(model.faces), 1) / EQUILATERAL)
    if edge >= finest_mm and len(model.faces) <= most_faces:
        return Form(model, np.arange(len(model.vertices)))
    form = _clustered(model, cell)
    while len(form.surface.faces) > most_faces:
        cell *= COARSER
        form = _clustered(model, cell)
    return form


def _clustered(model: Surface, cell_mm: float) -> Form:
    """Corners within one cell of a lattice that face alike become the one nearest their middle."""
    index = np.floor(model.vertices / cell_mm).astype(np.int64)
    index -= index.min(axis=0)
    extent = index.max(axis=0) + 1
    cell = (index[:, 0] * extent[1] + index[:, 1]) * extent[2] + index[:, 2]
    group, rows = _nearest_to_middle(model, cell)
    # opposite sides of a thin wall share a cell but not a corner
    normals = model.vertex_normals
    away = np.einsum("nd,nd->n", normals, normals[rows[group]]) < 0.0
    group, rows = _nearest_to_middle(model, 2 * group + away)
    faces = group[model.faces]
    kept = np.all(faces != np.roll(faces, 1, axis=1), axis=1)
    return Form(Surface(model.vertices[rows], faces[kept]), rows)


def _nearest_to_middle(model: Surface, key: Rows) -> tuple[Rows, Rows]:
    """Number of each vertex's group (equal keys), and each group's vertex nearest its middle."""
    _, group = np.unique(key, return_inverse=True)
    count = np.bincount(group)
    middle = np.stack(
        [np.bincount(group, weights=model.vertices[:, k]) / count for k in range(3)], axis=1
    )
    off = np.linalg.norm(model.vertices - middle[group], axis=1)
    order = np.lexsort((off, group))
    return group, order[np.searchsorted(group[order], np.arange(len(count)))]
