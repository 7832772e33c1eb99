"""Which photographs see a place: angle, picture's edge, what stands in the way."""

from __future__ import annotations

import numpy as np
import trimesh

from tracker.comparison.visibility import photos_that_see
from tracker.maths.camera import Array, Lens, Pose
from tracker.surface import Surface

LENS = Lens(1000.0, 500.0, 400.0, k1=-0.28, k2=0.09)
SIZE = (1001, 801)


def looking_at(centre: Array, target: Array) -> Pose:
    forward = (target - centre) / np.linalg.norm(target - centre)
    right = np.cross(forward, [0.0, 0.0, 1.0] if abs(forward[2]) < 0.9 else [0.0, 1.0, 0.0])
    right /= np.linalg.norm(right)
    R = np.stack([right, np.cross(forward, right), forward])
    return Pose(R, -R @ centre)


def ball(radius: float = 50.0) -> Surface:
    mesh = trimesh.creation.icosphere(4, radius)
    return Surface(np.array(mesh.vertices, float), np.array(mesh.faces, dtype=np.int64))


def sees(points: Array, normals: Array, centre: Array, *occluders: Surface) -> np.ndarray:
    pose = looking_at(centre, np.zeros(3))
    found = photos_that_see(points, normals, [LENS], [pose], [SIZE], occluders)
    return found.seen[:, 0]


def test_a_ball_is_seen_up_to_the_stated_angle() -> None:
    surface = ball()
    centre = np.array([600.0, 0.0, 0.0])
    normals = surface.vertices / 50.0
    sight = centre - surface.vertices
    angle = np.degrees(
        np.arccos(np.einsum("nd,nd->n", sight, normals) / np.linalg.norm(sight, axis=1))
    )
    seen = sees(surface.vertices, normals, centre, surface)
    assert seen[angle < 64.9].all()
    assert not seen[angle > 65.1].any()


def test_something_in_between_hides() -> None:
    surface = ball()
    point = np.array([[50.0, 0.0, 0.0]])
    normal = np.array([[1.0, 0.0, 0.0]])
    mesh = trimesh.creation.box((2.0, 20.0, 20.0))
    card = Surface(np.array(mesh.vertices) + [200.0, 0, 0], np.array(mesh.faces, dtype=np.int64))
    centre = np.array([600.0, 0.0, 0.0])
    assert sees(point, normal, centre, surface)[0]
    assert not sees(point, normal, centre, surface, card)[0]
    # the card stands behind this camera
    assert sees(point, normal, np.array([150.0, 0.0, 0.0]), surface, card)[0]


def test_outside_the_picture_and_behind_the_camera() -> None:
    points = np.array([[0.0, 0.0, 0.0], [0.0, 400.0, 0.0], [900.0, 0.0, 0.0], [0.0, 2500.0, 0.0]])
    normals = np.tile([1.0, 0.0, 0.0], (4, 1))
    seen = photos_that_see(
        points, normals, [LENS], [looking_at(np.array([600.0, 0.0, 0.0]), np.zeros(3))], [SIZE],
        (), max_angle_rad=np.radians(89.0),
    ).seen[:, 0]  # fmt: skip
    # the last would be folded back into the picture by the distortion
    assert seen.tolist() == [True, False, False, False]


def test_stone_below_the_model_is_not_hidden_by_the_model() -> None:
    surface = ball()
    point = np.array([[47.0, 0.0, 0.0]])  # 3 mm below the model
    normal = np.array([[1.0, 0.0, 0.0]])
    pose = looking_at(np.array([600.0, 0.0, 0.0]), np.zeros(3))
    hidden = photos_that_see(point, normal, [LENS], [pose], [SIZE], (surface,))
    free = photos_that_see(point, normal, [LENS], [pose], [SIZE], (surface,), clearance_mm=4.0)
    assert (hidden.counts[0], free.counts[0]) == (0, 1)


def test_counts_add_up_over_photographs() -> None:
    surface = ball()
    centres = [np.array([600.0 * np.cos(a), 600.0 * np.sin(a), 50.0]) for a in np.arange(6)]
    poses = [looking_at(c, np.zeros(3)) for c in centres]
    found = photos_that_see(
        surface.vertices, surface.vertices / 50.0, [LENS] * 6, poses, [SIZE] * 6, (surface,)
    )
    one_by_one = [sees(surface.vertices, surface.vertices / 50.0, c, surface) for c in centres]
    assert np.array_equal(found.counts, np.sum(one_by_one, axis=0))
    assert found.counts.max() >= 2
