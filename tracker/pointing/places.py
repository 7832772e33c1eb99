"""Places of a model that a point may be given to: its surface without the base and the rims.

The base is the flat underside that the figure stands on; where the surface ends, at a hole or a
cut, the last millimetres are left out too.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from tracker.maths.camera import Array
from tracker.surface import Faces, Samples, Surface, sample_surface

FLAT_MM = 0.5
"""The base is flat to this."""
DOWN_COSINE = 0.98
"""Its triangles face downward within some ten degrees."""
LEAST_BASE_SHARE = 0.15
"""A base is at least this share of the model's box seen from below."""
RIM_SHARE = 0.008
"""Width of the rim that gets no point, as a share of the box's diagonal, ..."""
LEAST_RIM_MM = 1.5
"""... and at the least."""


@dataclass(frozen=True, slots=True)
class Places:
    """Samples of the surface and which of them may carry a point.

    Attributes
    ----------
    samples : Samples
        Of the whole surface, the base with it.
    allowed : (n,) bool array
    spacing_mm : float
        Distance of the samples.
    """

    samples: Samples
    allowed: NDArray[np.bool_]
    spacing_mm: float


def size_mm(surface: Surface) -> float:
    """Diagonal of the model's box, mm."""
    low, high = surface.box
    return float(np.linalg.norm(high - low))


def base_height_mm(surface: Surface) -> float | None:
    """Height z of the flat base that the figure stands on, mm; None where it has none."""
    low, high = surface.box
    corners = surface.vertices[surface.faces]
    down = (surface.face_normals[:, 2] < -DOWN_COSINE) & (
        corners[:, :, 2].max(axis=1) < low[2] + FLAT_MM
    )
    from_below = float((high - low)[:2].prod())
    flat = float(surface.face_areas_mm2[down].sum())
    return float(low[2]) if flat > LEAST_BASE_SHARE * from_below else None


def open_edges(surface: Surface) -> Faces:
    """Edges at which the surface ends, (n, 2) rows of its vertices."""
    edges = np.sort(surface.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    key = edges[:, 0] * np.int64(len(surface.vertices)) + edges[:, 1]
    key.sort()
    first = np.concatenate([[True], key[1:] != key[:-1]])
    starts = np.flatnonzero(first)
    once = np.diff(np.append(starts, len(key))) == 1
    found = key[starts[once]]
    count = np.int64(len(surface.vertices))
    return np.stack([found // count, found % count], axis=1)


def rims(surface: Surface, spacing_mm: float) -> Array:
    """Places along the open edges, at most a spacing apart, (n, 3), mm."""
    a, b = (surface.vertices[k] for k in open_edges(surface).T)
    steps = np.ceil(np.linalg.norm(b - a, axis=1) / spacing_mm).astype(np.int64) + 1
    row = np.repeat(np.arange(len(a)), steps)
    share = (np.arange(len(row)) - np.repeat(np.cumsum(steps) - steps, steps)) / steps[row]
    return np.asarray(a[row] + share[:, None] * (b - a)[row])


def places_of(surface: Surface, spacing_mm: float, seed: int = 1) -> Places:
    """Samples about `spacing_mm` apart, with the base and the rims barred."""
    samples = sample_surface(surface, spacing_mm, seed)
    rim_mm = max(RIM_SHARE * size_mm(surface), LEAST_RIM_MM)
    allowed = np.ones(len(samples.points), dtype=bool)
    base = base_height_mm(surface)
    if base is not None:
        allowed &= samples.points[:, 2] > base + rim_mm
    rim = rims(surface, 0.5 * rim_mm)
    if len(rim):
        away, _ = cKDTree(rim).query(samples.points, distance_upper_bound=1.5 * rim_mm)
        allowed &= away > 1.25 * rim_mm
    return Places(samples, allowed, spacing_mm)
