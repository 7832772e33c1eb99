"""Whether the figure can still be had from the stone if it is set elsewhere in the block.

Every place of the figure must keep a given amount of stone along its needle, U95 taken off. The
smallest motion is found by linear programmes, each about the figure as moved so far, and after
every one of them the moved figure's needles are asked again of the measured stone: what counts is
that answer, not the line drawn through it.

References
----------
R. Fletcher, E. Sainz de la Maza, "Nonlinear programming and nonsmooth optimization by successive
linear programming", Math. Programming 43 (1989) 235-256.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracker.comparison.rescue_motion import (
    PENALTY,
    PLAINNESS,
    Bounds,
    plain_weights,
    smallest_step,
)
from tracker.comparison.rescue_stone import MeasuredStone
from tracker.maths import rotation
from tracker.maths.camera import Array

Rows = NDArray[np.int64]

LEAST_COSINE = 0.3
"""Stone that a needle meets more slantingly than this counts as met at this slant."""
STEEPEST, SLACK_MM = 3.0, 0.3
"""Stone met after a motion may differ from the flat patch by this times the way, and this more."""
FIRST_STEP_MM, LAST_STEP_MM = 4.0, 1e-3
MOST_STEPS = 60
MET_MM = 0.005
"""A demand counts as met within this: rays against the mesh are no finer."""
AT_FIRST_MM = 2.0
"""Places with more than this to spare are asked only once the others are content."""


@dataclass(frozen=True, slots=True)
class Demand:
    """What a rescue has to reach.

    Attributes
    ----------
    least_left_mm : float
        Stone that every place must keep, U95 taken off.
    most_shift_mm, most_turn_rad : float
    """

    least_left_mm: float
    most_shift_mm: float
    most_turn_rad: float


@dataclass(frozen=True, slots=True)
class Patches:
    """Places with a reading, k of them. Stone that is not known is taken as flat.

    Attributes
    ----------
    places, needles : (k, 3) arrays
    left_mm, u95_mm : (k,) arrays
    open_floor : (k,) bool array
        Of a pit: it may be deeper.
    """

    places: Array
    needles: Array
    left_mm: Array
    u95_mm: Array
    open_floor: NDArray[np.bool_]

    @staticmethod
    def none() -> Patches:
        """No patch."""
        return Patches(
            np.zeros((0, 3)), np.zeros((0, 3)), np.zeros(0), np.zeros(0), np.zeros(0, bool)
        )


@dataclass(frozen=True, slots=True)
class Rescue:
    """The motion found and what it leaves.

    Attributes
    ----------
    possible : bool
        Every place that was seen keeps what it must.
    R, t : (3, 3) and (3,) arrays
        p_new = R p + t, frame coordinates of the frame as it stood; mm.
    farthest_mm : float
        Largest displacement of a corner of the figure's box.
    shift_mm, turn_deg : float
        Of the figure's middle.
    tightest_mm, tightest_u95_mm : float
        Least stone left with its U95, by their difference, after the motion.
    tightest_place : (3,) array
        Of the figure as it stood, mm.
    before_mm : float
        Least stone left less U95 as the figure stands now.
    broken_before : int
        Places that lack stone now.
    promised_share : float
        Of the places asked, those whose needle meets seen stone before and after the motion.
    open_floors : int
        Places over pits whose floor is not seen: nothing can be promised there.
    at_limit : bool
        The motion has come to its bounds.
    steps : int
        Linear programmes solved.
    """

    possible: bool
    R: Array
    t: Array
    farthest_mm: float
    shift_mm: float
    turn_deg: float
    tightest_mm: float
    tightest_u95_mm: float
    tightest_place: Array
    before_mm: float
    broken_before: int
    promised_share: float
    open_floors: int
    at_limit: bool
    steps: int


@dataclass(frozen=True, slots=True)
class _Stand:
    """The figure at a motion: turn and shift about its middle, and what its places have to spare.

    `slack` is stone left less U95 less what must stay; `gradient` its change by a further turn
    about the moved middle and a further shift.
    """

    w: Array
    t: Array
    left_mm: Array
    u95_mm: Array
    slack: Array
    gradient: Array
    known: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class _Figure:
    """Places of the figure with the flat patch of stone that each met at first.

    The first `mesh_count` rows are asked of the measured stone anew wherever they stand; where
    they find none that was seen, and for all other rows, the flat patch answers.
    """

    stone: MeasuredStone
    places: Array
    needles: Array
    foot: Array
    normal: Array
    u95_mm: Array
    open_floor: NDArray[np.bool_]
    mesh_count: int
    middle: Array
    arms: Array
    least_mm: float

    def at(self, w: Array, t: Array, rows: Rows) -> _Stand:
        R = rotation.exp(w)
        centre = self.middle + t
        places = (self.places[rows] - self.middle) @ R.T + centre
        needles = self.needles[rows] @ R.T
        normal, u95 = self.normal[rows].copy(), self.u95_mm[rows].copy()
        cosine = np.maximum(np.einsum("nd,nd->n", normal, needles), LEAST_COSINE)
        left = np.einsum("nd,nd->n", self.foot[rows] - places, normal) / cosine
        known = ~self.open_floor[rows]
        on_mesh = np.flatnonzero(rows < self.mesh_count)
        met = self.stone.meet(places[on_mesh], needles[on_mesh])
        way = np.linalg.norm(places - self.places[rows], axis=1)[on_mesh]
        # farther off it is other stone, seen through a hole in what was seen
        told = met.known & (np.abs(met.left_mm - left[on_mesh]) <= STEEPEST * way + SLACK_MM)
        known[on_mesh] &= told & ~met.open_floor
        found = on_mesh[told]
        left[found], u95[found] = met.left_mm[told], met.u95_mm[told]
        normal[found] = met.normal[told]
        cosine = np.maximum(np.einsum("nd,nd->n", normal, needles), LEAST_COSINE)
        slope = normal / cosine[:, None]
        # left = m . (q - p) / (m . n): a motion of the figure takes what it would move q along m
        arm = places + left[:, None] * needles - centre
        gradient = -np.concatenate([np.cross(arm, slope), slope], axis=1)
        return _Stand(w, t, left, u95, left - u95 - self.least_mm, gradient, known)

    def come(self, w: Array, t: Array) -> Array:
        """Displacement of the corners of the figure's box, (k, 3), mm."""
        return self.arms @ rotation.exp(w).T - self.arms + t

    def merit(self, stand: _Stand) -> float:
        """Displacement, and above it the worst breach."""
        farthest = np.linalg.norm(self.come(stand.w, stand.t), axis=1).max()
        motion = np.abs(np.concatenate([stand.w, stand.t]))
        farthest += PLAINNESS * float(plain_weights(self.arms) @ motion)
        return float(farthest + PENALTY * max(-stand.slack.min(initial=0.0), 0.0))


def rescue(
    stone: MeasuredStone,
    mesh: Patches,
    single: Patches,
    box: tuple[Array, Array],
    demand: Demand,
) -> Rescue:
    """The smallest motion that leaves every place what it must keep, or the best there is.

    Parameters
    ----------
    mesh : Patches
        The figure's places that are asked of the stone wherever they come to stand: corners of
        the mesh that `stone` was made from and that were seen.
    single : Patches
        Further places with a reading of their own, such as points of the list.
    box : lowest and highest corner of the figure's box, mm
    """
    figure = _figure(stone, mesh, single, box, demand.least_left_mm)
    every = np.arange(len(figure.places))
    still = np.zeros(3)
    before = figure.at(still, still, every)
    asked = np.flatnonzero(before.slack < AT_FIRST_MM)
    w, t, steps = still, still, 0
    while steps < MOST_STEPS:
        stand, steps = _descend(figure, w, t, asked, demand, steps)
        w, t = stand.w, stand.t
        after = figure.at(w, t, every)
        worst = min(stand.slack.min(initial=np.inf), -MET_MM)
        fresh = np.setdiff1d(np.flatnonzero(after.slack < worst), asked)
        if not len(fresh):
            break
        near = np.flatnonzero(after.slack < AT_FIRST_MM)
        asked = np.union1d(asked, near)
    return _result(figure, before, figure.at(w, t, every), demand, steps)


def _descend(
    figure: _Figure, w: Array, t: Array, rows: Rows, demand: Demand, steps: int
) -> tuple[_Stand, int]:
    """Linear programmes from a motion until none makes it better."""
    stand, step_mm = figure.at(w, t, rows), FIRST_STEP_MM
    while steps < MOST_STEPS and step_mm > LAST_STEP_MM:
        steps += 1
        R = rotation.exp(stand.w)
        bounds = Bounds(demand.most_shift_mm, demand.most_turn_rad, step_mm)
        so_far = np.concatenate([stand.w, stand.t])
        x = smallest_step(
            stand.gradient, stand.slack, figure.arms @ R.T, figure.come(stand.w, stand.t), so_far,
            bounds,
        )  # fmt: skip
        tried = figure.at(rotation.log(rotation.exp(x[:3]) @ R), stand.t + x[3:], rows)
        if figure.merit(tried) < figure.merit(stand) - 1e-6:
            stand = tried
        else:
            step_mm *= 0.5
    return stand, steps


def _figure(
    stone: MeasuredStone,
    mesh: Patches,
    single: Patches,
    box: tuple[Array, Array],
    least_mm: float,
) -> _Figure:
    met = stone.meet(mesh.places, mesh.needles)
    low, high = box
    corners = np.array([[(low, high)[k >> a & 1][a] for a in range(3)] for k in range(8)])
    middle = 0.5 * (low + high)
    both = (mesh, single)
    normal = np.where(met.known[:, None], met.normal, mesh.needles)
    return _Figure(
        stone=stone,
        places=np.concatenate([part.places for part in both]),
        needles=np.concatenate([part.needles for part in both]),
        foot=np.concatenate([p.places + p.left_mm[:, None] * p.needles for p in both]),
        normal=np.concatenate([normal, single.needles]),
        u95_mm=np.concatenate([part.u95_mm for part in both]),
        open_floor=np.concatenate([part.open_floor for part in both]),
        mesh_count=len(mesh.places),
        middle=middle,
        arms=corners - middle,
        least_mm=least_mm,
    )


def _result(figure: _Figure, before: _Stand, after: _Stand, demand: Demand, steps: int) -> Rescue:
    R = rotation.exp(after.w)
    spare = after.left_mm - after.u95_mm
    tightest = int(np.argmin(spare))
    shift, turn = float(np.linalg.norm(after.t)), float(np.linalg.norm(after.w))
    promised = after.known & before.known
    return Rescue(
        possible=bool(after.slack.min() >= -MET_MM),
        R=R,
        t=figure.middle + after.t - R @ figure.middle,
        farthest_mm=float(np.linalg.norm(figure.come(after.w, after.t), axis=1).max()),
        shift_mm=shift,
        turn_deg=float(np.degrees(turn)),
        tightest_mm=float(after.left_mm[tightest]),
        tightest_u95_mm=float(after.u95_mm[tightest]),
        tightest_place=figure.places[tightest],
        before_mm=float((before.left_mm - before.u95_mm).min()),
        broken_before=int((before.slack < -MET_MM).sum()),
        promised_share=float(promised.mean()),
        open_floors=int(figure.open_floor.sum()),
        at_limit=bool(shift > demand.most_shift_mm - 0.01 or turn > demand.most_turn_rad - 1e-4),
        steps=steps,
    )
