"""What a place of a dense surface is worth: standard deviations across the surface.

The patches' own sigmas are too good: neighbouring patches share pixels, and on curved plaster a
flat patch passes beside the place. So the variance is made of what can be seen of the error: the
discord of the photographs (several times its own size, by what was measured), that of two sizes of
patch, shares of a pixel where patch or halves agree badly or few photographs look, and how far the
places round a corner scatter about the surface. The shares were fitted by least squares to the
errors on rendered casts of one form (the owl) and checked on another (the hare).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tracker.cloud.dense_patches import DensePlaces
from tracker.maths.camera import Array

FLOOR_MM = 0.02
DISCORD_SHARE = 18.0
APART_SHARE = 1.7
CORR_SHARE = 2.0
HALVES_SHARE = 0.10
FEW_SHARE = 0.10
FEW_VIEWS = 4
PLACES_SHARE = 0.22
"""Of the mean variance of the places round a corner: their mean is better than each."""
SCATTER_SHARE = 3.8
ASIDE_SHARE = 0.006
"""Of the squared distance to the middle of the places, for corners at the edge of what was seen."""


def place_sigma_mm(places: DensePlaces) -> Array:
    """Standard deviation of each place across the surface, (n,), mm, cameras taken as true."""
    pixel = places.footprint_mm**2
    return np.asarray(
        np.sqrt(
            FLOOR_MM**2
            + DISCORD_SHARE * places.spread_mm**2
            + APART_SHARE * places.apart_mm**2
            + CORR_SHARE * pixel * (1.0 - places.corr) ** 2
            + HALVES_SHARE * pixel * (1.0 - places.halves) ** 2
            + FEW_SHARE * pixel * (places.views <= FEW_VIEWS)
        )
    )


def corner_sigma_mm(
    sigma_mm: Array, near: NDArray[np.int64], counts: NDArray[np.bool_], scatter_mm: Array,
    aside_mm: Array,
) -> Array:  # fmt: skip
    """Standard deviation of each corner of the surface, (m,), mm, cameras taken as true.

    Parameters
    ----------
    sigma_mm : (n,) array, of the measured places
    near, counts : (m, k) arrays, places round each corner, and which count
    scatter_mm : (m,) array, of those places about the surface
    aside_mm : (m,) array, from the corner to the middle of those places
    """
    total = np.maximum(counts.sum(axis=1), 1)
    mean = np.where(counts, sigma_mm[near] ** 2, 0.0).sum(axis=1) / total
    variance = PLACES_SHARE * mean + SCATTER_SHARE * scatter_mm**2 + ASIDE_SHARE * aside_mm**2
    return np.asarray(np.sqrt(FLOOR_MM**2 + variance))
