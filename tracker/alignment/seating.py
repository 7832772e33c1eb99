"""Whether the stone contradicts the frame.

If the frame is not seated, one rigid motion of everything explains what the stone shows. It is
looked for (`motion_search`), and the frame is doubted only if all of this is beyond chance:

- the motion accounts for the stone better than stone to remove and over-cuts do (`evidence`);
- what the finished stone was off by before the motion is more than a carver's hand leaves: a
  patch or a whole side proud by anything within the finished band, everything proud by any even
  amount, all within the frame's covariance (`unevenness`).

It is refused if besides more regions lie inside the model than noise puts there, each by its own
sigma, their number by the binomial distribution; the motion brings most of these out; and it
accounts for the stone also when stone outside, which may be proud, says nothing. An over-cut is
local; a frame is not.

No share of finished stone is asked for: the shares are part of the evidence. Stone speaks only
across its face; how far a frame has to be off along each axis to be noticed is told.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracker.alignment.evidence import critical_ratio, log_likelihood
from tracker.alignment.finished import PARALLEL_COS, Regions, regions_of
from tracker.alignment.motion_search import about_middle, best_motion, middle_and_reach
from tracker.alignment.refine import region_distances
from tracker.alignment.result import rigid
from tracker.alignment.unevenness import Lying, Unevenness, chi_square_gain, least_noticed_mm
from tracker.maths.camera import Array
from tracker.maths.chance import binomial_above, chi2_above, normal_below
from tracker.surface import Surface

WIDEST_MM = 8.0
"""Stone farther from the model takes no part: a frame cannot be off its seats by more and still
look seated."""
FEWEST_REGIONS = 12
"""Twice the unknowns of a motion."""
REGION_SHARE, LEAST_REGION_MM = 1.0 / 24.0, 10.0
"""Side of a region, as a share of the model's diagonal; tool marks go together over 10 mm."""
BEYOND_SIGMAS = 3.0
"""A region lies inside if it is deeper than the finished band by this many sigmas."""
CLEAR = 1e-6
"""Chance of a false alarm by noise."""
CLEAR_OF_HAND = 1e-7
"""The same by an uneven hand, whose sides and patches are known by rule of thumb only."""
CLEAR_OF_ALL, LIKELY = 1e-6, 1e-3
"""The same for the evidence, over all motions that can be tried, of a refusal and of a doubt; the
bound is a loose one."""


@dataclass(frozen=True, slots=True)
class Seating:
    """Verdict on the frame.

    Attributes
    ----------
    contradicted : bool
    doubtful : bool
        Not contradicted, but all stone taken together would lie better on the model if moved.
    shift_mm : float
        Of the middle of the stone seen, by the motion that the stone asks for.
    most_mm : float
        Of the place of the stone that moves farthest.
    inside_before, inside_after, regions : int
        Regions that lie inside the model, and all regions.
    noticed_mm : (3,) array
        Smallest shifts along X, Y and Z that finished stone would show; infinite without any.
    """

    contradicted: bool
    doubtful: bool
    shift_mm: float
    most_mm: float
    inside_before: int
    inside_after: int
    regions: int
    noticed_mm: Array


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
    low, high = surface.box
    side_mm = max(REGION_SHARE * float(np.linalg.norm(high - low)), LEAST_REGION_MM)
    regions = regions_of(points[near], normals[near], sigma_mm[near], low, side_mm)
    nothing = Seating(False, False, 0.0, 0.0, 0, 0, regions.count, np.full(3, np.inf))
    if regions.count < FEWEST_REGIONS:
        return nothing
    before, rows = region_distances(regions, surface, np.zeros(6))
    hand = proud_stone(band_mm)
    motion, after = best_motion(
        regions, lambda r, m: region_distances(r, surface, m), hand.side_mm, WIDEST_MM
    )
    lying = _finished(regions, surface, rows, before, after, band_mm)
    if len(lying.rows) < FEWEST_REGIONS:
        return nothing
    limit = chi2_above(CLEAR_OF_HAND, 6)
    evidence = _Evidence(before, after, np.sqrt(regions.variance_mm2), hand.side_mm)
    moved = chi_square_gain(lying, hand, frame_covariance) > limit
    moved = moved and evidence.beyond(LIKELY, one_sided=False)
    inside, left = _inside(regions, rows, before, after, frame_covariance, band_mm)
    refused = moved and inside > max(by_noise(regions.count), 2 * left)
    refused = refused and all(evidence.beyond(CLEAR_OF_ALL, one_sided=o) for o in (False, True))
    ways = about_middle(*middle_and_reach(regions))[:3]
    noticed = least_noticed_mm(lying, hand, frame_covariance, ways, limit)
    R, t = rigid(motion)
    middle = regions.points.mean(axis=0)
    steps = np.linalg.norm(np.vstack([middle, regions.points]) @ (R - np.eye(3)).T + t, axis=1)
    return Seating(
        refused, moved and not refused, float(steps[0]), float(steps.max()), inside, left,
        regions.count, noticed,
    )  # fmt: skip


def proud_stone(band_mm: float) -> Unevenness:
    """Of stone left proud by anything between nothing and the finished band (JCGM 100, 4.3.7)."""
    sigma = band_mm / np.sqrt(12.0)
    return Unevenness(sigma, sigma)


def by_noise(regions: int) -> int:
    """Most regions that noise alone puts inside, but for the chance CLEAR."""
    return binomial_above(CLEAR, regions, float(normal_below(-BEYOND_SIGMAS)))


def _inside(
    regions: Regions,
    rows: Array,
    before: Array,
    after: Array,
    frame_covariance: Array,
    band_mm: float,
) -> tuple[int, int]:
    """Regions over-cut beyond noise, without and with the motion."""
    variance = regions.variance_mm2 + np.einsum("ni,ij,nj->n", rows, frame_covariance, rows)
    gate = band_mm + BEYOND_SIGMAS * np.sqrt(variance)
    return int(np.sum(before < -gate)), int(np.sum(after < -gate))


def _finished(
    regions: Regions, surface: Surface, rows: Array, before: Array, after: Array, band_mm: float
) -> Lying:
    """Regions within the finished band of the model, and parallel to it, after the motion."""
    normals = regions.means(regions.normals)
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-12)
    places = regions.means(regions.points)
    of_model = surface.face_normals[surface.nearest(places)[1]]
    parallel = np.einsum("nd,nd->n", normals, of_model) > PARALLEL_COS
    keep: NDArray[np.bool_] = (np.abs(after) < band_mm) & parallel
    parts = (places, normals, rows, before, after, regions.variance_mm2)
    return Lying(*(part[keep] for part in parts))


@dataclass(frozen=True, slots=True)
class _Evidence:
    """What speaks for a motion: regions' distances without and with it, and the finish."""

    before_mm: Array
    after_mm: Array
    sigma_mm: Array
    finish_mm: float

    def beyond(self, chance: float, *, one_sided: bool) -> bool:
        """Whether twice the log-likelihood ratio is more than chance explains."""
        now, then = (
            log_likelihood(away, self.sigma_mm, self.finish_mm, WIDEST_MM, one_sided=one_sided)
            for away in (self.before_mm, self.after_mm)
        )
        return 2.0 * (then - now) > critical_ratio(chance, self.finish_mm, WIDEST_MM)
