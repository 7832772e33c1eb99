"""What must hold for any stations and any places."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from tracker.alignment.refine import compose, one_sided_weights
from tracker.alignment.result import rigid
from tracker.cloud.sparse import local_planes
from tracker.cloud.tracks import join_matches, meet, point_covariances, sights
from tracker.maths.camera import Array, Lens, Pose, project

LENS = Lens(1800.0, 1010.0, 742.0, 0.06, -0.12, 2e-4, -1e-4, 0.03)
seeds = st.integers(min_value=0, max_value=10_000)


def setting(seed: int) -> tuple[Array, list[Pose], Array]:
    rng = np.random.default_rng(seed)
    poses = []
    for a in np.sort(rng.uniform(-60.0, 60.0, 4)):
        R = Rotation.from_euler("yx", [a, rng.uniform(-20, 20)], degrees=True).as_matrix()
        poses.append(Pose(R, np.array([0.0, 0.0, 600.0]) + rng.normal(0, 10, 3)))
    points = rng.uniform(-60.0, 60.0, (25, 3))
    pixel = np.stack([project(LENS, p, points)[0] for p in poses], axis=1).reshape(-1, 2)
    return points, poses, pixel + rng.normal(0.0, 0.3, pixel.shape)


def met(pixel: Array, poses: list[Pose]) -> Array:
    photo, point = np.tile(np.arange(4), 25), np.repeat(np.arange(25), 4)
    rays = sights(photo, pixel, [LENS] * 4, poses)
    return meet(rays, point, np.ones(100), 25)


@settings(max_examples=15, deadline=None)
@given(seeds)
def test_places_move_with_the_frame(seed: int) -> None:
    _, poses, pixel = setting(seed)
    R = Rotation.random(random_state=seed).as_matrix()
    t = np.random.default_rng(seed).normal(0.0, 100.0, 3)
    moved = [Pose(p.R @ R.T, p.t - p.R @ R.T @ t) for p in poses]
    here = met(pixel, poses)
    assert np.allclose(met(pixel, moved), here @ R.T + t, atol=1e-6)
    photo, point = np.tile(np.arange(4), 25), np.repeat(np.arange(25), 4)
    sigma = np.full(100, 0.3)
    cov = point_covariances(photo, point, sigma, [LENS] * 4, poses, here)
    turned = point_covariances(photo, point, sigma, [LENS] * 4, moved, here @ R.T + t)
    assert np.allclose(turned, R @ cov @ R.T, rtol=1e-6, atol=1e-9)


@settings(max_examples=15, deadline=None)
@given(seeds, st.floats(min_value=0.1, max_value=10.0))
def test_places_grow_with_the_unit(seed: int, scale: float) -> None:
    _, poses, pixel = setting(seed)
    grown = [Pose(p.R, p.t * scale) for p in poses]
    assert np.allclose(met(pixel, grown), met(pixel, poses) * scale, rtol=1e-7, atol=1e-6)


@settings(max_examples=15, deadline=None)
@given(seeds)
def test_order_of_photographs_does_not_matter(seed: int) -> None:
    _, poses, pixel = setting(seed)
    order = np.random.default_rng(seed).permutation(4)
    swapped = pixel.reshape(25, 4, 2)[:, order].reshape(-1, 2)
    assert np.allclose(met(swapped, [poses[i] for i in order]), met(pixel, poses), atol=1e-8)


@settings(max_examples=25, deadline=None)
@given(seeds)
def test_no_group_holds_two_features_of_one_photograph(seed: int) -> None:
    rng = np.random.default_rng(seed)
    photo = np.repeat(np.arange(5), 12)
    first, second = rng.integers(0, 60, (2, 150))
    apart = photo[first] != photo[second]
    group = join_matches(first[apart], second[apart], rng.random(150)[apart], photo)
    for g in np.unique(group[group >= 0]):
        held = photo[group == g]
        assert len(held) == len(np.unique(held)) >= 2


@settings(max_examples=10, deadline=None)
@given(seeds)
def test_local_planes_turn_with_the_stone(seed: int) -> None:
    rng = np.random.default_rng(seed)
    xy = rng.uniform(0.0, 30.0, (120, 2))
    points = np.column_stack([xy, 0.02 * xy[:, 0] ** 2 + rng.normal(0, 0.03, 120)])
    towards = np.broadcast_to([0.0, 0.0, 1.0], (120, 3))
    R = Rotation.random(random_state=seed).as_matrix()
    normals, height, _ = local_planes(points, towards.copy())
    turned, height_turned, _ = local_planes(points @ R.T, towards @ R.T)
    assert np.allclose(turned, normals @ R.T, atol=1e-6)
    assert np.allclose(height_turned, height, atol=1e-6, equal_nan=True)


@given(seeds)
def test_motions_compose_as_matrices_do(seed: int) -> None:
    rng = np.random.default_rng(seed)
    a, b = (np.concatenate([rng.normal(0, 0.3, 3), rng.normal(0, 5.0, 3)]) for _ in range(2))
    (Ra, ta), (Rb, tb), (R, t) = rigid(a), rigid(b), rigid(compose(a, b))
    assert np.allclose(R, Ra @ Rb)
    assert np.allclose(t, Ra @ tb + ta)


@given(st.floats(min_value=0.0, max_value=50.0))
def test_stone_inside_never_weighs_less_than_stone_outside(z: float) -> None:
    inside, outside = one_sided_weights(np.array([-z, z]))
    assert inside >= outside
    assert outside <= 1.0
