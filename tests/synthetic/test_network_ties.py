"""Tie points do not make poses worse than targets alone.

Their noise is that of matching: twice what they claim, one in twenty a mismatch, and errors that
hang together: a smooth field over each photograph (patches seen under another light) and a shift of
some whole tracks by .3 px (their reference patch). Where few targets are seen they must help all
the same.
"""

from collections.abc import Sequence
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from tests.simulated_network import (
    BAR_TARGETS,
    BENCH,
    CENTRE,
    FRAME,
    HEIGHT,
    LENS,
    SIDE_MM,
    WIDTH,
    World,
    detect,
    make_world,
)
from tracker.maths.camera import Array, project
from tracker.maths.rotation import angle_rad, log
from tracker.network.adjust import add_ties, adjust
from tracker.network.outcome import Adjustment
from tracker.network.record import Bar, KnownTarget, TiePoints
from tracker.network.tie_scatter import point_scatter
from tracker.network.tie_worth import tie_variance

WORLD = make_world(16)
SEEDS = (0, 1)
CLAIMED_PX = 0.15
COUNT = 1000


FEW = (*FRAME[:4], *BENCH[:2], *BAR_TARGETS[:2])


@cache
def targets_alone(seed: int, few: bool = False) -> Adjustment:
    rng = np.random.default_rng(seed)
    a, b, length = WORLD.bars[0]
    seen = detect(WORLD, 0.03, seed=20 + seed)
    if few:
        seen = [replace(d, used=tuple(t for t in d.used if t.tag in FEW)) for d in seen]
    return adjust(
        seen,
        names=[f"{k}.jpg" for k in range(len(WORLD.poses))],
        cameras=[0] * len(WORLD.poses),
        sizes=[(WIDTH, HEIGHT)],
        focal_guess_px=[LENS.focal_px],
        known={
            tag: KnownTarget(WORLD.corners[tag] + rng.normal(0, 0.01, (4, 3)), np.full(4, 0.02))
            for tag in FRAME
            if not few or tag in FEW
        },
        bars=[Bar(a, b, length, 0.02)],
        side_mm=SIDE_MM,
    )


def ties(world: World, seed: int, count: int, field_px: float, track_px: float) -> TiePoints:
    """Places on an upright egg, each in the five photographs that face it best."""
    rng = np.random.default_rng(300 + seed)
    direction = rng.normal(size=(count, 3))
    direction /= np.linalg.norm(direction, axis=1, keepdims=True)
    cloud = CENTRE + direction * [90.0, 80.0, 140.0]
    centres = np.array([pose.centre_frame for pose in world.poses])
    best = np.argsort(-direction @ (centres - CENTRE).T, axis=1)[:, :5]
    photo, point = best.ravel(), np.repeat(np.arange(count), 5)
    pixel = np.empty((len(photo), 2))
    for k, pose in enumerate(world.poses):
        rows = photo == k
        pixel[rows] = project(world.lens, pose, cloud[point[rows]])[0]
        waves = 2.0 * np.pi * pixel[rows] @ rng.normal(0, 1.0 / 1500.0, (2, 2))
        pixel[rows] += field_px * np.sin(waves + rng.uniform(0, 6, 2))
    pixel += rng.normal(0, 2.0 * CLAIMED_PX, pixel.shape)
    one = rng.integers(0, 5, count) == 0
    pixel += (
        track_px * rng.normal(size=(count, 2))[point] * (one[point] & (point % 5 == 0))[:, None]
    )
    wrong = rng.random(len(pixel)) < 0.05
    pixel[wrong] += rng.uniform(-8.0, 8.0, (int(wrong.sum()), 2))
    cov = np.broadcast_to(CLAIMED_PX**2 * np.eye(2), (len(pixel), 2, 2)).copy()
    return TiePoints(cloud + rng.normal(0, 0.5, cloud.shape), photo, point, pixel, cov)


@cache
def tied(seed: int, field_px: float, few: bool = False, track_px: float = 0.3) -> Adjustment:
    return add_ties(targets_alone(seed, few), ties(WORLD, seed, COUNT, field_px, track_px))


def errors(days: Sequence[Adjustment]) -> tuple[float, float, float]:
    """Stations' RMS mm, turns' RMS degrees, largest error of the focal length px."""
    place: list[Array] = []
    turn, focal = [], []
    for day in days:
        for photo, true in zip(day.photos, WORLD.poses, strict=True):
            if photo.pose is None:
                continue
            place.append(photo.pose.centre_frame - true.centre_frame)
            turn.append(np.degrees(angle_rad(photo.pose.R @ true.R.T)))
        focal.append(abs(day.lenses[0].focal_px - LENS.focal_px))
    return (
        float(np.sqrt(np.mean(np.sum(np.square(place), axis=1)))),
        float(np.sqrt(np.mean(np.square(turn)))),
        float(np.max(focal)),
    )


def nees(day: Adjustment) -> float:
    """Squared errors of the poses over what is claimed of them, per coordinate; 1 is honest."""
    out = []
    for photo, row, true in zip(day.photos, day.photo_rows, WORLD.poses, strict=True):
        if photo.pose is None:
            continue
        error = np.concatenate([log(photo.pose.R @ true.R.T), photo.pose.t - true.t])
        part = slice(6 * row, 6 * row + 6)
        out.append(error @ np.linalg.solve(day.solution.cov_cameras[part, part], error) / 6.0)
    return float(np.mean(out))


@pytest.mark.parametrize(
    ("field_px", "track_px", "most"),
    [(0.0, 0.0, 1.05), (0.02, 0.3, 1.05), (0.05, 0.3, 1.05), (0.1, 0.3, 1.1)],
)
def test_poses_are_no_worse_than_with_targets_alone(
    field_px: float, track_px: float, most: float
) -> None:
    """A tenth of a pixel, taken for noise, would cost the turns 1.4 times (as measured)."""
    alone = [targets_alone(seed) for seed in SEEDS]
    with_ties = [tied(seed, field_px, track_px=track_px) for seed in SEEDS]
    for day in with_ties:
        assert day.choice.tie_scale > 1.5
        assert len(day.solution.used) == 5 * COUNT
        assert 0.5 < np.mean(day.solution.used) < 0.96
    place, turn, focal = errors(with_ties)
    place_alone, turn_alone, focal_alone = errors(alone)
    assert place <= most * place_alone
    assert turn <= most * turn_alone
    assert focal <= focal_alone + 0.05
    assert np.mean([nees(day) for day in with_ties]) < 1.1 * np.mean([nees(day) for day in alone])


def test_worth_falls_with_what_tie_points_share() -> None:
    worth = [
        np.mean([tied(seed, field_px).choice.tie_worth for seed in SEEDS])
        for field_px in (0.0, 0.05, 0.1)
    ]
    assert worth[0] > 0.75  # nothing shared: they count nearly in full
    assert worth[0] > worth[1] > worth[2]
    assert worth[2] < 0.3


def test_own_covariance_of_the_places_is_kept() -> None:
    """Shared errors go with the poses; how well a place is intersected they do not change."""
    sigma = [
        np.median(np.linalg.det(day.solution.cov_points[day.tie_rows]))
        for day in (tied(0, 0.0), tied(0, 0.1))
    ]
    assert sigma[1] == pytest.approx(sigma[0], rel=0.25)


@pytest.mark.parametrize("field_px", [0.0, 0.05])
def test_few_targets_are_helped(field_px: float) -> None:
    alone = [targets_alone(seed, few=True) for seed in SEEDS]
    with_ties = [tied(seed, field_px, few=True) for seed in SEEDS]
    assert all(np.sum(day.photo_rows >= 0) >= 8 for day in alone)
    place, turn, _ = errors(with_ties)
    place_alone, turn_alone, _ = errors(alone)
    assert place < 0.85 * place_alone
    assert turn < 0.85 * turn_alone
    assert np.mean([nees(day) for day in with_ties]) < 1.5


def test_variance_of_tie_points_is_found_again() -> None:
    rng = np.random.default_rng(7)
    share = rng.uniform(0.0, 1.0, 400)
    for alpha, kappa in ((1.0, 1.0), (0.4, 1.0), (0.4, 6.0), (1.0, 20.0)):
        pull2 = (alpha * share + kappa * (1.0 - share)) * rng.chisquare(1, len(share))
        assert tie_variance(share, pull2, alpha) == pytest.approx(kappa, rel=0.35)


def test_a_point_whose_rays_miss_each_other_is_worth_less() -> None:
    day = tied(0, 0.0)
    solution, network = day.solution, day.network
    scatter = point_scatter(network, solution)
    assert np.all(scatter >= 1.0)
    seen = np.flatnonzero(solution.used & (network.seen.point == network.seen.point.max()))
    residual = solution.residual_px.copy()
    residual[seen] = 0.0
    still = point_scatter(network, replace(solution, residual_px=residual))
    assert still[network.seen.point.max()] == 1.0
    # n observations three sigmas off: (2 + 9 n) / (2 + 2 n - 3)
    sigma = np.sqrt(network.seen.cov_px2[seen, 0, 0])
    residual[seen, 0] = 3.0 * sigma
    alone = np.zeros_like(network.seen.cov_px2)
    alone[:, 0, 0], alone[:, 1, 1] = network.seen.cov_px2[:, 0, 0], network.seen.cov_px2[:, 1, 1]
    plain = replace(network, seen=replace(network.seen, cov_px2=alone))
    far = point_scatter(plain, replace(solution, residual_px=residual))
    n = len(seen)
    assert far[network.seen.point.max()] == pytest.approx((2.0 + 9.0 * n) / (2.0 * n - 1.0))
