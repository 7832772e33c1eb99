"""Over-cut spots on a ball with pits of known place, depth and width."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
import trimesh
from numpy.typing import NDArray

from tracker.comparison.overcuts import OvercutSpot, find_overcuts, name_spots
from tracker.comparison.readings import Readings
from tracker.comparison.trend import compare_spots
from tracker.maths.camera import Array
from tracker.surface import Samples, Surface, sample_surface

LIMIT = -0.5
RADIUS = 60.0


@pytest.fixture(scope="module")
def samples() -> Samples:
    mesh = trimesh.creation.icosphere(5, RADIUS)
    surface = Surface(np.array(mesh.vertices, float), np.array(mesh.faces, dtype=np.int64))
    return sample_surface(surface, 2.0)


def pit(samples: Samples, towards: Sequence[float], depth: float, width: float) -> Array:
    """A bowl of the given depth and width (mm), zero outside, negative inside."""
    axis = np.asarray(towards, float) / np.linalg.norm(np.asarray(towards, float))
    off = np.linalg.norm(samples.points - RADIUS * axis, axis=1)
    return -depth * np.clip(1.0 - (2.0 * off / width) ** 2, 0.0, None)


def readings(samples: Samples, value: Array, sigma: float = 0.1, seed: int = 1) -> Readings:
    count = len(value)
    noise = np.random.default_rng(seed).normal(0.0, sigma, count)
    variance = np.tile([sigma**2, 0.02**2, 0.02**2, 0.03**2], (count, 1))
    return Readings(
        points=samples.points,
        needles=samples.normals,
        seen=np.ones(count, dtype=bool),
        stone_left_mm=value + noise,
        at_least=np.zeros(count, dtype=bool),
        closest_mm=value,
        variance_mm2=variance,
        photos=np.full(count, 5),
        reason=np.zeros(count, dtype=np.int64),
    )


def spots_of(samples: Samples, value: Array, **kwargs: float) -> tuple[OvercutSpot, ...]:
    return find_overcuts(samples, readings(samples, value, **kwargs), overcut_below_mm=LIMIT)  # type: ignore[arg-type]


def test_pits_are_found_with_their_place_depth_and_area(samples: Samples) -> None:
    value = np.minimum.reduce(
        [pit(samples, (1, 0, 0), 3.0, 16.0), pit(samples, (0, 1, 0.3), 1.5, 10.0)]
    )
    found = spots_of(samples, value)
    assert len(found) == 2
    deep, shallow = found
    assert (deep.identity, shallow.identity) == (1, 2)
    assert np.linalg.norm(deep.place - [RADIUS, 0, 0]) < 3.0
    assert abs(deep.depth_mm - 3.0) < max(0.3, 0.15 * 3.0)
    assert abs(shallow.depth_mm - 1.5) < 0.3
    # area where 3 (1 - (2 r / 16)^2) exceeds 0.5
    assert deep.area_mm2 == pytest.approx(np.pi * 64.0 * (1.0 - 0.5 / 3.0), rel=0.25)
    assert not deep.at_least


@pytest.mark.parametrize("seed", range(4))
def test_noise_and_outliers_make_no_spot(samples: Samples, seed: int) -> None:
    rng = np.random.default_rng(seed)
    value = rng.normal(0.0, 0.1, len(samples.points))
    wrong = rng.choice(len(value), 300, replace=False)
    value[wrong] -= rng.uniform(0.5, 6.0, 300)
    assert spots_of(samples, value, seed=seed + 10) == ()


def test_a_groove_above_the_model_is_no_overcut(samples: Samples) -> None:
    groove = 2.0 + 1.4 * np.minimum(pit(samples, (0, 0, 1), 1.2, 20.0), 0.0)
    assert spots_of(samples, groove) == ()


def test_stone_within_the_band_is_no_overcut(samples: Samples) -> None:
    assert spots_of(samples, np.full(len(samples.points), -0.42)) == ()


def test_share_of_small_pits_found(samples: Samples) -> None:
    hits = 0
    for seed in range(12):
        towards = np.random.default_rng(100 + seed).normal(size=3).tolist()
        found = spots_of(samples, pit(samples, towards, 1.5, 10.0), seed=seed)
        hits += len(found) == 1
    assert hits == 12


def test_unseen_round_about_makes_no_sure_spot(samples: Samples) -> None:
    value = pit(samples, (1, 0, 0), 3.0, 8.0)
    sparse = readings(samples, value)
    hide = np.random.default_rng(0).random(len(value)) < 0.85
    sparse.seen[hide] = False
    assert find_overcuts(samples, sparse, overcut_below_mm=LIMIT) == ()


def test_a_floor_that_is_not_seen_gives_a_bound(samples: Samples) -> None:
    value = pit(samples, (1, 0, 0), 3.0, 14.0)
    measured = readings(samples, value)
    measured.at_least[value < -2.5] = True
    (spot,) = find_overcuts(samples, measured, overcut_below_mm=LIMIT)
    assert spot.at_least


def test_a_spot_that_is_seen_in_part_gives_a_bound(samples: Samples) -> None:
    value = pit(samples, (1, 0, 0), 3.0, 14.0)
    whole, part = readings(samples, value), readings(samples, value)
    hide = np.random.default_rng(2).random(len(value)) < 0.36
    part.seen[hide & (value < 0.0)] = False
    (seen,) = find_overcuts(samples, whole, overcut_below_mm=LIMIT)
    (bound,) = find_overcuts(samples, part, overcut_below_mm=LIMIT)
    assert (seen.at_least, bound.at_least) == (False, True)


def test_unsure_readings_find_a_spot_together_but_no_depth(samples: Samples) -> None:
    """Each off by 0.5 mm or so: none is given alone, and noise without a pit makes no spot."""
    value = pit(samples, (1, 0, 0), 2.0, 12.0)
    unsure = readings(samples, value, sigma=0.5)
    none = np.zeros(len(value), dtype=bool)
    (spot,) = find_overcuts(samples, unsure, overcut_below_mm=LIMIT, given=none)
    assert np.linalg.norm(spot.place - [RADIUS, 0, 0]) < 5.0
    assert spot.at_least
    assert 1.0 < spot.depth_mm < 2.0
    for seed in range(4):
        flat = readings(samples, np.zeros(len(value)), sigma=0.5, seed=seed)
        assert find_overcuts(samples, flat, overcut_below_mm=LIMIT, given=none) == ()


def test_a_sure_sample_weighs_more_than_an_unsure_one(samples: Samples) -> None:
    value = pit(samples, (1, 0, 0), 2.0, 14.0)
    mixed = readings(samples, value, sigma=0.05)
    rng = np.random.default_rng(4)
    wild = rng.random(len(value)) < 0.4
    mixed.stone_left_mm[wild] = value[wild] + rng.normal(0.4, 0.4, int(wild.sum()))
    mixed.variance_mm2[wild, 0] = 0.6**2
    (spot,) = find_overcuts(samples, mixed, overcut_below_mm=LIMIT)
    assert abs(spot.depth_mm - 1.9) < 0.15


def test_opposite_sides_of_a_thin_form_are_two_spots() -> None:
    mesh = trimesh.creation.box((60.0, 60.0, 2.0)).subdivide_to_size(4.0)
    surface = Surface(np.array(mesh.vertices, float), np.array(mesh.faces, dtype=np.int64))
    plate = sample_surface(surface, 2.0)
    r = np.hypot(plate.points[:, 0], plate.points[:, 1])
    value = np.where(r < 8.0, -0.9, 0.0)
    found = spots_of(plate, value, sigma=0.05)
    assert len(found) == 2
    assert {float(np.sign(spot.place[2])) for spot in found} == {-1.0, 1.0}


def test_spots_take_the_name_of_the_nearest_point(samples: Samples) -> None:
    found = spots_of(samples, pit(samples, (1, 0, 0), 3.0, 16.0))
    points = np.array([[0.0, 60.0, 0.0], [58.0, 5.0, 3.0]])
    (named,) = name_spots(found, ("ear", "beak"), points)
    assert named.nearest_point == "beak"
    assert name_spots(found, (), np.zeros((0, 3))) == found


class TestTrend:
    def compare(
        self,
        samples: Samples,
        before: Array | None,
        now: Array,
        hide: NDArray[np.bool_] | None = None,
    ) -> tuple[OvercutSpot, ...]:
        old = () if before is None else spots_of(samples, before, seed=3)
        today = readings(samples, now, seed=4)
        if hide is not None:
            today.seen[hide] = False
        spots = find_overcuts(samples, today, overcut_below_mm=LIMIT)
        return compare_spots(spots, old, samples, today, overcut_below_mm=LIMIT)

    def test_first_time_is_new(self, samples: Samples) -> None:
        (spot,) = self.compare(samples, None, pit(samples, (1, 0, 0), 2.0, 12.0))
        assert (spot.trend, spot.previous) == ("new", None)

    def test_same_depth_is_steady(self, samples: Samples) -> None:
        value = pit(samples, (1, 0, 0), 2.0, 12.0)
        (spot,) = self.compare(samples, value, value)
        assert (spot.trend, spot.previous) == ("steady", 1)

    def test_deeper_is_growing(self, samples: Samples) -> None:
        before, now = pit(samples, (1, 0, 0), 2.0, 12.0), pit(samples, (1, 0, 0), 3.0, 14.0)
        (spot,) = self.compare(samples, before, now)
        assert spot.trend == "growing"

    def test_deeper_than_a_bound_is_not_growing(self, samples: Samples) -> None:
        """The floor was not seen the day before: it may have been as deep then."""
        before, now = pit(samples, (1, 0, 0), 2.0, 14.0), pit(samples, (1, 0, 0), 3.0, 14.0)
        earlier = tuple(replace(s, at_least=True) for s in spots_of(samples, before))
        today = readings(samples, now, seed=4)
        spots = find_overcuts(samples, today, overcut_below_mm=LIMIT)
        (spot,) = compare_spots(spots, earlier, samples, today, overcut_below_mm=LIMIT)
        assert spot.trend == "steady"

    def test_wider_at_the_same_depth_is_growing(self, samples: Samples) -> None:
        before, now = pit(samples, (1, 0, 0), 2.0, 12.0), pit(samples, (1, 0.05, 0), 2.0, 26.0)
        (spot,) = self.compare(samples, before, now)
        assert spot.trend == "growing"

    def test_a_change_within_the_uncertainty_is_steady(self, samples: Samples) -> None:
        before, now = pit(samples, (1, 0, 0), 2.0, 14.0), pit(samples, (1, 0, 0), 2.08, 14.0)
        (spot,) = self.compare(samples, before, now)
        assert spot.trend == "steady"

    def test_another_place_is_new_and_the_old_one_stays_on_record(self, samples: Samples) -> None:
        one, two = pit(samples, (1, 0, 0), 2.0, 12.0), pit(samples, (0, 0, 1), 2.5, 12.0)
        found = self.compare(samples, one, np.minimum(one, two))
        assert [spot.trend for spot in found] == ["new", "steady"]

    def test_gone_only_when_seen_to_be_gone(self, samples: Samples) -> None:
        before, now = pit(samples, (1, 0, 0), 2.0, 12.0), np.zeros(len(samples.points))
        (spot,) = self.compare(samples, before, now)
        assert (spot.trend, spot.area_mm2) == ("gone", 0.0)
        assert spot.depth_mm < 0.2

    def test_a_place_that_is_hidden_today_is_not_called_gone(self, samples: Samples) -> None:
        before, now = pit(samples, (1, 0, 0), 2.0, 12.0), np.zeros(len(samples.points))
        (spot,) = self.compare(samples, before, now, hide=samples.points[:, 0] > 30.0)
        assert (spot.trend, spot.samples) == ("not seen", 0)
        assert spot.depth_mm == pytest.approx(2.0, abs=0.3)

    def test_two_spots_that_have_run_together_are_one(self, samples: Samples) -> None:
        pair = np.minimum(
            pit(samples, (1, 0.12, 0), 2.0, 12.0), pit(samples, (1, -0.12, 0), 1.6, 12.0)
        )
        (spot,) = self.compare(samples, pair, pit(samples, (1, 0, 0), 3.0, 30.0))
        assert spot.trend == "growing"

    def test_what_was_gone_before_is_not_followed(self, samples: Samples) -> None:
        old = replace(spots_of(samples, pit(samples, (1, 0, 0), 2.0, 12.0))[0], trend="gone")
        today = readings(samples, np.zeros(len(samples.points)))
        assert compare_spots((), (old,), samples, today, overcut_below_mm=LIMIT) == ()
