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

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from tracker.maths.camera import Array, Pose
from tracker.maths.rigid import fit_rigid
from tracker.maths.rotation import angle_rad
from tracker.network.build import Assembled, Choice, Material, Values
from tracker.network.problem import Solution
from tracker.network.resection import flat_targets, intersect, look

FAR_PX = 1.0
"""Sightings of one target agree when they fit within this, or three times the network's scatter."""
WORST_WEIGHT = 0.04
"""A photograph that would count less than this is left out."""


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
    photo = np.array([p for p, _ in assembled.sightings])
    tags = np.array([t for _, t in assembled.sightings])
    moved_tags = _mostly_rejected(tags, solution.sighting_used)
    judged = ~np.isin(tags, list(moved_tags))
    share = _redundancy_share(solution, assembled)
    typical = float(np.median(scores.chi2[judged])) / float(stats.chi2.ppf(0.5, 8.0 * share))
    out: dict[int, str] = {}
    scale: dict[int, float] = {}
    for p in assembled.photos:
        rows = judged & (photo == p)
        if not rows.any():
            continue
        dof = 8.0 * share * rows.sum()
        ratio = float(np.sum(scores.chi2[rows])) / dof / max(1.0, typical)
        rejected = 1.0 - float(np.mean(solution.sighting_used[rows]))
        limit = float(stats.chi2.isf(material.settings.significance, dof)) / dof
        robust = float(np.median(scores.chi2[rows])) / float(stats.chi2.ppf(0.5, 8.0 * share))
        if rejected > 0.5 or 1.0 / max(robust / max(1.0, typical), 1e-9) < WORST_WEIGHT:
            out[p] = _photo_reason(float(np.sqrt(np.mean(scores.rms_px[rows] ** 2))))
        elif ratio > limit and robust > limit * max(1.0, typical):
            scale[p] = float(np.sqrt(robust / max(1.0, typical)))
    return out, scale


def _photo_reason(rms_px: float) -> str:
    return (
        f"its targets lie {rms_px:.2g} px from where the other photographs put them: blurred, "
        "taken at another zoom, or after something was moved"
    )


def _redundancy_share(solution: Solution, assembled: Assembled) -> float:
    observations = 8 * len(assembled.sightings) + 2 * len(assembled.network.seen.photo)
    return min(1.0, max(0.2, solution.redundancy / max(observations, 1)))


def _mostly_rejected(tags: NDArray[np.int64], used: NDArray[np.bool_]) -> set[int]:
    return {int(t) for t in np.unique(tags) if np.mean(used[tags == t]) < 0.7}


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
