"""Stone removed place by place between two stages, each figure with both days' doubt.

Each day stands in the frame's coordinates by itself, so their uncertainties are taken as
independent; the model's own part is the same on both days and cancels, which makes the stated
U95 a cautious one.

References
----------
JCGM 100:2008, 5.1.2 (difference of two independent quantities).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracker.comparison.on_vertices import VertexReadings
from tracker.maths.camera import Array


@dataclass(frozen=True, slots=True)
class Removed:
    """Stone removed at n places, mm along the model's normal.

    Attributes
    ----------
    removed_mm, u95_mm : (n,) arrays
        Not a number where it cannot be told.
    told : (n,) bool
        Both days have a figure, and today's is not a bound.
    at_least : (n,) bool
        The earlier figure is a bound: at least this much was removed.
    """

    removed_mm: Array
    u95_mm: Array
    told: NDArray[np.bool_]
    at_least: NDArray[np.bool_]


def removed_between(before: VertexReadings, now: VertexReadings) -> Removed:
    """Stone removed at the same places between an earlier stage and a later one.

    Where both figures are bounds, or only today's is, nothing can be told. A negative result is
    kept as it is: stone does not grow, so beyond U95 one of the two days is wrong there.
    """
    told = before.seen & now.seen & ~now.at_least
    return Removed(
        removed_mm=np.where(told, before.stone_left_mm - now.stone_left_mm, np.nan),
        u95_mm=np.where(told, np.hypot(before.u95_mm, now.u95_mm), np.nan),
        told=told,
        at_least=told & before.at_least,
    )
