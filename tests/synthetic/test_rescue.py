"""The figure set elsewhere in the block: solids whose answer is known, and other methods.

Figures are boxes and balls, blocks are boxes; stone left is measured by our own needles against
the block and handed over as a stage would hand it.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest
import trimesh
from scipy.optimize import linprog, minimize

from tracker.comparison.on_vertices import VertexReadings
from tracker.comparison.rescue import Demand, Patches, Rescue, rescue
from tracker.comparison.rescue_motion import Bounds, directions, smallest_step
from tracker.comparison.rescue_stone import measured_stone, without_odd_ones
from tracker.maths import rotation
from tracker.maths.camera import Array
from tracker.surface import Surface

WIDE = Demand(least_left_mm=0.0, most_shift_mm=15.0, most_turn_rad=np.radians(3.0))


def surface(mesh: trimesh.Trimesh) -> Surface:
    return Surface(np.asarray(mesh.vertices), np.asarray(mesh.faces, dtype=np.int64))


def cube(side: float, pieces: int = 12) -> Surface:
    """A cube about the origin whose six faces do not share corners, so that normals are plain."""
    grid = np.linspace(-0.5 * side, 0.5 * side, pieces + 1)
    u, v = (a.ravel() for a in np.meshgrid(grid, grid, indexing="ij"))
    vertices, faces = [], []
    cell = np.arange(pieces)
    a = (cell[:, None] * (pieces + 1) + cell).ravel()
    two = np.stack([a, a + pieces + 1, a + 1, a + 1, a + pieces + 1, a + pieces + 2], axis=1)
    for axis, sign in itertools.product(range(3), (-1.0, 1.0)):
        side_vertices = np.zeros((len(u), 3))
        side_vertices[:, axis] = sign * 0.5 * side
        side_vertices[:, (axis + 1) % 3] = u if sign > 0 else v
        side_vertices[:, (axis + 2) % 3] = v if sign > 0 else u
        faces.append(two.reshape(-1, 3) + sum(len(x) for x in vertices))
        vertices.append(side_vertices)
    return Surface(np.concatenate(vertices), np.concatenate(faces))


CUBE = cube(40.0)


def side_rows(axis: int, sign: float) -> Array:
    return np.isclose(CUBE.vertex_normals[:, axis], sign)


def left_of(**sides: float) -> Array:
    """Stone left on each side of the cube: x, y, z outward, X, Y, Z the opposite sides."""
    left = np.full(len(CUBE.vertices), 10.0)
    for name, mm in sides.items():
        left[side_rows("xyz".index(name.lower()), 1.0 if name.islower() else -1.0)] = mm
    return left


def solve(
    model: Surface,
    left: Array,
    u95: float = 0.0,
    demand: Demand = WIDE,
    patches: Patches | None = None,
    at_least: Array | None = None,
) -> Rescue:
    seen = np.isfinite(left)
    bound = np.zeros(len(left), bool) if at_least is None else at_least
    readings = VertexReadings(left, np.where(seen, u95, np.nan), seen, bound)
    stone = measured_stone(model, readings)
    places = (model.vertices, model.vertex_normals, left, readings.u95_mm, bound & (left < 0.0))
    return rescue(
        stone,
        Patches(*(part[seen] for part in places)),
        Patches.none() if patches is None else patches,
        model.box,
        demand,
    )


def test_one_side_cut_too_deep_sets_the_figure_deeper() -> None:
    found = solve(CUBE, left_of(x=-3.0))
    assert found.possible
    assert found.t == pytest.approx([-3.0, 0.0, 0.0], abs=0.02)
    assert found.turn_deg == pytest.approx(0.0, abs=0.02)
    assert found.farthest_mm == pytest.approx(3.0, abs=0.03)
    assert found.tightest_mm == pytest.approx(0.0, abs=0.006)
    assert found.before_mm == pytest.approx(-3.0, abs=0.003)
    assert found.broken_before == 13 * 13


def test_uncertainty_is_gone_deeper_by() -> None:
    found = solve(CUBE, left_of(x=-3.0), u95=0.4)
    assert found.t == pytest.approx([-3.4, 0.0, 0.0], abs=0.02)
    assert found.tightest_mm == pytest.approx(0.4, abs=0.01)
    assert found.tightest_u95_mm == pytest.approx(0.4)


def test_what_must_stay_is_kept() -> None:
    kept = Demand(1.5, 15.0, np.radians(3.0))
    found = solve(CUBE, left_of(x=-3.0, Y=0.5), demand=kept)
    assert found.t == pytest.approx([-4.5, 1.0, 0.0], abs=0.02)
    assert found.possible


def test_two_sides_at_once() -> None:
    found = solve(CUBE, left_of(x=-2.0, z=-1.0))
    assert found.possible
    assert found.t == pytest.approx([-2.0, 0.0, -1.0], abs=0.03)


def test_sound_stone_needs_no_motion() -> None:
    found = solve(CUBE, left_of(x=0.0))
    assert found.possible
    assert found.farthest_mm == pytest.approx(0.0, abs=1e-3)


def test_opposite_sides_cannot_both_be_had_and_the_best_is_half_way() -> None:
    found = solve(CUBE, left_of(x=-3.0, X=1.0))
    assert not found.possible
    assert found.t[0] == pytest.approx(-2.0, abs=0.02)
    assert found.tightest_mm == pytest.approx(-1.0, abs=0.01)
    assert not found.at_limit


def test_bounds_are_kept_and_told() -> None:
    found = solve(CUBE, left_of(x=-6.0), demand=Demand(0.0, 4.0, 0.0))
    assert not found.possible
    assert found.at_limit
    assert found.shift_mm == pytest.approx(4.0, abs=0.1)
    assert found.tightest_mm == pytest.approx(-2.0, abs=0.1)


def test_a_slanting_cut_is_met_by_turn_and_shift() -> None:
    """A side cut 2 mm too deep at one edge, none at the other; the answer by another method."""
    left = left_of(x=0.0)
    side = side_rows(0, 1.0)
    left[side] = -2.0 * (CUBE.vertices[side, 2] + 20.0) / 40.0
    found = solve(CUBE, left)
    assert found.possible
    # the side as a plane x = 20 - (z + 20) / 20: a direct search over turn and shift in its plane
    low = np.array([20.0, -20.0])

    def breach(x: Array) -> Array:
        c, s = np.cos(x[0]), np.sin(x[0])
        px, pz = c * 20.0 + s * low + x[1], -s * 20.0 + c * low + x[2]
        return np.asarray(20.0 - (pz + 20.0) / 20.0 - px)

    def far(x: Array) -> Array:
        c, s = np.cos(x[0]), np.sin(x[0])
        ax, az = (a.ravel() for a in np.meshgrid([-20.0, 20.0], [-20.0, 20.0]))
        return np.hypot(c * ax + s * az + x[1] - ax, -s * ax + c * az + x[2] - az)

    other = minimize(
        lambda x: x[3],
        [-0.02, -1.0, 0.0, 3.0],
        constraints=[
            {"type": "ineq", "fun": lambda x: breach(x[:3])},
            {"type": "ineq", "fun": lambda x: x[3] - far(x[:3])},
        ],
        method="SLSQP",
        options={"ftol": 1e-12, "maxiter": 300},
    )
    assert other.success
    assert found.farthest_mm == pytest.approx(other.x[3], rel=0.025)


def test_a_ball_in_a_block_touches_where_it_must() -> None:
    """Ball r 30 in a box whose walls are at given distances: stone left along the radius."""
    ball = surface(trimesh.creation.icosphere(4, 30.0))
    walls = np.array([[28.0, 38, 39], [46, 37, 36]])  # +x +y +z, -x -y -z
    n = ball.vertex_normals
    with np.errstate(divide="ignore"):
        way = np.concatenate(
            [
                np.where(n > 1e-9, walls[0] / n, np.inf),
                np.where(n < -1e-9, -walls[1] / n, np.inf),
            ],
            axis=1,
        ).min(axis=1)
    found = solve(ball, way - 30.0)
    assert found.possible
    assert found.t == pytest.approx([-2.0, 0.0, 0.0], abs=0.06)
    assert found.farthest_mm == pytest.approx(2.0, abs=0.04)


def test_the_moved_figure_is_asked_of_the_stone_itself() -> None:
    """With a turn of degrees a line drawn through the first answer would be out by tenths."""
    left = left_of(x=8.0, X=8.0, y=8.0, Y=8.0)
    tilt = np.radians(2.5)
    for axis, sign in ((2, 1.0),):
        side = side_rows(axis, sign)
        left[side] = -np.tan(tilt) * (CUBE.vertices[side, 0] + 20.0)
    found = solve(CUBE, left, demand=Demand(0.0, 15.0, np.radians(4.0)))
    assert found.possible
    assert found.tightest_mm >= -0.006


def test_a_place_not_seen_promises_nothing() -> None:
    left = left_of(x=-3.0)
    left[side_rows(0, -1.0)] = np.nan
    found = solve(CUBE, left)
    assert found.possible
    assert found.promised_share > 0.75  # of the places asked
    sideways = left_of(x=-3.0)
    half = (CUBE.vertices[:, 0] < -14.0) & ~side_rows(0, -1.0)
    sideways[half] = np.nan
    moved = solve(CUBE, sideways)
    # the back places of four sides now stand over stone that nobody saw
    assert moved.possible
    assert moved.promised_share < 0.98


def test_a_pit_without_a_floor_promises_nothing() -> None:
    left = left_of(x=-3.0)
    pit = side_rows(0, 1.0) & (np.abs(CUBE.vertices[:, 1]) < 5.0)
    found = solve(CUBE, left, at_least=pit)
    assert found.open_floors >= int(pit.sum())
    assert found.promised_share < 1.0


def test_a_spot_of_the_list_counts_though_the_map_has_smoothed_it_away() -> None:
    spot = Patches(
        np.array([[20.0, 0.0, 0.0]]),
        np.array([[1.0, 0.0, 0.0]]),
        np.array([-1.5]),
        np.array([0.2]),
        np.array([False]),
    )
    found = solve(CUBE, left_of(x=0.0), patches=spot)
    assert found.t == pytest.approx([-1.7, 0.0, 0.0], abs=0.02)
    assert found.tightest_place == pytest.approx([20.0, 0.0, 0.0])


def test_a_reading_that_its_neighbours_do_not_bear_out_is_left_aside() -> None:
    ball = surface(trimesh.creation.icosphere(4, 30.0))
    rng = np.random.default_rng(2)
    left = 0.05 * rng.normal(size=len(ball.vertices))
    left[100] = -4.0
    low = ball.vertices @ np.array([0.0, 0.0, 1.0]) > 26.0
    left[low] = -2.0
    seen = np.ones(len(left), bool)
    readings = VertexReadings(left, np.full(len(left), 0.2), seen, np.zeros(len(left), bool))
    kept, odd = without_odd_ones(ball, readings)
    assert odd[100]
    assert not kept.seen[100]
    assert not np.any(odd & low)
    assert odd.sum() <= 3


def random_problem(seed: int) -> tuple[Array, Array, Array]:
    rng = np.random.default_rng(seed)
    normals = rng.normal(size=(40, 3))
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    feet = 50.0 * rng.normal(size=(40, 3))
    gradient = -np.concatenate([np.cross(feet, normals), normals], axis=1)
    slack = rng.uniform(0.5, 4.0, 40)
    slack[:2] = rng.uniform(-1.0, -0.2, 2)
    arms = np.array(list(itertools.product([-60.0, 60.0], repeat=3)))
    return gradient, slack, arms


FREE = Bounds(100.0, 1.0, 50.0)


@pytest.mark.parametrize("seed", range(6))
def test_random_demands_against_a_smooth_method(seed: int) -> None:
    """The same problem with the true norm, by sequential quadratic programming."""
    gradient, slack, arms = random_problem(seed)
    x = smallest_step(gradient, slack, arms, np.zeros((8, 3)), np.zeros(6), FREE)
    assert (gradient @ x + slack).min() > -1e-6
    size = np.linalg.norm(x[3:] + np.cross(x[:3], arms), axis=1).max()
    scale = np.repeat([0.01, 1.0], 3)

    def far(y: Array) -> Array:
        return y[6] - np.linalg.norm(y[3:6] + np.cross(0.01 * y[:3], arms), axis=1)

    other = minimize(
        lambda y: y[6],
        np.append(x / scale * 1.3, 2.0 * size),
        constraints=[
            {"type": "ineq", "fun": lambda y: gradient @ (scale * y[:6]) + slack},
            {"type": "ineq", "fun": far},
        ],
        method="SLSQP",
        options={"ftol": 1e-11, "maxiter": 500},
    )
    assert other.success
    assert other.x[6] - 1e-6 <= size <= other.x[6] * 1.03


@pytest.mark.parametrize("seed", range(4))
def test_random_shifts_against_enumerated_corners(seed: int) -> None:
    """Shift alone, box norm: the best corner of all, found by trying every three planes."""
    gradient, slack, _ = random_problem(seed)
    normals = gradient[:12, 3:]
    room = slack[:12]
    best = np.inf
    for rows in itertools.combinations(range(12), 3):
        if abs(np.linalg.det(normals[list(rows)])) < 1e-9:
            continue
        t = np.linalg.solve(normals[list(rows)], -room[list(rows)])
        if (normals @ t + room).min() > -1e-9:
            best = min(best, float(-normals[0] @ t))
    found = linprog(-normals[0], A_ub=-normals, b_ub=room, bounds=[(None, None)] * 3)
    assert found.fun == pytest.approx(best, abs=1e-7)


def test_directions_take_two_per_cent_off_a_length_at_most() -> None:
    rng = np.random.default_rng(0)
    some = rng.normal(size=(4000, 3))
    some /= np.linalg.norm(some, axis=1, keepdims=True)
    assert (some @ directions().T).max(axis=1).min() > 0.98
    for axis in np.concatenate([np.eye(3), -np.eye(3)]):
        assert np.linalg.norm(directions() - axis, axis=1).min() < 1e-9


@pytest.mark.parametrize("turn", [(0.0, 0.0, 0.0), (0.3, -0.5, 0.2)])
def test_the_answer_turns_with_the_block(turn: tuple[float, float, float]) -> None:
    R = rotation.exp(np.array(turn))
    turned = Surface(CUBE.vertices @ R.T, CUBE.faces)
    found = solve(turned, left_of(x=-3.0))
    assert found.possible
    assert found.shift_mm == pytest.approx(3.0, abs=0.1)
    assert found.t @ (R @ [1.0, 0.0, 0.0]) == pytest.approx(-3.0, abs=0.05)
