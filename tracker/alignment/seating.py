"""Whether the stone contradicts the frame.

If the frame is not seated, finished stone shows inside the model on one side, where no stone can
be unless it was over-cut. An over-cut is local; a frame out of its seats is explained by one
rigid motion of everything. Both must be clear before the frame is doubted: much stone inside the
model at the frame's pose, and a motion far outside the frame's covariance that puts nearly all
of it back onto the model while more stone touches the model than before.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from tracker.alignment.finished import Regions, gather
from tracker.alignment.refine import compose, region_distances
from tracker.maths.camera import Array
from tracker.surface import Surface

WIDEST_MM = 8.0
"""Stone farther from the model takes no part: a frame cannot be off its seats by more and still
look seated."""
INSIDE_SHARE = 0.15
"""Share of the regions that must lie inside before the frame is doubted."""
FEWEST_INSIDE = 6
LEFT_INSIDE = 0.34
"""Of these, the share that may still lie inside after the motion."""
CLEAR = 1e-6
"""Chance of a false alarm that the motion's size alone may have."""


@dataclass(frozen=True, slots=True)
class Seating:
    """Verdict on the frame.

    Attributes
    ----------
    contradicted : bool
    motion : (6,) array
        (w, dt) that the stone asks for, rad and mm.
    shift_mm : float
        Of the middle of the stone seen.
    inside_before, inside_after, regions : int
        Regions that lie inside the model, and all regions.
    """

    contradicted: bool
    motion: Array
    shift_mm: float
    inside_before: int
    inside_after: int
    regions: int


def check_seating(
    points: Array,
    normals: Array,
    sigma_mm: Array,
    surface: Surface,
    frame_covariance: Array,
    band_mm: float,
) -> Seating:
    """Compare the stone near the model with the frame's pose.

    Parameters
    ----------
    points, normals, sigma_mm : (n, 3), (n, 3), (n,) arrays, frame coordinates
    frame_covariance : (6, 6) array, of (w, dt), rad and mm
    band_mm : float
        Half width of the finished band: stone deeper inside the model is over-cut.
    """
    near = np.linalg.norm(points - surface.nearest(points)[0], axis=1) < WIDEST_MM
    regions = gather(points[near], normals[near], sigma_mm[near], surface)
    still = Seating(False, np.zeros(6), 0.0, 0, 0, regions.count)
    if regions.count < 2 * FEWEST_INSIDE:
        return still
    away, rows = region_distances(regions, surface, np.zeros(6))
    sigma = np.sqrt(regions.variance_mm2 + np.einsum("ni,ij,nj->n", rows, frame_covariance, rows))
    gate = band_mm + 3.0 * sigma
    before = int(np.sum(away < -gate))
    if before < max(FEWEST_INSIDE, INSIDE_SHARE * regions.count):
        return Seating(False, np.zeros(6), 0.0, before, before, regions.count)
    motion = _best_motion(regions, surface, band_mm)
    after_away, _ = region_distances(regions, surface, motion)
    after = int(np.sum(after_away < -gate))
    touching = int(np.sum(np.abs(after_away) <= gate)) - int(np.sum(np.abs(away) <= gate))
    size = float(motion @ np.linalg.solve(frame_covariance, motion))
    clear = size > float(chi2.isf(CLEAR, 6)) and after <= LEFT_INSIDE * before and touching > 0
    middle = regions.points.mean(axis=0)
    shift = float(np.linalg.norm(motion[3:] + np.cross(motion[:3], middle)))
    return Seating(clear, motion, shift, before, after, regions.count)


def _best_motion(regions: Regions, surface: Surface, band_mm: float) -> Array:
    """Motion under which most stone touches the model and least lies inside, coarse to fine."""
    motion = np.zeros(6)
    for scale_mm in np.geomspace(WIDEST_MM / 2.0, band_mm, 12):
        for _ in range(2):
            away, rows = region_distances(regions, surface, motion)
            z = away / scale_mm
            weight = np.where(z > 0.0, 1.0 / (1.0 + z * z) ** 2, 1.0)
            hold = np.diag([1e2] * 3 + [1e-4] * 3)
            normal = (rows * weight[:, None]).T @ rows + hold
            step = np.linalg.solve(normal, -(rows * weight[:, None]).T @ away)
            motion = compose(np.asarray(step), motion)
    return motion
