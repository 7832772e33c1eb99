"""Points proposed on forms whose summits, overhangs and holes are known."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
import trimesh
from scipy.spatial import cKDTree

from tests.forms import BALL_MM, BOSS_HEIGHTS_MM, ball_with_bosses, shell_with_hole, surface_of
from tracker.errors import InputError
from tracker.pointing.even_places import surface_graph
from tracker.pointing.high_points import find_high_points
from tracker.pointing.needle_way import LENGTH_MM, needle_ways, way_is_free
from tracker.pointing.places import base_height_mm, open_edges, places_of
from tracker.pointing.propose import Proposal, propose_places
from tracker.surface import Surface

NONE = np.zeros((0, 3))


@lru_cache(maxsize=1)
def on_bosses() -> tuple[Surface, np.ndarray, Proposal]:
    surface, summits = ball_with_bosses()
    return surface, summits, propose_places(surface, 40, NONE)


def test_summits_come_first_and_all_of_them() -> None:
    _, summits, proposal = on_bosses()
    count = len(BOSS_HEIGHTS_MM)
    first = proposal.points[:count] / np.linalg.norm(proposal.points[:count], axis=1)[:, None]
    away = np.degrees(np.arccos(np.clip(first @ summits.T, -1.0, 1.0)))
    assert sorted(away.argmin(axis=1)) == list(range(count))
    assert away.min(axis=1).max() < 4.0
    assert proposal.high.tolist() == [True] * count + [False] * (40 - count)


@pytest.mark.parametrize(
    "form", [trimesh.creation.icosphere(4, BALL_MM), trimesh.creation.torus(80.0, 25.0)]
)
def test_a_ball_and_a_ring_have_no_summit(form: trimesh.Trimesh) -> None:
    surface = surface_of(form)
    assert len(find_high_points(surface, places_of(surface, 4.0)).points) == 0


def test_upper_corners_of_a_block_are_summits_and_its_base_carries_no_point() -> None:
    block = trimesh.creation.box((200.0, 150.0, 100.0)).subdivide_to_size(25.0)
    surface = surface_of(block)
    assert base_height_mm(surface) == -50.0
    proposal = propose_places(surface, 40, NONE)
    corners = np.array([[x, y, 50.0] for x in (-100, 100) for y in (-75, 75)])
    away, _ = cKDTree(proposal.points[proposal.high]).query(corners)
    assert away.max() < 4.0
    assert proposal.high.sum() == 4
    assert proposal.points[:, 2].min() > -49.0


def test_the_rest_is_spread_evenly() -> None:
    _, _, proposal = on_bosses()
    rest = proposal.points[~proposal.high]
    gaps = cKDTree(proposal.points).query(rest, k=2)[0][:, 1]
    assert gaps.min() >= 0.7 * gaps.mean()
    assert 0.8 * proposal.gap_mm < gaps.min() <= proposal.gap_mm
    # nowhere is there a gap in the net: every place has a point within the smallest distance
    places = places_of(on_bosses()[0], 6.0).samples.points
    assert cKDTree(proposal.points).query(places)[0].max() < 1.1 * proposal.gap_mm


def test_two_sides_of_a_thin_wing_are_told_apart() -> None:
    wing = trimesh.creation.box((150.0, 4.0, 150.0)).subdivide_to_size(10.0)
    places = places_of(surface_of(wing), 2.5)
    graph = surface_graph(places).tocoo()
    y = places.samples.points[:, 1]
    inner = np.abs(places.samples.points[:, [0, 2]]).max(axis=1) < 70.0
    crossing = inner[graph.row] & (y[graph.row] * y[graph.col] < 0.0)
    assert inner.sum() > 1000
    assert not crossing.any()


def test_more_points_leave_the_first_as_they_are() -> None:
    surface, _, proposal = on_bosses()
    more = propose_places(surface, 10, proposal.points)
    assert not more.high.any()
    gaps = cKDTree(np.concatenate([proposal.points, more.points])).query(more.points, k=2)[0][:, 1]
    assert gaps.min() > 8.0


def test_a_summit_picked_by_hand_is_not_proposed_again() -> None:
    surface, summits, proposal = on_bosses()
    picked = proposal.points[:3] + [0.5, 0.0, 0.0]
    other = propose_places(surface, 20, picked)
    assert other.high.sum() == len(summits) - 3
    assert cKDTree(picked).query(other.points)[0].min() > 10.0


def test_no_needle_runs_through_the_form() -> None:
    surface, _, proposal = on_bosses()
    rows = np.flatnonzero(proposal.reached)
    assert len(rows) > 30
    # by distances along each needle, not by rays as in the search
    for start, clear in ((0.5, 0.0), (10.0, 1.8)):
        steps = np.linspace(start, LENGTH_MM, 150)
        along = proposal.points[rows, None] + steps[:, None] * proposal.directions[rows, None]
        assert surface.signed_distance_mm(along.reshape(-1, 3)).min() > clear


def test_under_an_overhang_the_needle_leans_or_the_place_is_marked() -> None:
    cap = trimesh.creation.box((120.0, 120.0, 20.0))
    foot = trimesh.creation.box((120.0, 120.0, 20.0))
    foot.apply_translation([0.0, 0.0, -60.0])
    surface = surface_of(trimesh.util.concatenate([cap, foot]))
    up = np.array([[0.0, 0.0, 1.0]])
    place = np.array([[50.0, 0.0, -50.0]])
    assert not way_is_free(surface, place, up)[0]
    ways = needle_ways(surface, place, up)
    assert ways.reached[0]
    # out of a gap 40 mm high, 10 mm from its mouth, past the cap's upper edge 60 mm up, with the
    # needle's own 2 mm: at least atan(12 / 60), and no more than the next directions tried
    assert np.arctan(12.0 / 60.0) < ways.tilt_rad[0] < np.radians(24.0)
    deep = np.array([[0.0, 0.0, -50.0]])
    walls = trimesh.creation.box((10.0, 200.0, 200.0))
    boxed = [walls.copy().apply_translation([side * 60.0, 0.0, 0.0]) for side in (-1, 1)]
    boxed += [
        trimesh.creation.box((200.0, 10.0, 200.0)).apply_translation([0.0, s * 60.0, 0.0])
        for s in (-1, 1)
    ]
    closed = surface_of(trimesh.util.concatenate([cap, foot, *boxed]))
    ways = needle_ways(closed, deep, up)
    assert not ways.reached[0]
    np.testing.assert_array_equal(ways.directions, up)


def test_the_bench_is_in_the_way_of_a_needle_from_below() -> None:
    surface = surface_of(trimesh.creation.icosphere(3, 50.0))
    place, down = np.array([[0.0, 0.0, -50.0]]), np.array([[0.0, 0.0, -1.0]])
    assert way_is_free(surface, place, down)[0]
    ways = needle_ways(surface, place, down, bench_mm=-120.0)
    assert ways.tilt_rad[0] > np.radians(60.0)


def test_a_hole_and_its_rim_carry_no_point() -> None:
    surface = shell_with_hole()
    assert len(open_edges(surface)) > 50
    proposal = propose_places(surface, 60, NONE)
    off = np.linalg.norm(proposal.points, axis=1)
    assert off.min() > 0.99 * BALL_MM
    assert proposal.points[:, 2].max() < 60.0
    rim = surface.vertices[np.unique(open_edges(surface))]
    assert cKDTree(rim).query(proposal.points)[0].min() > 2.0


def test_more_than_the_surface_can_carry() -> None:
    surface = surface_of(trimesh.creation.icosphere(3, 20.0))
    with pytest.raises(InputError, match="no room for 100000 points") as caught:
        propose_places(surface, 100000, NONE)
    assert "or fewer" in caught.value.hint
    with pytest.raises(InputError, match=r"no room for 225 points: kept 5 mm apart, it carries"):
        propose_places(surface, 225, NONE)
