"""The triangle of the seats measured twice: the wrong one is named.

Lengths by hand: seats (0,0,0), (300,0,0), (0,400,0) have the sides 300, 500, 400.
"""

from __future__ import annotations

import numpy as np
import pytest

from tracker.maths.camera import Array
from tracker.maths.rotation import exp
from tracker.seats import compare_triangles, side_lengths

SEATS = np.array([[0.0, 0.0, 0.0], [300.0, 0.0, 0.0], [0.0, 400.0, 0.0]])
COV = 0.03**2 * np.eye(9)
TURN = exp(np.array([0.3, -0.8, 0.5]))


def elsewhere(seats: Array) -> Array:
    """The same seats in other coordinates."""
    return seats @ TURN.T + [10.0, -50.0, 7.0]


def test_sides_by_hand() -> None:
    assert side_lengths(SEATS) == pytest.approx([300.0, 500.0, 400.0])


def test_same_triangle_in_other_coordinates_and_at_another_scale() -> None:
    check = compare_triangles(SEATS, COV, elsewhere(SEATS / 1.5), scale=1.5)
    assert check.same
    assert check.found_mm == pytest.approx(check.wanted_mm)
    # both ends of a side: .06 mm here, .3 mm at two thirds the size there, U95 each coordinate
    assert check.u95_mm == pytest.approx(np.sqrt(2 * 0.06**2 + 2 * (1.5 * 0.3) ** 2))


@pytest.mark.parametrize("seat", [1, 2, 3])
def test_wrong_seat_is_named(seat: int) -> None:
    there = SEATS.copy()
    there[seat - 1] += 4.0 * np.array([[-0.6, -0.8, 0], [1, 0.2, 0], [0.1, 1, 0]])[seat - 1]
    verdict = compare_triangles(SEATS, COV, elsewhere(there)).verdict
    assert verdict.startswith(f"seat {seat} is wrong")


def test_wrong_side_is_named() -> None:
    # seat 3 goes round seat 1: only its distance from seat 2 changes
    there = SEATS.copy()
    there[2] = exp(np.array([0.0, 0.0, 0.02])) @ SEATS[2]
    verdict = compare_triangles(SEATS, COV, elsewhere(there)).verdict
    assert verdict.startswith("the side from seat 2 to seat 3 is wrong")


def test_wrong_scale_is_named() -> None:
    verdict = compare_triangles(SEATS, COV, elsewhere(SEATS), scale=1.02).verdict
    assert "-1.96 % off: not a seat but the scale is wrong" in verdict


def test_seats_in_each_others_place_are_named() -> None:
    verdict = compare_triangles(SEATS, COV, elsewhere(SEATS[[2, 1, 0]])).verdict
    assert verdict == "seats 1 and 3 stand in each other's place: swap them"


def test_mirrored_triangle_has_the_same_sides() -> None:
    # three sides cannot tell a mirror image: the survey's own check of what is up does
    assert compare_triangles(SEATS, COV, SEATS * [1.0, -1.0, 1.0]).same
