"""The error that all photographs of a target share: told by its shape, covered by the claims."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from tests.simulated_network import (
    BAR_TARGETS,
    BENCH,
    FRAME,
    HEIGHT,
    LENS,
    SIDE_MM,
    WIDTH,
    World,
    detect,
    make_world,
    square,
)
from tracker.maths.camera import Array
from tracker.maths.rotation import exp
from tracker.network.adjust import adjust
from tracker.network.outcome import Adjustment
from tracker.network.quality import centre_covariance
from tracker.network.record import Bar, KnownTarget
from tracker.network.shared import out_of_square_mm2, shared_covariance, shared_sigmas

SEEDS = 4
RECORD_SIGMA_MM = 0.01


def test_a_square_has_no_defect_wherever_it_lies() -> None:
    rng = np.random.default_rng(1)
    for _ in range(5):
        corners = square(rng.normal(0, 100, 3), rng.normal(size=3), rng.uniform(-3, 3), 47.0)
        assert out_of_square_mm2(corners) == pytest.approx(0.0, abs=1e-20)
        moved = 1.03 * corners @ exp(rng.normal(size=3)).T + rng.normal(0, 10, 3)
        assert out_of_square_mm2(moved) == pytest.approx(0.0, abs=1e-20)


def test_an_oblong_has_the_defect_of_its_sides() -> None:
    """Sides 40 and 40.4: each corner is .1 mm off the square of 40.2 in both directions."""
    h = np.array([[-1, 1, 0], [1, 1, 0], [1, -1, 0], [-1, -1, 0]]) * [20.0, 20.2, 0.0]
    assert out_of_square_mm2(h) == pytest.approx(4 * 2 * 0.1**2, rel=1e-9)


def test_half_of_the_coordinates_show_the_error() -> None:
    rng = np.random.default_rng(2)
    corners = square(np.zeros(3), np.array([0.2, -0.5, 0.8]), 0.7, 50.0)
    root = np.linalg.cholesky(shared_covariance(corners, 0.03) + 1e-12 * np.eye(12))
    found = [
        out_of_square_mm2(corners + (root @ rng.normal(size=12)).reshape(4, 3)) for _ in range(4000)
    ]
    assert np.mean(found) / 0.03**2 == pytest.approx(4.0, rel=0.06)
    assert np.var(found) / 0.03**4 == pytest.approx(8.0, rel=0.2)


def test_one_bad_target_claims_less_and_leaves_the_others_alone() -> None:
    rng = np.random.default_rng(3)
    corners = {
        tag: square(100.0 * rng.normal(size=3), rng.normal(size=3), 0.1 * tag)
        + rng.normal(0, 0.003, (4, 3))
        for tag in range(12)
    }
    before = shared_sigmas(corners)
    corners[5] = corners[5] + [[0.1, 0.0, 0.0], [0.0, 0.0, 0.0], [0.0, 0.1, 0.0], [0.0, 0.0, 0.1]]
    after = shared_sigmas(corners)
    assert after[5] > 5.0 * before[5]
    others = [tag for tag in corners if tag != 5]
    assert max(after[tag] / before[tag] for tag in others) < 1.3
    assert shared_sigmas({}) == {}


def spoilt(seed: int) -> tuple[World, World]:
    """A world, and the one its photographs show: every target drawn a little out of shape.

    Few are much worse than the others, as shadows on cards make them (4 um, log-normal).
    """
    rng = np.random.default_rng(seed)
    world = make_world(16, seed=1)
    shown: dict[int, Array] = {}
    for tag, corners in world.corners.items():
        size = 0.004 * np.exp(rng.normal(0.0, 0.8))
        root = np.linalg.cholesky(shared_covariance(corners, size) + 1e-14 * np.eye(12))
        shown[tag] = corners + (root @ rng.normal(size=12)).reshape(4, 3)
    return world, replace(world, corners=shown)


@cache
def measured(seed: int) -> tuple[World, Adjustment]:
    world, shown = spoilt(seed)
    rng = np.random.default_rng(100 + seed)
    known = {
        tag: KnownTarget(
            world.corners[tag] + rng.normal(0, RECORD_SIGMA_MM, (4, 3)),
            np.full(4, 2 * RECORD_SIGMA_MM),
        )
        for tag in FRAME
    }
    a, b, length = world.bars[0]
    day = adjust(
        detect(shown, 0.02, seed=200 + seed),
        names=[f"{k}.jpg" for k in range(len(world.poses))],
        cameras=[0] * len(world.poses),
        sizes=[(WIDTH, HEIGHT)],
        focal_guess_px=[LENS.focal_px],
        known=known,
        bars=[Bar(a, b, length + rng.normal(0, 0.01), 0.02)],
        side_mm=SIDE_MM,
    )
    return world, day


def test_claims_cover_the_truth() -> None:
    targets, stations, lengths = [], [], []
    for seed in range(SEEDS):
        world, day = measured(seed)
        assert all(target.used for target in day.targets)
        for target in day.targets:
            if target.tag in BENCH + BAR_TARGETS:
                sigma = np.sqrt(np.diag(target.cov_corners)).reshape(4, 3)
                targets.append((target.corners - world.corners[target.tag]) / sigma)
        for row, (photo, true) in enumerate(zip(day.photos, world.poses, strict=True)):
            assert photo.pose is not None
            block = day.solution.cov_cameras[6 * row : 6 * row + 6, 6 * row : 6 * row + 6]
            cov = centre_covariance(photo.pose.R, photo.pose.t, block)
            off = photo.pose.centre_frame - true.centre_frame
            stations.append(off / np.sqrt(np.diag(cov)))
        for a, b, length in world.bars[1:]:
            found, sigma_mm = day.length(a, b)
            lengths.append((found - length) / sigma_mm)
    assert 0.93 <= np.mean(np.abs(targets) <= 2.0) <= 0.99
    assert np.mean(np.abs(stations) <= 2.0) >= 0.90  # those of one day hang together
    assert np.abs(lengths).max() <= 3.0


def test_without_it_the_claims_are_too_small() -> None:
    """Guards the test above: the same days, the shared error left out of the covariance."""
    inside = []
    for seed in range(2):
        world, day = measured(seed)
        for target in day.targets:
            if target.tag in BENCH:
                rows = day.target_rows[target.tag]
                sigma = np.sqrt(np.diag(day.solution.cov_of_joint(rows))).reshape(4, 3)
                inside.append(np.abs(target.corners - world.corners[target.tag]) <= 2.0 * sigma)
    assert np.mean(inside) < 0.90
