"""A second, finer set of samples where the stone is low, so that no small over-cut is missed."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from tracker.comparison.readings import Readings
from tracker.surface import Samples, Surface, sample_surface

Rows = NDArray[np.int64]

FINER_SPACING_MM = 1.0
LOW_MM = -0.25
"""Half of the over-cut band: below it the stone is looked at again."""
REACH_MM = 4.0
"""Round a low sample, how far the finer samples go."""


@dataclass(frozen=True, slots=True)
class Finer:
    """The finer samples, and the rows of the coarse ones that stay.

    Attributes
    ----------
    extra : Samples
    kept : (n,) rows of the coarse samples
    spacing_mm : float
        Of the finer samples.
    """

    extra: Samples
    kept: Rows
    spacing_mm: float


def finer_samples(surface: Surface, samples: Samples, readings: Readings) -> Finer:
    """Samples 1 mm apart wherever a coarse sample is low; they take the coarse ones' place."""
    low = readings.seen & (readings.stone_left_mm < LOW_MM)
    spacing = FINER_SPACING_MM
    if not low.any():
        return Finer(_rows(samples, np.zeros(0, np.int64)), np.arange(len(samples.points)), spacing)
    tree = cKDTree(samples.points[low])
    replaced = np.isfinite(tree.query(samples.points, distance_upper_bound=REACH_MM)[0])
    dense = sample_surface(surface, spacing)
    found = tree.query(dense.points, distance_upper_bound=REACH_MM)
    near, nearest = np.asarray(found[0]), np.asarray(found[1])
    inside = np.isfinite(near)
    facing = np.zeros(len(near))
    facing[inside] = np.einsum(
        "nd,nd->n", dense.normals[inside], samples.normals[low][nearest[inside]]
    )
    extra = _rows(dense, np.flatnonzero(inside & (facing > 0.0)))
    scale = samples.area_mm2[replaced].sum() / max(float(extra.area_mm2.sum()), 1e-9)
    extra = Samples(extra.points, extra.normals, extra.area_mm2 * scale, extra.face)
    return Finer(extra, np.flatnonzero(~replaced), spacing)


def join_samples(finer: Finer, samples: Samples) -> Samples:
    """Coarse samples that stay, then the finer ones; the area is that of the coarse ones."""
    kept = _rows(samples, finer.kept)
    return Samples(
        *(
            np.concatenate([getattr(kept, f.name), getattr(finer.extra, f.name)])
            for f in fields(Samples)
        )
    )


def join_readings(finer: Finer, coarse: Readings, fine: Readings) -> Readings:
    """Readings in the order of `join_samples`."""
    kept = coarse.rows(finer.kept)
    return Readings(
        *(np.concatenate([getattr(kept, f.name), getattr(fine, f.name)]) for f in fields(Readings))
    )


def _rows(samples: Samples, rows: Rows) -> Samples:
    return Samples(*(getattr(samples, f.name)[rows] for f in fields(Samples)))
