"""Stone left at the model's vertices, from the samples round about, for maps and files."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from tracker.comparison.readings import Readings
from tracker.maths.camera import Array
from tracker.surface import Samples, Surface

NEIGHBOURS = 6


@dataclass(frozen=True, slots=True)
class VertexReadings:
    """Stone left at n vertices; figures are NaN where not seen."""

    stone_left_mm: Array
    u95_mm: Array
    seen: NDArray[np.bool_]
    at_least: NDArray[np.bool_]


def spread_to_vertices(
    surface: Surface, samples: Samples, readings: Readings, *, reach_mm: float | None = None
) -> VertexReadings:
    """Mean of the nearest samples' stone left at each vertex, nearer ones weighing more.

    A vertex takes the state of its nearest sample on the same side: where that is not seen, the
    vertex is not seen, so nothing is painted over a gap.

    Parameters
    ----------
    reach_mm : float, optional
        Samples farther away do not count; by default 1.6 times the samples' spacing.
    """
    reach = 1.6 * float(np.sqrt(np.median(samples.area_mm2))) if reach_mm is None else reach_mm
    distance, row = cKDTree(samples.points).query(
        surface.vertices,
        k=np.arange(1, min(NEIGHBOURS, len(samples.points)) + 1),
        distance_upper_bound=reach,
    )
    distance, row = np.asarray(distance), np.asarray(row)
    found = row < len(samples.points)
    row = np.where(found, row, 0)
    same_side = np.einsum("nkd,nd->nk", samples.normals[row], surface.vertex_normals) > 0.3
    usable = found & same_side
    first = np.argmax(usable, axis=1)[:, None]
    nearest = np.take_along_axis(row, first, axis=1)[:, 0]
    seen = usable.any(axis=1) & readings.seen[nearest]
    counts = usable & readings.seen[row]
    weight = np.where(counts, 1.0 / (0.15 * reach + np.where(found, distance, 0.0)) ** 2, 0.0)
    weight /= np.maximum(weight.sum(axis=1, keepdims=True), 1e-300)

    def mean(values: Array) -> Array:
        blended = (weight * np.where(counts, values[row], 0.0)).sum(axis=1)
        return np.where(seen, blended, np.nan)

    return VertexReadings(
        stone_left_mm=mean(readings.stone_left_mm),
        u95_mm=mean(readings.u95_mm),
        seen=seen,
        at_least=seen & readings.at_least[nearest],
    )


def stone_surface(surface: Surface, readings: VertexReadings) -> Surface:
    """The stone as now known: the model's vertices moved out by stone left, unseen ones not."""
    depth = np.where(readings.seen, readings.stone_left_mm, 0.0)
    return Surface(surface.vertices + depth[:, None] * surface.vertex_normals, surface.faces)
