"""Stone that went between two days: exact shells, and errors that cover what they should."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from tracker.comparison.on_vertices import VertexReadings, stone_surface
from tracker.comparison.removed import (
    WORST,
    ErrorShares,
    columns,
    error_shares,
    removed,
    seen_by_all,
    standing,
)
from tracker.comparison.sides import Side, side_of
from tracker.comparison.volume import solid_volume_mm3
from tracker.maths.camera import Array
from tracker.surface import Surface

RADIUS_MM = 50.0


def ball() -> Surface:
    mesh = trimesh.creation.icosphere(3, RADIUS_MM)
    return Surface(np.asarray(mesh.vertices), np.asarray(mesh.faces, dtype=np.int64))


BALL = ball()
ALL = np.ones(len(BALL.vertices), bool)


def readings(left: Array, u95: float = 0.2, at_least: Array | None = None) -> VertexReadings:
    seen = np.isfinite(left)
    bound = np.zeros(len(left), bool) if at_least is None else at_least
    return VertexReadings(left, np.where(seen, u95, np.nan), seen, bound)


def everywhere(mm: float) -> VertexReadings:
    return readings(np.full(len(BALL.vertices), mm))


def shell(outer: float, inner: float) -> float:
    return 4.0 / 3.0 * np.pi * ((RADIUS_MM + outer) ** 3 - (RADIUS_MM + inner) ** 3)


@pytest.mark.parametrize(("before", "after"), [(10.0, 4.0), (3.0, 0.2), (1.0, -0.8)])
def test_a_shell_that_went_has_its_volume(before: float, after: float) -> None:
    amount = removed(columns(BALL, everywhere(before)), columns(BALL, everywhere(after)), ALL)
    # columns stand on the facets, which lie inside the ball and are cut off at their own height
    assert amount.mm3 == pytest.approx(shell(before, after), rel=0.015)
    solids = [solid_volume_mm3(stone_surface(BALL, everywhere(mm))) for mm in (before, after)]
    assert amount.mm3 == pytest.approx(solids[0] - solids[1], rel=0.015)
    assert amount.compared_share == pytest.approx(1.0)
    assert not amount.at_least


def test_sides_add_up_to_the_whole() -> None:
    rng = np.random.default_rng(3)
    days = [columns(BALL, readings(rng.uniform(0.0, 8.0, len(ALL)))) for _ in range(2)]
    side = side_of(BALL.vertices, BALL.box)
    parts = [removed(*days, side == one).mm3 for one in Side]
    assert sum(parts) == pytest.approx(removed(*days, ALL).mm3, rel=1e-12)


def test_sides_are_those_of_one_who_stands_before_seats_1_and_2() -> None:
    box = (np.array([0.0, 0.0, 0.0]), np.array([100.0, 80.0, 300.0]))
    middle = np.array([50.0, 40.0, 150.0])
    outward = [[0, -39, 0], [49, 0, 0], [0, 39, 0], [-49, 0, 0], [0, 0, 149], [0, 0, -149]]
    places = middle + np.array(outward, float)
    assert [Side(k).label for k in side_of(places, box)] == [
        *("front", "right", "back", "left", "top", "bottom")
    ]


def test_only_places_that_both_days_saw_count() -> None:
    before, after = np.full(len(ALL), 5.0), np.full(len(ALL), 2.0)
    east = BALL.vertices[:, 0] > 0.0
    after[~east] = np.nan
    amount = removed(columns(BALL, readings(before)), columns(BALL, readings(after)), ALL)
    assert amount.compared_share == pytest.approx(0.5, abs=0.06)
    assert amount.mm3 == pytest.approx(amount.compared_share * shell(5.0, 2.0), rel=0.02)
    none = removed(columns(BALL, readings(before)), columns(BALL, readings(after)), ~east)
    assert (none.mm3, none.u95_mm3, none.compared_share) == (0.0, 0.0, 0.0)


def test_a_bound_before_is_a_bound_of_what_went_and_a_bound_today_tells_nothing() -> None:
    left = np.full(len(ALL), 25.0)
    bound = BALL.vertices[:, 2] > 0.0
    deep = columns(BALL, readings(left, at_least=bound))
    then = columns(BALL, everywhere(5.0))
    assert removed(deep, then, ALL).at_least
    assert removed(deep, then, ALL).compared_share == pytest.approx(1.0)
    again = removed(then, deep, ALL)
    assert not again.at_least
    assert again.compared_share == pytest.approx(0.5, abs=0.06)
    assert not np.any(seen_by_all([then, deep]) & bound)


@pytest.mark.parametrize("together", [0.0, 0.3, 1.0])
def test_u95_covers_the_truth_at_its_rate(together: float) -> None:
    rng = np.random.default_rng(11)
    shares = ErrorShares(together, 1.0 - together)
    exact = [columns(BALL, everywhere(mm)) for mm in (3.0, 1.0)]
    sigma, true = 0.1, removed(*exact, ALL).mm3
    inside = []
    for _ in range(40):
        days = []
        for mm in (3.0, 1.0):
            error = np.sqrt(together) * rng.normal() + np.sqrt(1.0 - together) * rng.normal(
                size=len(ALL)
            )
            left = readings(mm + sigma * error, 2.0 * sigma)
            days.append(columns(BALL, left, shares))
        amount = removed(*days, ALL)
        inside.append(abs(amount.mm3 - true) <= amount.u95_mm3)
    assert np.mean(inside) >= 0.9


def test_errors_of_one_day_add_up_but_the_models_own_cancel() -> None:
    parts = {"surface": 0.3, "network": 0.0, "frame": 0.4, "model": 1.2}
    shares = error_shares([parts, parts])
    assert (shares.together, shares.alone) == pytest.approx((0.16 / 1.69, 0.09 / 1.69))
    assert error_shares([]) == WORST
    day = columns(BALL, everywhere(0.0), ErrorShares(1.0, 0.0))
    assert standing(day, ALL).u95_mm3 == pytest.approx(0.2 * BALL.face_areas_mm2.sum(), rel=1e-6)
