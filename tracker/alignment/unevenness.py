"""How far stone strays from where it should lie by the carver's hand, and what exceeds that.

Distances d of k regions, positive outside, have the covariance S of three parts: each region's
own (its points, its tool marks); a patch's, which a carver leaves proud as a patch and which
fades with distance; and a side's, which all regions that face the same way share. An even amount
b >= 0 over everything is free: stone all round may stand proud.

A motion with rows J is tested by how much of chi-square it takes away,
T = d' (S + J F J')^-1 d - a' S^-1 a, with d before it, a after it, F the frame's covariance.
Directions which no region speaks about have no part in T, so `least_noticed_mm` tells how far
the stone has to go in each before T exceeds its limit.

References
----------
C. E. Rasmussen and C. K. I. Williams, Gaussian Processes for Machine Learning (2006), sections
2.2 and 4.2, for random fields as covariance; (1 + cos)/2 to a whole power is positive definite
on the sphere (I. J. Schoenberg, Duke Math. J. 9 (1942)).
W. Baarda, A testing procedure for use in geodetic networks (1968), for the smallest error that
a test can find.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from tracker.maths.camera import Array
from tracker.maths.robust import mad_sigma

PATCH_REACH_MM = 25.0
"""Correlation length of a patch."""
SIDE_POWER = 6
"""Faces 60 degrees apart share 18 % of a side's part, those square to each other 2 %."""
FREE_MM, HELD_MM = 1.0, 0.1
"""Standard deviation of the even amount: free outside; inside there can be none."""
LEAST_SCATTER_MM = 0.05
MOST_REGIONS = 600
"""More say little new; of more, every n-th is taken."""


@dataclass(frozen=True, slots=True)
class Unevenness:
    """Standard deviations of what a patch and a side may be off by, mm."""

    patch_mm: float
    side_mm: float


@dataclass(frozen=True, slots=True)
class Lying:
    """Regions of stone that lie where they should after a motion.

    Attributes
    ----------
    points, normals : (k, 3) arrays
        mm, and unit.
    rows : (k, 6) array
        Change of the distance with (w, dt).
    before_mm, after_mm : (k,) arrays
        Distances without and with the motion.
    variance_mm2 : (k,) array
        By the points alone.
    """

    points: Array
    normals: Array
    rows: Array
    before_mm: Array
    after_mm: Array
    variance_mm2: Array

    def where(self, rows: NDArray[np.bool_] | slice) -> Lying:
        """Some of the regions."""
        return Lying(*(getattr(self, f.name)[rows] for f in fields(self)))

    def thinned(self) -> Lying:
        """Not more than `MOST_REGIONS` and as many again."""
        return self.where(slice(None, None, 1 + len(self.before_mm) // MOST_REGIONS))


def chi_square_gain(lying: Lying, allowed: Unevenness, frame_covariance: Array) -> float:
    """T of the module: what the motion takes from chi-square, 6 degrees of freedom."""
    part = lying.thinned()
    if not len(part.rows):
        return 0.0
    S = _covariance(part, allowed)
    S += _even_mm(S, part.before_mm) ** 2
    frame = part.rows @ frame_covariance @ part.rows.T
    before = part.before_mm @ np.linalg.solve(S + frame, part.before_mm)
    return float(before - part.after_mm @ np.linalg.solve(S, part.after_mm))


def least_noticed_mm(
    lying: Lying, allowed: Unevenness, frame_covariance: Array, ways: Array, limit: float
) -> Array:
    """Smallest size of each way (n, 6), a motion of 1 mm, at which T exceeds the limit, (n,) mm.

    The even amount is left free, as for stone that has gone outward.
    """
    part = lying.thinned()
    S = _covariance(part, allowed) + FREE_MM**2 + part.rows @ frame_covariance @ part.rows.T
    by_way = part.rows @ ways.T
    seen = np.einsum("kn,kn->n", by_way, np.linalg.solve(S, by_way))
    return np.asarray(np.sqrt(limit / np.maximum(seen, 1e-12)))


def _covariance(lying: Lying, allowed: Unevenness) -> Array:
    """S without the even amount, (k, k), mm^2; the regions scatter as after the motion."""
    scatter = mad_sigma(lying.after_mm - np.median(lying.after_mm))
    own = max(scatter, LEAST_SCATTER_MM) ** 2 + lying.variance_mm2
    facing = (0.5 + 0.5 * np.clip(lying.normals @ lying.normals.T, -1.0, 1.0)) ** SIDE_POWER
    square = np.sum(lying.points**2, axis=1)
    apart = np.maximum(square[:, None] + square - 2.0 * lying.points @ lying.points.T, 0.0)
    near = np.exp(-0.5 * apart / PATCH_REACH_MM**2)
    field = (allowed.patch_mm**2 * near + allowed.side_mm**2) * facing
    return np.asarray(np.diag(own) + field)


def _even_mm(covariance: Array, distances: Array) -> float:
    """Prior of the even amount: free if the stone is proud as a whole."""
    ones = np.ones(len(distances))
    return FREE_MM if float(ones @ np.linalg.solve(covariance, distances)) >= 0.0 else HELD_MM
