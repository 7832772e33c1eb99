"""Depths decided together: rivals, slopes, steps, and the least sum found on a chain."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from tracker.cloud.patch_steps import STEP_MM, Steps, depth_of
from tracker.comparison import needle_together
from tracker.comparison.needle_neighbours import Neighbours, find_neighbours
from tracker.comparison.needle_together import (
    BREAK,
    LEVEL_MM,
    LEVEL_PER_MM,
    WORD,
    Decision,
    decide_together,
    join_steps,
)

SPACING_MM = 2.0
FIRST, COUNT = 50, 40


def lattice(side: int = 24) -> tuple[np.ndarray, np.ndarray, Neighbours]:
    """Needles straight up from a square lattice, and their eight neighbours."""
    at = SPACING_MM * np.arange(side)
    x, y = np.meshgrid(at, at)
    points = np.stack([x.ravel(), y.ravel(), np.zeros(side * side)], axis=1)
    needles = np.tile([0.0, 0.0, 1.0], (side * side, 1))
    near = find_neighbours(points, needles, points, needles, 8, 2.5 * SPACING_MM, True)
    return points, needles, near


def with_rivals(true_step: np.ndarray, rng: np.random.Generator) -> Steps:
    """Agreement that peaks at the true step and, as high or higher, at one other."""
    n = len(true_step)
    steps = FIRST + np.arange(COUNT)
    peak = 0.75 * np.exp(-0.5 * (steps[None] - true_step[:, None]) ** 2)
    rival = rng.integers(FIRST, FIRST + COUNT, n)
    height = rng.uniform(0.6, 0.85, (n, 1))
    peak = np.maximum(peak, height * np.exp(-0.5 * (steps[None] - rival[:, None]) ** 2))
    peak += rng.normal(0.0, 0.03, peak.shape)
    return Steps(np.full(n, FIRST, np.int32), peak.astype(np.float32))


def decided(
    true_step: np.ndarray, normal: np.ndarray, seed: int = 1, threads: int = 2
) -> tuple[np.ndarray, Decision]:
    """Best step of every needle alone, and what they decide together."""
    points, needles, near = lattice()
    found = with_rivals(true_step, np.random.default_rng(seed))
    normals = np.tile(normal, (len(points), 1, 1))
    alone = FIRST + np.argmax(found.agreement, axis=1)
    return alone, decide_together(
        join_steps([found]), normals, points, needles, near, SPACING_MM, threads
    )


def test_rivals_of_single_needles_lose_against_their_neighbours() -> None:
    true = np.full(24 * 24, FIRST + 15)
    alone, together = decided(true, np.array([0.0, 0.0, 1.0]))
    assert np.mean(np.abs(alone - true) > 1) > 0.2
    assert np.mean(np.abs(together.depth - depth_of(true)) > STEP_MM) < 0.005


def test_stone_that_slants_to_the_model_is_followed() -> None:
    points, _, _ = lattice()
    true = FIRST + 4 + np.round(0.2 * points[:, 0] / STEP_MM).astype(int)
    normal = np.array([-0.2, 0.0, 1.0]) / np.hypot(0.2, 1.0)
    alone, together = decided(true, normal)
    assert np.mean(np.abs(alone - true) > 1) > 0.2
    assert np.mean(np.abs(together.depth - depth_of(true)) > STEP_MM) < 0.02


def test_a_step_in_the_stone_stays_a_step() -> None:
    points, _, _ = lattice()
    true = np.where(points[:, 0] < points[:, 0].mean(), FIRST + 8, FIRST + 28)
    _, together = decided(true, np.array([0.0, 0.0, 1.0]))
    off = np.abs(together.depth - depth_of(true)) > STEP_MM
    beside = np.abs(points[:, 0] - points[:, 0].mean()) < 1.5 * SPACING_MM
    assert off[~beside].mean() < 0.01
    assert off[beside].mean() < 0.1


def test_threads_change_nothing() -> None:
    true = np.full(24 * 24, FIRST + 15)
    one = decided(true, np.array([0.0, 0.0, 1.0]), threads=1)[1]
    two = decided(true, np.array([0.0, 0.0, 1.0]), threads=2)[1]
    np.testing.assert_array_equal(one.depth, two.depth)


def test_on_a_chain_the_least_sum_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """On a tree passing messages is exact: Pearl, "Probabilistic Reasoning" (1988), chapter 4."""
    monkeypatch.setattr(needle_together, "ROUNDS", 60)
    monkeypatch.setattr(needle_together, "_bend", lambda p, *_: np.zeros((len(p), 2)))
    n, k = 5, 6
    points = np.stack([SPACING_MM * np.arange(n), np.zeros(n), np.zeros(n)], axis=1)
    needles = np.tile([0.0, 0.0, 1.0], (n, 1))
    index = np.array([[-1, 1], [0, 2], [1, 3], [2, 4], [3, -1]])
    near = Neighbours(index, np.where(index < 0, np.inf, SPACING_MM))
    plane = needle_together.PLANE_MM + needle_together.PLANE_PER_MM * SPACING_MM
    width = max(LEVEL_MM + LEVEL_PER_MM * SPACING_MM, plane) / STEP_MM
    for seed in range(20):
        rng = np.random.default_rng(seed)
        agreement = rng.uniform(0.5, 0.62, (n, k)).astype(np.float32)
        steps = Steps(np.full(n, FIRST, np.int32), agreement)
        found = decide_together(
            join_steps([steps]), needles[:, None], points, needles, near, SPACING_MM
        )
        best, least = None, np.inf
        for choice in product(range(k), repeat=n):
            apart = np.abs(np.diff(choice)) / width
            cost = sum(1.0 - agreement[i, c] for i, c in enumerate(choice))
            cost += WORD * np.minimum(apart, BREAK).sum()
            if cost < least:
                best, least = choice, cost
        np.testing.assert_allclose(found.depth, depth_of(FIRST + np.array(best)), atol=1e-9)


def test_equal_steps_of_two_hypotheses_are_one_choice() -> None:
    a = Steps(np.array([10], np.int32), np.array([[0.1, 0.5, -1.0]], np.float32))
    b = Steps(np.array([11], np.int32), np.array([[0.7, 0.2, 0.3]], np.float32))
    choices = join_steps([a, b])
    assert choices.step[0, : choices.count[0]].tolist() == [10, 11, 12, 13]
    np.testing.assert_allclose(choices.agreement[0, :4], [0.1, 0.7, 0.2, 0.3])
    assert choices.source[0, :4].tolist() == [0, 1, 1, 1]


def test_places_that_hear_nothing_decide_nothing() -> None:
    points, needles, near = lattice(4)
    silent = Steps(np.zeros(16, np.int32), np.full((16, 5), -1.0, np.float32))
    found = decide_together(
        join_steps([silent]), needles[:, None], points, needles, near, SPACING_MM
    )
    assert not found.ok.any()
