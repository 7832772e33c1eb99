"""Steps of the dense surface, where the answer is plain geometry."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from tests.forms import surface_of
from tracker.cloud.dense_agreement import agreed_claims
from tracker.cloud.dense_neighbours import height_over_neighbours
from tracker.cloud.dense_room import cast_pieces, first_room, on_cards, view_middle
from tracker.cloud.dense_surface import cut_open, poisson, set_onto, small_gaps, support
from tracker.cloud.dense_thin import thinned
from tracker.cloud.depth_crossings import pack_maps
from tracker.cloud.depth_pairs import PairMap
from tracker.maths.camera import Array, Pose
from tracker.records.mesh_holes import holes_of

BALL_MM = 40.0


def on_ball(count: int, seed: int = 2) -> tuple[Array, Array]:
    """Places spread over a ball and their normals."""
    rays = np.random.default_rng(seed).normal(size=(count, 3))
    rays /= np.linalg.norm(rays, axis=1, keepdims=True)
    return BALL_MM * rays, rays


def evenly_on_ball(count: int) -> tuple[Array, Array]:
    """The same, evenly spread along a spiral."""
    i = np.arange(count) + 0.5
    z, turn = 1.0 - 2.0 * i / count, np.pi * (1.0 + 5.0**0.5) * i
    r = np.sqrt(1.0 - z * z)
    rays = np.stack([r * np.cos(turn), r * np.sin(turn), z], axis=1)
    return BALL_MM * rays, rays


def looking(centre: Array, at: Array) -> Pose:
    z = (at - centre) / np.linalg.norm(at - centre)
    x = np.cross(z, [0.0, 0.0, 1.0])
    x /= np.linalg.norm(x)
    R = np.stack([x, np.cross(z, x), z])
    return Pose(R, -R @ centre)


def plane_map(centre_x: float, height: Array | float) -> PairMap:
    """Map of a camera that looks straight down from 400 mm onto z = height."""
    R = np.array([[1.0, 0, 0], [0, -1.0, 0], [0, 0, -1.0]])
    inverse = np.full((61, 61), 1.0 / (400.0 - np.asarray(height)), np.float32)
    # left and top so that the map's middle lies under x = y = 0
    left = 400.0 * (0.0 - centre_x) / 400.0 - 30.0
    return PairMap(
        R, np.array([centre_x, 0.0, 400.0]), 400.0, left, -30.0, inverse, 1.0 / (400.0 * 100.0)
    )


def test_maps_that_agree_are_believed() -> None:
    """Four maps of the plane z = 0: its places come back, with its normal."""
    maps = [plane_map(x, 0.0) for x in (-60.0, -20.0, 20.0, 60.0)]
    claims = agreed_claims(pack_maps(maps), [(0, 1), (1, 2), (2, 3), (3, 4)])
    assert len(claims.points) > 4 * 50 * 50
    assert np.abs(claims.points[:, 2]).max() < 1e-3
    assert claims.normals[:, 2].min() > 0.999
    assert claims.votes.min() >= 2


def test_a_lone_map_and_two_photographs_are_not() -> None:
    """One map 20 mm too high is dropped; maps of the same two photographs are no witnesses."""
    maps = [plane_map(x, h) for x, h in ((-60.0, 0.0), (-20.0, 0.0), (20.0, 0.0), (60.0, 20.0))]
    claims = agreed_claims(pack_maps(maps), [(0, 1), (1, 2), (2, 3), (3, 4)])
    assert len(claims.points)
    assert np.abs(claims.points[:, 2]).max() < 1e-3
    maps = [plane_map(x, 0.0) for x in (-60.0, -20.0, 20.0)]
    assert not len(agreed_claims(pack_maps(maps), [(0, 1), (0, 1), (0, 1)]).points)


def test_what_is_seen_through_is_not_believed() -> None:
    """Three maps claim a plane at 20 mm, four see through it to z = 0: the four win."""
    maps = [plane_map(x, 20.0) for x in (-50.0, 0.0, 50.0)]
    maps += [plane_map(x, 0.0) for x in (-60.0, -20.0, 20.0, 60.0)]
    pairs = [(0, 1), (1, 2), (2, 3), (4, 5), (5, 6), (6, 7), (7, 8)]
    claims = agreed_claims(pack_maps(maps), pairs)
    middle = claims.points[np.abs(claims.points[:, :2]).max(axis=1) < 15.0]
    assert len(middle)
    assert np.abs(middle[:, 2]).max() < 1e-3


def test_thinning_keeps_both_sides_of_a_thin_form() -> None:
    """A sheet 0.4 mm thick: one place a cell and side, means kept to the weights."""
    grid = np.stack(np.meshgrid(np.arange(0.05, 4, 0.1), np.arange(0.05, 4, 0.1)), -1)
    flat = grid.reshape(-1, 2)
    points = np.concatenate([np.c_[flat, np.full(len(flat), z)] for z in (0.3, 0.7)])
    normals = np.repeat([[0.0, 0, -1], [0.0, 0, 1]], len(flat), axis=0)
    mean, facing, weight = thinned(points, normals, np.ones(len(points)), 1.0)
    assert len(mean) == 2 * 16
    assert weight.sum() == pytest.approx(len(points))
    np.testing.assert_allclose(mean[facing[:, 2] > 0, 2], 0.7, atol=1e-9)
    np.testing.assert_allclose(mean[facing[:, 2] < 0, 2], 0.3, atol=1e-9)


def test_height_over_neighbours_is_nought_on_a_ball() -> None:
    """Constant curvature is no height; a place lifted by 0.5 mm stands 0.5 mm over the others."""
    points, normals = on_ball(6000)
    points[17] += 0.5 * normals[17]
    height, _, count = height_over_neighbours(points, normals, np.full(len(points), 0.1), 6.0)
    assert count[17] >= 10
    assert height[17] == pytest.approx(0.5, abs=0.02)
    rest = np.delete(height, 17)
    assert np.nanquantile(np.abs(rest), 0.99) < 0.01


def test_a_hole_stays_a_hole_and_corners_lie_on_the_ball() -> None:
    """Places on a ball without its cap: the surface is open there, and true to 0.02 mm."""
    points, normals = on_ball(20000)
    below = points[:, 2] < 25.0
    points, normals = points[below], normals[below]
    closed = poisson(points, normals, 1.2)
    round_ = support(closed, points, normals, 2.4)
    counts = round_.within(2.4)
    sigma = np.full(len(points), 0.05)
    moved, scatter, aside = set_onto(closed, points, normals, sigma, round_.near, counts, 1.0)
    surface, rows = cut_open(moved, counts.sum(axis=1) >= 3)
    assert surface.vertices[:, 2].max() < 27.5
    assert len(scatter) == len(aside) == len(moved.vertices)
    off = np.linalg.norm(surface.vertices, axis=1) - BALL_MM
    assert np.sqrt(np.mean(off**2)) < 0.02
    assert scatter[rows].max() < 0.2
    holes = holes_of(surface)
    assert len(holes) == 1
    assert holes[0].middle[2] == pytest.approx(25.0, abs=2.0)
    assert holes[0].across_mm == pytest.approx(2 * np.sqrt(40.0**2 - 25.0**2), abs=3.0)


def test_only_gaps_of_the_stated_width_stay_bridged() -> None:
    """Discs of 3 and 12 mm without places: up to 6 mm the first is bridged, the second open."""
    points, normals = evenly_on_ball(20000)
    first, second = BALL_MM * np.array([1.0, 0, 0]), BALL_MM * np.array([0, 0.6, 0.8])
    free = np.linalg.norm(points - first, axis=1) < 2.5
    free |= np.linalg.norm(points - second, axis=1) < 7.0
    points, normals = points[~free], normals[~free]
    closed = poisson(points, normals, 1.2)
    kept = support(closed, points, normals, 1.4).within(1.4).sum(axis=1) >= 3
    gaps = small_gaps(closed, kept, 6.0)
    assert not (gaps & kept).any()
    open_ = closed.vertices[~kept & ~gaps]
    assert len(open_)
    assert np.linalg.norm(open_ - second, axis=1).max() < 9.0
    bridged = closed.vertices[gaps]
    assert np.linalg.norm(bridged - first, axis=1).min() < 1.0
    assert np.linalg.norm(bridged - second, axis=1).min() > 7.0


def test_strays_are_cut_away() -> None:
    """A chip of a thousandth of the area beside a ball goes; the ball stays whole."""
    ball = trimesh.creation.icosphere(subdivisions=4, radius=BALL_MM)
    chip = trimesh.creation.icosphere(subdivisions=1, radius=1.0)
    chip.apply_translation([80.0, 0, 0])
    both = surface_of(trimesh.util.concatenate([ball, chip]))
    surface, _ = cut_open(both, np.ones(len(both.vertices), dtype=bool))
    assert len(surface.faces) == len(ball.faces)


def test_views_meet_where_they_look() -> None:
    """Cameras aimed at one place: the middle is that place, and the room holds the cast."""
    at = np.array([100.0, 80.0, 120.0])
    stations = at + 600.0 * np.array([[1.0, 0, 0.3], [0, 1.0, 0.5], [-1.0, 0.2, 0.4], [0, -1, 0.2]])
    poses = [looking(c, at) for c in stations]
    np.testing.assert_allclose(view_middle(poses), at, atol=1e-6)
    within = np.array([[-40.0, -40.0, 0.0], [280.0, 250.0, 30.0]])
    low, high = first_room(poses, within, 5.0)
    assert low[2] == 5.0
    assert high[2] > 300.0
    np.testing.assert_array_equal(low[:2], within[0, :2])


def test_cards_and_their_carriers_are_not_the_cast() -> None:
    """Places on a card are found; a mast that carries it is no piece of the cast, an ear is."""
    square = np.array([[-20.0, 20, 0], [20, 20, 0], [20, -20, 0], [-20, -20, 0]])
    card = square + [150.0, 0, 90.0]
    on = on_cards(np.array([[150.0, 10, 91.0], [150.0, 0, 110.0], [0.0, 0, 90.0]]), [card])
    assert on.tolist() == [True, False, False]
    body = on_ball(4000)[0] + [0, 0, 60.0]
    ear = 8.0 * on_ball(300, 5)[1] + [10.0, 0, 118.0]
    mast = np.c_[np.full(200, 150.0), np.zeros(200), np.linspace(10.0, 82.0, 200)]
    points = np.concatenate([body, ear, mast])
    kept = cast_pieces(points, 5.0, [card], np.array([0.0, 0, 60.0]))
    assert kept[:4300].all()
    assert not kept[4300:].any()
