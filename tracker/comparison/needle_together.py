"""The depths of all needles decided together.

One patch alone often agrees at two depths, as stone and a rival surface do; its neighbours seldom
have the same rival. So the agreement at every step of every needle is weighed against what the
neighbours make of theirs: the sum over needles of 1 - agreement, plus, over pairs of neighbours,
a penalty for lying apart, is made small by passing messages,

    m_ij(s) = min_t [ c_i(t) + sum_k m_ki(t) - m_ji(t) + p(s - t) ],    p(x) = WORD min(|x| / w, 2),

with w the tolerance at the neighbours' distance. Neighbours lie level with each other (finished
stone follows the model) or in one plane (stone that slants to it), whichever costs less. Beyond
twice the tolerance they are two surfaces, and farther apart costs no more.

References
----------
P. F. Felzenszwalb, D. P. Huttenlocher, "Efficient belief propagation for early vision",
Int. J. Computer Vision 70 (2006).
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tracker.cloud.patch_steps import STEP_MM, Steps, depth_of
from tracker.cloud.patch_sweep import NO_AGREEMENT
from tracker.comparison.needle_neighbours import Neighbours
from tracker.comparison.needle_surroundings import look_around
from tracker.maths.camera import Array

WORD = 0.04
"""What a neighbour's word counts for, against an agreement of 1."""
LEVEL_MM, LEVEL_PER_MM = 0.2, 0.1
PLANE_MM, PLANE_PER_MM = 0.3, 0.2
"""Tolerance of neighbours that lie level or in one plane, and its growth with distance."""
BREAK = 2.0
"""Tolerances apart from which on two neighbours are two surfaces."""
MOST_BEND_MM = 4.0
ROUNDS = 6
DAMPING = 0.5
"""Part of the old message kept, so that rounds do not swing."""
DOUBTFUL = 0.75
"""From this cost on a needle has no say in the direction of the surface."""
FINITE = {"nnan", "ninf", "nsz", "contract"}
"""Costs of choices are finite; so least values are found in whole vectors."""
LANES = 16
"""Choices that are weighed at a time."""
FEWEST = 5
UNUSED = np.iinfo(np.int32).max


@dataclass(frozen=True, slots=True)
class Choices:
    """Steps of depth at which n needles may meet stone, at most k each.

    Attributes
    ----------
    step : (n, k) int32 array, ascending; UNUSED at the end
    agreement : (n, k) float32 array
    source : (n, k) int8 array, hypothesis whose direction agreed best
    """

    step: NDArray[np.int32]
    agreement: NDArray[np.float32]
    source: NDArray[np.int8]

    @property
    def count(self) -> NDArray[np.int64]:
        """Steps each needle has, (n,)."""
        return np.asarray((self.step < UNUSED).sum(axis=1))


@dataclass(frozen=True, slots=True)
class Decision:
    """What the needles decided.

    Attributes
    ----------
    depth : (n,) array, mm along the needle, a whole step
    normal : (n, 3) array, outward normal of the surface through the neighbours
    ok : (n,) bool, whether there was anything to decide
    """

    depth: Array
    normal: Array
    ok: NDArray[np.bool_]


def join_steps(parts: Sequence[Steps]) -> Choices:
    """Steps of several hypotheses a needle as one list; of equal steps the one that agrees best."""
    step = np.concatenate(
        [p.first[:, None] + np.arange(p.agreement.shape[1], dtype=np.int32) for p in parts], axis=1
    )
    agreement = np.concatenate([p.agreement for p in parts], axis=1)
    source = np.repeat(np.arange(len(parts), dtype=np.int8), [p.agreement.shape[1] for p in parts])
    step = np.where(agreement <= NO_AGREEMENT, UNUSED, step).astype(np.int32)
    order = np.lexsort((-agreement, step), axis=1)
    step = np.take_along_axis(step, order, axis=1)
    step[:, 1:][step[:, 1:] == step[:, :-1]] = UNUSED
    again = np.argsort(step, axis=1, kind="stable")
    order = np.take_along_axis(order, again, axis=1)
    step = np.take_along_axis(step, again, axis=1)
    most = max(int((step < UNUSED).sum(axis=1).max(initial=0)), 1)
    order = order[:, :most]
    return Choices(
        np.ascontiguousarray(step[:, :most]),
        np.take_along_axis(agreement, order, axis=1),
        source[order],
    )


def decide_together(
    choices: Choices, normals: Array, points: Array, needles: Array, near: Neighbours,
    spacing_mm: float, threads: int = 2,
) -> Decision:  # fmt: skip
    """Decides the depth of every needle.

    Parameters
    ----------
    choices : Choices of n needles
    normals : (n, hypotheses, 3) array
        Outward normals that the hypotheses supposed.
    points, needles : (n, 3) arrays
    near : neighbours of the needles among themselves
    spacing_mm : distance of the needles from each other
    """
    apart = np.where(np.isfinite(near.distance_mm), near.distance_mm, 0.0)
    level = _Tie(np.zeros_like(apart), LEVEL_MM + LEVEL_PER_MM * apart)
    cost = _pass_messages(choices, near, [level], threads)
    depth, normal = _surface(choices, normals, points, needles, cost, spacing_mm, threads)
    planes = _Tie(
        _bend(points, needles, depth, normal, near), PLANE_MM + PLANE_PER_MM * apart
    )  # fmt: skip
    cost = _pass_messages(choices, near, [level, planes], threads)
    depth, normal = _surface(choices, normals, points, needles, cost, spacing_mm, threads)
    return Decision(depth, normal, choices.count > 0)


@dataclass(frozen=True, slots=True)
class _Tie:
    """One way in which neighbours may hang together: how much deeper, and give or take; mm."""

    deeper: Array
    tolerance: Array


def _surface(
    choices: Choices, normals: Array, points: Array, needles: Array,
    cost: NDArray[np.float32], spacing_mm: float, threads: int,
) -> tuple[Array, Array]:  # fmt: skip
    """Best depth of each needle, and the normal of the smooth surface through its neighbours."""
    rows = np.arange(len(points))
    best = np.argmin(cost, axis=1)
    ok = choices.count > 0
    depth = np.where(ok, depth_of(choices.step[rows, best] * ok), 0.0)
    own = normals[rows, choices.source[rows, best]]
    places = points + depth[:, None] * needles
    sound = ok & (cost[rows, best] < DOUBTFUL)
    around = look_around(places, own, places[sound], own[sound], spacing_mm, threads)
    return depth, np.where((around.count >= FEWEST)[:, None], around.normal, own)


def _bend(points: Array, needles: Array, depth: Array, normal: Array, near: Neighbours) -> Array:
    """By how much each needle meets the plane of a neighbour deeper than the neighbour does, mm.

    The plane stands on the neighbour's stone, square to the mean of both normals.
    """
    index = np.maximum(near.index, 0)
    places = points + depth[:, None] * needles
    mean = normal[index] + normal[:, None, :]
    slope = np.einsum("nd,nkd->nk", needles, mean)
    height = np.einsum("nkd,nkd->nk", places[index] - points[:, None], mean)
    bend = height / np.where(slope > 0.4, slope, np.inf) - depth[index]
    return np.where((near.index >= 0) & (np.abs(bend) < MOST_BEND_MM) & (slope > 0.4), bend, 0.0)


def _pass_messages(
    choices: Choices, near: Neighbours, ties: Sequence[_Tie], threads: int
) -> NDArray[np.float32]:
    """Cost of every choice after all rounds, (n, k); inf where there is none."""
    n, count = len(choices.step), choices.count
    own = np.where(choices.step < UNUSED, 1.0 - choices.agreement, np.inf).astype(np.float32)
    step = np.zeros((n, -(-choices.step.shape[1] // LANES) * LANES), np.float32)
    step[:, : own.shape[1]] = np.where(choices.step < UNUSED, choices.step, 0)
    shift = np.stack([t.deeper / STEP_MM for t in ties], axis=2).astype(np.float32)
    steep = np.stack([STEP_MM / t.tolerance for t in ties], axis=2).astype(np.float32)
    back = _way_back(near)
    shape = (n, near.index.shape[1], choices.step.shape[1])
    old, new = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
    cost = own.copy()
    edges = np.linspace(0, n, 4 * threads + 1).astype(int)
    starts, stops = edges[:-1], edges[1:]
    with ThreadPoolExecutor(threads) as pool:
        for _ in range(ROUNDS):
            hear = partial(_hear, step, count, near.index, back, shift, steep, cost, old, new)
            list(pool.map(hear, starts, stops))
            old, new = new, old
            list(pool.map(partial(_sum_up, count, own, old, cost), starts, stops))
    return cost


def _way_back(near: Neighbours) -> NDArray[np.int64]:
    """Column in which each neighbour holds the needle itself, (n, k); -1 where it does not."""
    index = near.index
    own = np.arange(len(index))[:, None, None]
    theirs = index[np.maximum(index, 0)]
    hit = (theirs == own) & (index >= 0)[:, :, None]
    return np.where(hit.any(axis=2), hit.argmax(axis=2), -1)


@njit(cache=True, nogil=True, fastmath=FINITE)  # type: ignore[untyped-decorator]
def _listen(
    cost: np.ndarray, old: np.ndarray, j: int, r: int, choices: int, heard: np.ndarray
) -> np.float32:
    """Cost of needle j's choices without what its neighbour r told it; returns the least."""
    least = np.float32(1e9)
    for b in range(choices):
        heard[b] = cost[j, b]
        if r >= 0:
            heard[b] -= old[j, r, b]
        least = min(least, heard[b])
    return least


@njit(cache=True, nogil=True, fastmath=FINITE, error_model="numpy")  # type: ignore[untyped-decorator]
def _hear(
    step: np.ndarray, count: np.ndarray, near: np.ndarray, back: np.ndarray, shift: np.ndarray,
    steep: np.ndarray, cost: np.ndarray, old: np.ndarray, new: np.ndarray, start: int, stop: int,
) -> None:  # fmt: skip
    """Messages from all neighbours to the needles from `start` on, `new[n, k]` over n's choices.

    `steep` is the inverse of the tolerances. In single precision throughout, which is ample for
    sums of some ten costs, and over a needle's choices at once.
    """
    most = step.shape[1]
    heard, best = np.empty(most, np.float32), np.empty(most, np.float32)
    word, apart, keep = np.float32(WORD), np.float32(BREAK), np.float32(DAMPING)
    for n in range(start, stop):
        own = count[n]
        filled = (own + LANES - 1) // LANES * LANES
        for k in range(near.shape[1]):
            j = near[n, k]
            if j < 0 or count[j] == 0:
                continue
            least = _listen(cost, old, j, back[n, k], count[j], heard)
            for a in range(filled):
                best[a] = least + word * apart
            for t in range(shift.shape[2]):
                sharp = steep[n, k, t]
                for b in range(count[j]):
                    there, said = step[j, b] + shift[n, k, t], heard[b]
                    for a in range(filled):
                        off = min(abs(step[n, a] - there) * sharp, apart)
                        best[a] = min(best[a], said + word * off)
            lowest = np.float32(1e9)
            for a in range(own):
                lowest = min(lowest, best[a])
            for a in range(own):
                new[n, k, a] = keep * old[n, k, a] + (np.float32(1.0) - keep) * (best[a] - lowest)


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def _sum_up(
    count: np.ndarray, own: np.ndarray, words: np.ndarray, cost: np.ndarray, start: int, stop: int
) -> None:
    """Cost of each choice: its own, and what all neighbours say of it."""
    for n in range(start, stop):
        for a in range(count[n]):
            total = own[n, a]
            for k in range(words.shape[1]):
                total += words[n, k, a]
            cost[n, a] = total
