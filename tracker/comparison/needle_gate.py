"""What a needle's reading must show before it is given as a figure, and how far to trust it.

A patch can agree perfectly in many photographs and still not be the place asked for. Whether it
is shows in marks that need no truth: how steeply the needle meets the stone, how far patches of
two sizes and the photographs differ among themselves, how strong the grain of the stone is, how
many photographs agree, and how well the place lies on the surface through its neighbours. From
these marks, risk (chance of a gross error) and standard deviation are reckoned by formulas
(`needle_marks`) whose numbers were fitted on rendered days with known truth; each was checked on
days that took no part in its fitting.

Where readings agree that stone is level (`needle_level`), their common depth is given, provided
that a patch in the model's shape agreed there in most of the photographs that look. Where it did
not, nothing is: most of such places are hidden.

Besides, a needle may have left the stone in a gap that no photograph shows (`needle_gap`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracker.comparison.needle_figures import MOST_PHOTOGRAPHS, Fine
from tracker.comparison.needle_gap import may_hide_gap
from tracker.comparison.needle_marks import MOST_RISK, MOST_RISK_LEVEL
from tracker.comparison.needle_search import Search
from tracker.comparison.needle_settle import Stone
from tracker.comparison.needle_soundings import Soundings
from tracker.comparison.readings import NotSeen
from tracker.maths.camera import Array
from tracker.surface import Surface

Flags = NDArray[np.bool_]

MOST_U95_MM = 0.56
"""A figure less sure than this is none."""
RELIEF_MM = 0.04
"""Relief that a free patch averages away, as a standard deviation; the marks do not show it."""
MOST_RISK_ALONE = 0.15
"""Nor is the depth of level stone given where the own reading is as doubtful as this."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """Which of n readings are given, why not, and their standard deviation.

    Attributes
    ----------
    given : (n,) bool
    reason : (n,) int, a value of NotSeen
    depth_mm : (n,) array, along the needle
    sigma_mm : (n,) array, of the surface along the needle
    """

    given: Flags
    reason: NDArray[np.int64]
    depth_mm: Array
    sigma_mm: Array


def judge(
    model: Surface, search: Search, fine: Fine, stone: Stone, soundings: Soundings,
    figure_mm: float,
) -> Verdict:  # fmt: skip
    """Decides on every reading.

    Parameters
    ----------
    model : Surface
    search : places, needles and where the needles meet the model again
    fine : what the photographs say there
    stone : the dense stone round about
    soundings : the readings, alone and with those round about
    figure_mm : readings above this are lower bounds
    """
    n = len(search.points)
    reason = np.full(n, int(NotSeen.NO_AGREEMENT), dtype=np.int64)
    depth, sigma = fine.depth.copy(), np.hypot(soundings.own.sigma_mm, RELIEF_MM)
    if fine.ok.any() and stone.ok.any():
        sure = fine.ok & (soundings.marks.risk < MOST_RISK)
        together = np.flatnonzero(fine.ok & soundings.level.holds)
        marks = soundings.marks.level(soundings.level, fine, together)
        most = 2 * fine.views >= np.minimum(fine.looking, MOST_PHOTOGRAPHS)
        most &= search.shaped & (soundings.marks.risk < MOST_RISK_ALONE)
        sure[together] = (marks.risk < MOST_RISK_LEVEL) & most[together]
        depth[together], sigma[together] = soundings.level.depth_mm[together], marks.sigma_mm
        reason[fine.ok] = int(NotSeen.AMBIGUOUS)
        rows = np.flatnonzero(sure & (2.0 * sigma < MOST_U95_MM))
        behind = may_hide_gap(
            model, search.points[rows], search.needles[rows], depth[rows],
            search.depth_limit_passed(depth)[rows], stone, figure_mm,
        )  # fmt: skip
        reason[rows] = np.where(behind, int(NotSeen.HIDDEN_GAP), int(NotSeen.SEEN))
    return Verdict(reason == int(NotSeen.SEEN), reason, depth, sigma)
