"""Whether a needle may have passed a gap that no photograph shows.

A needle can leave the stone in a hidden gap and meet another lump behind it. The photographs agree
perfectly on the face of that lump, so that only the stone round about can tell:

- Between lumps of the model, stone is left as deep as round about, or the gap has been carved.
  Where all that lies between the place and the reading is nearer to the model than FILLED of the
  height at which stone stands at the reading and round about, stone fills it.
- At a step, a patch takes the grain of the higher stone for its own. Where much lower stone is
  found close by, the reading may belong to its rim.
- Far off the model, where a reading is only a lower bound, stone much lower anywhere near is
  enough to doubt it, and so is the model if the needle meets it again.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from tracker.comparison.needle_neighbours import find_neighbours, links
from tracker.comparison.needle_settle import Stone
from tracker.maths.camera import Array
from tracker.surface import Surface

Flags = NDArray[np.bool_]

DEEP_MM = 6.0
"""From here on a reading must not stand alone among lower ones."""
STEPS = 24
"""Places between model and reading at which the height above the model is asked."""
FALL_MM = 0.5
"""The needle has come to another lump where its height above the model falls by this."""
FILLED = 0.5
LOW_PERCENT = 10.0
"""Stone round about stands as high as this percentile says."""
REACH_MM = 12.0
FEWEST_NEAR = 6
FLOATING_MM = 15.0
"""Stone this far off the model must hang together with stone nearer to it."""
ROOTED_SHARE = 0.1
MAIN_SHARE = 0.2
"""A piece of surface as large as this part of all stone found is the block, however deep."""


@dataclass(frozen=True, slots=True)
class _Lower:
    """How much lower stone there may be near a reading.

    Attributes
    ----------
    reach_mm : float
    lower_mm : float
        Stone lower than the reading by this counts.
    share, half_share : float
        Of the stone in reach, how much may be so, and how much less than half as deep.
    """

    reach_mm: float
    lower_mm: float
    share: float
    half_share: float


RIM = (_Lower(6.0, 5.0, 0.12, 0.1), _Lower(4.0, 3.0, 0.15, 0.15))
FAR = (_Lower(REACH_MM, 5.0, 0.2, 0.08),)


def may_hide_gap(
    model: Surface, points: Array, needles: Array, depth: Array, meets_again: Flags,
    stone: Stone, figure_mm: float,
) -> Flags:  # fmt: skip
    """Whether readings may lie behind a hidden gap, (n,).

    Parameters
    ----------
    model : Surface
    points, needles : (n, 3) arrays, places of the model and unit outward directions
    depth : (n,) array, mm along the needle
    meets_again : (n,) bool, whether the needle meets the model again before the reading
    stone : dense stone round about
    figure_mm : readings above this are lower bounds
    """
    asked = (depth > DEEP_MM) | meets_again
    if not asked.any():
        return asked
    rooted = stone.ok & rooted_stone(stone)
    if not rooted.any():
        return asked
    hidden = np.zeros(len(points), dtype=bool)
    round_about = _RoundAbout.of(stone, rooted)
    far = depth > figure_mm
    near = np.flatnonzero(asked & ~far)
    hidden[near] = ~_filled(
        model, points[near], needles[near], depth[near], meets_again[near], round_about
    )
    hidden |= far & meets_again
    for rows, limits in ((near[depth[near] > DEEP_MM], RIM), (np.flatnonzero(far), FAR)):
        for limit in limits:
            hidden[rows] |= _much_is_lower(round_about, points[rows], depth[rows], limit)
    return hidden


@dataclass(frozen=True, slots=True)
class _RoundAbout:
    """Stone found, m places of it.

    Attributes
    ----------
    tree : of the model's places
    depth : (m,) array, mm along the needle
    places : (m, 3) array, of the stone
    """

    tree: cKDTree
    depth: Array
    places: Array

    @staticmethod
    def of(stone: Stone, which: Flags) -> _RoundAbout:
        depth = stone.depth[which]
        places = stone.points[which] + depth[:, None] * stone.needles[which]
        return _RoundAbout(cKDTree(stone.points[which]), depth, places)

    def low_heights(self, model: Surface, points: Array) -> Array:
        """Height above the model at which the stone near some places stands, (n,), mm."""
        near = self.tree.query_ball_point(points, REACH_MM)
        asked = np.unique(np.concatenate([[], *near])).astype(np.int64)
        height = np.zeros(len(self.depth))
        if len(asked):
            height[asked] = np.abs(model.signed_distance_mm(self.places[asked]))
        low = [np.percentile(height[k], LOW_PERCENT) if np.size(k) else 0.0 for k in near]
        return np.array(low)


def _filled(
    model: Surface, points: Array, needles: Array, depth: Array, meets_again: Flags,
    round_about: _RoundAbout,
) -> Flags:  # fmt: skip
    """Whether stone fills all between places and readings, (n,).

    No need to look where the reading is as high above the model as the needle is long: there the
    needle climbs all the way.
    """
    end = np.abs(model.signed_distance_mm(points + depth[:, None] * needles))
    filled = ~meets_again & (end >= depth - FALL_MM)
    ask = np.flatnonzero(~filled)
    between = _highest_between(model, points[ask], needles[ask], depth[ask])
    stands = np.minimum(end[ask], round_about.low_heights(model, points[ask]))
    filled[ask] = (between == 0.0) & ~meets_again[ask]
    filled[ask] |= between + FALL_MM <= FILLED * stands
    return np.asarray(filled)


def _highest_between(model: Surface, points: Array, needles: Array, depth: Array) -> Array:
    """Greatest height above the model before the needle comes to another lump, (n,), mm; or 0."""
    along = np.linspace(0.0, 1.0, STEPS + 1)
    reach = np.maximum(depth, 0.0)
    places = points[:, None] + (reach[:, None] * along)[:, :, None] * needles[:, None]
    asked = model.signed_distance_mm(places.reshape(-1, 3))
    height = np.maximum(asked.reshape(len(points), len(along)), 0.0)
    height[:, 0] = 0.0
    lowest_after = np.minimum.accumulate(height[:, ::-1], axis=1)[:, ::-1]
    return np.asarray(np.where(height - lowest_after > FALL_MM, height, 0.0).max(axis=1))


def _much_is_lower(
    round_about: _RoundAbout, points: Array, depth: Array, limit: _Lower
) -> Flags:  # fmt: skip
    """Whether too much of the stone near readings is lower, or too little is known, (n,)."""
    much, depths = np.ones(len(points), dtype=bool), round_about.depth
    for k, near in enumerate(round_about.tree.query_ball_point(points, limit.reach_mm)):
        if np.size(near) >= FEWEST_NEAR:
            lower = np.mean(depths[near] < depth[k] - limit.lower_mm) > limit.share
            much[k] = lower or np.mean(depths[near] < 0.5 * depth[k]) > limit.half_share
    return much


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
