"""The needle in the photographs, on a rendered slab whose stone left is known exactly."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.needle_scene import (
    LENS,
    closed,
    height_mesh,
    look_from,
    photograph_all,
    rolling,
    true_stone_left,
)  # fmt: skip
from tracker.cloud.patch_views import View
from tracker.comparison.needle import (
    NeedleResult,
    NeedleSettings,
    measure_needles,
    stack_for,
)
from tracker.comparison.readings import NotSeen
from tracker.maths.camera import Array
from tracker.surface import Surface

MODEL = height_mesh(rolling)


def carved(x: Array, y: Array) -> Array:
    """Finished on the left, 6 mm above and tool-marked on the right, one over-cut."""
    raised = np.where(x > 15.0, 6.0 + 0.5 * np.sin(x * 1.3) * np.sin(y * 1.1), 0.0)
    pit = 1.2 * np.sqrt(np.clip(1.0 - ((x + 15.0) ** 2 + (y - 10.0) ** 2) / 36.0, 0.0, 1.0))
    return rolling(x, y) + raised - pit


def lattice(pitch_mm: float = 2.0) -> tuple[Array, Array]:
    """Places on the model and their needles."""
    ticks = np.arange(-28.0, 28.1, pitch_mm)
    x, y = (q.ravel() for q in np.meshgrid(ticks, ticks))
    points = np.stack([x, y, rolling(x, y)], axis=1)
    _, face = MODEL.nearest(points)
    return points, MODEL.face_normals[face]


@pytest.fixture(scope="module")
def views() -> list[View]:
    return photograph_all(closed(carved))


@pytest.fixture(scope="module")
def result(views: list[View]) -> NeedleResult:
    return measure_needles(views, MODEL, *lattice())


@pytest.fixture(scope="module")
def truth() -> Array:
    return true_stone_left(closed(carved), *lattice())


def inner(points: Array) -> Array:
    """Away from the step, whose wall the needles graze."""
    return np.abs(points[:, 0] - 15.0) > 3.0


def test_depths_are_true_and_most_places_are_measured(result: NeedleResult, truth: Array) -> None:
    readings = result.readings
    fair = inner(readings.points)
    off = np.abs(result.depth_mm - truth)
    for low, high, share, middle in ((-2.0, -0.2, 0.90, 0.06), (-0.2, 0.2, 0.95, 0.03),
                                     (3.0, 9.0, 0.85, 0.08)):  # fmt: skip
        here = fair & (truth > low) & (truth <= high)
        assert here.sum() > 15
        seen = here & readings.seen
        assert seen.sum() >= share * here.sum()
        assert np.median(off[seen]) < middle
    assert off[readings.seen & fair].max() < 1.0


def test_finished_stone_gains_by_its_neighbours_and_the_overcut_loses_nothing(
    views: list[View], result: NeedleResult, truth: Array
) -> None:
    alone = measure_needles(views, MODEL, *lattice(), weigh=False)
    finished = inner(result.readings.points) & (np.abs(truth) < 0.1)
    both = finished & result.readings.seen & alone.readings.seen
    assert result.readings.seen[finished].mean() > 0.98

    def off(which: NeedleResult, rows: Array) -> float:
        return float(np.sqrt(np.mean((which.depth_mm - truth)[rows] ** 2)))

    assert off(result, both) < 0.8 * off(alone, both)
    low = result.readings.seen & (truth < -0.6)
    assert low.sum() > 10
    assert off(result, low) < 0.15


def test_doubtful_readings_keep_their_own_sigma(result: NeedleResult, truth: Array) -> None:
    more = result.with_doubtful()
    new = more.readings.seen & ~result.readings.seen
    assert new.sum() >= 3
    sigma = np.sqrt(more.readings.variance_mm2[new].sum(axis=1))
    np.testing.assert_allclose(sigma, result.alone.sigma_mm[new])
    assert np.median(sigma) > np.median(result.sigma_mm[result.readings.seen])
    off = np.abs(more.depth_mm - truth)[new & inner(result.readings.points)]
    assert np.median(off) < 0.5
    same = result.readings.seen
    np.testing.assert_array_equal(more.depth_mm[same], result.depth_mm[same])


def test_claimed_uncertainty_covers_the_truth(result: NeedleResult, truth: Array) -> None:
    seen = result.readings.seen & inner(result.readings.points)
    inside = np.abs(result.depth_mm - truth)[seen] <= result.readings.u95_mm[seen]
    assert inside.mean() > 0.93
    assert np.median(result.readings.u95_mm[seen]) < 0.3


def test_threads_change_nothing(views: list[View], result: NeedleResult) -> None:
    alone = measure_needles(views, MODEL, *lattice(), NeedleSettings(threads=1))
    np.testing.assert_allclose(alone.depth_mm, result.depth_mm, rtol=0.0, atol=1e-9)
    np.testing.assert_array_equal(alone.readings.seen, result.readings.seen)


def test_named_points_begin_from_the_stone_round_about(
    views: list[View], result: NeedleResult
) -> None:
    points = np.array([[-10.3, -7.7, 0.0], [-15.0, 10.0, 0.0], [24.4, 3.1, 0.0]])
    points[:, 2] = rolling(points[:, 0], points[:, 1])
    _, face = MODEL.nearest(points)
    needles = MODEL.face_normals[face]
    named = measure_needles(views, MODEL, points, needles, start=result)
    assert named.readings.seen.all()
    true = true_stone_left(closed(carved), points, needles)
    assert np.abs(named.depth_mm - true).max() < 0.25


def test_two_photographs_are_never_enough(views: list[View]) -> None:
    two = measure_needles(views[:2], MODEL, *lattice(6.0))
    assert not two.readings.seen.any()
    assert (two.readings.reason == NotSeen.TOO_FEW_PHOTOGRAPHS).all()


def test_stone_without_texture_is_not_seen() -> None:
    """Where nothing can be matched there must be no figure."""
    blank = [
        View(v.name, np.full_like(v.gray, 170), LENS, look_from(51.4 * k, 25.0))
        for k, v in enumerate(photograph_all(closed(rolling), count=1) * 5)
    ]
    answer = measure_needles(blank, MODEL, *lattice(4.0))
    assert not answer.readings.seen.any()


def test_untouched_stone_is_at_least(views: list[View]) -> None:
    """A model 30 mm below the stone: the figure is a bound."""
    deep = Surface(MODEL.vertices - [0.0, 0.0, 30.0], MODEL.faces)
    points, _ = lattice(4.0)
    straight = np.tile([0.0, 0.0, 1.0], (len(points), 1))
    answer = measure_needles(
        views, deep, points - [0.0, 0.0, 30.0], straight, NeedleSettings(spacing_mm=4.0)
    )
    seen = answer.readings.seen
    assert seen.mean() > 0.6
    assert answer.readings.at_least[seen].all()
    np.testing.assert_array_equal(answer.readings.stone_left_mm[seen], 25.0)


def test_small_errors_of_the_cameras_do_no_harm(views: list[View], truth: Array) -> None:
    rng = np.random.default_rng(3)
    moved = [
        replace(v, pose=replace(v.pose, t=v.pose.t + rng.normal(scale=0.01, size=3))) for v in views
    ]
    answer = measure_needles(stack_for(moved, MODEL, NeedleSettings()), MODEL, *lattice())
    seen = answer.readings.seen & inner(answer.readings.points)
    assert seen.mean() > 0.75
    assert np.median(np.abs(answer.depth_mm - truth)[seen]) < 0.05
