"""The triangle of the seats, measured twice: on the model and on the block, or on both surveys.

The frame stands in both, so the sides must be the same (times the scale of the copy). A seat that
is off changes the two sides that meet in it; a wrong scale changes all three alike.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import permutations

import numpy as np

from tracker.maths.camera import Array

SIDES = ((0, 1), (1, 2), (2, 0))
ALIKE = 0.1
"""Ratios of the three sides that lie this near each other, as a share of their deviation from 1,
speak of the scale."""


@dataclass(frozen=True, slots=True)
class TriangleCheck:
    """Sides 1-2, 2-3, 3-1 as measured against what they should be.

    Attributes
    ----------
    found_mm, wanted_mm, u95_mm : (3,) arrays
        u95 of the difference.
    verdict : str
        What is wrong and what to do; empty when the triangles are the same.
    """

    found_mm: Array
    wanted_mm: Array
    u95_mm: Array
    verdict: str

    @property
    def same(self) -> bool:
        """Whether all three sides agree within their uncertainty."""
        return not self.verdict


def compare_triangles(
    seats: Array, cov_seats: Array, others: Array, scale: float = 1.0, others_u95_mm: float = 0.3
) -> TriangleCheck:
    """The same seats measured twice.

    Parameters
    ----------
    seats : (3, 3) array, mm, any coordinates
    cov_seats : (9, 9) array, mm^2
    others : (3, 3) array, mm, any coordinates of their own
    scale : float
        Of the copy: these over the others.
    others_u95_mm : float
        How well each coordinate of the others is known, at their own size.
    """
    found, wanted = side_lengths(seats), scale * side_lengths(others)
    sigma2 = _side_variances(seats, cov_seats)
    other_cov = (0.5 * scale * others_u95_mm) ** 2 * np.eye(9)
    sigma2 = sigma2 + _side_variances(scale * others, other_cov)
    u95 = 2.0 * np.sqrt(sigma2)
    return TriangleCheck(found, wanted, u95, _verdict(seats, scale * others, found, wanted, u95))


def side_lengths(seats: Array) -> Array:
    """Sides 1-2, 2-3, 3-1, (3,), mm."""
    return np.array([float(np.linalg.norm(seats[b] - seats[a])) for a, b in SIDES])


def _side_variances(seats: Array, cov: Array) -> Array:
    out = []
    for a, b in SIDES:
        way = (seats[b] - seats[a]) / np.linalg.norm(seats[b] - seats[a])
        J = np.zeros(9)
        J[3 * a : 3 * a + 3], J[3 * b : 3 * b + 3] = -way, way
        out.append(float(J @ cov @ J))
    return np.array(out)


def _verdict(seats: Array, others: Array, found: Array, wanted: Array, u95: Array) -> str:
    off = np.abs(found - wanted) > u95
    if not off.any():
        return ""
    swapped = _swap(seats, others, u95)
    if swapped:
        return f"seats {swapped[0]} and {swapped[1]} stand in each other's place: swap them"
    ratio = found / wanted
    mean = float(ratio.mean())
    if off.all() and np.ptp(ratio) < ALIKE * abs(mean - 1.0):
        return (
            f"all three sides are {100.0 * (mean - 1.0):+.2f} % off: not a seat but the scale is "
            "wrong. Check --scale, the bars, and the sheet's line"
        )
    if off.sum() == 2:
        seat = ({0, 1, 2} - set(SIDES[int(np.flatnonzero(~off)[0])])).pop() + 1
        return f"seat {seat} is wrong: both sides that meet in it are off, the third is right"
    if off.sum() == 1:
        a, b = (k + 1 for k in SIDES[int(np.flatnonzero(off)[0])])
        return f"the side from seat {a} to seat {b} is wrong: check these two dimples"
    worst = int(np.argmin(np.abs(found - wanted) / u95))
    seat = ({0, 1, 2} - set(SIDES[worst])).pop() + 1
    return f"all three sides are off, least the one away from seat {seat}: check that seat first"


def _swap(seats: Array, others: Array, u95: Array) -> tuple[int, int] | None:
    """The two seats whose exchange makes the triangles the same."""
    for order in permutations(range(3)):
        moved = [k for k in range(3) if order[k] != k]
        if len(moved) != 2:
            continue
        if (np.abs(side_lengths(seats) - side_lengths(others[list(order)])) <= u95).all():
            return moved[0] + 1, moved[1] + 1
    return None
