"""What a needle's reading must show before it is given as a figure.

A patch can agree perfectly in many photographs and still not be the place asked for: in a crease
or under an overhang the needle leaves the stone unseen and meets what stands behind. Such readings
have marks that need no truth to be seen: the stone stands slanting to the needle, patches of two
sizes or pairs of photographs differ, few photographs agree, and above all the readings round about
go elsewhere. A reading with such a mark is taken back: a place not seen does no harm.

The scatter of the neighbours about their common plane is also the honest part of the uncertainty:
it holds what the photographs' own agreement cannot know.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from tracker.comparison.needle import NeedleResult
from tracker.comparison.readings import NotSeen
from tracker.comparison.uncertainty import SURFACE
from tracker.maths.camera import Array
from tracker.surface import Surface

Flags = NDArray[np.bool_]

LEAST_COSINE = 0.65
"""Between needle and the stone's normal: beyond some 50 degrees the needle grazes the stone."""
MOST_DISCORD_MM = 0.06
"""Scatter of the pairs of photographs, of either patch size."""
MOST_DIFFERENCE_MM = 0.12
"""Between the depths that the two patch sizes find."""
FEWEST_AGREEING = 4
"""Photographs that agree on the depth."""
REACH_MM = 4.5
FEWEST_NEIGHBOURS = 6
SAME_SURFACE_MM = 0.8
"""Neighbours whose readings differ by less belong to the same surface."""
LEAST_SHARE = 0.6
"""Of the neighbours, the part that must be of the same surface."""
CLEAR_MM = 0.5
"""Off the model before the needle asks whether it meets it again."""
GAP_MARGIN_MM = 1.0
"""A reading this near before the next lump may belong to it."""
SAME_SIDE = 0.5
"""Cosine between the needles of neighbours."""
SCATTER_SHARE = 0.8
"""Of the neighbours' scatter, what counts as the reading's own standard uncertainty."""


@dataclass(frozen=True, slots=True)
class Around:
    """What the sound readings round n places say.

    Attributes
    ----------
    count : (n,) int
        Neighbours.
    share : (n,) array
        Part of them on the same surface.
    scatter_mm : (n,) array
        Of the same surface about its common plane (1.48 times the median distance).
    """

    count: NDArray[np.int64]
    share: Array
    scatter_mm: Array


def sound(result: NeedleResult) -> Flags:
    """Readings that bear no mark of their own, (n,)."""
    cosine = np.einsum("nd,nd->n", result.normals, result.readings.needles)
    discord = np.maximum(result.features[:, 2], result.features[:, 3])
    return np.asarray(
        result.readings.seen
        & (cosine > LEAST_COSINE)
        & (discord < MOST_DISCORD_MM)
        & (np.abs(result.features[:, 1]) < MOST_DIFFERENCE_MM)
        & (result.agreed >= FEWEST_AGREEING)
    )


def look_around(result: NeedleResult, rows: NDArray[np.int64], others: NeedleResult) -> Around:
    """Compare some readings with the sound readings of `others` round about.

    Parameters
    ----------
    result : NeedleResult
    rows : (m,) rows of `result` that are asked
    others : NeedleResult
        May be `result` itself; a place is no neighbour of itself.
    """
    good = np.flatnonzero(sound(others))
    points, needles = result.readings.points[rows], result.readings.needles[rows]
    count = np.zeros(len(rows), np.int64)
    share, scatter = np.zeros(len(rows)), np.full(len(rows), np.inf)
    if not len(good) or not len(rows):
        return Around(count, share, scatter)
    places, sides = others.readings.points[good], others.readings.needles[good]
    depths = others.depth_mm[good]
    near = cKDTree(places).query_ball_point(points, REACH_MM)
    for k, found in enumerate(near):
        other = np.sort(np.asarray(found, dtype=np.int64))
        other = other[sides[other] @ needles[k] > SAME_SIDE]
        offset = places[other] - points[k]
        other = other[np.einsum("nd,nd->n", offset, offset) > 1e-6]
        count[k] = len(other)
        if len(other) < FEWEST_NEIGHBOURS:
            continue
        step = depths[other] - result.depth_mm[rows[k]]
        same = np.abs(step) < SAME_SURFACE_MM
        share[k] = same.mean()
        if same.sum() >= FEWEST_NEIGHBOURS:
            scatter[k] = _scatter(places[other[same]] - points[k], needles[k], step[same])
    return Around(count, share, scatter)


def _scatter(offset: Array, needle: Array, step: Array) -> float:
    """Scatter of depths about their common plane across the needle, mm."""
    axis = np.zeros(3)
    axis[np.argmin(np.abs(needle))] = 1.0
    u = np.cross(needle, axis)
    u /= np.linalg.norm(u)
    v = np.cross(needle, u)
    A = np.stack([offset @ u, offset @ v, np.ones(len(step))], axis=1)
    plane = np.linalg.lstsq(A, step, rcond=None)[0]
    return float(1.4826 * np.median(np.abs(step - A @ plane)))


def hidden_gap(result: NeedleResult, model: Surface) -> Flags:
    """Readings that may belong to another lump, (n,).

    Where the needle, leaving the model, meets the model again before the stone was read, the
    stone may already have been left in the gap between, which no photograph has to show.
    """
    readings = result.readings
    start = readings.points + CLEAR_MM * readings.needles
    again = CLEAR_MM + model.first_hit_mm(start, readings.needles)
    return np.asarray(readings.seen & (result.depth_mm > again - GAP_MARGIN_MM))


def gate(result: NeedleResult, model: Surface, others: NeedleResult | None = None) -> NeedleResult:
    """The result without readings that bear a mark, and with what the neighbours add to sigma.

    Parameters
    ----------
    model : Surface
    others : NeedleResult, optional
        Readings round about; those of `result` itself when left out.
    """
    behind = hidden_gap(result, model)
    passed = sound(result) & ~behind
    rows = np.flatnonzero(passed)
    around = look_around(result, rows, result if others is None else others)
    agreed = (around.count >= FEWEST_NEIGHBOURS) & (around.share >= LEAST_SHARE)
    passed[rows] = agreed & np.isfinite(around.scatter_mm)
    taken_back = np.flatnonzero(result.readings.seen & ~passed)
    readings = result.readings.unseen(taken_back, NotSeen.AMBIGUOUS)
    readings = readings.unseen(np.flatnonzero(behind), NotSeen.HIDDEN_GAP)
    sigma = result.sigma_mm.copy()
    kept = rows[passed[rows]]
    own = SCATTER_SHARE * around.scatter_mm[passed[rows]]
    sigma[kept] = np.hypot(sigma[kept], own)
    variance = readings.variance_mm2.copy()
    variance[:, SURFACE] = np.where(passed, sigma**2, 0.0)
    return replace(result, readings=replace(readings, variance_mm2=variance), sigma_mm=sigma)
