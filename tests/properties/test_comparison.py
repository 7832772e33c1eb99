"""What must hold whatever the numbers: derivatives, rigid motion, order."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from tracker.comparison.cloud_needle import StonePoints, readings_from_cloud
from tracker.comparison.readings import Readings
from tracker.comparison.uncertainty import (
    network_variance_mm2,
    rigid_sensitivity,
    rigid_variance_mm2,
)
from tracker.maths.camera import Array, Lens, Pose, project
from tracker.surface import Surface, sample_surface


def network() -> tuple[tuple[Lens, ...], np.ndarray, tuple[Pose, ...]]:
    lenses = (
        Lens(2900.0, 2010.0, 1490.0, 0.08, -0.12, 8e-4, -5e-4, 0.03),
        Lens(1500.0, 900.0, 700.0, -0.1, 0.05, -3e-4, 6e-4, 0.01),
    )
    poses = []
    for angle in (-0.4, -0.1, 0.25, 0.6):
        R = Rotation.from_euler("yxz", [angle, 0.2 * angle - 0.1, 0.3 * angle]).as_matrix()
        poses.append(Pose(R, R @ -(R.T @ np.array([0.0, 0.0, -600.0]))))
    return lenses, np.array([0, 0, 1, 0]), tuple(poses)


def moved(lens: Lens, pose: Pose, d_pose: Array, d_lens: Array) -> tuple[Lens, Pose]:
    turn = Rotation.from_rotvec(d_pose[:3]).as_matrix()
    return Lens.from_vector(lens.vector + d_lens), Pose(turn @ pose.R, pose.t + d_pose[3:])


def intersect(pixels: Array, lenses: list[Lens], poses: list[Pose], start: Array) -> Array:
    def residual(x: Array) -> Array:
        return np.concatenate(
            [project(lens, pose, x[None])[0][0] - pixel
             for lens, pose, pixel in zip(lenses, poses, pixels, strict=True)]
        )  # fmt: skip

    found = least_squares(residual, start, method="lm", x_scale=1.0, xtol=1e-15, ftol=1e-15)
    return np.asarray(found.x)


def test_network_part_is_what_moving_the_cameras_does() -> None:
    """One camera parameter at a time is moved and the place intersected anew."""
    lenses, lens_of, poses = network()
    place = np.array([12.0, -20.0, 15.0])
    normal = np.array([0.2, 0.1, -1.0])
    normal /= np.linalg.norm(normal)
    needle = np.array([0.0, 0.3, -1.0])
    needle /= np.linalg.norm(needle)
    seen = np.array([[True, True, True, False]])
    used = [0, 1, 2]
    pixels = np.array([project(lenses[lens_of[k]], poses[k], place[None])[0][0] for k in used])
    size = 6 * len(poses) + 8 * len(lenses)
    steps = np.concatenate(
        [np.tile([1e-6] * 3 + [1e-3] * 3, len(poses)), np.tile([1e-2] * 3 + [1e-5] * 5, 2)]
    )
    for parameter in range(size):
        shift = np.zeros(size)
        shift[parameter] = steps[parameter]
        by_pose, by_lens = shift[:24].reshape(4, 6), shift[24:].reshape(2, 8)
        changed = [
            moved(lenses[lens_of[k]], poses[k], by_pose[k], by_lens[lens_of[k]]) for k in used
        ]
        there = intersect(pixels, [c[0] for c in changed], [c[1] for c in changed], place)
        along = normal @ (there - place) / (normal @ needle)
        found = network_variance_mm2(
            place[None], needle[None], normal[None], seen, lenses, lens_of, poses,
            np.outer(shift, shift),
        )  # fmt: skip
        assert np.sqrt(found[0]) == pytest.approx(abs(along), rel=2e-3, abs=2e-9), parameter


def test_network_part_is_infinite_without_two_rays() -> None:
    lenses, lens_of, poses = network()
    one = np.array([[0.0, 0.0, 1.0]])
    found = network_variance_mm2(
        np.zeros((1, 3)), one, one, np.array([[True, False, False, False]]), lenses, lens_of,
        poses, np.eye(40),
    )  # fmt: skip
    assert np.isinf(found[0])


def test_rigid_part_is_what_moving_the_stone_does() -> None:
    rng = np.random.default_rng(1)
    places = rng.normal(size=(20, 3)) * 100.0
    normals = rng.normal(size=(20, 3))
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    motion = np.concatenate([rng.normal(size=3) * 1e-7, rng.normal(size=3) * 1e-4])
    shifted = places @ Rotation.from_rotvec(motion[:3]).as_matrix().T + motion[3:]
    across = np.einsum("nd,nd->n", shifted - places, normals)
    assert rigid_sensitivity(places, normals) @ motion == pytest.approx(across, abs=1e-10)
    variance = rigid_variance_mm2(places, normals, normals, np.outer(motion, motion))
    assert np.sqrt(variance) == pytest.approx(np.abs(across), abs=1e-10)


def ball_scene() -> tuple[Surface, StonePoints, Array, Array]:
    rng = np.random.default_rng(2)
    mesh = trimesh.creation.icosphere(4, 40.0)
    model = Surface(np.array(mesh.vertices, float), np.array(mesh.faces, dtype=np.int64))
    directions = rng.normal(size=(3000, 3))
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    stone = directions * (42.0 + rng.normal(0.0, 0.05, 3000))[:, None]
    cloud = StonePoints(
        stone, directions, np.full(3000, 0.05), np.tile(1e-4 * np.eye(3), (3000, 1, 1)),
        np.full(3000, 3),
    )  # fmt: skip
    samples = sample_surface(model, 6.0)
    return model, cloud, samples.points, samples.normals


def read(model: Surface, cloud: StonePoints, points: Array, needles: Array) -> Readings:
    return readings_from_cloud(
        cloud, model, points, needles, np.full(len(points), 3),
        cov_rigid=np.zeros((6, 6)), model_tolerance_mm=0.05,
    )  # fmt: skip


def test_stone_left_does_not_know_where_the_room_is() -> None:
    model, cloud, points, needles = ball_scene()
    R = Rotation.from_rotvec([0.4, -0.9, 0.3]).as_matrix()
    t = np.array([70.0, -30.0, 110.0])
    here = read(model, cloud, points, needles)
    turned = StonePoints(
        cloud.points @ R.T + t, cloud.normals @ R.T, cloud.sigma_mm, cloud.network_cov_mm2,
        cloud.photos,
    )  # fmt: skip
    there = read(
        Surface(model.vertices @ R.T + t, model.faces), turned, points @ R.T + t, needles @ R.T
    )
    both = here.seen & there.seen
    assert (here.seen != there.seen).mean() < 0.005
    assert both.mean() > 0.9
    assert here.stone_left_mm[both] == pytest.approx(there.stone_left_mm[both], abs=1e-3)
    assert here.u95_mm[both] == pytest.approx(there.u95_mm[both], rel=1e-2)


def test_order_of_cloud_and_places_does_not_matter() -> None:
    model, cloud, points, needles = ball_scene()
    here = read(model, cloud, points, needles)
    rng = np.random.default_rng(3)
    p, q = rng.permutation(len(cloud.points)), rng.permutation(len(points))
    mixed = StonePoints(
        cloud.points[p], cloud.normals[p], cloud.sigma_mm[p], cloud.network_cov_mm2[p],
        cloud.photos[p],
    )  # fmt: skip
    there = read(model, mixed, points[q], needles[q])
    assert np.array_equal(here.seen[q], there.seen)
    seen = there.seen
    assert there.stone_left_mm[seen] == pytest.approx(here.stone_left_mm[q][seen], abs=1e-9)


def test_stone_that_is_thicker_everywhere_by_a_millimetre_reads_a_millimetre_more() -> None:
    model, cloud, points, _ = ball_scene()
    outward = points / np.linalg.norm(points, axis=1, keepdims=True)
    here = read(model, cloud, points, outward)
    thicker = StonePoints(
        cloud.points + cloud.normals, cloud.normals, cloud.sigma_mm, cloud.network_cov_mm2,
        cloud.photos,
    )  # fmt: skip
    there = read(model, thicker, points, outward)
    both = here.seen & there.seen
    more = there.stone_left_mm[both] - here.stone_left_mm[both]
    assert np.median(more) == pytest.approx(1.0, abs=0.005)
    assert np.abs(more - 1.0).max() < 0.1
