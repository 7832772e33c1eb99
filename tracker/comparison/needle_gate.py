"""What a needle's reading must show before it is given as a figure, and how far to trust it.

A patch can agree perfectly in many photographs and still not be the place asked for. Whether it
is shows in marks that need no truth: how steeply the needle meets the stone, how far patches of
two sizes and the photographs differ among themselves, how strong the grain of the stone is, how
many photographs agree, and how well the place lies on the surface through its neighbours. From
these marks, risk (chance that the figure is off by more than 0.4 mm) and standard deviation are
reckoned by formulas whose numbers were fitted on rendered days with known truth; each was checked
on days that took no part in its fitting.

Where readings agree that stone is level (`needle_level`), their common depth is given, provided
that a patch in the model's shape agreed there in most of the photographs that look. Where it did
not, nothing is: most of such places are hidden.

Besides, a needle may leave the stone in a gap that no photograph shows and meet another lump.
That is possible where the needle meets the model again before the reading, and where carving
round about has come much nearer to the model than the reading says.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from tracker.comparison.needle_figures import MOST_PHOTOGRAPHS, Fine
from tracker.comparison.needle_marks import MOST_RISK, MOST_RISK_LEVEL
from tracker.comparison.needle_neighbours import find_neighbours, links
from tracker.comparison.needle_search import Search
from tracker.comparison.needle_settle import Stone
from tracker.comparison.needle_soundings import Soundings
from tracker.comparison.readings import NotSeen
from tracker.maths.camera import Array

Flags = NDArray[np.bool_]

MOST_U95_MM = 0.5
"""A figure less sure than this is none."""
DEEP_MM = 6.0
"""From here on a reading must not stand alone among lower ones."""
GAP_REACH_MM = 12.0
LOW_SHARE = 0.08
"""Of the readings within GAP_REACH_MM, how many may be less than half as deep."""
LOWER_MM = 5.0
LOWER_SHARE = 0.2
"""Of the readings within GAP_REACH_MM, how many may be less deep by LOWER_MM."""
FEWEST_NEAR = 6
FLOATING_MM = 15.0
"""Stone this far off the model must hang together with stone nearer to it."""
ROOTED_SHARE = 0.1
MAIN_SHARE = 0.2
"""A piece of surface as large as this part of all stone found is the block, however deep."""


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


def judge(search: Search, fine: Fine, stone: Stone, soundings: Soundings) -> Verdict:
    """Decides on every reading.

    Parameters
    ----------
    search : places, needles and where the needles meet the model again
    fine : what the photographs say there
    stone : the dense stone round about
    soundings : the readings, alone and with those round about
    """
    n = len(search.points)
    reason = np.full(n, int(NotSeen.NO_AGREEMENT), dtype=np.int64)
    depth, sigma = fine.depth.copy(), soundings.own.sigma_mm.copy()
    rows = np.flatnonzero(fine.ok)
    if len(rows) and stone.ok.any():
        sure = soundings.marks.risk < MOST_RISK
        together = np.flatnonzero(fine.ok & soundings.level.holds)
        marks = soundings.marks.level(soundings.level, fine, together)
        most = 2 * fine.views >= np.minimum(fine.looking, MOST_PHOTOGRAPHS)
        sure[together] = (marks.risk < MOST_RISK_LEVEL) & (search.shaped & most)[together]
        depth[together], sigma[together] = soundings.level.depth_mm[together], marks.sigma_mm
        sure &= 2.0 * sigma < MOST_U95_MM
        behind = search.depth_limit_passed(depth)[rows] | ~_no_gap_near(
            search.points[rows], depth[rows], stone, rooted_stone(stone)
        )
        reason[rows] = int(NotSeen.AMBIGUOUS)
        reason[rows[behind]] = int(NotSeen.HIDDEN_GAP)
        reason[rows[sure[rows] & ~behind]] = int(NotSeen.SEEN)
    return Verdict(reason == int(NotSeen.SEEN), reason, depth, sigma)


def _no_gap_near(points: Array, depth: Array, stone: Stone, rooted: Flags) -> Flags:
    """Whether the readings round about make a hidden gap unlikely, (n,)."""
    fine = np.ones(len(points), dtype=bool)
    deep = np.flatnonzero(depth > DEEP_MM)
    use = stone.ok & rooted
    if len(deep) == 0:
        return fine
    fine[deep] = False
    if not use.any():
        return fine
    depths = stone.depth[use]
    near = cKDTree(stone.points[use]).query_ball_point(points[deep], GAP_REACH_MM)
    for k, found in zip(deep, near, strict=True):
        if np.size(found) >= FEWEST_NEAR:
            low = np.mean(depths[found] < 0.5 * depth[k]) <= LOW_SHARE
            fine[k] = low and np.mean(depths[found] < depth[k] - LOWER_MM) <= LOWER_SHARE
    return fine


def rooted_stone(stone: Stone) -> Flags:
    """Dense stone that hangs together with stone near the model, (m,).

    A target card or a foot of the frame before the stone is a surface too, but a floating one.
    """
    n = len(stone.points)
    near = find_neighbours(
        stone.points, stone.needles, stone.points, stone.needles, 8, 3.0 * stone.spacing_mm, True
    )
    places = stone.points + stone.depth[:, None] * stone.needles
    linked = links(near, places, stone.normal, places, stone.normal, stone.ok, 0.4, 0.35)
    row, column = np.nonzero(linked & stone.ok[:, None])
    graph = csr_matrix((np.ones(len(row)), (row, near.index[row, column])), shape=(n, n))
    _, piece = connected_components(graph, directed=False)
    size = np.bincount(piece[stone.ok], minlength=piece.max() + 1)
    low = np.bincount(piece[stone.ok & (stone.depth < FLOATING_MM)], minlength=piece.max() + 1)
    rooted = (low > ROOTED_SHARE * size) | (size > MAIN_SHARE * stone.ok.sum())
    return np.asarray((rooted[piece] & stone.ok) | (stone.ok & (stone.depth < FLOATING_MM)))
