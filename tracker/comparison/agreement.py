"""Whether readings bear each other out: needle and cloud, a point and the places round about."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from tracker.comparison.readings import Readings
from tracker.comparison.uncertainty import COVERAGE_FACTOR, NETWORK, SURFACE
from tracker.maths.camera import Array

AROUND_MM = 4.0
BORNE_OUT = 0.25
"""Of the places within AROUND_MM, how many must have a figure for a point to have one."""
LEAST_FACING = 0.7


@dataclass(frozen=True, slots=True)
class Agreement:
    """Two ways of reading the same places.

    Attributes
    ----------
    compared : (n,) bool
        Both ways have a figure.
    difference_mm : (n,) array
        First minus second; NaN where not compared.
    u95_mm : (n,) array
        Of the difference; what both share (frame, model) is left out.
    disagrees : (n,) bool
        The difference exceeds its U95.
    """

    compared: NDArray[np.bool_]
    difference_mm: Array
    u95_mm: Array
    disagrees: NDArray[np.bool_]

    @property
    def share_disagreeing(self) -> float:
        """Of the places compared; about 0.05 is to be expected."""
        count = int(self.compared.sum())
        return float(self.disagrees.sum() / count) if count else 0.0

    @property
    def median_mm(self) -> float:
        """Median difference: other than zero when one way is off everywhere."""
        return float(np.median(self.difference_mm[self.compared])) if self.compared.any() else 0.0


def agreement(first: Readings, second: Readings) -> Agreement:
    """Compare two readings of the same places; nothing is averaged.

    Two bounds of the same sign agree; a bound agrees with any figure beyond it.
    """
    compared = first.seen & second.seen
    difference = np.where(compared, first.stone_left_mm - second.stone_left_mm, np.nan)
    variance = sum(
        np.where(compared[:, None], way.variance_mm2, np.nan)[:, [SURFACE, NETWORK]].sum(axis=1)
        for way in (first, second)
    )
    u95 = COVERAGE_FACTOR * np.sqrt(np.asarray(variance))
    with np.errstate(invalid="ignore"):
        disagrees = compared & (np.abs(difference) > u95)
        for bound, other, sign in ((first, second, 1.0), (second, first, -1.0)):
            outward = np.where(bound.stone_left_mm < 0.0, -1.0, 1.0)
            # bound - other, turned so that a figure beyond the bound is negative
            beyond = bound.at_least & (sign * difference * outward <= u95)
            disagrees &= ~(beyond & other.seen)
    return Agreement(compared, difference, u95, disagrees)


def borne_out(points: Readings, around: Readings) -> NDArray[np.bool_]:
    """Whether enough of the places round each point, facing its way, have a figure too, (n,).

    Where the photographs hardly tell anything, the one figure they tell is often wrong.
    """
    out = np.zeros(len(points.points), dtype=bool)
    if not len(around.points):
        return out
    near = cKDTree(around.points).query_ball_point(points.points, AROUND_MM)
    for k, rows in enumerate(near):
        facing = around.needles[rows] @ points.needles[k] > LEAST_FACING if rows else np.zeros(0)
        out[k] = facing.any() and bool(around.seen[rows][facing].mean() >= BORNE_OUT)
    return out
