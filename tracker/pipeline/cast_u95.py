"""How sure each corner of a cast's surface is: patches, cameras and lenses, seats."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from tracker.comparison.uncertainty import COVERAGE_FACTOR, network_variance_mm2
from tracker.comparison.visibility import photos_that_see
from tracker.maths.camera import Array
from tracker.network.outcome import Adjustment
from tracker.pipeline.cast_placing import Datum
from tracker.pipeline.cast_surface import CastSurface
from tracker.pipeline.needles import Sight
from tracker.surface import Surface, sample_surface

NETWORK_SPACING_MM = 12.0
"""The cameras' part changes over decimetres; it is worked out at places so far apart."""


def u95_of(datum: Datum, found: CastSurface, views: list[Sight]) -> Array:
    """Expanded uncertainty of each corner: patches, cameras, seats, (n,), mm."""
    surface = found.surface
    variance = found.sigma_mm**2 + datum.variance_mm2(surface.vertices, surface.vertex_normals)
    samples = sample_surface(surface, NETWORK_SPACING_MM)
    across = _network_mm2(datum, surface, samples.points, samples.normals, views)
    sound = np.isfinite(across)
    if sound.any():
        variance = variance + _nearest(samples.points[sound], across[sound], surface.vertices)
    return np.asarray(COVERAGE_FACTOR * np.sqrt(variance))


def _network_mm2(
    datum: Datum, surface: Surface, places: Array, normals: Array, views: list[Sight]
) -> Array:
    """Variance across the surface by cameras and lenses, (n,), mm^2.

    The covariance belongs to the network's own coordinates, so everything is turned back there.
    """
    adjustment, to = datum.adjustment, datum.triad
    order = np.argsort([adjustment.photo_rows[k] for k in _used(adjustment)], kind="stable")
    rows = [_used(adjustment)[k] for k in order]
    views = [views[k] for k in order]
    seen = photos_that_see(
        places, normals, [v.lens for v in views], [v.pose for v in views],
        [v.size_px for v in views], [surface],
    ).seen  # fmt: skip
    own = normals @ to.R
    photos = [adjustment.photos[k] for k in rows]
    return network_variance_mm2(
        places @ to.R + to.origin,
        own,
        own,
        seen,
        adjustment.solution.lenses,
        np.array([p.lens for p in photos], dtype=np.int64),
        [p.pose for p in photos if p.pose is not None],
        adjustment.solution.cov_cameras,
    )


def _used(adjustment: Adjustment) -> list[int]:
    return [k for k, p in enumerate(adjustment.photos) if p.used and p.pose is not None]


def _nearest(places: Array, values: Array, asked: Array) -> NDArray[np.float64]:
    """Largest of the values at the three nearest places."""
    _, near = cKDTree(places).query(asked, k=min(3, len(places)))
    return np.asarray(values[near].reshape(len(asked), -1).max(axis=1))
