"""What became of the over-cut spots of the stage before.

Stone does not grow back: a spot is followed by its place, its growth judged against the
uncertainty of both days, and it is called gone only when today's figures prove it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.spatial import cKDTree

from tracker.comparison.overcuts import (
    ONE_SIDED_95,
    SHARE_SEEN,
    OvercutSpot,
    smooth_readings,
    spacing_of,
)
from tracker.comparison.readings import Readings
from tracker.comparison.uncertainty import COVERAGE_FACTOR
from tracker.surface import Samples

NEW, GROWING, STEADY, GONE = "new", "growing", "steady", "gone"
NOT_SEEN = "not seen"
TRENDS = (NEW, GROWING, STEADY, GONE, NOT_SEEN)
"""`not seen`: a spot of the stage before whose place no photograph shows well enough today."""
LEAST_REACH_MM = 4.0


def compare_spots(
    today: tuple[OvercutSpot, ...],
    before: tuple[OvercutSpot, ...],
    samples: Samples,
    readings: Readings,
    *,
    overcut_below_mm: float,
) -> tuple[OvercutSpot, ...]:
    """Today's spots with their trend, then those of the stage before that were not found again.

    Parameters
    ----------
    today, before : tuples of OvercutSpot
    samples, readings : Samples, Readings
        Today's, asked where a former spot was not found again.
    overcut_below_mm : float
        Lower limit of the finished band.

    Returns
    -------
    tuple of OvercutSpot
        A spot of before that is not found again has trend GONE (proved), STEADY (today's figure
        does not contradict it) or NOT_SEEN (depth as before, no samples).
    """
    open_before = [spot for spot in before if spot.trend != GONE]
    claimed: set[int] = set()
    result = []
    for spot in today:
        former = _same_place(spot, open_before)
        if former is None:
            result.append(replace(spot, trend=NEW, previous=None))
        else:
            claimed.update(k for k, old in enumerate(open_before) if _touch(spot, old))
            result.append(
                replace(spot, trend=_growth(spot, former, samples), previous=former.identity)
            )
    number = len(today)
    for k, old in enumerate(open_before):
        if k not in claimed:
            number += 1
            result.append(_not_found(old, number, samples, readings, overcut_below_mm))
    return tuple(result)


def _radius_mm(spot: OvercutSpot) -> float:
    return float(np.sqrt(spot.area_mm2 / np.pi))


def _touch(one: OvercutSpot, other: OvercutSpot) -> bool:
    reach = max(_radius_mm(one) + _radius_mm(other), LEAST_REACH_MM)
    return float(np.linalg.norm(one.place - other.place)) <= reach


def _same_place(spot: OvercutSpot, before: list[OvercutSpot]) -> OvercutSpot | None:
    """The deepest spot of the stage before that it lies on or has swallowed."""
    touching = [old for old in before if _touch(spot, old)]
    return max(touching, key=lambda old: (old.depth_mm, -old.identity), default=None)


def _growth(spot: OvercutSpot, former: OvercutSpot, samples: Samples) -> str:
    """GROWING when it is deeper or wider than both days' uncertainty explains.

    A former depth that was a lower bound is no measure: the spot may have been as deep then.
    """
    deeper = not former.at_least and spot.depth_mm - former.depth_mm > np.hypot(
        spot.u95_mm, former.u95_mm
    )
    # the rim of a spot is known to about half a spacing
    rim = [spacing_of(samples) * np.sqrt(np.pi * s.area_mm2) for s in (spot, former)]
    wider = spot.area_mm2 - former.area_mm2 > np.hypot(*rim)
    return GROWING if deeper or wider else STEADY


def _not_found(
    old: OvercutSpot,
    identity: int,
    samples: Samples,
    readings: Readings,
    overcut_below_mm: float,
) -> OvercutSpot:
    row = np.array([cKDTree(samples.points).query(old.place)[1]], dtype=np.int64)
    here = smooth_readings(samples, readings, row, overcut_below_mm)
    value, sigma = float(here.value_mm[0]), float(here.sigma_mm[0])
    if not np.isfinite(value) or here.seen_share[0] < SHARE_SEEN:
        return replace(old, identity=identity, previous=old.identity, trend=NOT_SEEN, samples=0)
    u95 = COVERAGE_FACTOR * sigma
    shallower = value + old.depth_mm > np.hypot(u95, old.u95_mm)
    proved = value - ONE_SIDED_95 * sigma > overcut_below_mm
    trend = GONE if proved and shallower else STEADY
    return replace(
        old,
        identity=identity,
        previous=old.identity,
        trend=trend,
        depth_mm=max(-value, 0.0),
        at_least=False,
        u95_mm=u95,
        area_mm2=0.0 if trend == GONE else old.area_mm2,
        samples=int(here.neighbours[0]),
    )
