"""Level stone told from carved stone, and what is gained where it is level."""

from __future__ import annotations

import numpy as np
import pytest

from tracker.comparison.needle_level import NEAR_MODEL_MM, UNREAD_MM, Sounded, look_level, no_level
from tracker.maths.camera import Array

SIGMA_MM = 0.2


def lattice(side: int = 40, pitch_mm: float = 2.0) -> Array:
    """Places in a plane, (n, 3)."""
    at = pitch_mm * (np.arange(side) - 0.5 * (side - 1))
    x, y = np.meshgrid(at, at)
    return np.stack([x.ravel(), y.ravel(), np.zeros(side * side)], axis=1)


def read(depth: Array, seed: int, sigma: float = SIGMA_MM) -> Sounded:
    """Readings of a true depth with Gaussian noise."""
    points = lattice()
    noise = np.random.default_rng(seed).normal(0.0, sigma, len(points))
    needles = np.tile([0.0, 0.0, 1.0], (len(points), 1))
    return Sounded(points, needles, depth + noise, np.full(len(points), sigma))


def inner(points: Array, limit: float = 32.0) -> Array:
    return np.abs(points[:, :2]).max(axis=1) < limit


@pytest.mark.parametrize("seed", range(3))
def test_finished_stone_is_known_better_than_by_its_own_reading(seed: int) -> None:
    true = 0.1 + 0.05 * np.sin(lattice()[:, 0] / 9.0)
    all_ = read(true, seed)
    found = look_level(all_, all_)
    at = inner(all_.points)
    assert found.holds[at].mean() > 0.98
    off = (found.depth_mm - true)[at]
    assert np.sqrt(np.mean(off**2)) < 0.4 * SIGMA_MM
    # Gaussian noise, weighed as if it had heavier tails; what is claimed in the end is `Marks`
    assert np.mean(np.abs(off) < 2.0 * found.sigma_mm[at]) > 0.9


def test_a_reading_that_lies_far_off_does_not_count() -> None:
    all_ = read(np.zeros(1600), 7, 0.05)
    wrong = np.flatnonzero(inner(all_.points))[::37]
    all_.depth_mm[wrong] += 1.0
    found = look_level(all_, all_)
    assert np.abs(found.depth_mm[wrong]).max() < 0.2


def test_a_place_without_a_reading_hears_its_neighbours() -> None:
    all_ = read(np.full(1600, 0.2), 3)
    middle = np.array([820])
    own = Sounded(
        all_.points[middle], all_.needles[middle], np.array([9.0]), np.array([UNREAD_MM])
    )  # fmt: skip
    found = look_level(own, all_)
    assert found.holds[0]
    assert found.depth_mm[0] == pytest.approx(0.2, abs=0.15)


@pytest.mark.parametrize("seed", range(3))
def test_carved_stone_is_not_level(seed: int) -> None:
    """Tool marks of 0.7 mm between 1 and 3 mm above the model, and a step of 3 mm."""
    x, y = lattice()[:, 0], lattice()[:, 1]
    marked = 2.0 + 0.7 * np.sin(x / 1.7) * np.sin(y / 1.9)
    all_ = read(marked, seed, 0.1)
    assert not look_level(all_, all_).holds.any()
    step = np.where(x > 0.5, 3.0, 0.0)
    all_ = read(step, seed, 0.1)
    found = look_level(all_, all_)
    beside = np.abs(x) < 1.5
    assert not np.any(found.holds & beside & (np.abs(found.depth_mm - step) > 0.3))


@pytest.mark.parametrize("seed", range(3))
def test_a_shallow_overcut_is_not_smoothed_away(seed: int) -> None:
    """Ten millimetres wide and 1.2 mm deep, among finished stone."""
    points = lattice()
    r = np.hypot(points[:, 0] - 1.0, points[:, 1] + 1.0)
    true = -1.2 * np.clip(1.0 - (r / 5.0) ** 2, 0.0, None)
    all_ = read(true, seed, 0.1)
    found = look_level(all_, all_)
    deep = true < -0.8
    assert deep.sum() >= 4
    assert not np.any(found.holds & deep & (found.depth_mm - true > 0.3))


def test_stone_far_off_the_model_is_not_finished_however_level() -> None:
    all_ = read(np.full(1600, NEAR_MODEL_MM + 0.3), 1, 0.05)
    assert not look_level(all_, all_).holds.any()


def test_the_other_side_of_a_thin_form_is_no_neighbour() -> None:
    front = read(np.full(1600, 0.1), 1, 0.05)
    back = Sounded(front.points - [0, 0, 1.0], -front.needles, front.depth_mm + 0.6, front.sigma_mm)
    both = Sounded(*(
        np.concatenate([getattr(front, k), getattr(back, k)])
        for k in ("points", "needles", "depth_mm", "sigma_mm")
    ))  # fmt: skip
    at = inner(front.points)
    found = look_level(front, both)
    assert np.abs(found.depth_mm[at] - 0.1).max() < 0.1


def test_threads_and_none_at_all() -> None:
    all_ = read(np.zeros(1600), 2)
    np.testing.assert_array_equal(
        look_level(all_, all_, 1).depth_mm, look_level(all_, all_, 2).depth_mm
    )
    assert not no_level(all_).holds.any()
    nothing = all_.rows(np.zeros(0, dtype=np.int64))
    assert len(look_level(nothing, all_).depth_mm) == 0
