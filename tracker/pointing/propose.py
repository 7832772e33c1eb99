"""Proposes places for the pointing list: high points first, then places spread between them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from tracker.errors import InputError
from tracker.maths.camera import Array
from tracker.pointing.even_places import spread_evenly
from tracker.pointing.high_points import find_high_points
from tracker.pointing.hollow import depth_below_hull_mm
from tracker.pointing.needle_way import needle_ways
from tracker.pointing.places import Places, base_height_mm, places_of
from tracker.surface import Surface

LEAST_GAP_MM = 5.0
"""Points nearer to each other than this tell nothing that one of them does not."""
SAMPLES_A_POINT = 80.0
FINEST_MM, COARSEST_SHARE = 0.8, 1.0 / 120.0
MOST_SAMPLES = 80000.0
SERVED_SHARE = 0.3
"""A high point is served by a point on record within this share of the even spacing."""
MOST_A_MM2 = 1.0 / (LEAST_GAP_MM**2 * np.sqrt(3.0) / 2.0)
"""Discs of a diameter of the least gap packed as densely as can be (Lagrange, 1773)."""


@dataclass(frozen=True, slots=True)
class Proposal:
    """Proposed points in their order.

    Attributes
    ----------
    points, directions : (n, 3) arrays
        Places, mm, frame coordinates, and the directions that their needles come from.
    high : (n,) bool array
        Whether it is a high point.
    tilt_rad : (n,) array
        How much the needle leans from the surface's own direction.
    reached : (n,) bool array
        Whether a needle can get there.
    gap_mm : float
        Smallest distance along the surface of one of the places between to any other place.
    """

    points: Array
    directions: Array
    high: NDArray[np.bool_]
    tilt_rad: Array
    reached: NDArray[np.bool_]
    gap_mm: float


def propose_places(surface: Surface, count: int, taken: Array) -> Proposal:
    """Places for `count` further points beside those taken (m, 3), mm.

    Raises
    ------
    InputError
        The surface cannot carry so many.
    """
    whole = float(surface.face_areas_mm2.sum())
    if count + len(taken) > MOST_A_MM2 * whole:
        raise _too_many(count, int(0.7 * MOST_A_MM2 * whole) - len(taken), len(taken))
    places = _sampled(surface, count + len(taken))
    area = float(places.samples.area_mm2[places.allowed].sum())
    even_mm = float(np.sqrt(area / (count + len(taken))))
    found = find_high_points(surface, places)
    points, normals = found.points, found.normals
    if len(taken) and len(points):
        away, _ = cKDTree(taken).query(points)
        apart = away > max(SERVED_SHARE * even_mm, LEAST_GAP_MM)
        points, normals = points[apart], normals[apart]
    points, normals = points[:count], normals[:count]
    order = np.argsort(np.round(depth_below_hull_mm(points, normals, surface)), kind="stable")
    points, normals = points[order], normals[order]
    spread = spread_evenly(
        places, np.concatenate([taken, points]), count - len(points), LEAST_GAP_MM, _top(places)
    )
    if len(points) + len(spread.rows) < count:
        raise _too_many(count, len(points) + len(spread.rows), len(taken))
    high = np.arange(count) < len(points)
    points = np.concatenate([points, places.samples.points[spread.rows]])
    normals = np.concatenate([normals, places.samples.normals[spread.rows]])
    ways = needle_ways(surface, points, normals, base_height_mm(surface))
    gap = float(np.min(spread.gap_mm, initial=np.inf))
    return Proposal(points, ways.directions, high, ways.tilt_rad, ways.reached, gap)


def _sampled(surface: Surface, count: int) -> Places:
    area = float(surface.face_areas_mm2.sum())
    low, high = surface.box
    coarsest = COARSEST_SHARE * float(np.linalg.norm(high - low))
    finest = max(FINEST_MM, np.sqrt(area / MOST_SAMPLES))
    spacing = max(min(np.sqrt(area / (SAMPLES_A_POINT * count)), coarsest), finest)
    return places_of(surface, float(spacing))


def _top(places: Places) -> int:
    return int(np.argmax(np.where(places.allowed, places.samples.points[:, 2], -np.inf)))


def _too_many(count: int, room: int, taken: int) -> InputError:
    beside = f" beside the {taken} on record" if taken else ""
    return InputError(
        f"The model has no room for {count} points{beside}: kept {LEAST_GAP_MM:g} mm apart, it "
        f"carries about {max(room, 0)}.",
        f"Ask for {room} or fewer." if room > 0 else "There are enough points on record.",
    )
