"""Parts of the tie-point step: patch matching, guided matches, tracks, local planes."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from tracker.cloud.patch_match import (
    Patches,
    find_template,
    gaussian_window,
    make_template,
    soften,
)
from tracker.cloud.sparse import local_planes
from tracker.cloud.ties_facing import facing_map, square_warps
from tracker.cloud.ties_features import WORD_STEP_PX, Features, even_contrast, find_features
from tracker.cloud.ties_match import Rays, match_pair, neighbouring_pairs
from tracker.cloud.ties_refine import NOISE_SHARE
from tracker.cloud.ties_region import OUTLINE_STEP, Outline, StoneRoom
from tracker.cloud.tracks import (
    join_matches,
    largest_angle_rad,
    meet,
    point_covariances,
    robust_triangulate,
    sights,
)
from tracker.maths.camera import Array, Lens, Pose, project, rays_frame
from tracker.surface import Surface

Rows = NDArray[np.int64]

LENS = Lens(2000.0, 1003.0, 748.0, 0.05, -0.1, 1e-4, -2e-4, 0.02)
WINDOW = gaussian_window(7, 3.0)


def ring(count: int) -> list[Pose]:
    """Stations on a ring of 600 mm, looking at the origin."""
    poses = []
    for angle in np.deg2rad(20.0 * np.arange(count)):
        centre = np.array([600.0 * np.cos(angle), 600.0 * np.sin(angle), 150.0])
        forward = -centre / np.linalg.norm(centre)
        right = np.cross(forward, [0.0, 0.0, 1.0])
        right /= np.linalg.norm(right)
        R = np.stack([right, np.cross(forward, right), forward])
        poses.append(Pose(R, -R @ centre))
    return poses


def everywhere() -> StoneRoom:
    return StoneRoom(np.full(3, -500.0), 500.0, np.zeros((3, 3, 3), np.float32), 10.0)


# patches


def texture(x: Array, y: Array) -> Patches:
    """A smooth pattern known at every real place."""
    value = np.zeros_like(x)
    rng = np.random.default_rng(4)
    for _ in range(40):
        kx, ky = rng.normal(0.0, 0.35, 2)
        value += np.sin(kx * x + ky * y + rng.uniform(0.0, 6.28))
    return np.asarray(120.0 + 3.0 * value, np.float32)


def picture(A: Array, shift: Array, gain: float, offset: float) -> Patches:
    """The pattern seen through an affine map: what is at x in the template is at A x + shift."""
    y, x = np.mgrid[0:240, 0:320].astype(np.float64)
    back = np.linalg.inv(A)
    u, v = x - shift[0], y - shift[1]
    return gain * texture(back[0, 0] * u + back[0, 1] * v, back[1, 0] * u + back[1, 1] * v) + offset


def places() -> Array:
    x, y = np.meshgrid(np.arange(60.0, 260.0, 20.0), np.arange(60.0, 180.0, 20.0))
    return np.stack([x.ravel(), y.ravel()], axis=1) + 0.37


def test_patch_is_found_through_shift_tilt_and_light() -> None:
    A, shift = np.array([[1.06, 0.08], [-0.05, 0.93]]), np.array([1.3, -0.8])
    at = places()
    template = make_template(picture(np.eye(2), np.zeros(2), 1.0, 0.0), at, WINDOW)
    truth = at @ A.T + shift
    start = truth + np.random.default_rng(0).uniform(-1.2, 1.2, truth.shape)
    other = picture(A, shift, 0.7, 40.0)
    found = find_template(
        other, template, start, np.broadcast_to(np.eye(2), (len(at), 2, 2)), WINDOW
    )
    assert np.all(found.settled)
    assert np.all(found.likeness > 0.99)
    assert np.sqrt(np.mean((found.pixel - truth) ** 2)) < 0.03
    assert np.median(np.abs(found.warp - A)) < 0.03


def test_patch_sigmas_cover_the_scatter_of_noisy_photographs() -> None:
    at = places()
    clean = picture(np.eye(2), np.zeros(2), 1.0, 0.0)
    rng = np.random.default_rng(1)
    straight = np.broadcast_to(np.eye(2), (len(at), 2, 2))
    errors, claims = [], []
    for _ in range(12):
        one, two = (
            soften(
                np.clip(np.rint(clean + rng.normal(0, 2.0, clean.shape)), 0, 255).astype(np.uint8)
            )
            for _ in range(2)
        )
        found = find_template(two, make_template(one, at, WINDOW), at.copy(), straight, WINDOW)
        errors.append(found.pixel - at)
        claims.append(NOISE_SHARE * np.trace(found.cov_px2, axis1=1, axis2=2) / 2.0)
    ratio = np.sqrt(np.mean(claims)) / np.sqrt(np.mean(np.square(errors)))
    # pixel noise alone is over-covered: the factor also stands for JPEG and colour filter
    assert 0.9 < ratio < 2.0


def test_other_pattern_is_not_taken_for_the_template() -> None:
    at = places()
    template = make_template(picture(np.eye(2), np.zeros(2), 1.0, 0.0), at, WINDOW)
    other = picture(np.eye(2), np.array([5000.0, 3000.0]), 1.0, 0.0)
    straight = np.broadcast_to(np.eye(2), (len(at), 2, 2))
    found = find_template(other, template, at.copy(), straight, WINDOW)
    assert np.mean(found.settled & (found.likeness > 0.9)) < 0.05


# features


def whole(gray: NDArray[np.uint8]) -> Outline:
    height, width = gray.shape
    mask = np.full((height // OUTLINE_STEP + 1, width // OUTLINE_STEP + 1), 255, np.uint8)
    return Outline(0, 0, width, height, mask)


def test_a_photograph_from_half_as_far_shows_the_same_features() -> None:
    far = np.clip(picture(np.eye(2), np.zeros(2), 1.0, 0.0), 0, 255).astype(np.uint8)
    near = np.asarray(cv2.resize(far, None, fx=2.0, fy=2.0, interpolation=cv2.INTER_CUBIC))

    def straight(step_px: float) -> Callable[[Array], Array]:
        return lambda pixel: np.broadcast_to(step_px * np.eye(2), (len(pixel), 2, 2))

    a = find_features(far, whole(far), straight(2.0 * WORD_STEP_PX))
    b = find_features(near, whole(near), straight(4.0 * WORD_STEP_PX), share=0.25)
    assert len(a.pixel) > 50
    likeness = a.word @ b.word.T
    best = np.argmax(likeness, axis=1)
    off = np.linalg.norm((b.pixel[best] + 0.5) / 2.0 - 0.5 - a.pixel, axis=1)
    assert np.mean((likeness.max(axis=1) > 0.9) & (off < 0.5)) > 0.9


def wall(turn_deg: float) -> Surface:
    """An upright wall through the origin that faces the first station, turned about Z."""
    turn = np.deg2rad(turn_deg)
    along = 200.0 * np.array([-np.sin(turn), np.cos(turn), 0.0])
    up = np.array([0.0, 0.0, 200.0])
    corners = np.array([-along - up, along - up, along + up, -along + up])
    return Surface(corners, np.array([[0, 1, 2], [0, 2, 3]]))


@pytest.mark.parametrize("turn_deg", [-40.0, 0.0, 40.0])
def test_a_step_on_the_stone_is_as_long_as_the_projection_says(turn_deg: float) -> None:
    stone, pose = wall(turn_deg), ring(1)[0]
    outline = whole(np.zeros((1500, 2000), np.uint8))
    facing = facing_map(stone, LENS, pose, outline)
    along = np.array([-np.sin(np.deg2rad(turn_deg)), np.cos(np.deg2rad(turn_deg)), 0.0])
    down = np.array([0.0, 0.0, -1.0])
    places = np.array([[0.0, 0.0, 0.0], 60.0 * along, -50.0 * along + 40.0 * down])
    pixel, _ = project(LENS, pose, places)
    warp = square_warps(facing, LENS, pose, pixel, 2.0)
    for k, axis in enumerate((along, down)):
        step = project(LENS, pose, places + axis)[0] - project(LENS, pose, places - axis)[0]
        # the map is one place in 32 pixels, so the distance is good to a per cent or so
        assert np.all(np.linalg.norm(warp[:, :, k] - step, axis=1) < 0.03 * np.abs(step).max())


def test_where_the_model_is_not_the_stone_lies_as_it_does_beside() -> None:
    stone, pose = wall(0.0), ring(1)[0]
    outline = whole(np.zeros((1500, 2000), np.uint8))
    facing = facing_map(stone, LENS, pose, outline)
    inside, _ = project(LENS, pose, np.array([[0.0, 190.0, 0.0]]))
    outside, _ = project(LENS, pose, np.array([[0.0, 260.0, 0.0]]))
    near, beyond = (square_warps(facing, LENS, pose, at, 2.0) for at in (inside, outside))
    assert np.all(np.abs(near - beyond) < 0.12 * np.abs(near).max())


def test_stone_turned_away_is_not_stretched_without_end() -> None:
    stone, pose = wall(86.0), ring(1)[0]
    outline = whole(np.zeros((1500, 2000), np.uint8))
    facing = facing_map(stone, LENS, pose, outline)
    pixel, _ = project(LENS, pose, np.zeros((1, 3)))
    warp = square_warps(facing, LENS, pose, pixel, 2.0)[0]
    assert np.linalg.svd(warp, compute_uv=False)[1] > 0.3 * 2.0 * LENS.focal_px / 620.0


# guided matches


def features_of(points: Array, pose: Pose, words: Array, seed: int) -> tuple[Rays, Features]:
    rng = np.random.default_rng(seed)
    pixel = project(LENS, pose, points)[0] + rng.normal(0.0, 0.3, (len(points), 2))
    raw = np.abs(words + rng.normal(0.0, 0.02, words.shape))
    raw /= np.linalg.norm(raw, axis=1, keepdims=True)
    rays = Rays(pose.centre_frame, rays_frame(LENS, pose, pixel), LENS.focal_px)
    return rays, Features(pixel, raw.astype(np.float32))


def test_guided_matches_are_right_and_complete() -> None:
    rng = np.random.default_rng(2)
    points = rng.uniform(-80.0, 80.0, (400, 3))
    words = np.abs(rng.normal(0.0, 1.0, (400, 128))) ** 2
    words /= np.linalg.norm(words, axis=1, keepdims=True)
    a, b = ring(2)
    order = rng.permutation(400)
    rows, distance = match_pair(
        *features_of(points, a, words, 3),
        *features_of(points[order], b, words[order], 4),
        everywhere(),
    )
    assert len(rows) > 380
    assert np.all(order[rows[:, 1]] == rows[:, 0])
    assert np.all(distance < 0.55)


def test_matches_that_would_lie_away_from_the_stone_are_refused() -> None:
    rng = np.random.default_rng(5)
    near, far = rng.uniform(-40.0, 40.0, (100, 3)), rng.uniform(-40.0, 40.0, (100, 3))
    far[:, 2] += 300.0
    points = np.concatenate([near, far])
    words = np.abs(rng.normal(0.0, 1.0, (200, 128))) ** 2
    words /= np.linalg.norm(words, axis=1, keepdims=True)
    room = StoneRoom(np.full(3, -60.0), 20.0, np.zeros((7, 7, 7), np.float32), 10.0)
    a, b = ring(2)
    rows, _ = match_pair(*features_of(points, a, words, 6), *features_of(points, b, words, 7), room)
    assert len(rows) > 90
    assert np.all(rows[:, 0] < 100)


def test_pairs_lie_within_the_angles() -> None:
    poses = ring(18)
    pairs = neighbouring_pairs(poses, np.zeros(3))
    towards = np.array([p.centre_frame / np.linalg.norm(p.centre_frame) for p in poses])
    angle = np.rad2deg(np.arccos(np.einsum("kd,kd->k", towards[pairs[:, 0]], towards[pairs[:, 1]])))
    assert np.all((angle > 5.0) & (angle < 50.0))
    assert set(np.unique(pairs)) == set(range(18))
    assert np.all(pairs[:, 0] < pairs[:, 1])


# tracks


def observations(seed: int, noise_px: float) -> tuple[Array, list[Pose], Rows, Rows, Array]:
    rng = np.random.default_rng(seed)
    poses = ring(5)
    points = rng.uniform(-80.0, 80.0, (200, 3))
    photo = np.tile(np.arange(5), 200)
    point = np.repeat(np.arange(200), 5)
    pixel = np.empty((1000, 2))
    for i, pose in enumerate(poses):
        pixel[photo == i] = project(LENS, pose, points)[0]
    return points, poses, photo, point, pixel + rng.normal(0.0, noise_px, pixel.shape)


def test_exact_rays_meet_exactly() -> None:
    points, poses, photo, point, pixel = observations(0, 0.0)
    met = meet(sights(photo, pixel, [LENS] * 5, poses), point, np.ones(1000), 200)
    assert np.max(np.abs(met - points)) < 1e-6


def test_wrong_observations_are_left_out() -> None:
    points, poses, photo, point, pixel = observations(1, 0.2)
    rng = np.random.default_rng(9)
    wrong = np.zeros(1000, bool)
    wrong[np.arange(200)[::2] * 5 + rng.integers(0, 5, 100)] = True
    pixel[wrong] += rng.choice([-1.0, 1.0], (100, 2)) * rng.uniform(6.0, 20.0, (100, 2))
    met, keep, _ = robust_triangulate(
        photo, point, pixel, np.full(1000, 0.2), [LENS] * 5, poses, 200, 4.0
    )
    assert np.mean(keep[wrong]) < 0.02
    assert np.mean(keep[~wrong]) > 0.98
    off = np.linalg.norm(met - points, axis=1)
    assert np.percentile(off, 95) < 0.25


def test_claimed_covariances_match_the_scatter() -> None:
    z = []
    for seed in range(6):
        points, poses, photo, point, pixel = observations(10 + seed, 0.3)
        met = meet(sights(photo, pixel, [LENS] * 5, poses), point, np.ones(1000), 200)
        cov = point_covariances(photo, point, np.full(1000, 0.3), [LENS] * 5, poses, met)
        off = met - points
        z.append(np.einsum("ni,nij,nj->n", off, np.linalg.inv(cov), off))
    assert 2.8 < np.mean(z) < 3.2  # chi-square with three degrees of freedom
    assert 0.93 < np.mean(np.concatenate(z) < 7.815) < 0.97  # its 95 % point


def test_largest_angle_is_between_the_outer_stations() -> None:
    points, poses, photo, point, _ = observations(2, 0.0)
    angle = largest_angle_rad(photo, point, poses, points)
    centres = np.array([p.centre_frame for p in poses])
    rays = centres[None] - points[:, None]
    rays /= np.linalg.norm(rays, axis=2, keepdims=True)
    wanted = np.arccos(np.einsum("nid,njd->nij", rays, rays).min(axis=(1, 2)))
    assert np.allclose(angle, wanted, atol=1e-9)


def test_one_photograph_holds_a_place_once() -> None:
    # features 0, 1 in photograph 0; 2, 3 in photograph 1; 4 in photograph 2
    photo = np.array([0, 0, 1, 1, 2])
    first, second = np.array([0, 2, 1, 1]), np.array([2, 4, 4, 3])
    group = join_matches(first, second, np.array([0.1, 0.2, 0.3, 0.4]), photo)
    assert group[0] == group[2] == group[4]
    assert group[1] == group[3] != group[0]
    for g in np.unique(group):
        held = photo[group == g]
        assert len(held) == len(set(held.tolist()))


# local planes


def test_plane_of_the_neighbours_is_robust_and_turned_to_the_camera() -> None:
    rng = np.random.default_rng(3)
    xy = rng.uniform(0.0, 60.0, (400, 2))
    points = np.concatenate([xy, 0.1 * xy[:, :1] + rng.normal(0, 0.05, (400, 1))], axis=1)
    stray = rng.choice(400, 40, replace=False)
    points[stray, 2] += 3.0
    towards = np.broadcast_to([0.0, 0.0, 1.0], (400, 3)).copy()
    normals, height, spread = local_planes(points, towards)
    sound = np.setdiff1d(np.arange(400), stray)
    wanted = np.array([-0.1, 0.0, 1.0]) / np.hypot(1.0, 0.1)
    assert np.median(normals[sound] @ wanted) > np.cos(np.deg2rad(2.0))
    assert np.median(np.abs(height[sound])) < 0.1
    assert np.median(height[stray]) > 2.0
    assert np.median(spread) < 0.2


def test_evened_contrast_lifts_dim_texture_but_not_noise() -> None:
    rng = np.random.default_rng(6)
    y, x = np.mgrid[0:160, 0:320]
    gray = 150.0 + 6.0 * np.sin(x / 3.0) * np.sin(y / 3.0) * (x < 160)
    noisy = np.clip(gray + rng.normal(0.0, 0.5, gray.shape), 0, 255).astype(np.uint8)
    even = cv2.GaussianBlur(even_contrast(noisy), (0, 0), 1.0).astype(float)
    assert even[40:120, 40:120].std() > 15.0
    assert even[40:120, 220:300].std() < 6.0
