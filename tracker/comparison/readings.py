"""What the needle reads at many places of the model."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from tracker.maths.camera import Array


class NotSeen(IntEnum):
    """Why a place has no figure."""

    SEEN = 0
    TOO_FEW_PHOTOGRAPHS = 1
    """Fewer than three photographs look at the place."""
    NO_AGREEMENT = 2
    """The photographs do not agree on a depth."""
    AMBIGUOUS = 3
    """More than one depth agrees."""
    HIDDEN_GAP = 4
    """The needle may leave the stone in a place that no photograph sees."""
    GAP_IN_CLOUD = 5
    """No measured stone near enough to the needle."""


@dataclass(frozen=True, slots=True)
class Readings:
    """Stone left along needles, n of them.

    Attributes
    ----------
    points, needles : (n, 3) arrays
        Places of the model (mm, frame coordinates) and the unit outward directions.
    seen : (n,) bool
        Whether there is a figure at all; every other array is meaningless where it is False.
    stone_left_mm : (n,) array
        Signed along the needle, positive is stone still to remove.
    at_least : (n,) bool
        The figure is a bound: at least this much (beyond the reach of a single surface, or a pit
        whose floor is not seen).
    closest_mm : (n,) array
        Signed closest distance from the stone met by the needle to the model.
    variance_mm2 : (n, len(VARIANCE_PARTS)) array
        Parts of the variance of stone left (GUM 5.1.2), in the order of VARIANCE_PARTS.
    photos : (n,) int
        Photographs that see the place.
    reason : (n,) int
        A value of NotSeen.
    """

    points: Array
    needles: Array
    seen: NDArray[np.bool_]
    stone_left_mm: Array
    at_least: NDArray[np.bool_]
    closest_mm: Array
    variance_mm2: Array
    photos: NDArray[np.int64]
    reason: NDArray[np.int64]

    @property
    def u95_mm(self) -> Array:
        """Expanded uncertainty of stone left, coverage factor 2 (JCGM 100, 6.2.1), (n,), mm."""
        return np.asarray(2.0 * np.sqrt(self.variance_mm2.sum(axis=1)))

    def rows(self, rows: NDArray[np.int64]) -> Readings:
        """The readings of some places."""
        return Readings(*(getattr(self, f.name)[rows] for f in fields(self)))

    def unseen(self, rows: NDArray[np.int64], reason: NotSeen) -> Readings:
        """The readings with some places taken back."""
        seen, why = self.seen.copy(), self.reason.copy()
        seen[rows], why[rows] = False, int(reason)
        return replace(self, seen=seen, reason=why)


VARIANCE_PARTS = ("surface", "network", "frame", "model")
"""Surface: patch or local fit; network: poses and lens; frame: datum and alignment; model: cast."""
