"""A named point is given a figure only where enough of the places round about have one."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from tracker.comparison.agreement import AROUND_MM, BORNE_OUT, borne_out
from tracker.comparison.readings import Readings
from tracker.maths.camera import Array

UP = np.array([0.0, 0.0, 1.0])


def readings(points: Array, needle: Array, seen: NDArray[np.bool_]) -> Readings:
    n = len(points)
    return Readings(
        points, np.tile(needle, (n, 1)), seen, np.zeros(n), np.zeros(n, dtype=bool), np.zeros(n),
        np.full((n, 4), 0.01), np.full(n, 5), np.zeros(n, dtype=np.int64),
    )  # fmt: skip


def lattice() -> Array:
    at = np.arange(-10.0, 10.1, 2.0)
    x, y = (q.ravel() for q in np.meshgrid(at, at))
    return np.stack([x, y, np.zeros(len(x))], axis=1)


POINT = readings(np.array([[0.3, 0.2, 0.0]]), UP, np.ones(1, dtype=bool))


@pytest.mark.parametrize("spare", [-1, 0, 1])
def test_the_share_of_places_round_about_decides(spare: int) -> None:
    points = lattice()
    near = np.flatnonzero(np.linalg.norm(points - POINT.points[0], axis=1) <= AROUND_MM)
    enough = int(np.ceil(BORNE_OUT * len(near)))
    seen = np.zeros(len(points), dtype=bool)
    seen[near[: enough + spare]] = True
    assert borne_out(POINT, readings(points, UP, seen))[0] == (spare >= 0)


def test_the_other_side_of_a_thin_form_does_not_count() -> None:
    points = lattice()
    yes = np.ones(len(points), dtype=bool)
    assert not borne_out(POINT, readings(points, -UP, yes))[0]
    far = readings(points + [40.0, 0.0, 0.0], UP, yes)
    assert not borne_out(POINT, far)[0]


def test_nothing_round_about() -> None:
    none = readings(np.zeros((0, 3)), UP, np.zeros(0, dtype=bool))
    assert not borne_out(POINT, none)[0]
