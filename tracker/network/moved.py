"""Targets that moved between photographs.

Once the photographs have poses, each pair of photographs gives a suspect target a place, and the
place that most of its photographs agree on is its place; if others agree on a second one, it
moved.

References
----------
W. Baarda, "A testing procedure for use in geodetic networks" (1968): data snooping, here on
whole targets.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tracker.maths.camera import Array, Pose
from tracker.maths.rigid import fit_rigid
from tracker.maths.rotation import angle_rad
from tracker.network.build import Assembled, Choice, Material, Values, assemble
from tracker.network.fit import MIN_PHOTOS, score
from tracker.network.problem import Solution
from tracker.network.resection import flat_targets, intersect, look
from tracker.network.solve import solve

FAR_PX = 1.0
"""Sightings of one target agree when they fit within this, or three times the network's scatter."""
VOUCHED = 3
"""Photographs that must agree on a target for it to be believed once others have moved."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a target's photographs say of it."""

    together: tuple[int, ...]
    """Photographs that agree, the largest group."""
    reason: str
    """Why it must be left out; empty when it may stay in those photographs."""


def suspicious(
    material: Material, choice: Choice, values: Values, assembled: Assembled, solution: Solution
) -> dict[int, Verdict]:
    """Verdict on every target of which two sightings or more were rejected."""
    used = solution.sighting_used
    rms = score(assembled, solution).rms_px
    scatter = float(np.median(rms[used])) if used.any() else 0.0
    return {
        tag: examine(material, choice, values, tag, scatter)
        for tag in suspects(assembled, solution)
    }


def judged_by_known(
    material: Material, choice: Choice, values: Values
) -> dict[int, Verdict] | None:
    """Verdict on all targets by the known ones, when the others would outvote them.

    Frame and bench have moved against each other: the frame stands on the stone, so the
    photographs are placed by the known targets alone and all targets are judged from there.
    None where these do not place three photographs.
    """
    seen = {t.tag for d in material.detections for t in d.used}
    outside = dict.fromkeys(sorted(seen - set(material.known)), "")
    alone = replace(choice, targets_out={**choice.targets_out, **outside})
    assembled = assemble(material, alone, values)
    if len(assembled.photos) < MIN_PHOTOS:
        return None
    solution = solve(assembled.network, covariance=False)
    new = assembled.values(solution)
    placed = Values(new.poses, values.corners, new.lenses)
    verdicts = suspicious(material, alone, placed, assembled, solution)
    scatter = float(np.median(score(assembled, solution).rms_px))
    for tag in outside:
        if tag in choice.targets_out:
            continue
        verdicts[tag] = examine(material, choice, placed, tag, scatter)
    later = _other_side(material, verdicts, set(outside))
    for tag in set(outside) & set(verdicts):
        together = tuple(p for p in verdicts[tag].together if p not in later)
        reason = verdicts[tag].reason
        if not reason and len(together) < VOUCHED:
            reason = "others moved, and too few photographs show that this one did not"
        verdicts[tag] = Verdict(together, reason)
    return verdicts


def _other_side(material: Material, verdicts: dict[int, Verdict], outside: set[int]) -> set[int]:
    """Photographs in which most of the targets off the frame lie in their other place.

    There even those that seem to agree are not to be trusted: a photograph that leans on one
    target far from the frame makes it agree.
    """
    out = set()
    for photo, detection in enumerate(material.detections):
        seen = [t.tag for t in detection.used if t.tag in outside and t.tag in verdicts]
        agree = sum(photo in verdicts[tag].together for tag in seen)
        if 2 * agree < len(seen):
            out.add(photo)
    return out


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
) -> Verdict:
    """Which photographs show a target in one place, and whether it has a second place.

    It has when two photographs or more that do not agree with the first place agree on another.
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
        return Verdict(together, "")
    earlier, later = sorted((first, second), key=lambda group: float(np.median(sorted(group))))
    a, b = (corners, other) if earlier is first else (other, corners)
    motion = fit_rigid(a, b)
    shift = float(np.linalg.norm(b.mean(axis=0) - a.mean(axis=0)))
    turn = float(np.degrees(angle_rad(motion.R)))
    before, after = material.names[photos[max(earlier)]], material.names[photos[min(later)]]
    return Verdict(
        together,
        f"moved by {shift:.1f} mm and {turn:.1f} degrees between {before} and {after}",
    )


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
