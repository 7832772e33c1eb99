"""Targets that moved between photographs, and photographs that do not fit the others.

Both show in the free network, which holds nothing to the record: a target that was moved half
way through the day has two places, a photograph that is blurred, taken at another zoom or after
something moved disagrees with all of its targets.

References
----------
W. Baarda, "A testing procedure for use in geodetic networks" (1968): data snooping, here on
whole targets and whole photographs.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import stats

from tracker.maths.camera import Array, Pose
from tracker.maths.rigid import fit_rigid
from tracker.maths.rotation import angle_rad
from tracker.network.build import Assembled, Choice, Material, Values
from tracker.network.problem import (
    ImageObservations,
    KnownDistances,
    KnownPoints,
    LensPrior,
    Network,
    Solution,
    TargetSightings,
)
from tracker.network.resection import flat_targets, intersect, look
from tracker.network.solve import solve

FAR_PX = 1.0
"""Sightings of one target agree when they fit within this, or three times the network's scatter."""
WORST_WEIGHT = 0.04
"""A photograph that would count less than this is left out."""
OUTVOTED = 0.25
"""A photograph of which this share of targets was rejected, two at least, does not fit."""
ALONE_SIGMA_MM = 1e-4
LEAST_SCALE = 1.5
"""Photographs that fit less badly than this keep their full weight."""
ZOOM_SHARE = 0.1
"""A focal length of its own must lower a photograph's cost to this to be the explanation."""
LEAST_ZOOM_PERCENT = 0.2
BLUR_SHARE = 0.7
"""Share of the residuals that is scatter within targets, from which blur is the explanation."""


@dataclass(frozen=True, slots=True)
class Scores:
    """How well each sighting fits, in the order of `Assembled.sightings`."""

    chi2: Array
    """(n,) squared length of the whitened residual, 8 degrees of freedom."""
    rms_px: Array
    """(n,) root mean square of its coordinates' residuals."""


@dataclass(frozen=True, slots=True)
class Moved:
    """A target that has two places."""

    tag: int
    shift_mm: float
    turn_deg: float
    before: int
    """Last photograph that shows the first place."""
    after: int


def score(assembled: Assembled, solution: Solution) -> Scores:
    """Fit of every sighting, rejected ones included."""
    s = assembled.network.sightings
    rows = solution.sighting_residual_px.reshape(-1, 8)
    chi2 = np.einsum("ni,ni->n", rows, np.linalg.solve(s.cov_px2, rows[:, :, None])[:, :, 0])
    return Scores(chi2, np.sqrt(np.mean(rows**2, axis=1)))


def bad_photos(
    material: Material, assembled: Assembled, solution: Solution
) -> tuple[dict[int, str], dict[int, float]]:
    """Photographs to leave out, with the reason, and factors on the sigmas of weak ones."""
    scores = score(assembled, solution)
    pairs = assembled.sightings
    fits = dict(zip(pairs, solution.sighting_used, strict=True))
    photo = np.array([p for p, _ in pairs])
    share = _redundancy_share(solution, assembled)
    usual = float(stats.chi2.ppf(0.5, 8.0 * share))
    typical = max(1.0, float(np.median(scores.chi2)) / usual)
    out: dict[int, str] = {}
    scale: dict[int, float] = {}
    for p in assembled.photos:
        rows = photo == p
        lost = [
            t
            for (q, t), used in zip(pairs, solution.sighting_used, strict=True)
            if q == p and not used
        ]
        ratio = float(np.median(scores.chi2[rows])) / usual / typical
        dof = 8.0 * share * rows.sum()
        limit = float(stats.chi2.isf(material.settings.significance, dof)) / dof
        tags = [t for q, t in pairs if q == p]
        lost = [t for t in tags if not fits[p, t]]
        if _does_not_fit(material, tags, lost) or ratio > 1.0 / WORST_WEIGHT:
            out[p] = diagnose(material, assembled, solution, p)
        elif ratio > max(limit, LEAST_SCALE**2):
            scale[p] = float(np.sqrt(ratio))
    return out, scale


def _does_not_fit(material: Material, tags: list[int], lost: list[int]) -> bool:
    """Too few targets left, too many lost, half of the known ones lost, or the only one."""
    if len(tags) - len(lost) < 2:
        return True
    known = [t for t in tags if t in material.known]
    known_lost = [t for t in lost if t in material.known]
    outvoted = len(lost) >= 2 and len(lost) >= OUTVOTED * len(tags)
    most_known_lost = len(known_lost) >= 2 and 2 * len(known_lost) >= len(known)
    return outvoted or most_known_lost or 0 < len(known) == len(known_lost)


def diagnose(material: Material, assembled: Assembled, solution: Solution, photo: int) -> str:
    """Why a photograph does not fit: another zoom, blur, or something moved.

    Its pose alone, then its pose and focal length, are fitted to the targets as the others have
    them; blur scatters the corners within each target, a move shifts whole targets.
    """
    tags = [t for p, t in assembled.sightings if p == photo]
    rows = np.concatenate([assembled.rows_of(t) for t in tags])
    s = assembled.network.sightings
    mine = s.photo == assembled.photos.index(photo)
    lens = solution.lenses[material.cameras[photo]]
    alone = Network(
        lenses=(lens,),
        lens_of_photo=np.zeros(1, np.int64),
        poses=(solution.poses[assembled.photos.index(photo)],),
        points=solution.points[rows],
        seen=ImageObservations.none(),
        known=KnownPoints(
            np.arange(len(rows)), solution.points[rows], np.full(len(rows), ALONE_SIGMA_MM)
        ),
        distances=KnownDistances.none(),
        lens_priors=(LensPrior(lens.vector, np.zeros(8)),),
        sightings=TargetSightings(
            np.zeros(len(tags), np.int64),
            np.arange(len(rows)).reshape(-1, 4),
            s.pixel[mine],
            s.cov_px2[mine],
        ),
    )
    loosely = LensPrior(lens.vector, np.array([np.inf, *np.zeros(7)]))
    fixed = solve(alone, robust=False, covariance=False)
    zoomed = solve(replace(alone, lens_priors=(loosely,)), robust=False, covariance=False)
    rms = float(np.sqrt(np.mean(fixed.sighting_residual_px**2)))
    percent = 100.0 * (zoomed.lenses[0].focal_px / lens.focal_px - 1.0)
    found = f"its targets lie {rms:.2g} px from where the other photographs put them"
    if zoomed.cost < ZOOM_SHARE * fixed.cost and abs(percent) > LEAST_ZOOM_PERCENT:
        return f"{found}: it was taken at another zoom (focal length {percent:+.1f} %)"
    shift = fixed.sighting_residual_px.mean(axis=1, keepdims=True)
    within = float(np.sqrt(np.mean((fixed.sighting_residual_px - shift) ** 2)))
    if within > BLUR_SHARE * rms:
        return f"{found}: it is blurred"
    return f"{found}: something had been moved, or the camera moved while it was taken"


def _redundancy_share(solution: Solution, assembled: Assembled) -> float:
    observations = 8 * len(assembled.sightings) + 2 * len(assembled.network.seen.photo)
    return min(1.0, max(0.2, solution.redundancy / max(observations, 1)))


def suspects(assembled: Assembled, solution: Solution) -> tuple[int, ...]:
    """Targets of which two sightings or more were rejected."""
    rejected: dict[int, int] = {}
    for (_, tag), used in zip(assembled.sightings, solution.sighting_used, strict=True):
        rejected[tag] = rejected.get(tag, 0) + (not used)
    return tuple(tag for tag in sorted(rejected) if rejected[tag] >= 2)


def examine(
    material: Material,
    choice: Choice,
    values: Values,
    tag: int,
    scatter_px: float,
) -> tuple[tuple[int, ...], Moved | None]:
    """Which photographs show a target in one place, and whether it has a second place.

    Returns
    -------
    together : photographs that agree, the largest group
    moved : Moved or None
        None when no two other photographs agree on another place.
    """
    photos = [
        i
        for i, d in enumerate(material.detections)
        if i in values.poses and i not in choice.photos_out and any(t.tag == tag for t in d.used)
    ]
    lenses = [values.lenses[material.cameras[i]] for i in photos]
    seen = [
        flat_targets(lens, [t for t in material.detections[i].used if t.tag == tag])[tag]
        for lens, i in zip(lenses, photos, strict=True)
    ]
    poses = [values.poses[i] for i in photos]
    focal = np.array([lens.focal_px for lens in lenses])
    tolerance = max(FAR_PX, 3.0 * scatter_px)
    first, corners = _largest_group(poses, seen, focal, tolerance, set(range(len(photos))))
    rest = set(range(len(photos))) - first
    second, other = _largest_group(poses, seen, focal, tolerance, rest)
    together = tuple(photos[k] for k in sorted(first))
    if corners is None or other is None:
        return together, None
    earlier, later = sorted((first, second), key=lambda group: float(np.median(sorted(group))))
    a, b = (corners, other) if earlier is first else (other, corners)
    motion = fit_rigid(a, b)
    shift = float(np.linalg.norm(b.mean(axis=0) - a.mean(axis=0)))
    turn = float(np.degrees(angle_rad(motion.R)))
    return together, Moved(tag, shift, turn, photos[max(earlier)], photos[min(later)])


def _largest_group(
    poses: list[Pose], seen: list[Array], focal: Array, tolerance: float, among: set[int]
) -> tuple[set[int], Array | None]:
    """Largest set of photographs that agree on one place, and that place."""
    best: set[int] = set()
    place: Array | None = None
    rows = sorted(among)
    for x, i in enumerate(rows):
        for j in rows[x + 1 :]:
            corners = intersect([poses[i], poses[j]], [seen[i], seen[j]])
            if corners is None:
                continue
            group = {
                k
                for k in rows
                if focal[k] * np.sqrt(np.mean((look(poses[k], corners) - seen[k]) ** 2))
                <= tolerance
            }
            if len(group) > len(best):
                best = group
                again = intersect(
                    [poses[k] for k in sorted(group)], [seen[k] for k in sorted(group)]
                )
                place = corners if again is None else again
    return best, place
