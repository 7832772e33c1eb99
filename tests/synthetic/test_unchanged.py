"""Uncarved stone tells a frame out of its seats from carving, whichever way it went."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import open3d as o3d
import pytest

from tracker.alignment.earlier import check_earlier
from tracker.alignment.result import rigid, unmoved
from tracker.alignment.unchanged import EarlierStone, compare_stone
from tracker.alignment.unevenness import Lying, Unevenness, chi_square_gain, least_noticed_mm
from tracker.errors import AlignmentError
from tracker.maths.camera import Array
from tracker.surface import Samples, Surface, sample_surface

FRAME = np.diag([(2e-5) ** 2] * 3 + [0.005**2] * 3)
MIDDLE = np.array([80.0, 60.0, 110.0])
SIGMA_MM = 0.08


@pytest.fixture(scope="module")
def block() -> Samples:
    """Places on a bumpy block, about 200 mm tall, on all its sides but the one it stands on."""
    ball = o3d.geometry.TriangleMesh.create_sphere(1.0, resolution=60)
    v = np.asarray(ball.vertices)
    bumps = (
        1.0
        + 0.12 * np.sin(3.0 * v[:, :1]) * np.cos(4.0 * v[:, 1:2])
        + 0.03 * np.sin(17.0 * v[:, :1] + 11.0 * v[:, 2:])
    )
    shaped = v * bumps * np.array([60.0, 45.0, 100.0]) + MIDDLE
    found = sample_surface(Surface(shaped, np.asarray(ball.triangles).astype(np.int64)), 4.0)
    up = found.points[:, 2] > 40.0
    return Samples(found.points[up], found.normals[up], found.area_mm2[up], found.face[up])


def cloud(block: Samples, gone_mm: Array | float, seed: int) -> tuple[Array, Array, Array]:
    """What a day measures of it: three places in four, with noise."""
    rng = np.random.default_rng(seed)
    pick = rng.random(len(block.points)) < 0.75
    away = rng.normal(0.0, SIGMA_MM, len(pick)) - gone_mm
    points = block.points + block.normals * away[:, None]
    return points[pick], block.normals[pick], np.full(int(pick.sum()), SIGMA_MM)


def before(block: Samples, name: str = "first day") -> EarlierStone:
    return EarlierStone(name, *cloud(block, 0.0, 1), FRAME)


def carved(block: Samples, share: float, seed: int = 5) -> Array:
    """Stone gone since: up to 7 mm on a share of the surface, in patches."""
    rng = np.random.default_rng(seed)
    wave = np.cos(0.06 * block.points + rng.uniform(0.0, 2.0 * np.pi, 3)).sum(axis=1)
    limit = np.quantile(wave, 1.0 - share)
    return np.asarray(np.clip((wave - limit) * 4.0, 0.0, 7.0))


def motions(size_mm: float) -> Iterator[Array]:
    """Shifts both ways along each axis, and tilts and turns about the middle of the base."""
    for k in range(6):
        for sign in (1.0, -1.0):
            motion = np.zeros(6)
            motion[(k + 3) % 6] = sign * size_mm / (1.0 if k < 3 else 100.0)
            if k >= 3:
                R, _ = rigid(motion)
                motion[3:] = MIDDLE * [1.0, 1.0, 0.0] - R @ (MIDDLE * [1.0, 1.0, 0.0])
            yield motion


def test_carving_is_no_unseated_frame(block: Samples) -> None:
    for share in (0.0, 0.3, 0.5):
        found = compare_stone(*cloud(block, carved(block, share), 2), FRAME, before(block))
        assert found.agrees
        assert found.unchanged > 0.9 * (1.0 - share) * found.regions


@pytest.mark.parametrize("gone_mm", [0.3, 0.8])
def test_rasping_everywhere_or_on_one_side_is_no_unseated_frame(
    block: Samples, gone_mm: float
) -> None:
    everywhere = np.full(len(block.points), gone_mm)
    front = np.where(block.normals[:, 1] < -0.5, gone_mm, 0.0)
    for gone in (everywhere, front):
        found = compare_stone(*cloud(block, gone, 3), FRAME, before(block))
        assert not found.contradicted
        assert not found.doubtful


def test_a_frame_off_by_a_millimetre_is_noticed_whichever_way(block: Samples) -> None:
    points, normals, sigma = cloud(block, carved(block, 0.4), 2)
    contradicted = 0
    for motion in motions(1.0):
        R, t = rigid(motion)
        found = compare_stone(points @ R.T + t, normals @ R.T, sigma, FRAME, before(block))
        assert found.contradicted or found.doubtful
        there = np.linalg.norm(points @ R.T + t - points, axis=1).max()
        assert found.most_mm == pytest.approx(there, abs=0.35)
        contradicted += found.contradicted
    assert contradicted >= 8


def test_too_little_uncarved_stone_cannot_judge(block: Samples) -> None:
    everywhere = 1.0 + carved(block, 0.9)
    points, normals, sigma = cloud(block, everywhere, 2)
    found = compare_stone(points, normals, sigma, FRAME, before(block))
    assert not found.contradicted
    some = points[:, 2] > 190.0
    found = compare_stone(points[some], normals[some], sigma[some], FRAME, before(block))
    assert not found.agrees
    assert np.isinf(found.noticed_mm).all()
    alone = check_earlier(
        unmoved(FRAME, "stands", 0), points[some], normals[some], sigma[some], [before(block)]
    )
    assert "too little stone is as it was at stage 'first day'" in alone.reason


def test_unseated_frame_is_refused_unless_it_stands(block: Samples) -> None:
    points, normals, sigma = cloud(block, carved(block, 0.3), 2)
    points = points + np.array([0.0, 0.9, 0.9])
    day = unmoved(FRAME, "stands", 0)
    with pytest.raises(AlignmentError, match="not carved since stage 'first day'") as caught:
        check_earlier(day, points, normals, sigma, [before(block)])
    assert "--frame-stands" in caught.value.hint
    assert "lift it, clean the seats" in caught.value.hint
    told = check_earlier(day, points, normals, sigma, [before(block)], frame_stands=True)
    assert "the frame was not seated that day or is not today" in told.doubt
    assert not told.moved


def test_another_stage_says_which_day_was_wrong(block: Samples) -> None:
    today = cloud(block, carved(block, 0.3), 2)
    good = before(block, "monday")
    points, normals, sigma = cloud(block, 0.0, 9)
    wrong = EarlierStone("tuesday", points + np.array([1.2, 0.0, 0.0]), normals, sigma, FRAME)
    told = check_earlier(unmoved(FRAME, "stands", 0), *today, [wrong, good])
    assert "the frame stood off its seats at stage 'tuesday'" in told.doubt
    assert "since stage 'monday' lies where it lay" in told.reason
    plain = check_earlier(unmoved(FRAME, "stands", 0), *today, [good, wrong])
    assert plain.doubt == ""


def lying(before_mm: Array, rows: Array, normals: Array, seed: int = 0) -> Lying:
    points = np.random.default_rng(seed).uniform(0.0, 200.0, (len(rows), 3))
    k = len(rows)
    return Lying(points, normals, rows, before_mm, np.zeros(k), np.full(k, 0.05**2))


def test_least_noticed_is_the_motion_that_reaches_the_limit() -> None:
    # a motion x with nothing left after it takes x' J' S^-1 J x from chi-square (Baarda 1968),
    # so at the least noticed size it takes the limit itself
    rng = np.random.default_rng(4)
    normals = rng.normal(size=(80, 3))
    normals[:, 2] = np.abs(normals[:, 2])
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    rows = np.concatenate([np.zeros((80, 3)), normals], axis=1)
    up = np.array([[0.0, 0.0, 0.0, 0.0, 0.0, 1.0]])
    hand = Unevenness(0.1, 0.1)
    size = float(least_noticed_mm(lying(np.zeros(80), rows, normals), hand, FRAME, up, 40.0)[0])
    gain = chi_square_gain(lying(size * rows[:, 5], rows, normals), hand, FRAME)
    assert gain == pytest.approx(40.0, rel=1e-6)
    # the other way round the even amount is held: stone cannot be proud by less than nothing
    assert chi_square_gain(lying(-size * rows[:, 5], rows, normals), hand, FRAME) > 1.05 * gain


def test_even_and_uneven_hands_take_little() -> None:
    rng = np.random.default_rng(5)
    normals = np.repeat(np.concatenate([np.eye(3), -np.eye(3)]), 15, axis=0)
    rows = np.concatenate([np.zeros((90, 3)), normals], axis=1)
    hand = Unevenness(0.144, 0.144)
    even = chi_square_gain(lying(np.full(90, 0.8), rows, normals), hand, FRAME)
    sides = np.repeat(rng.uniform(0.0, 0.5, 6), 15)
    uneven = chi_square_gain(lying(sides, rows, normals), hand, FRAME)
    off = chi_square_gain(lying(1.2 * rows[:, 3], rows, normals), hand, FRAME)
    assert even < 3.0
    assert uneven < 25.0
    assert off > 40.0
