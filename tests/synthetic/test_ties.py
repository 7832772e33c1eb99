"""Tie points on a rendered, weakly textured form whose every pixel is known."""

from __future__ import annotations

from functools import cache

import numpy as np
import open3d as o3d
import pytest
from numpy.typing import NDArray

from tracker.cloud.sparse import Cloud, sparse_cloud
from tracker.cloud.ties import TiePoints, tie_points
from tracker.cloud.tracks import meet, point_covariances, reproject, sights
from tracker.maths.camera import Array, Lens, Pose, rays_frame
from tracker.surface import Surface

WIDTH, HEIGHT = 480, 400
LENS = Lens(900.0, 243.0, 196.0, -0.05, 0.02, 3e-4, -2e-4)
PROUD_MM = 3.0
"""The stone stands so far off the model: unfinished, but near it."""


def form(grown_mm: float) -> Surface:
    ball = o3d.geometry.TriangleMesh.create_sphere(1.0, resolution=60)
    v = np.asarray(ball.vertices)
    waves = 1.0 + 0.06 * np.sin(4.0 * v[:, :1]) * np.cos(3.0 * v[:, 2:])
    points = v * waves * (np.array([55.0, 45.0, 65.0]) + grown_mm) + np.array([90.0, 80.0, 70.0])
    return Surface(points, np.asarray(ball.triangles).astype(np.int64))


def speckle(points: Array, size_mm: float, seed: int) -> Array:
    """Smooth noise in space, about +-1, with grains of `size_mm`."""
    cell = np.floor(points / size_mm).astype(np.int64)
    part = points / size_mm - cell
    part = part * part * (3.0 - 2.0 * part)
    total = np.zeros(len(points))
    for corner in np.ndindex(2, 2, 2):
        at = (cell + np.array(corner)).astype(np.uint64)
        mixed = at @ np.array([73856093, 19349663, 83492791], np.uint64) + np.uint64(seed)
        mixed ^= mixed >> np.uint64(13)
        mixed *= np.uint64(0x9E3779B97F4A7C15)
        value = (mixed >> np.uint64(40)).astype(np.float64) / 2.0**23 - 1.0
        total += value * np.prod(np.where(corner, part, 1.0 - part), axis=1)
    return total


def station(turn_deg: float, height_mm: float) -> Pose:
    middle = np.array([90.0, 80.0, 70.0])
    a = np.deg2rad(turn_deg)
    centre = middle + np.array([330.0 * np.cos(a), 330.0 * np.sin(a), height_mm])
    forward = (middle - centre) / np.linalg.norm(middle - centre)
    right = np.cross(forward, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    R = np.stack([right, np.cross(forward, right), forward])
    return Pose(R, -R @ centre)


def photograph(stone: Surface, pose: Pose, seed: int) -> NDArray[np.uint8]:
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    rays = rays_frame(LENS, pose, np.stack([x.ravel(), y.ravel()], axis=1).astype(float))
    start = np.repeat(pose.centre_frame[None], len(rays), axis=0)
    reach = stone.first_hit_mm(start, rays)
    hit = np.isfinite(reach)
    gray = np.full(len(rays), 40.0)
    p = start[hit] + rays[hit] * reach[hit, None]
    _, face = stone.nearest(p)
    light = stone.face_normals[face] @ np.array([0.3, 0.5, 0.8])
    pattern = 0.5 * speckle(p, 1.6, 1) + 0.7 * speckle(p, 3.2, 2) + 0.6 * speckle(p, 7.0, 3)
    gray[hit] = (150.0 + 30.0 * light) * (1.0 + 0.06 * pattern)
    gray += np.random.default_rng(seed).normal(0.0, 1.2, len(gray))
    return np.clip(np.rint(gray), 0, 255).astype(np.uint8).reshape(HEIGHT, WIDTH)


@cache
def scene() -> tuple[Surface, Surface, list[Pose], list[NDArray[np.uint8]]]:
    model, stone = form(0.0), form(PROUD_MM)
    poses = [station(18.0 * k, 40.0 + 90.0 * (k % 2)) for k in range(6)]
    return model, stone, poses, [photograph(stone, p, k) for k, p in enumerate(poses)]


@cache
def measured() -> TiePoints:
    model, _, poses, images = scene()
    return tie_points(images, [LENS] * 6, poses, model, 15.0)


@cache
def cloud() -> Cloud:
    model, _, poses, images = scene()
    ties = measured()
    sigma = np.sqrt(0.5 * np.trace(ties.cov_px2, axis1=1, axis2=2))
    cov = point_covariances(ties.photo, ties.point, sigma, [LENS] * 6, poses, ties.start)
    used = np.ones(len(ties.photo), dtype=bool)
    return sparse_cloud(ties, ties.start, cov, used, [LENS] * 6, poses, images, model, 15.0)


def test_places_lie_on_the_stone_and_not_on_the_model() -> None:
    _, stone, _, _ = scene()
    ties = measured()
    off = stone.signed_distance_mm(ties.start)
    assert len(ties.start) > 250
    assert np.sqrt(np.mean(off**2)) < 0.15
    assert np.mean(np.abs(off) > 1.0) < 0.005


def test_every_place_is_seen_by_three_photographs_once_each_in_order() -> None:
    ties = measured()
    assert ties.photos_per_point.min() >= 3
    key = ties.point * 100 + ties.photo
    assert np.all(np.diff(key) > 0)
    assert np.array_equal(np.unique(ties.point), np.arange(len(ties.start)))


def test_claimed_pixel_sigmas_cover_the_residuals() -> None:
    _, _, poses, _ = scene()
    ties = measured()
    sigma = np.sqrt(0.5 * np.trace(ties.cov_px2, axis1=1, axis2=2))
    points = meet(
        sights(ties.photo, ties.pixel, [LENS] * 6, poses),
        ties.point,
        1.0 / sigma**2,
        len(ties.start),
    )
    residual = reproject(ties.photo, ties.point, ties.pixel, [LENS] * 6, poses, points)
    redundancy = residual.size - points.size
    assert 0.15 < np.sum((residual / sigma[:, None]) ** 2) / redundancy < 1.3


def test_cloud_sigmas_cover_the_truth() -> None:
    _, stone, _, _ = scene()
    ours = cloud()
    off = stone.signed_distance_mm(ours.points)
    assert len(ours.points) > 200
    assert np.mean(np.abs(off) < 2.0 * ours.sigma_mm) > 0.93
    assert np.median(ours.sigma_mm) < 0.15
    assert ours.photos.min() >= 3


def test_cloud_normals_and_colours_are_those_of_the_stone() -> None:
    _, stone, _, _ = scene()
    ours = cloud()
    _, face = stone.nearest(ours.points)
    cosine = np.einsum("nd,nd->n", stone.face_normals[face], ours.normals)
    assert np.median(cosine) > np.cos(np.deg2rad(10.0))
    assert np.mean(cosine > 0.0) > 0.99
    assert ours.colour.shape == (len(ours.points), 3)
    assert ours.colour.min() > 60  # the background is darker than the stone


def test_same_photographs_same_places() -> None:
    model, _, poses, images = scene()
    first, second = (tie_points(images[:3], [LENS] * 3, poses[:3], model, 15.0) for _ in range(2))
    assert len(first.start) > 30
    assert np.array_equal(first.start, second.start)
    assert np.array_equal(first.pixel, second.pixel)


def test_targets_are_kept_out() -> None:
    model, _, poses, images = scene()
    half = np.array([[0.0, 0.0], [WIDTH / 2, 0.0], [WIDTH / 2, HEIGHT], [0.0, HEIGHT]])
    ties = tie_points(images[:3], [LENS] * 3, poses[:3], model, 15.0, [[half]] * 3)
    # a feature's place is re-measured, so a few pixels over the edge are no fault
    assert len(ties.start) > 10
    seen_by_features = ties.pixel[ties.photo == 1, 0]
    assert np.mean(seen_by_features > WIDTH / 2 - 8) > 0.7


@pytest.mark.parametrize("count", [0, 2])
def test_too_few_photographs_give_no_places(count: int) -> None:
    model, _, poses, images = scene()
    ties = tie_points(images[:count], [LENS] * count, poses[:count], model, 15.0)
    assert len(ties.start) == 0
    assert ties.pixel.shape == (0, 2)


def test_photograph_that_looks_elsewhere_does_no_harm() -> None:
    model, _, poses, images = scene()
    away = Pose(np.diag([-1.0, 1.0, -1.0]) @ poses[0].R, poses[0].t * np.array([1.0, 1.0, -1.0]))
    ties = tie_points([*images[:3], images[0]], [LENS] * 4, [*poses[:3], away], model, 15.0)
    assert len(ties.start) > 30
    assert not np.any(ties.photo == 3)
