"""Over-cut spots: stone that lies below the model, grouped into places a carver can find.

Stone left at neighbouring samples is averaged over a small kernel; a spot needs a place where
this average is below the band even at the upper end of its one-sided 95 % interval, several
samples that agree on it, and stone seen round about. One odd sample makes no spot.

References
----------
JCGM 106:2012, 8.3.2 (guarded decision, one-sided).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from tracker.comparison.readings import Readings
from tracker.comparison.uncertainty import COVERAGE_FACTOR, FRAME, MODEL, NETWORK, SURFACE
from tracker.maths.camera import Array
from tracker.surface import Samples

Rows = NDArray[np.int64]
Flags = NDArray[np.bool_]

ONE_SIDED_95 = 1.644854
KERNEL_SHARE = 0.6
"""Standard deviation of the averaging kernel, as a share of the samples' spacing."""
LEAST_KERNEL_MM = 1.0
KERNEL_REACH = 2.5
"""Kernel's radius in its standard deviations."""
EVEN_SIGMA_MM = 0.15
"""Samples known better than this weigh hardly more than one another."""
NEIGHBOUR_CORRELATION = 0.5
"""Neighbouring samples are measured on overlapping patches of the photographs."""
FEWEST_SAMPLES = 4
LEAST_AREA_MM2 = 4.0
SHARE_THAT_AGREES = 0.6
"""Of the seen samples within the kernel's reach, the part that has to lie below the band."""
SHARE_SEEN = 0.6
"""Of the samples within the kernel's reach, the part that has to be seen."""
FLOOR_SEEN = 0.7
"""Where fewer of them are given, the floor may lie deeper in between: the depth is a bound."""
STANDS_OUT = 3.0
"""A sample farther from its neighbourhood's median than this many sigma does not count."""
MAD_TO_SIGMA = 1.482602
SAME_SIDE = float(np.cos(np.radians(60.0)))
LINK = 1.6
"""Samples within this many spacings belong to one spot."""


@dataclass(frozen=True, slots=True)
class OvercutSpot:
    """One place where stone is missing.

    Attributes
    ----------
    place : (3,) array
        Of the model where the spot is deepest, mm, frame coordinates.
    depth_mm : float
        Below the model there, positive.
    at_least : bool
        The floor of the spot is not seen well: it is at least this deep, at 95 % one-sided.
    u95_mm : float
        Of the depth.
    area_mm2 : float
        Of the model's surface that the stone is below by more than the band.
    nearest_point : str
        Name of the nearest point of the pointing list, empty without a list.
    trend : str
        One of TRENDS.
    previous : int or None
        Identity of the same spot in the stage before.
    samples : int
        Samples that agree on the spot; zero for a spot that is not measured this time.
    """

    identity: int
    place: Array
    depth_mm: float
    at_least: bool
    u95_mm: float
    area_mm2: float
    nearest_point: str = ""
    trend: str = "new"
    previous: int | None = None
    samples: int = 0


@dataclass(frozen=True, slots=True)
class Smoothed:
    """Stone left averaged over each sample's neighbourhood, (n,) each.

    `value_mm` is NaN where no neighbour is seen, `sigma_mm` is its standard uncertainty,
    `agreeing` and `agreeing_share` count the neighbours below the band that do not stand out,
    `neighbours` and `seen_share` those that are seen, and `at_least` tells whether one of the
    agreeing ones is a bound. `given_share` is the part of `seen_share` that is known well enough
    alone.
    """

    value_mm: Array
    sigma_mm: Array
    agreeing: Rows
    agreeing_share: Array
    seen_share: Array
    given_share: Array
    neighbours: Rows
    at_least: Flags


def spacing_of(samples: Samples) -> float:
    """Typical distance between samples, mm."""
    return float(np.sqrt(np.median(samples.area_mm2))) if len(samples.points) else 1.0


def find_overcuts(
    samples: Samples,
    readings: Readings,
    *,
    overcut_below_mm: float,
    given: Flags | None = None,
) -> tuple[OvercutSpot, ...]:
    """Spots where the stone is surely below the model, deepest first.

    Readings that are too unsure to be given alone may take part, each by its variance: together
    they can tell that stone is missing, but hardly how deep the floor lies in between.

    Parameters
    ----------
    samples : Samples
        Of the model's surface, even in density.
    readings : Readings
        At the samples.
    overcut_below_mm : float
        Lower limit of the finished band (negative).
    given : (n,) bool
        Readings that are given alone; all that are seen unless told otherwise.

    Returns
    -------
    tuple of OvercutSpot
        Without names and trends; see `name_spots` and `tracker.comparison.trend.compare`.
    """
    spacing = spacing_of(samples)
    value = np.where(readings.seen, readings.stone_left_mm, np.nan)
    interesting = np.flatnonzero(value < overcut_below_mm)
    if not len(interesting):
        return ()
    tree = cKDTree(samples.points)
    near = tree.query_ball_point(samples.points[interesting], LINK * spacing)
    asked = np.unique(np.concatenate([np.asarray(rows, dtype=np.int64) for rows in near]))
    smooth = smooth_readings(samples, readings, asked, overcut_below_mm, given)
    low = asked[smooth.value_mm < overcut_below_mm]
    at = np.searchsorted(asked, low)
    label = _linked(samples, low, LINK * spacing)
    seed = smooth.value_mm[at] + ONE_SIDED_95 * smooth.sigma_mm[at] < overcut_below_mm
    seed &= smooth.agreeing[at] >= FEWEST_SAMPLES
    seed &= smooth.agreeing_share[at] >= SHARE_THAT_AGREES
    seed &= smooth.seen_share[at] >= SHARE_SEEN
    spots = []
    for spot in np.unique(label[seed]):
        inside = np.flatnonzero(label == spot)
        area = float(samples.area_mm2[low[inside]].sum())
        if len(inside) < FEWEST_SAMPLES or area < LEAST_AREA_MM2:
            continue
        seeds = inside[seed[inside]]
        deepest = seeds[np.argmin(smooth.value_mm[at[seeds]])]
        row = at[deepest]
        bound = bool(smooth.at_least[row] or smooth.given_share[row] < FLOOR_SEEN)
        depth = -smooth.value_mm[row] - bound * ONE_SIDED_95 * smooth.sigma_mm[row]
        spots.append(
            OvercutSpot(
                identity=0,
                place=samples.points[low[deepest]],
                depth_mm=float(depth),
                at_least=bound,
                u95_mm=float(COVERAGE_FACTOR * smooth.sigma_mm[row]),
                area_mm2=area,
                samples=len(inside),
            )
        )
    return _numbered(spots)


def _numbered(spots: list[OvercutSpot]) -> tuple[OvercutSpot, ...]:
    ordered = sorted(spots, key=lambda spot: (-spot.depth_mm, *spot.place.tolist()))
    return tuple(replace(spot, identity=k) for k, spot in enumerate(ordered, start=1))


def smooth_readings(
    samples: Samples, readings: Readings, rows: Rows, overcut_below_mm: float,
    given: Flags | None = None,
) -> Smoothed:  # fmt: skip
    """Average stone left round the given samples, with the uncertainty of the average.

    Samples that stand out of their neighbourhood are left out of the average. The surface part
    of neighbours is correlated by NEIGHBOUR_CORRELATION, the other parts are shared and do not
    average out.
    """
    spread = max(KERNEL_SHARE * spacing_of(samples), LEAST_KERNEL_MM)
    middle, other, offset = _neighbours(samples, rows, KERNEL_REACH * spread)

    def total(values: Array) -> Array:
        return np.bincount(middle, weights=values, minlength=len(rows)).astype(np.float64)

    offered = total(np.ones(len(other)))
    sure = total((readings.seen if given is None else given)[other].astype(np.float64))
    known = readings.seen[other]
    middle, other, offset = middle[known], other[known], offset[known]
    value = readings.stone_left_mm[other]
    variance = readings.variance_mm2[other]
    sigma = np.sqrt(variance[:, SURFACE])
    weight = np.exp(-0.5 * (offset / spread) ** 2) / (sigma**2 + EVEN_SIGMA_MM**2)
    apart = np.abs(value - _weighted_median(value, weight, middle, len(rows))[middle])
    scatter = MAD_TO_SIGMA * _weighted_median(apart, weight, middle, len(rows))[middle]
    fits = apart <= STANDS_OUT * np.maximum(scatter, np.sqrt(variance.sum(axis=1)))
    below = value < overcut_below_mm
    neighbours = total(np.ones(len(other)))
    weight = weight * fits
    shared = np.sqrt(variance[:, NETWORK] + variance[:, FRAME] + variance[:, MODEL])
    whole = np.maximum(total(weight), 1e-12)
    alone = total((weight * sigma) ** 2)
    surface = alone + NEIGHBOUR_CORRELATION * (total(weight * sigma) ** 2 - alone)
    return Smoothed(
        value_mm=np.where(neighbours > 0, total(weight * value) / whole, np.nan),
        sigma_mm=np.sqrt(surface / whole**2 + (total(weight * shared) / whole) ** 2),
        agreeing=total((below & fits).astype(np.float64)).astype(np.int64),
        agreeing_share=total((below & fits).astype(np.float64)) / np.maximum(neighbours, 1.0),
        seen_share=neighbours / np.maximum(offered, 1.0),
        given_share=sure / np.maximum(offered, 1.0),
        neighbours=neighbours.astype(np.int64),
        at_least=total((readings.at_least[other] & below & fits).astype(np.float64)) > 0,
    )


def _neighbours(samples: Samples, rows: Rows, reach_mm: float) -> tuple[Rows, Rows, Array]:
    """Pairs (place in `rows`, row of a sample on the same side within reach) and distances."""
    near = cKDTree(samples.points).query_ball_point(samples.points[rows], reach_mm)
    lists = [np.sort(np.asarray(found, dtype=np.int64)) for found in near]
    middle = np.repeat(np.arange(len(rows)), [len(found) for found in lists])
    other = np.concatenate(lists)
    facing = np.einsum("nd,nd->n", samples.normals[rows[middle]], samples.normals[other])
    same_side = facing > SAME_SIDE
    middle, other = middle[same_side], other[same_side]
    offset = np.linalg.norm(samples.points[other] - samples.points[rows[middle]], axis=1)
    return middle, other, offset


def _weighted_median(values: Array, weights: Array, group: Rows, count: int) -> Array:
    """Weighted median of each group's values, (count,); NaN for an empty group."""
    order = np.lexsort((values, group))
    values, weights, group = values[order], weights[order], group[order]
    running = np.concatenate([[0.0], np.cumsum(weights)])
    starts = np.searchsorted(group, np.arange(count), side="left")
    ends = np.searchsorted(group, np.arange(count), side="right")
    filled = np.flatnonzero(ends > starts)
    half = 0.5 * (running[starts[filled]] + running[ends[filled]])
    at = np.searchsorted(running[1:], half)
    result = np.full(count, np.nan)
    result[filled] = values[np.clip(at, starts[filled], ends[filled] - 1)]
    return result


def _linked(samples: Samples, rows: Rows, reach_mm: float) -> Rows:
    """Number of the connected group that each of the rows belongs to."""
    if not len(rows):
        return np.zeros(0, dtype=np.int64)
    pairs = cKDTree(samples.points[rows]).query_pairs(reach_mm, output_type="ndarray")
    facing = np.einsum(
        "nd,nd->n", samples.normals[rows[pairs[:, 0]]], samples.normals[rows[pairs[:, 1]]]
    )
    pairs = pairs[facing > 0.3]
    links = coo_array(
        (np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(rows), len(rows))
    )
    return np.asarray(connected_components(links, directed=False)[1], dtype=np.int64)


def name_spots(
    spots: tuple[OvercutSpot, ...], names: tuple[str, ...], points: Array
) -> tuple[OvercutSpot, ...]:
    """The same spots with the nearest point of the pointing list."""
    if not names or not spots:
        return spots
    tree = cKDTree(points)
    return tuple(
        replace(spot, nearest_point=names[int(tree.query(spot.place)[1])]) for spot in spots
    )
