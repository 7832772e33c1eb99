"""The way a real needle takes to a place: clear of the form, straight where it can be.

A needle is a rod with a tapered tip, carried by an arm that stands well off the stone. Its way is
free when neither its middle nor its sides meet the model on the needle's whole length, nor the
bench that the figure stands on. Where the straight way is not free the nearest free one is taken.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracker.maths.camera import Array
from tracker.surface import Surface

NEEDLE_RADIUS_MM = 2.0
TAPER_MM = 8.0
"""Length of the tip, over which the rod is thinner than that."""
START_MM = 0.3
LENGTH_MM = 200.0
"""How much of the needle stands free of the arm."""
SIDES = 8
MOST_TILT_RAD = np.radians(75.0)
DIRECTIONS = 1500
ROWS_AT_ONCE = 16


@dataclass(frozen=True, slots=True)
class NeedleWays:
    """Ways of needles, (n, ...).

    Attributes
    ----------
    directions : (n, 3) array, unit
        From the place outward.
    tilt_rad : (n,) array
        Turned away from the straight way by this.
    reached : (n,) bool array
        Whether a needle gets there at all; where not, the direction is the straight one.
    """

    directions: Array
    tilt_rad: Array
    reached: NDArray[np.bool_]


def needle_ways(
    surface: Surface, places: Array, straight: Array, bench_mm: float | None = None
) -> NeedleWays:
    """Free ways to places of the model.

    Parameters
    ----------
    places, straight : (n, 3) arrays
        Places, mm, and the directions that are best, unit, outward.
    bench_mm : float, optional
        Height z of the bench that the figure stands on.
    """
    directions = np.array(straight, dtype=np.float64)
    reached = way_is_free(surface, places, directions, bench_mm)
    fan = _fan(DIRECTIONS)
    for first in range(0, len(places), ROWS_AT_ONCE):
        rows = np.arange(first, min(first + ROWS_AT_ONCE, len(places)))
        for k in rows[~reached[rows]]:
            turned = np.arccos(np.clip(fan @ straight[k], -1.0, 1.0))
            order = np.argsort(turned, kind="stable")
            order = order[turned[order] < MOST_TILT_RAD]
            tried = fan[order]
            free = way_is_free(surface, np.broadcast_to(places[k], tried.shape), tried, bench_mm)
            if free.any():
                directions[k], reached[k] = tried[int(np.argmax(free))], True
    tilt = np.arccos(np.clip(np.einsum("nd,nd->n", directions, straight), -1.0, 1.0))
    return NeedleWays(directions, tilt, reached)


def way_is_free(
    surface: Surface, places: Array, directions: Array, bench_mm: float | None = None
) -> NDArray[np.bool_]:
    """Whether a needle along each direction meets neither the model nor the bench, (n,)."""
    middle = surface.first_hit_mm(places + START_MM * directions, directions)
    free = middle > LENGTH_MM
    if bench_mm is not None:
        lowest = places[:, 2] + LENGTH_MM * np.minimum(directions[:, 2], 0.0) - NEEDLE_RADIUS_MM
        free &= (lowest > bench_mm) | (directions[:, 2] >= 0.0)
    rows = np.flatnonzero(free)
    side, other = _across(directions[rows])
    for angle in 2.0 * np.pi * np.arange(SIDES) / SIDES:
        rim = NEEDLE_RADIUS_MM * (np.cos(angle) * side + np.sin(angle) * other)
        tip = places[rows] + START_MM * directions[rows]
        taper = TAPER_MM * directions[rows] + rim
        slant = np.linalg.norm(taper, axis=1)
        free[rows] &= surface.first_hit_mm(tip, taper / slant[:, None]) > slant
        along = surface.first_hit_mm(tip + taper, directions[rows])
        free[rows] &= along > LENGTH_MM - TAPER_MM
    return free


def _fan(count: int) -> Array:
    """Directions spread evenly over the sphere (a spiral of equal areas), (n, 3)."""
    z = 1.0 - (2.0 * np.arange(count) + 1.0) / count
    turn = np.pi * (3.0 - np.sqrt(5.0)) * np.arange(count)
    r = np.sqrt(1.0 - z * z)
    return np.stack([r * np.cos(turn), r * np.sin(turn), z], axis=1)


def _across(directions: Array) -> tuple[Array, Array]:
    """Two unit directions square to each direction and to one another."""
    least = np.argmin(np.abs(directions), axis=1)
    side = np.cross(directions, np.eye(3)[least])
    side /= np.linalg.norm(side, axis=1, keepdims=True)
    return side, np.cross(directions, side)
