"""Placing in the block: known answers on simple solids, and scipy's own solvers as judges."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import linprog, minimize
from scipy.spatial.transform import Rotation

from tests.job_files import ball_surface
from tracker.comparison.placing import (
    StoneOver,
    as_it_stands,
    best_of_all,
    best_small_move,
    best_upright,
)
from tracker.errors import InputError
from tracker.records.block_fit import fit_into_block, fit_words
from tracker.records.entries import Points

CORNERS = np.array([[x, y, z] for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)], float)


def random_stone(seed: int) -> StoneOver:
    rng = np.random.default_rng(seed)
    outward = rng.normal(size=(80, 3))
    outward /= np.linalg.norm(outward, axis=1, keepdims=True)
    places = outward * rng.uniform(60.0, 100.0, (80, 1)) + [30.0, -20.0, 50.0]
    return StoneOver(places, outward, rng.uniform(-1.0, 20.0, 80))


def stone_after(stone: StoneOver, x: np.ndarray, about: np.ndarray) -> np.ndarray:
    come = x[:3] + np.cross(x[3:], stone.places - about)
    return stone.stone_mm - np.einsum("nd,nd->n", stone.outward, come)


@pytest.mark.parametrize("seed", range(5))
def test_the_optimum_is_that_of_two_other_solvers(seed: int) -> None:
    stone = random_stone(seed)
    shift, turn = 10.0, np.radians(5.0)
    found = best_small_move(stone, shift, turn)
    x = np.concatenate([found.shift_mm, found.turn_rad])
    after = stone_after(stone, x, found.about)
    np.testing.assert_allclose(after.min(), found.least_mm, atol=1e-7)
    assert np.abs(found.shift_mm).max() <= shift + 1e-9
    assert np.abs(found.turn_rad).max() <= turn + 1e-9
    # the same programme in radians about the origin, by scipy's dual simplex
    arms = stone.places - found.about
    A = np.concatenate([stone.outward, np.cross(arms, stone.outward), np.ones((80, 1))], axis=1)
    bounds = [(-shift, shift)] * 3 + [(-turn, turn)] * 3 + [(None, None)]
    cost = np.append(np.zeros(6), -1.0)
    judge = linprog(cost, A_ub=A, b_ub=stone.stone_mm, bounds=bounds, method="highs-ds")
    np.testing.assert_allclose(found.least_mm, -judge.fun, rtol=1e-6, atol=1e-6)
    # and by sequential quadratic programming, which is no linear solver at all
    scaled = A * np.array([1, 1, 1, 0.01, 0.01, 0.01, 1])
    walls = [(-shift, shift)] * 3 + [(-100 * turn, 100 * turn)] * 3 + [(None, None)]
    other = minimize(
        lambda y: -y[6], np.append(np.zeros(6), stone.stone_mm.min()), jac=lambda y: cost,
        bounds=walls, method="SLSQP", options={"maxiter": 300, "ftol": 1e-10},
        constraints={"type": "ineq", "fun": lambda y: stone.stone_mm - scaled @ y,
                     "jac": lambda y: -scaled},
    )  # fmt: skip
    np.testing.assert_allclose(found.least_mm, -other.fun, atol=1e-4)


def test_the_tightest_places_are_those_that_hold_it() -> None:
    stone = random_stone(7)
    found = best_small_move(stone, 10.0, 0.05)
    after = stone_after(stone, np.concatenate([found.shift_mm, found.turn_rad]), found.about)
    assert len(found.tightest) >= 1
    np.testing.assert_allclose(after[found.tightest], found.least_mm, atol=1e-6)


def test_a_shift_is_found_where_only_a_shift_is_needed() -> None:
    # a ball set 3 mm to the right: 3 mm less stone on its right side, 3 mm more on its left
    outward = Rotation.random(200, rng=np.random.default_rng(2)).apply([1.0, 0.0, 0.0])
    stone = StoneOver(100.0 * outward, outward, 8.0 - 3.0 * outward[:, 0])
    found = best_small_move(stone, 20.0, 0.1)
    middle = found.shift_mm + np.cross(found.turn_rad, -found.about)  # how the ball's middle goes
    np.testing.assert_allclose(middle, [-3.0, 0.0, 0.0], atol=1e-6)
    np.testing.assert_allclose(found.least_mm, 8.0, atol=1e-6)


def test_nothing_known_is_said() -> None:
    nothing = StoneOver(np.zeros((0, 3)), np.zeros((0, 3)), np.zeros(0))
    with pytest.raises(InputError, match="no place whose stone is known"):
        best_small_move(nothing, 1.0, 0.1)


def test_a_box_in_a_box() -> None:
    # sides 100, 60, 40 in 140 x 90 x 60: (140 - 100, 90 - 60, 60 - 40) / 2, the least is 10
    box = CORNERS * [50.0, 30.0, 20.0] + [7.0, -3.0, 900.0]
    block = np.array([140.0, 90.0, 60.0])
    standing = as_it_stands(box, block)
    np.testing.assert_allclose(standing.spare_mm, [[20, 20], [15, 15], [10, 10]])
    moved = box @ standing.R.T + standing.t
    np.testing.assert_allclose(moved.min(axis=0), [20.0, 15.0, 10.0])
    # given the block on end, the same stone is found by turning the box
    on_end = best_of_all(box, block[[2, 0, 1]])
    np.testing.assert_allclose(on_end.least_mm, 10.0, atol=1e-6)
    np.testing.assert_allclose(np.linalg.det(on_end.R), 1.0)


def test_a_skew_box_is_turned_straight() -> None:
    straight = CORNERS * [50.0, 30.0, 20.0]
    block = np.array([140.0, 90.0, 60.0])
    about_z = straight @ Rotation.from_euler("z", 25.0, degrees=True).as_matrix().T
    np.testing.assert_allclose(best_upright(about_z, block).least_mm, 10.0, atol=1e-5)
    skew = straight @ Rotation.from_euler("xyz", [10, -12, 25], degrees=True).as_matrix().T
    assert best_upright(skew, block).least_mm < 9.0
    np.testing.assert_allclose(best_of_all(skew, block).least_mm, 10.0, atol=1e-5)


def test_a_long_rod_lies_along_the_diagonal() -> None:
    # a rod of length L, no thickness, in a cube of side B: its largest extent is least along the
    # space diagonal, where it is L / sqrt(3) on every edge
    rng = np.random.default_rng(5)
    rod = np.linspace(-75.0, 75.0, 30)[:, None] * [0.0, 0.0, 1.0]
    rod += rng.normal(scale=1e-3, size=rod.shape)
    found = best_of_all(rod, np.full(3, 120.0))
    np.testing.assert_allclose(found.least_mm, 0.5 * (120.0 - 150.0 / np.sqrt(3.0)), atol=0.01)
    assert as_it_stands(rod, np.full(3, 120.0)).least_mm < -14.0


def test_a_square_plate_in_a_square_block_has_the_most_stone_when_square() -> None:
    plate = CORNERS * [40.0, 40.0, 2.0]
    turned = plate @ Rotation.from_euler("z", 45.0, degrees=True).as_matrix().T
    block = np.array([100.0, 100.0, 40.0])
    assert as_it_stands(turned, block).least_mm < -6.0
    np.testing.assert_allclose(best_upright(turned, block).least_mm, 10.0, atol=1e-5)


def test_the_seats_on_the_block() -> None:
    model = ball_surface()  # radius 100 about (150, 120, -60)
    seats = np.array([[0.0, 0.0, 0.0], [300.0, 0.0, 0.0], [0.0, 240.0, 0.0]])
    fit = fit_into_block(model, np.array([240.0, 230.0, 220.0]), 5.0, seats)
    assert fit.goes_in
    np.testing.assert_allclose(fit.chosen.least_mm, 10.0, atol=0.1)
    # whatever the turn, the seats keep their triangle and their places on the model
    assert fit.seats_mm is not None
    np.testing.assert_allclose(np.linalg.norm(fit.seats_mm[1] - fit.seats_mm[0]), 300.0, atol=1e-9)
    middle = np.array([150.0, 120.0, -60.0]) @ fit.chosen.R.T + fit.chosen.t
    np.testing.assert_allclose(middle, [120.0, 115.0, 110.0], atol=0.2)
    said = " ".join(fit_words(fit, Points.none()))
    assert "goes into the block of 240 x 230 x 220 mm" in said
    assert "seat 3:" in said


def test_a_block_that_is_too_small_is_told_by_how_much() -> None:
    fit = fit_into_block(ball_surface(), np.array([240.0, 230.0, 190.0]), 5.0, None)
    assert not fit.goes_in
    said = " ".join(fit_words(fit, Points.none()))
    assert "does not go into the block" in said
    assert "stands out of it by 5.0 mm" in said
    assert "seats are not on record" in said
    tight = fit_into_block(ball_surface(), np.array([240.0, 230.0, 206.0]), 5.0, None)
    assert "only with 3.0 mm of stone at the tightest place" in fit_words(tight, Points.none())[0]


@pytest.mark.parametrize(
    ("block", "allowance", "said"),
    [
        ((0.0, 200.0, 200.0), 5.0, "A block of 0 x 200 x 200 mm is impossible"),
        ((np.nan, 200.0, 200.0), 5.0, "A block of nan"),
        ((200.0, 200.0, 200.0), -1.0, "An allowance of -1 mm"),
        ((200.0, 200.0, 200.0), 150.0, "An allowance of 150 mm"),
    ],
)
def test_blocks_that_cannot_be(
    block: tuple[float, float, float], allowance: float, said: str
) -> None:
    with pytest.raises(InputError, match=said):
        fit_into_block(ball_surface(), np.array(block), allowance, None)
