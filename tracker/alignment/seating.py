"""Whether the stone contradicts the frame.

If the frame is not seated, finished stone shows inside the model on one side, where no stone can
be unless it was over-cut. An over-cut is local; a frame out of its seats is explained by one
rigid motion of everything. The frame is doubted only if all of this is beyond chance:

- more regions lie inside the model than noise puts there: each by its own sigma, their number by
  the binomial distribution;
- one rigid motion accounts for the stone better than over-cuts do, and so also when stone outside
  the model, which may be evenly proud, says nothing (`evidence`);
- that motion is far outside the frame's covariance.

No share of finished stone is asked for: the shares are part of the evidence. Where all finished
stone faces the way the frame has gone, nothing shows inside; evenly proud stone looks the same.
If the motion accounts for the stone beyond chance all the same, that is a doubt, not a refusal.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tracker.alignment.evidence import critical_ratio, log_likelihood
from tracker.alignment.finished import Regions, gather
from tracker.alignment.refine import compose, region_distances
from tracker.alignment.result import rigid
from tracker.maths.camera import Array
from tracker.maths.chance import binomial_above, chi2_above, normal_below
from tracker.surface import Surface

WIDEST_MM = 8.0
"""Stone farther from the model takes no part: a frame cannot be off its seats by more and still
look seated."""
FEWEST_REGIONS = 12
"""Twice the unknowns of a motion."""
START_MM = 2.0
SEARCH_POINTS = 9
"""Of a region, while the motion is looked for."""
BEYOND_SIGMAS = 3.0
"""A region lies inside if it is deeper than the finished band by this many sigmas."""
CLEAR = 1e-6
"""Chance of a false alarm by noise, and by the size of the motion."""
CLEAR_OF_ALL = 1e-6
"""The same for the evidence, over all motions that can be tried; the bound is a loose one."""


@dataclass(frozen=True, slots=True)
class Seating:
    """Verdict on the frame.

    Attributes
    ----------
    contradicted : bool
    doubtful : bool
        Not contradicted, but all stone taken together would lie better on the model if moved.
    motion : (6,) array
        (w, dt) that the stone asks for, rad and mm.
    shift_mm : float
        Of the middle of the stone seen.
    inside_before, inside_after, regions : int
        Regions that lie inside the model, and all regions.
    """

    contradicted: bool
    doubtful: bool
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
    if regions.count < FEWEST_REGIONS:
        return Seating(False, False, np.zeros(6), 0.0, 0, 0, regions.count)
    away, rows = region_distances(regions, surface, np.zeros(6))
    sigma = np.sqrt(regions.variance_mm2 + np.einsum("ni,ij,nj->n", rows, frame_covariance, rows))
    gate = band_mm + BEYOND_SIGMAS * sigma
    before = int(np.sum(away < -gate))
    evidence = _Evidence(away, sigma, band_mm / np.sqrt(3.0))
    inside = before > by_noise(regions.count)
    motion, after = _best_motion(regions, surface, evidence, START_MM if inside else 0.0)
    moved = _beyond_chance(motion, frame_covariance) and evidence.ratio(after) > evidence.limit
    clear = moved and inside and evidence.ratio(after, one_sided=True) > evidence.limit
    middle = regions.points.mean(axis=0)
    shift = float(np.linalg.norm(motion[3:] + np.cross(motion[:3], middle)))
    left = int(np.sum(after < -gate))
    return Seating(clear, moved and not clear, motion, shift, before, left, regions.count)


def by_noise(regions: int) -> int:
    """Most regions that noise alone puts inside, but for the chance CLEAR."""
    return binomial_above(CLEAR, regions, float(normal_below(-BEYOND_SIGMAS)))


def _beyond_chance(motion: Array, frame_covariance: Array) -> bool:
    return float(motion @ np.linalg.solve(frame_covariance, motion)) > chi2_above(CLEAR, 6)


@dataclass(frozen=True, slots=True)
class _Evidence:
    """What speaks for a motion: regions' distances at the frame's pose, and the finish."""

    away_mm: Array
    sigma_mm: Array
    finish_mm: float

    def ratio(self, after_mm: Array, *, one_sided: bool = False) -> float:
        """Twice the log-likelihood ratio of the distances after the motion."""
        now, then = (
            log_likelihood(away, self.sigma_mm, self.finish_mm, WIDEST_MM, one_sided=one_sided)
            for away in (self.away_mm, after_mm)
        )
        return 2.0 * (then - now)

    @property
    def limit(self) -> float:
        """The ratio that no chance explains."""
        return critical_ratio(CLEAR_OF_ALL, self.finish_mm, WIDEST_MM)


def _best_motion(
    regions: Regions, surface: Surface, evidence: _Evidence, start_mm: float
) -> tuple[Array, Array]:
    """The motion that most speaks for, and the regions' distances after it.

    Looked for from the frame's pose, coarse to fine, and from shifts along all axes if asked.
    """
    thin = _thinned(regions)
    found = [_descend(thin, surface, np.zeros(6), WIDEST_MM / 2.0, evidence.finish_mm)]
    if start_mm:
        ways = np.concatenate([np.eye(3), -np.eye(3)])
        starts = start_mm * np.concatenate([np.zeros((6, 3)), ways], axis=1)
        found += [_descend(thin, surface, at, start_mm, evidence.finish_mm) for at in starts]
    # what moves some stone farther is no frame that still looks seated
    found = [m for m in found if _farthest_mm(regions, m) <= WIDEST_MM] or [np.zeros(6)]
    after = [region_distances(regions, surface, motion)[0] for motion in found]
    best = int(np.argmax([evidence.ratio(away) for away in after]))
    return found[best], after[best]


def _farthest_mm(regions: Regions, motion: Array) -> float:
    R, t = rigid(motion)
    return float(np.linalg.norm(regions.points @ R.T + t - regions.points, axis=1).max())


def _descend(
    regions: Regions, surface: Surface, motion: Array, widest_mm: float, finish_mm: float
) -> Array:
    """Motion under which most stone touches the model and least lies inside, coarse to fine."""
    hold = np.diag([1e2] * 3 + [1e-4] * 3)
    for scale_mm in np.geomspace(widest_mm, finish_mm, 8):
        for _ in range(2):
            away, rows = region_distances(regions, surface, motion)
            z = away / scale_mm
            weight = np.where(z > 0.0, 1.0 / (1.0 + z * z) ** 2, 1.0)
            normal = (rows * weight[:, None]).T @ rows + hold
            step = np.linalg.solve(normal, -(rows * weight[:, None]).T @ away)
            motion = compose(np.asarray(step), motion)
    return motion


def _thinned(regions: Regions) -> Regions:
    """The regions with few points each: enough to find the motion by."""
    ends = zip(regions.start[:-1], regions.start[1:], strict=True)
    rows = [np.linspace(a, b - 1, min(b - a, SEARCH_POINTS)).astype(np.int64) for a, b in ends]
    start = np.concatenate([[0], np.cumsum([len(r) for r in rows])]).astype(np.int64)
    pick = np.concatenate(rows)
    return Regions(regions.points[pick], regions.normals[pick], regions.sigma_mm[pick], start)
