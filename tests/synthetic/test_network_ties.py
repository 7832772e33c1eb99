"""Tie points do not make poses worse than targets alone.

Their noise is that of matching: twice what they claim, one in twenty a mismatch, and errors that
hang together: a smooth field over each photograph of .02 px (patches seen under another light) and
a shift of some whole tracks by .3 px (their reference patch).
"""

from collections.abc import Sequence
from functools import cache

import numpy as np
import pytest

from tests.simulated_network import (
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
from tracker.maths.rotation import angle_rad
from tracker.network.adjust import add_ties, adjust
from tracker.network.outcome import Adjustment
from tracker.network.record import Bar, KnownTarget, TiePoints

WORLD = make_world(16)
SEEDS = (0, 1)
CLAIMED_PX = 0.15
COUNT = 1000


@cache
def targets_alone(seed: int) -> Adjustment:
    rng = np.random.default_rng(seed)
    a, b, length = WORLD.bars[0]
    return adjust(
        detect(WORLD, 0.03, seed=20 + seed),
        names=[f"{k}.jpg" for k in range(len(WORLD.poses))],
        cameras=[0] * len(WORLD.poses),
        sizes=[(WIDTH, HEIGHT)],
        focal_guess_px=[LENS.focal_px],
        known={
            tag: KnownTarget(WORLD.corners[tag] + rng.normal(0, 0.01, (4, 3)), np.full(4, 0.02))
            for tag in FRAME
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


def errors(days: Sequence[Adjustment]) -> tuple[float, float, float]:
    """Stations' RMS mm, turns' RMS degrees, largest error of the focal length px."""
    place: list[Array] = []
    turn, focal = [], []
    for day in days:
        for photo, true in zip(day.photos, WORLD.poses, strict=True):
            assert photo.pose is not None
            place.append(photo.pose.centre_frame - true.centre_frame)
            turn.append(np.degrees(angle_rad(photo.pose.R @ true.R.T)))
        focal.append(abs(day.lenses[0].focal_px - LENS.focal_px))
    return (
        float(np.sqrt(np.mean(np.sum(np.square(place), axis=1)))),
        float(np.sqrt(np.mean(np.square(turn)))),
        float(np.max(focal)),
    )


@pytest.mark.parametrize(("field_px", "track_px"), [(0.0, 0.0), (0.02, 0.3)])
def test_poses_are_no_worse_than_with_targets_alone(field_px: float, track_px: float) -> None:
    alone = [targets_alone(seed) for seed in SEEDS]
    tied = [
        add_ties(targets_alone(seed), ties(WORLD, seed, COUNT, field_px, track_px))
        for seed in SEEDS
    ]
    for day in tied:
        assert day.choice.tie_scale > 1.5
        assert len(day.solution.used) == 5 * COUNT
        assert 0.5 < np.mean(day.solution.used) < 0.96
    place, turn, focal = errors(tied)
    place_alone, turn_alone, focal_alone = errors(alone)
    assert place <= 1.05 * place_alone
    assert turn <= 1.05 * turn_alone
    assert focal <= focal_alone + 0.05
