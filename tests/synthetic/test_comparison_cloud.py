"""Stone left from a sparse cloud, on forms whose stone is known at every place."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import trimesh

from tracker.comparison.agreement import agreement
from tracker.comparison.cloud_needle import CloudReach, StonePoints, readings_from_cloud
from tracker.comparison.left_out import form_variance_mm2, leave_out
from tracker.comparison.on_vertices import spread_to_vertices, stone_surface
from tracker.comparison.readings import NotSeen, Readings
from tracker.maths.camera import Array
from tracker.surface import Samples, Surface, sample_surface

RADIUS = 80.0
NO_MOTION = np.zeros((6, 6))


def surface_of(mesh: Any) -> Surface:
    return Surface(np.array(mesh.vertices, float), np.array(mesh.faces, dtype=np.int64))


def stone_over_ball(directions: Array) -> Array:
    """Finished on one side, rising to 12 mm with tool marks of 0.3 mm on the other."""
    rough = np.clip(0.3 - directions[:, 0], 0.0, None)
    marks = np.sin(40.0 * directions[:, 1]) * np.sin(40.0 * directions[:, 2])
    return 12.0 * rough + 0.3 * marks * np.clip(5.0 * rough, 0.0, 1.0)


def cloud_of(
    points: Array, normals: Array, noise_mm: float, rng: np.random.Generator
) -> StonePoints:
    count = len(points)
    tilted = normals + rng.normal(0.0, 0.1, normals.shape)
    tilted /= np.linalg.norm(tilted, axis=1, keepdims=True)
    return StonePoints(
        points=points + normals * rng.normal(0.0, noise_mm, count)[:, None],
        normals=tilted,
        sigma_mm=np.full(count, noise_mm),
        network_cov_mm2=np.tile(0.02**2 * np.eye(3), (count, 1, 1)),
        photos=np.full(count, 4),
    )


def read(cloud: StonePoints, model: Surface, points: Array, needles: Array) -> Readings:
    return readings_from_cloud(
        cloud, model, points, needles, np.full(len(points), 4),
        cov_rigid=NO_MOTION, model_tolerance_mm=0.05,
    )  # fmt: skip


@pytest.fixture(scope="module")
def ball() -> Surface:
    return surface_of(trimesh.creation.icosphere(5, RADIUS))


@pytest.fixture(scope="module")
def places(ball: Surface) -> Samples:
    return sample_surface(ball, 4.0)


@pytest.fixture(scope="module")
def measured(ball: Surface, places: Samples) -> tuple[Readings, Array]:
    rng = np.random.default_rng(4)
    directions = rng.normal(size=(6000, 3))
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    stone = directions * (RADIUS + stone_over_ball(directions))[:, None]
    outward = places.points / np.linalg.norm(places.points, axis=1, keepdims=True)
    truth = RADIUS + stone_over_ball(outward) - np.linalg.norm(places.points, axis=1)
    cloud = cloud_of(stone, directions, 0.08, rng)
    return read(cloud, ball, places.points, outward), truth


def test_error_and_share_on_a_ball(measured: tuple[Readings, Array]) -> None:
    found, truth = measured
    error = (found.stone_left_mm - truth)[found.seen]
    assert found.seen.mean() > 0.9
    assert np.sqrt(np.mean(error**2)) < 0.15
    assert np.quantile(np.abs(error), 0.95) < 0.30


@pytest.mark.parametrize(("low", "high"), [(-1.0, 0.5), (0.5, 6.0), (6.0, 99.0)])
def test_u95_holds_for_finished_close_and_untouched(
    measured: tuple[Readings, Array], low: float, high: float
) -> None:
    found, truth = measured
    part = found.seen & (truth >= low) & (truth < high)
    inside = np.abs(found.stone_left_mm - truth)[part] <= found.u95_mm[part]
    assert part.sum() > 200
    assert inside.mean() >= 0.93
    assert np.median(found.u95_mm[part]) < 0.6  # true, and not by being useless


@pytest.mark.parametrize("count", [3000, 8000])
def test_u95_holds_what_stone_does_between_points(ball: Surface, count: int) -> None:
    """Grooves 8 mm apart and a millimetre deep, points 5 and 3 mm apart."""
    rng = np.random.default_rng(21)
    directions = rng.normal(size=(count, 3))
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)

    def grooves(at: Array) -> Array:
        return np.where(at[:, 0] > 0.0, 0.5 * np.cos(2.0 * np.pi * at[:, 2] * RADIUS / 8.0), 0.0)

    cloud = cloud_of(directions * (RADIUS + grooves(directions))[:, None], directions, 0.03, rng)
    samples = sample_surface(ball, 4.0)
    outward = samples.points / np.linalg.norm(samples.points, axis=1, keepdims=True)
    found = read(cloud, ball, samples.points, outward)
    truth = RADIUS + grooves(outward) - np.linalg.norm(samples.points, axis=1)
    inside = np.abs(found.stone_left_mm - truth) <= found.u95_mm
    grooved, plain = found.seen & (outward[:, 0] > 0.15), found.seen & (outward[:, 0] < -0.15)
    assert inside[grooved].mean() >= 0.93
    assert inside[plain].mean() >= 0.93
    assert np.median(found.u95_mm[plain]) < 0.25  # told apart: no groove, no doubt
    assert np.median(found.u95_mm[grooved]) > 3.0 * np.median(found.u95_mm[plain])


def test_points_that_nothing_foretells_leave_the_form_open() -> None:
    few = leave_out(np.eye(3), np.eye(3), np.full(3, 0.1), widest_mm=8.0, min_points=6)
    assert len(few.points) == 0
    assert np.isinf(form_variance_mm2(few, np.zeros((2, 3)), np.ones(2))).all()


def test_form_variance_of_plain_noise_is_the_noise() -> None:
    rng = np.random.default_rng(22)
    flat = np.column_stack([rng.uniform(0.0, 120.0, (4000, 2)), rng.normal(0.0, 0.1, 4000)])
    up = np.tile([0.0, 0.0, 1.0], (4000, 1))
    left = leave_out(flat, up, np.full(4000, 0.1), widest_mm=8.0, min_points=6)
    assert len(left.points) > 3500
    assert np.std(left.error_mm) == pytest.approx(0.11, abs=0.02)  # the point's and the surface's
    at = np.column_stack([rng.uniform(20.0, 100.0, (300, 2)), np.zeros(300)])
    variance = form_variance_mm2(left, at, np.zeros(300))
    assert np.median(np.sqrt(variance)) == pytest.approx(0.15, abs=0.04)  # Student's 1.4 in it
    far = form_variance_mm2(left, at, np.full(300, 4.0))
    assert (far > 4.0 * variance).mean() > 0.9


def test_closest_distance_is_that_of_the_stone(
    measured: tuple[Readings, Array], places: Samples
) -> None:
    found, _ = measured
    # on a ball closest distance and stone left are the same, but for the facets
    off = (found.closest_mm - found.stone_left_mm)[found.seen]
    assert np.abs(off).max() < 0.05


def test_nothing_is_carried_across_a_gap(ball: Surface) -> None:
    rng = np.random.default_rng(5)
    directions = rng.normal(size=(12000, 3))
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    angle = np.degrees(np.arccos(directions[:, 2]))
    directions = directions[angle > 15.0]  # a bald spot of 21 mm radius
    cloud = cloud_of(directions * RADIUS, directions, 0.05, rng)
    tilt = np.radians(np.array([0.0, 5.0, 10.0, 20.0]))
    needles = np.stack([np.sin(tilt), 0.0 * tilt, np.cos(tilt)], axis=1)
    found = read(cloud, ball, needles * RADIUS, needles)
    assert found.seen.tolist() == [False, False, False, True]
    assert (found.reason[:3] == NotSeen.GAP_IN_CLOUD).all()


def test_the_back_of_a_thin_form_is_never_its_front() -> None:
    plate = surface_of(trimesh.creation.box((120.0, 120.0, 6.0)))
    rng = np.random.default_rng(6)
    back = np.column_stack([rng.uniform(-50, 50, (4000, 2)), np.full(4000, -3.0)])
    cloud = cloud_of(back, np.tile([0.0, 0.0, -1.0], (4000, 1)), 0.05, rng)
    front = np.array([[0.0, 0.0, 3.0], [10.0, -5.0, 3.0]])
    up = np.tile([0.0, 0.0, 1.0], (2, 1))
    assert not read(cloud, plate, front, up).seen.any()
    assert read(cloud, plate, front * [1, 1, -1], -up).seen.all()


def test_a_gap_of_the_model_between_point_and_stone_is_not_guessed() -> None:
    # a wing 8 mm in front of the body: only the wing's outer face is seen
    body = trimesh.creation.box((100.0, 100.0, 20.0))
    wing = trimesh.creation.box((100.0, 100.0, 4.0))
    wing.apply_translation([0.0, 0.0, 20.0])
    model = surface_of(trimesh.util.concatenate([body, wing]))
    rng = np.random.default_rng(7)
    face = np.column_stack([rng.uniform(-45, 45, (4000, 2)), np.full(4000, 22.0)])
    cloud = cloud_of(face, np.tile([0.0, 0.0, 1.0], (4000, 1)), 0.05, rng)
    up = np.array([[0.0, 0.0, 1.0]])
    found = read(cloud, model, np.array([[0.0, 0.0, 10.0]]), up)
    assert found.reason[0] == NotSeen.HIDDEN_GAP
    on_wing = read(cloud, model, np.array([[0.0, 0.0, 22.0]]), up)
    assert on_wing.seen[0]
    assert abs(on_wing.stone_left_mm[0]) < on_wing.u95_mm[0]


def test_deep_stone_is_a_bound_and_overcut_is_negative(ball: Surface) -> None:
    rng = np.random.default_rng(8)
    directions = rng.normal(size=(9000, 3))
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    height = np.where(directions[:, 2] > 0.5, 40.0, np.where(directions[:, 2] < -0.5, -4.0, 0.0))
    cloud = cloud_of(directions * (RADIUS + height)[:, None], directions, 0.05, rng)
    needles = np.array([[0.0, 0.0, 1.0], [1.0, 0.0, 0.0], [0.0, 0.0, -1.0]])
    found = read(cloud, ball, needles * RADIUS, needles)
    assert found.seen.all()
    assert found.at_least.tolist() == [True, False, False]
    assert found.stone_left_mm[0] == CloudReach().at_least_mm
    assert found.stone_left_mm[1:] == pytest.approx([0.0, -4.0], abs=0.1)


def test_two_photographs_are_not_enough(ball: Surface, places: Samples) -> None:
    rng = np.random.default_rng(9)
    directions = rng.normal(size=(6000, 3))
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    cloud = cloud_of(directions * RADIUS, directions, 0.05, rng)
    photos = np.where(places.points[:, 0] > 0, 2, 3)
    found = readings_from_cloud(
        cloud, ball, places.points, places.normals, photos,
        cov_rigid=NO_MOTION, model_tolerance_mm=0.05,
    )  # fmt: skip
    assert not found.seen[photos == 2].any()
    assert (found.reason[photos == 2] == NotSeen.TOO_FEW_PHOTOGRAPHS).all()
    assert found.seen[photos == 3].mean() > 0.9


def test_gross_errors_in_the_cloud_do_not_move_the_figure(ball: Surface, places: Samples) -> None:
    rng = np.random.default_rng(10)
    directions = rng.normal(size=(15000, 3))
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    height = np.where(rng.random(15000) < 0.08, rng.uniform(-3.0, 3.0, 15000), 0.0)
    cloud = cloud_of(directions * (RADIUS + height)[:, None], directions, 0.05, rng)
    found = read(cloud, ball, places.points, places.normals)
    error = np.abs(found.stone_left_mm + np.linalg.norm(places.points, axis=1) - RADIUS)
    assert found.seen.mean() > 0.9
    assert np.quantile(error[found.seen], 0.95) < 0.12
    assert (error[found.seen] <= found.u95_mm[found.seen]).mean() > 0.95


def test_empty_cloud_sees_nothing(ball: Surface, places: Samples) -> None:
    nothing = StonePoints(
        np.zeros((0, 3)), np.zeros((0, 3)), np.zeros(0), np.zeros((0, 3, 3)), np.zeros(0, np.int64)
    )
    found = read(nothing, ball, places.points[:20], places.normals[:20])
    assert not found.seen.any()
    assert (found.reason == NotSeen.GAP_IN_CLOUD).all()


def test_agreement_names_the_places_that_differ(measured: tuple[Readings, Array]) -> None:
    found, truth = measured
    rng = np.random.default_rng(11)
    other_value = truth + rng.normal(0.0, 0.05, len(truth))
    moved = np.flatnonzero(found.seen)[:50]
    other_value[moved] += 2.0
    variance = np.tile([0.05**2, 0.01**2, 0.0, 0.0], (len(truth), 1))
    other = Readings(
        found.points, found.needles, np.ones(len(truth), dtype=bool), other_value,
        np.zeros(len(truth), dtype=bool), other_value, variance, found.photos,
        np.zeros(len(truth), dtype=np.int64),
    )  # fmt: skip
    report = agreement(other, found)
    assert report.disagrees[moved].all()
    rest = report.compared.copy()
    rest[moved] = False
    assert report.disagrees[rest].mean() < 0.07
    assert abs(report.median_mm) < 0.05
    assert report.compared.sum() == found.seen.sum()
    assert not agreement(found, found).disagrees.any()


def test_a_bound_agrees_with_any_figure_beyond_it(measured: tuple[Readings, Array]) -> None:
    found, _ = measured
    row = int(np.flatnonzero(found.seen)[0])

    def single(value: float, bound: bool) -> Readings:
        return Readings(
            found.points[[row]], found.needles[[row]], np.array([True]), np.array([value]),
            np.array([bound]), np.array([value]), np.full((1, 4), 0.01), np.array([4]),
            np.array([0]),
        )  # fmt: skip

    assert not agreement(single(25.0, True), single(31.0, False)).disagrees[0]
    assert not agreement(single(31.0, False), single(25.0, True)).disagrees[0]
    assert agreement(single(25.0, True), single(3.0, False)).disagrees[0]
    assert not agreement(single(-2.0, True), single(-4.0, False)).disagrees[0]
    assert agreement(single(-2.0, True), single(0.0, False)).disagrees[0]


def test_vertices_take_their_neighbours_and_stay_blank_over_gaps(
    ball: Surface, places: Samples, measured: tuple[Readings, Array]
) -> None:
    found, _ = measured
    found.seen[places.points[:, 2] > 40.0] = False
    spread = spread_to_vertices(ball, places, found)
    assert not spread.seen[ball.vertices[:, 2] > 44.0].any()
    assert spread.seen[ball.vertices[:, 2] < 36.0].mean() > 0.9
    outward = ball.vertices / RADIUS
    error = (spread.stone_left_mm - stone_over_ball(outward))[spread.seen]
    assert np.median(np.abs(error)) < 0.2
    radius = np.linalg.norm(stone_surface(ball, spread).vertices, axis=1)
    assert radius[spread.seen].mean() > RADIUS + 1.0
    assert radius[~spread.seen] == pytest.approx(RADIUS)
