"""Stone that was not carved since an earlier stage must lie where it lay.

The cloud of today against that of the earlier stage, place by place along the stone's normal.
Carving takes stone away, any amount anywhere; nothing makes stone grow. A frame out of its seats
on one of the two days moves everything by one motion, and wherever a face looks the way it went
the stone seems to have grown: one-sided, stone that has gone says nothing, stone that has grown
contradicts, untouched stone as loud as finished. Where all faces look the other way the stone
seems only to have gone; but if it went by one motion, more alike than a tool takes it, that is a
doubt. Which of the two days is at fault the stone cannot tell.

Distances are positive where stone has gone, so that `evidence` and `motion_search` read them as
they read stone against the model.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.spatial import cKDTree

from tracker.alignment.evidence import critical_ratio, log_likelihood
from tracker.alignment.finished import Regions, motion_rows, regions_of
from tracker.alignment.motion_search import about_middle, best_motion, middle_and_reach
from tracker.alignment.result import rigid
from tracker.alignment.unevenness import Lying, Unevenness, chi_square_gain, least_noticed_mm
from tracker.maths.camera import Array
from tracker.maths.chance import chi2_above

WIDEST_MM = 4.0
"""A frame cannot stand farther off and still look seated."""
NEAR_MM = 4.0
"""Places of the earlier stage farther off have no say."""
ALIKE_COS = 0.8
NEIGHBOURS = 4
SLOPE = 0.15
"""Standard deviation by mm between two places: the stone is rough, and a plane is only a plane."""
REGION_MM = 15.0
STILL = Unevenness(patch_mm=0.05, side_mm=0.05)
"""What a patch or a side is off between two days by the light, the paper and the adjustment."""
CARVED = Unevenness(patch_mm=0.15, side_mm=0.15)
"""What a rasp may have taken from some patches and sides and not from others, beside what it
took from everything alike; where more has gone, the place does not lie where it lay."""
FINISH_MM = 0.1
LYING_MM = 0.3
"""Regions nearer than this after the motion have not been carved."""
FEWEST_REGIONS = 24
TELLING_MM = 2.0
"""Stone that would not show a motion of this size in some direction cannot judge."""
CLEAR, LIKELY = 1e-6, 1e-3
"""Chance of a false alarm: of a contradiction, and of a doubt because stone has grown."""


@dataclass(frozen=True)
class EarlierStone:
    """The cloud of an earlier stage, n places in frame coordinates.

    Attributes
    ----------
    name : str
        Of the stage.
    points, normals : (n, 3) arrays, mm and unit
    sigma_mm : (n,) array
        Standard deviation along the normal.
    covariance : (6, 6) array
        Of (w, dt) of that day's frame coordinates, rad and mm.
    """

    name: str
    points: Array
    normals: Array
    sigma_mm: Array
    covariance: Array

    @cached_property
    def tree(self) -> cKDTree:
        """Finds the nearest places."""
        return cKDTree(self.points)

    def gone_mm(self, points: Array, normals: Array) -> tuple[Array, Array, Array]:
        """Stone gone at places of today, its normal there, and the distance to the evidence.

        Parameters
        ----------
        points, normals : (n, 3) arrays

        Returns
        -------
        gone : (n,) array, mm
            Along the earlier stage's normals, the nearest places weighing most.
        normals : (n, 3) array
        near : (n,) array, mm
            Distance of the nearest place that faces the same way; infinite if there is none.
        """
        found = self.tree.query(points, k=np.arange(1, min(NEIGHBOURS, len(self.points)) + 1))
        distance, row = np.asarray(found[0]), np.asarray(found[1])
        alike = np.einsum("nd,nkd->nk", normals, self.normals[row]) > ALIKE_COS
        weight = alike / (distance**2 + 0.5**2)
        weight /= np.maximum(weight.sum(axis=1, keepdims=True), 1e-12)
        grown = np.einsum("nkd,nkd->nk", points[:, None] - self.points[row], self.normals[row])
        normal = np.einsum("nk,nkd->nd", weight, self.normals[row])
        normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-12)
        near = np.where(alike, distance, np.inf).min(axis=1)
        return -np.einsum("nk,nk->n", weight, grown), normal, near


@dataclass(frozen=True, slots=True)
class Comparison:
    """Today's stone against that of an earlier stage.

    Attributes
    ----------
    stage : str
    contradicted : bool
        Stone seems to have grown, as one motion of everything says and nothing else can.
    doubtful : bool
        Not contradicted, but one motion says what changed better than carving does.
    most_mm : float
        Motion of the place that moves farthest.
    unchanged, regions : int
        Regions that lie where they lay once the motion is taken off, and all that were compared.
    noticed_mm : (6,) array
        Smallest shifts along X, Y, Z, and turns about them as mm at the rim of the stone, that
        would show; infinite where too little stone is as it was.
    """

    stage: str
    contradicted: bool
    doubtful: bool
    most_mm: float
    unchanged: int
    regions: int
    noticed_mm: Array

    @property
    def agrees(self) -> bool:
        """There is enough uncarved stone, facing all ways, and it lies where it lay."""
        moved = self.contradicted or self.doubtful
        return not moved and bool(np.all(self.noticed_mm < TELLING_MM))


def compare_stone(
    points: Array, normals: Array, sigma_mm: Array, frame_covariance: Array, before: EarlierStone
) -> Comparison:
    """Whether one motion says better than carving where today's stone lies.

    Parameters
    ----------
    points, normals, sigma_mm : (n, 3), (n, 3), (n,) arrays, frame coordinates
    frame_covariance : (6, 6) array, of (w, dt), rad and mm
    before : EarlierStone
    """
    regions = _shared(points, normals, sigma_mm, before)
    nothing = Comparison(before.name, False, False, 0.0, 0, regions.count, np.full(6, np.inf))
    if regions.count < FEWEST_REGIONS:
        return nothing

    def distances(some: Regions, motion: Array) -> tuple[Array, Array]:
        R, t = rigid(motion)
        moved = some.points @ R.T + t
        gone, normal, _ = before.gone_mm(moved, some.normals @ R.T)
        return some.medians(gone), some.means(-motion_rows(moved, normal))

    now, rows = distances(regions, np.zeros(6))
    motion, after = best_motion(regions, distances, FINISH_MM, WIDEST_MM)
    lying = _unchanged(regions, rows, now, after)
    if len(lying.rows) < FEWEST_REGIONS:
        return nothing
    frames = frame_covariance + before.covariance
    limit = chi2_above(CLEAR, 6)
    growth = 0.0
    if _explained(regions, now, after, one_sided=True):
        growth = chi_square_gain(lying.where(lying.before_mm < 0.0), STILL, frames)
    changed = chi_square_gain(lying, CARVED, frames) > limit
    changed = changed and _explained(regions, now, after, one_sided=False)
    contradicted = growth > limit
    R, t = rigid(motion)
    return Comparison(
        stage=before.name,
        contradicted=contradicted,
        doubtful=not contradicted and (changed or growth > chi2_above(LIKELY, 6)),
        most_mm=float(np.linalg.norm(regions.points @ (R - np.eye(3)).T + t, axis=1).max()),
        unchanged=len(lying.rows),
        regions=regions.count,
        noticed_mm=least_noticed_mm(
            lying, CARVED, frames, about_middle(*middle_and_reach(regions)), limit
        ),
    )


def _shared(points: Array, normals: Array, sigma_mm: Array, before: EarlierStone) -> Regions:
    """Today's places that the earlier stage saw too, each with the doubt of the comparison."""
    gone, _, near = before.gone_mm(points, normals)
    keep = (near < NEAR_MM) & (np.abs(gone) < WIDEST_MM)
    sigma = np.sqrt(sigma_mm[keep] ** 2 + float(np.median(before.sigma_mm)) ** 2)
    sigma = np.hypot(sigma, SLOPE * near[keep])
    return regions_of(points[keep], normals[keep], sigma, before.points.min(axis=0), REGION_MM)


def _explained(regions: Regions, now: Array, after: Array, *, one_sided: bool) -> bool:
    """Whether twice the log-likelihood ratio of the motion is more than any chance explains."""
    sigma = np.sqrt(regions.variance_mm2)
    at, then = (
        log_likelihood(gone, sigma, FINISH_MM, WIDEST_MM, one_sided=one_sided)
        for gone in (now, after)
    )
    return 2.0 * (then - at) > critical_ratio(CLEAR, FINISH_MM, WIDEST_MM)


def _unchanged(regions: Regions, rows: Array, now: Array, after: Array) -> Lying:
    """Regions that lie where they lay once the motion is taken off."""
    normals = regions.means(regions.normals)
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-12)
    whole = Lying(regions.means(regions.points), normals, rows, now, after, regions.variance_mm2)
    return whole.where(np.abs(after) < LYING_MM)
