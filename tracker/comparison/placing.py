"""Where in the block the model should stand so that the least stone over it is most.

Stone over a place is told by plane faces of the block: a place at p, moved by a small turn w about
the model's middle c and a shift t, has ``s - a . (t + w x (p - c))`` of stone left in the outward
direction a, if it had s before. The placing that leaves most is the linear programme

    maximise m  subject to  m <= s_i - a_i . (t + w x (p_i - c))  for every place i,
                            |w| <= most turn, |t| <= most shift.

For a block with square faces the turn need not stay small: the programme is solved again about each
new placing (sequential linear programming with a trust region), where the shift is exact and only
the turn is linearised; a step is kept only if the stone, measured anew, grew. Because turns have
several best placings it starts from many.

References
----------
R. Fletcher, "Practical Methods of Optimization", 2nd ed. (1987), sections 12.4 and 14.5 (sequential
linear programming, trust region).
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog
from scipy.spatial import ConvexHull

from tracker.errors import InputError
from tracker.maths.camera import Array
from tracker.maths.rotation import exp

FIRST_TURN_RAD, LAST_TURN_RAD = 0.3, 1e-5
GROWTH_MM = 1e-5
MOST_ROUNDS, ROW_MM = 60, 1e-6
UPRIGHT_STARTS = 13
CLIMBED = 8
"""Of all starts, those that leave most stone as they are."""
TILTED_STARTS_RAD = (0.0, np.pi / 4.0)


@dataclass(frozen=True, slots=True)
class StoneOver:
    """Stone over places of the model, n of them.

    Attributes
    ----------
    places : (n, 3) array, mm
    outward : (n, 3) array, unit
        The direction in which the stone was measured.
    stone_mm : (n,) array
    """

    places: Array
    outward: Array
    stone_mm: Array


@dataclass(frozen=True, slots=True)
class SmallMove:
    """A small move of the model: ``p + shift + turn x (p - about)``.

    Attributes
    ----------
    shift_mm, turn_rad, about : (3,) arrays
    least_mm : float
        Least stone over any place after it.
    tightest : (k,) int array
        Rows of the places that hold it there, the one that matters most first.
    """

    shift_mm: Array
    turn_rad: Array
    about: Array
    least_mm: float
    tightest: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Placing:
    """A model in a block with square faces: ``p_block = R p + t``.

    Attributes
    ----------
    R : (3, 3) array
    t : (3,) array, mm
        Block coordinates run along the block's edges from its lower left front corner.
    spare_mm : (3, 2) array
        Least stone before the low and the high face along each edge.
    touching : (3, 2, 3) array, mm
        The places of the model, in its own coordinates, that are nearest to those faces.
    """

    R: Array
    t: Array
    spare_mm: Array
    touching: Array

    @property
    def least_mm(self) -> float:
        """Least stone over the model; negative where it stands out of the block."""
        return float(self.spare_mm.min())


def best_small_move(stone: StoneOver, most_shift_mm: float, most_turn_rad: float) -> SmallMove:
    """The small move that leaves most stone over the place that has least.

    Parameters
    ----------
    most_shift_mm, most_turn_rad : float
        Bounds of each coordinate of shift and turn.

    Raises
    ------
    InputError
        No place to go by.
    """
    if not len(stone.places):
        raise InputError(
            "There is no place whose stone is known.", "Photograph the block and add the stage."
        )
    about = 0.5 * (stone.places.min(axis=0) + stone.places.max(axis=0))
    arms = stone.places - about
    size = max(float(np.linalg.norm(arms, axis=1).max()), 1.0)
    # unknowns: shift, turn x size (so that all are millimetres), m
    rows = np.concatenate(
        [stone.outward, np.cross(arms, stone.outward) / size, np.ones((len(arms), 1))], axis=1
    )
    bounds = [(-most_shift_mm, most_shift_mm)] * 3 + [
        (-most_turn_rad * size, most_turn_rad * size)
    ] * 3
    found = linprog(
        np.append(np.zeros(6), -1.0), A_ub=rows, b_ub=stone.stone_mm,
        bounds=[*bounds, (None, None)], method="highs",
    )  # fmt: skip
    if found.status != 0:
        raise InputError(
            f"No placing could be worked out ({found.message}).", "Check the size of the block."
        )
    force, x = -np.asarray(found.ineqlin.marginals), np.asarray(found.x)
    held = np.argsort(-force, kind="stable")
    return SmallMove(
        x[:3], x[3:6] / size, about, float(x[6]),
        np.asarray(held[force[held] > 1e-9], dtype=np.int64),
    )  # fmt: skip


def as_it_stands(points: Array, block_mm: Array, R: Array | None = None) -> Placing:
    """The model in the middle of the block, turned by R (by default not at all): exact.

    Parameters
    ----------
    points : (n, 3) array, mm
        Places of the model; its convex hull's are enough.
    block_mm : (3,) array
    """
    R = np.eye(3) if R is None else R
    turned = points @ R.T
    low, high = turned.min(axis=0), turned.max(axis=0)
    spare = 0.5 * (block_mm - (high - low))
    touching = np.stack([points[turned.argmin(axis=0)], points[turned.argmax(axis=0)]], axis=1)
    return Placing(R, spare - low, np.stack([spare, spare], axis=1), touching)


def best_upright(points: Array, block_mm: Array) -> Placing:
    """The best placing with the model's z along the block's: shifted, and turned about z."""
    hull = _hull(points)
    angles = np.pi * np.arange(UPRIGHT_STARTS) / UPRIGHT_STARTS
    starts = [exp(np.array([0.0, 0.0, angle])) for angle in angles]
    return _best(hull, block_mm, starts, (False, False, True))


def best_of_all(points: Array, block_mm: Array) -> Placing:
    """The best placing with the model turned any way."""
    hull = _hull(points)
    starts: list[Array] = []
    for tilt in itertools.product(TILTED_STARTS_RAD, repeat=3):
        about_x, about_y, about_z = (exp(a * e) for a, e in zip(tilt, np.eye(3), strict=True))
        starts += [face @ about_z @ about_y @ about_x for face in _faces_down()]
    return _best(hull, block_mm, starts, (True, True, True))


def _faces_down() -> list[Array]:
    """The turns that give the block's edges another order: six of the cube's twenty-four.

    The other eighteen turn a block with square faces onto itself.
    """
    turns: list[Array] = []
    for order in itertools.permutations(range(3)):
        R = np.eye(3)[list(order)]
        turns.append(R * np.linalg.det(R))
    return turns


def _best(
    hull: Array, block_mm: Array, starts: list[Array], free: tuple[bool, bool, bool]
) -> Placing:
    best = as_it_stands(hull, block_mm, starts[0])
    least = [as_it_stands(hull, block_mm, start).least_mm for start in starts]
    for k in np.argsort(-np.array(least), kind="stable")[:CLIMBED]:
        found = _climb(hull, block_mm, starts[k], free)
        if found.least_mm > best.least_mm + GROWTH_MM:
            best = found
    return best


def _climb(hull: Array, block_mm: Array, R: Array, free: tuple[bool, bool, bool]) -> Placing:
    """From one placing uphill, until no turn leaves more stone."""
    here = as_it_stands(hull, block_mm, R)
    trust = FIRST_TURN_RAD
    while trust > LAST_TURN_RAD:
        w, promised = _turn(hull @ here.R.T, block_mm, trust, free)
        there = as_it_stands(hull, block_mm, exp(w) @ here.R)
        if there.least_mm > here.least_mm + GROWTH_MM:
            good = there.least_mm - here.least_mm > 0.5 * (promised - here.least_mm)
            here, trust = there, trust if good else 0.5 * trust
        else:
            trust *= 0.25
    return here


def _turn(
    turned: Array, block_mm: Array, trust: float, free: tuple[bool, bool, bool]
) -> tuple[Array, float]:
    """Turn within the trust region that leaves most by the linear programme, and how much.

    Of the rows only those that hold the model are handed over: first the outermost place before
    each face, then, as long as there is one, the place that the solution carries too far out.
    """
    arms = turned - 0.5 * (turned.min(axis=0) + turned.max(axis=0))
    bounds = [(None, None)] * 3 + [(-trust, trust) if ok else (0.0, 0.0) for ok in free]
    rows: list[Array] = []
    stone: list[float] = []
    shift, w, promised = np.zeros(3), np.zeros(3), np.inf
    for _ in range(MOST_ROUNDS):
        moved = arms + np.cross(w, arms) + shift
        added = False
        for axis in range(3):
            for sign in (-1.0, 1.0):
                k = int(np.argmax(sign * moved[:, axis]))
                if 0.5 * block_mm[axis] - sign * moved[k, axis] < promised - ROW_MM:
                    a = sign * np.eye(3)[axis]
                    rows.append(np.concatenate([a, np.cross(arms[k], a), [1.0]]))
                    stone.append(0.5 * block_mm[axis] - sign * arms[k, axis])
                    added = True
        if not added:
            break
        found = linprog(
            np.append(np.zeros(6), -1.0), A_ub=np.array(rows), b_ub=np.array(stone),
            bounds=[*bounds, (None, None)], method="highs",
        )  # fmt: skip
        if found.status != 0:
            return np.zeros(3), -np.inf
        x = np.asarray(found.x)
        shift, w, promised = x[:3], x[3:6], float(x[6])
    return w, promised


def _hull(points: Array) -> Array:
    return np.asarray(points[ConvexHull(points).vertices])
