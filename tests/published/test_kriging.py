"""The weighing of level stone against dense algebra and general-purpose libraries.

C. E. Rasmussen, C. K. I. Williams, "Gaussian Processes for Machine Learning" (2006), eqs. 2.23,
2.24 and 5.8, with an unknown mean by generalised least squares (section 2.7); the evidence by
`scipy.stats.multivariate_normal`; the weighted mean of JCGM 100:2008, H.3 (all from memory, checked
against each other here).
"""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from tracker.comparison.needle_level import (
    FEWEST,
    FREEDOM,
    GRAIN_MM,
    LEVEL,
    NEAREST,
    ROUGH,
    ROUNDS,
    Sounded,
    look_level,
)
from tracker.maths.camera import Array

Member = tuple[float, float, float]


def covariance(places: Array, member: Member) -> Array:
    """Of the stone's depths."""
    s, reach, grain = member
    square = np.sum((places[:, None] - places[None]) ** 2, axis=-1)
    smooth = s**2 * np.exp(-0.5 * square / reach**2)
    return np.asarray(smooth + grain**2 * np.exp(-0.5 * square / GRAIN_MM**2))


def by_algebra(
    places: Array, depth: Array, sigma: Array, member: Member
) -> tuple[float, float, float]:
    """Depth and variance at the first place, and log evidence, with whole matrices."""
    K = covariance(places, member)
    one, weight = np.ones(len(depth)), np.ones(len(depth))
    for turn in range(ROUNDS):
        A = K + np.diag(sigma**2 / weight)
        inverse = np.linalg.inv(A)
        precision = one @ inverse @ one
        mean = one @ inverse @ depth / precision
        if turn < ROUNDS - 1:
            stone = mean + K @ inverse @ (depth - mean)
            weight = (FREEDOM + 1.0) / (FREEDOM + (depth - stone) ** 2 / sigma**2)
    k = K[0]
    at = mean + k @ inverse @ (depth - mean)
    variance = K[0, 0] - k @ inverse @ k + (1.0 - one @ inverse @ k) ** 2 / precision
    evidence = multivariate_normal.logpdf(depth, mean * one, A) - 0.5 * np.log(precision)
    evidence += 0.5 * FREEDOM * np.sum(np.log(weight) - weight + 1.0)
    return float(at), float(variance), float(evidence)


def of_family(
    places: Array, depth: Array, sigma: Array, family: tuple[Member, ...]
) -> tuple[float, float, float]:
    """Mean over the members by their evidence; the best one's evidence."""
    members = np.array([by_algebra(places, depth, sigma, m) for m in family])
    odds = np.exp(members[:, 2] - members[:, 2].max())
    odds /= odds.sum()
    at = odds @ members[:, 0]
    return at, float(odds @ (members[:, 1] + members[:, 0] ** 2) - at**2), members[:, 2].max()


def scattered(count: int, seed: int) -> Sounded:
    """Readings on a plane within reach of the first place, one of them far off."""
    rng = np.random.default_rng(seed)
    places = np.zeros((count, 3))
    places[1:, :2] = rng.uniform(-3.5, 3.5, (count - 1, 2))
    depth = 0.2 + rng.normal(0.0, 0.1, count)
    depth[-1] += 1.5
    needles = np.tile([0.0, 0.0, 1.0], (count, 1))
    return Sounded(places, needles, depth, rng.uniform(0.05, 0.3, count))


@pytest.mark.parametrize(("count", "seed"), list(product((7, 12, NEAREST), range(3))))
def test_same_as_whole_matrices(count: int, seed: int) -> None:
    all_ = scattered(count, seed)
    found = look_level(all_.rows(np.array([0])), all_)
    told = (all_.points, all_.depth_mm, all_.sigma_mm)
    at, variance, level = of_family(*told, LEVEL)
    rough = of_family(*told, ROUGH)[2]
    assert found.depth_mm[0] == pytest.approx(at, abs=1e-9)
    assert found.sigma_mm[0] == pytest.approx(np.sqrt(max(variance, 1e-8)), rel=1e-6)
    assert found.evidence[0] == pytest.approx(level - rough, abs=1e-8)
    assert found.count[0] == count


def test_readings_that_agree_are_the_weighted_mean() -> None:
    """H.3: 1 / u^2 = sum 1 / u_i^2, times Student's weights."""
    angle = np.arange(FEWEST) * 2.0 * np.pi / (FEWEST - 1)
    places = np.stack([np.cos(angle), np.sin(angle), np.zeros(FEWEST)], axis=1)
    places[0] = 0.0
    sigma = np.linspace(0.1, 0.3, FEWEST)
    needles = np.tile([0.0, 0.0, 1.0], (FEWEST, 1))
    all_ = Sounded(places, needles, np.full(FEWEST, 0.3), sigma)
    found = look_level(all_.rows(np.array([0])), all_)
    assert found.depth_mm[0] == pytest.approx(0.3, abs=1e-12)
    # both members weigh (v + 1) / v where nothing is off; the second, 0.1 mm wavy, adds some
    least = np.sqrt(1.0 / np.sum((FREEDOM + 1.0) / FREEDOM / sigma**2))
    assert least < found.sigma_mm[0] < np.hypot(least, 0.1)
    assert found.follow[0] == pytest.approx((FREEDOM + 1.0) / FREEDOM)
    assert found.holds[0]


def test_alone_it_says_what_the_reading_says() -> None:
    one = Sounded(
        np.zeros((1, 3)), np.array([[0.0, 0.0, 1.0]]), np.array([0.4]), np.array([0.15])
    )  # fmt: skip
    nobody = one.rows(np.zeros(0, dtype=np.int64))
    found = look_level(one, nobody)
    assert found.depth_mm[0] == pytest.approx(0.4)
    assert found.count[0] == 1
    assert not found.holds[0]
