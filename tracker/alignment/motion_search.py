"""The motion under which stone lies best on what it should lie on, looked for from many starts.

Unfinished stone pulls a plain descent to the nearest wrong rest, so the descent goes coarse to
fine, gives up stone that is far outside, and is begun anew from shifts and turns each way. The
few best that differ are finished with all points.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from tracker.alignment.evidence import log_likelihood
from tracker.alignment.finished import Regions
from tracker.alignment.refine import compose
from tracker.alignment.result import rigid
from tracker.maths.camera import Array

Distances = Callable[[Regions, Array], tuple[Array, Array]]
"""Signed distances (k,), mm, of the regions moved by (w, dt), and their rows (k, 6)."""

SHIFTS_MM, TURN_MM = (1.0, 2.0), 1.0
"""The starts: shifts along each axis, and turns that move the rim by so much."""
COARSE_MM = (1.0, 0.6, 0.36)
STEPS = 2
"""At each scale."""
BEST = 3
APART_MM = 0.3
"""Motions that differ by less at every region are one."""
SEARCH_POINTS = 2
"""Of a region, while the motion is looked for."""


def best_motion(
    regions: Regions, distances: Distances, finish_mm: float, widest_mm: float
) -> tuple[Array, Array]:
    """The motion that most speaks for, (6,), and the regions' distances after it, (k,) mm.

    Parameters
    ----------
    distances : function
        Positive outside.
    finish_mm : float
        Standard deviation of stone about where it should lie.
    widest_mm : float
        No region may move farther.
    """
    few = regions.thinned(SEARCH_POINTS)
    sigma = np.sqrt(few.variance_mm2)
    _, rows = distances(few, np.zeros(6))
    ranked = []
    for start in _starts(few):
        motion = _descend(few, distances, start, COARSE_MM)
        away, _ = distances(few, motion)
        ranked.append((log_likelihood(away, sigma, finish_mm, widest_mm, one_sided=False), motion))
    ranked.sort(key=lambda one: -one[0])
    chosen: list[Array] = []
    for _, motion in ranked:
        if all(float(np.abs(rows @ (motion - other)).max()) > APART_MM for other in chosen):
            chosen.append(motion)
        if len(chosen) == BEST:
            break
    fine = np.geomspace(COARSE_MM[-1], finish_mm, 3)
    found = [_descend(regions, distances, motion, fine) for motion in chosen]
    found = [m for m in found if _farthest_mm(regions, m) <= widest_mm] or [np.zeros(6)]
    sigma = np.sqrt(regions.variance_mm2)
    after = [distances(regions, motion)[0] for motion in found]
    best = int(
        np.argmax([log_likelihood(a, sigma, finish_mm, widest_mm, one_sided=False) for a in after])
    )
    return found[best], after[best]


def middle_and_reach(regions: Regions) -> tuple[Array, float]:
    """Middle of the stone seen and its mean distance from there, mm."""
    middle = regions.points.mean(axis=0)
    off = np.sum((regions.points - middle) ** 2, axis=1)
    return middle, max(float(np.sqrt(off.mean())), 1.0)


def about_middle(middle: Array, reach_mm: float) -> Array:
    """Motions (w, dt) that move the middle, then the rim about it, by 1 mm, one a row, (6, 6)."""
    shifts = np.concatenate([np.zeros((3, 3)), np.eye(3)], axis=1)
    w = np.eye(3) / reach_mm
    turns = np.concatenate([w, -np.cross(w, middle)], axis=1)
    return np.concatenate([shifts, turns])


def _starts(regions: Regions) -> list[Array]:
    ways = about_middle(*middle_and_reach(regions))
    signed = [sign * size * way for size in SHIFTS_MM for way in ways[:3] for sign in (1.0, -1.0)]
    turned = [sign * TURN_MM * way for way in ways[3:] for sign in (1.0, -1.0)]
    return [np.zeros(6), *signed, *turned]


def _descend(
    regions: Regions, distances: Distances, motion: Array, scales_mm: tuple[float, ...] | Array
) -> Array:
    """Motion under which most stone lies where it should and least inside, coarse to fine."""
    hold = np.diag([1e2] * 3 + [1e-4] * 3)
    for scale_mm in scales_mm:
        for _ in range(STEPS):
            away, rows = distances(regions, motion)
            z = away / scale_mm
            weight = np.where(z > 0.0, 1.0 / (1.0 + z * z) ** 2, 1.0 / (1.0 + z * z / 9.0))
            normal = (rows * weight[:, None]).T @ rows + hold
            step = np.linalg.solve(normal, -(rows * weight[:, None]).T @ away)
            motion = compose(np.asarray(step), motion)
    return motion


def _farthest_mm(regions: Regions, motion: Array) -> float:
    R, t = rigid(motion)
    return float(np.linalg.norm(regions.points @ R.T + t - regions.points, axis=1).max())
